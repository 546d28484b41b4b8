// Invented patients as FHIR R4 histories: seeded, so that a case is named by its number. Times are told in the clinic's clock.
import { DateTime } from 'luxon';

/** Where and when a group of cases is looked at: plain hours, both sides of midnight, and days on which clocks change. */
export const looks = [
  { zone: 'UTC', asOf: '2026-06-15T08:00:00Z' },
  { zone: 'UTC', asOf: '2026-06-15T00:00:00Z' },
  { zone: 'UTC', asOf: '2026-02-28T23:59:00Z' },
  { zone: 'Europe/London', asOf: '2026-03-29T00:30:00Z' }, // half an hour before summer time
  { zone: 'Europe/London', asOf: '2026-05-10T22:59:00Z' }, // 23:59 of the clinic
  { zone: 'America/New_York', asOf: '2026-03-24T04:00:00Z' }, // midnight, 16 days into summer time
  { zone: 'America/New_York', asOf: '2026-11-20T04:59:00Z' }, // 23:59 of the day before
  { zone: 'Pacific/Auckland', asOf: '2026-04-20T12:00:00Z' }, // midnight, 15 days after summer time
  { zone: 'Asia/Kathmandu', asOf: '2026-06-15T02:15:00Z' }, // 45 minutes off the hour
  { zone: 'America/Los_Angeles', asOf: '2026-06-15T10:30:00Z' }, // 03:30: the night before is not over, the day has begun
];

const signs = ['erythema', 'scaling', 'dryness', 'burning'];
const tolerability = 'https://titration.example.org/fhir/CodeSystem/tolerability';
const rxnorm = { 0.025: '106302', 0.05: '106303', 0.1: '198300' };
const rungs = [{ nights: 1, days: 3, grams: 0.25 }, { nights: 1, days: 2, grams: 0.25 }, { nights: 1, days: 1, grams: 0.25 }, { nights: 1, days: 1, grams: 0.5 }];
const stops = ['breathing-difficulty', 'facial-swelling', 'hives', 'vision-change', 'blistering', 'suspected-allergy', 'eye-involvement', 'skin-infection', 'planning-pregnancy', '82810-3'];
const holds = ['sunburn', 'eczema-flare', 'broken-skin', 'waxing'];
const otherRetinoids = ['D10AD02', 'D10AD03', 'D10BA01', 'D05AX05'];
const interacting = ['D10AE01', 'D10AB02', 'D10AX02'];

/** Uniform numbers in [0, 1) from a seed (mulberry32). */
function numbers(seed) {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let mixed = Math.imul(state ^ (state >>> 15), 1 | state);
    mixed = (mixed + Math.imul(mixed ^ (mixed >>> 7), 61 | mixed)) ^ mixed;
    return ((mixed ^ (mixed >>> 14)) >>> 0) / 4294967296;
  };
}

/** One patient's history as a Bundle, looked at as `look` says. */
export function history(number, look) {
  const random = numbers(number * 7919 + 17);
  const chance = (share) => random() < share;
  const between = (least, most) => least + Math.floor(random() * (most - least + 1));
  const one = (list) => list[Math.floor(random() * list.length)];
  const patient = `p${String(number).padStart(5, '0')}`;
  const today = DateTime.fromISO(look.asOf, { zone: look.zone });
  const entry = [];

  // A day counted from today, and an hour of the clinic's clock; told with an offset or in UTC.
  const at = (day, hour, minute = between(0, 59)) => {
    const local = today.startOf('day').plus({ days: day }).set({ hour, minute });
    return (chance(0.5) ? local : local.toUTC()).toISO({ suppressMilliseconds: true });
  };
  const add = (resource) => {
    entry.push({ resource });
    return resource;
  };
  const version = (id, versionId, lastUpdated) => ({ id, meta: { versionId: `${versionId}`, lastUpdated } });

  add({ resourceType: 'Patient', ...version(patient, 1, at(-400, 8)), active: true, birthDate: `${between(1960, 2005)}-05-14` });

  // ---- the course: one or more steps, the last one as long as the boundaries of the rules ask for
  const percent = chance(0.8) ? 0.025 : one([0.05, 0.1]);
  const cautiousFrom = chance(0.15) ? 'start' : chance(0.04) ? 'later' : undefined;
  const last = chance(0.6) ? one([0, 4, 5, 6, 12, 13, 14, 15, 16, 20, 21, 22, 23]) : between(0, 70);
  const earlier = chance(0.45) ? between(1, 2) : 0;
  const lengths = [...Array.from({ length: earlier }, () => between(8, 35)), last];
  let rung = Math.min(cautiousFrom === 'start' && chance(0.6) ? 0 : one([1, 1, 1, 2, 2, 3]), 3);
  if (earlier > 0 && chance(0.7)) { rung = Math.max(1, rung - 1); }
  let begins = -lengths.reduce((sum, length) => sum + length, 0);
  const courseBegan = begins;
  const days = [];
  const orders = [];
  for (const length of lengths) {
    const parts = length > 6 && chance(0.12) ? [between(2, length - 2)] : [];
    parts.unshift(0);
    for (const part of parts) {
      orders.push({ day: begins + part, at: at(begins + part, one([10, 10, 10, 0, 3, 4, 16, 23])), rung: { ...rungs[rung] } });
    }
    for (let day = begins; day < begins + length; day++) { days[day - courseBegan] = rungs[rung]; }
    begins += length;
    rung = chance(0.75) ? Math.min(rung + 1, 3) : Math.max(rung - 1, 0);
  }

  const order = (number, status, versionId, lastUpdated) => ({
    resourceType: 'MedicationRequest', ...version(`${patient}-rx${number}`, versionId, lastUpdated), status, intent: 'order',
    medicationCodeableConcept: { coding: [{ system: 'http://www.nlm.nih.gov/research/umls/rxnorm', code: rxnorm[percent] }] },
    subject: { reference: `Patient/${patient}` }, authoredOn: orders[number].at, requester: { reference: 'PractitionerRole/role-1' },
    ...(number > 0 ? { priorPrescription: { reference: `MedicationRequest/${patient}-rx${number - 1}` } } : {}),
    dosageInstruction: [{
      timing: { repeat: { frequency: orders[number].rung.nights, period: orders[number].rung.days, periodUnit: 'd', when: ['HS'] } },
      asNeededBoolean: false,
      site: { coding: [{ system: 'http://snomed.info/sct', code: '73897004' }] },
      doseAndRate: [{ doseQuantity: { value: orders[number].rung.grams, unit: 'g', system: 'http://unitsofmeasure.org', code: 'g' } }],
    }],
  });
  orders.forEach((written, number) => {
    add(order(number, 'active', 1, written.at));
    if (number + 1 < orders.length) { add(order(number, 'stopped', 2, orders[number + 1].at)); }
  });
  const newest = orders.length - 1;
  if (orders[newest].day < -4 && chance(0.08)) {
    const held = between(orders[newest].day + 1, -1);
    add(order(newest, 'on-hold', 2, at(held, 9)));
    if (chance(0.8)) { add(order(newest, 'active', 3, at(Math.min(0, held + between(1, 18)), 0, 0))); }
  } else if (chance(0.02)) {
    add(order(newest, 'stopped', 2, at(between(-last, 0), 0, 0)));
  }

  // ---- what was observed
  let observed = 0;
  const observation = (when, byClinician, body, id = `${patient}-o${++observed}`, versionId = 1, recorded = when, status = 'final') => add({
    resourceType: 'Observation', ...version(id, versionId, recorded), status, subject: { reference: `Patient/${patient}` }, effectiveDateTime: when,
    performer: [{ reference: byClinician ? 'Practitioner/pr-1' : `Patient/${patient}` }], ...body,
  });
  const coded = (code, value) => ({ code: { coding: [{ system: code === '82810-3' ? 'http://loinc.org' : tolerability, code }] }, ...value });
  const single = (when, code, value, byClinician = false) => observation(when, byClinician, coded(code, value));
  const yes = (code, present) => code === '82810-3'
    ? { valueCodeableConcept: { coding: [{ system: 'http://loinc.org', code: present ? 'LA15173-0' : 'LA26683-5' }] } }
    : { valueBoolean: present };

  // ---- a finding, perhaps; most patients then leave the product out, as they are told to
  const finding = chance(0.3)
    ? { code: chance(0.5) ? one(holds) : chance(0.8) ? one(stops) : 'breastfeeding', day: chance(0.8) ? between(Math.max(courseBegan, -25), 0) : between(courseBegan - 5, 0) }
    : undefined;
  const obedient = chance(0.85);
  let leftOutSince = obedient && finding && finding.code !== 'breastfeeding' ? finding.day : undefined;
  const leftOut = (night) => night >= leftOutSince && !orders.some((o) => o.day > leftOutSince && o.day <= night);

  const temper = one(['calm', 'calm', 'calm', 'mild', 'irritated', 'settling', 'stubborn']);
  const grade = (day) => {
    const found = roll(day);
    if (found === 3 && obedient && day > courseBegan) { leftOutSince = Math.max(leftOutSince ?? day, day); }
    return found;
  };
  const roll = (day) => {
    const roll = random();
    if (temper === 'calm') { return roll < 0.8 ? 0 : roll < 0.995 ? 1 : 2; }
    if (temper === 'mild') { return roll < 0.4 ? 0 : roll < 0.96 ? 1 : roll < 0.995 ? 2 : 3; }
    if (temper === 'stubborn') { return roll < 0.5 ? 0 : roll < 0.7 ? 1 : 2; }
    if (temper === 'irritated') { return roll < 0.35 ? 0 : roll < 0.75 ? 1 : roll < 0.97 ? 2 : 3; }
    return day < -10 ? (roll < 0.5 ? 1 : roll < 0.95 ? 2 : 3) : roll < 0.7 ? 0 : 1;
  };
  const grades = (day, codes) => codes.map((code) => coded(code, { valueInteger: grade(day) }));

  const faithful = one([1, 1, 1, 1, 1, 1, 0.85, 0.85, 0.6, 0.6, 0]);
  const reports = one([1, 1, 1, 1, 0.7]);
  let reported = courseBegan;
  const nights = (day) => {
    if (!chance(reports) || day <= reported) { return []; }
    let planned = 0;
    for (let night = reported; night < day; night++) {
      const rate = days[night - courseBegan] ?? orders[newest].rung;
      planned += leftOut(night) ? 0 : rate.nights / rate.days;
    }
    const spansOneStep = orders.every((o) => o.day <= reported || o.day >= day);
    reported = day;
    return spansOneStep && chance(0.2)
      ? [coded('missed-applications', { valueInteger: faithful === 1 ? (chance(0.8) ? 0 : 1) : Math.round(planned * (1 - faithful)) })]
      : [coded('nights-applied', { valueInteger: Math.round(planned * faithful + (faithful > 0 ? random() * 0.4 : 0)) })];
  };

  const rhythm = one([7, 7, 7, 5, 4, 10]);
  const silentSince = chance(0.12) ? -between(6, 20) : 1;
  for (let day = courseBegan + between(1, rhythm); day <= Math.min(0, silentSince); day += Math.max(1, rhythm + between(-2, 2))) {
    const when = at(day, one([19, 19, 19, 7, 12, 0, 2, 3, 4, 23]));
    const asked = chance(0.1) ? signs.filter(() => chance(0.6)) : chance(0.5) ? signs : [...signs, 'pruritus'];
    const byClinician = chance(0.08);
    if (chance(0.05)) {
      for (const code of asked) { single(when, code, { valueInteger: grade(day) }, byClinician); }
      continue;
    }
    const component = [...grades(day, asked), ...nights(day)];
    if (component.length === 0) { continue; }
    const said = observation(when, byClinician, { ...coded('checkin-panel', {}), component });
    if (chance(0.05)) {
      observation(when, byClinician, { ...coded('checkin-panel', {}), component: [...grades(day, asked), ...component.slice(asked.length)] }, said.id, 2,
        at(day + 1, 9), 'amended');
    } else if (chance(0.03)) {
      observation(when, byClinician, { ...coded('checkin-panel', {}), component }, said.id, 2, at(day + 1, 9), 'entered-in-error');
    }
    if (chance(0.1)) {
      observation(at(day, one([6, 11, 13, 20, 22])), !byClinician, { ...coded('checkin-panel', {}), component: grades(day, chance(0.7) ? signs : [one(signs)]) });
    }
  }

  if (finding) {
    const { code, day } = finding;
    const found = single(at(day, between(5, 22)), code, yes(code, true), chance(0.3));
    if (chance(0.1)) {
      observation(found.effectiveDateTime, false, coded(code, yes(code, true)), found.id, 2, at(day + 1, 9), 'entered-in-error');
    } else if (chance(0.6)) {
      const over = Math.min(0, day + between(0, 14));
      if (chance(0.7)) { single(at(over, 23), 'recovered', { valueBoolean: true }, chance(0.6)); } else { single(at(over, 23), code, yes(code, false), chance(0.6)); }
      for (let after = over + between(0, 3); after <= 0; after += between(3, 7)) {
        if (chance(0.7)) { observation(at(after, one([8, 19])), false, { ...coded('checkin-panel', {}), component: grades(after, signs) }); }
      }
    }
  }

  // ---- other prescriptions, caution
  const prescribed = (code, day, until) => {
    const other = (status, versionId, lastUpdated) => ({
      resourceType: 'MedicationRequest', ...version(`${patient}-${code}`, versionId, lastUpdated), status, intent: 'order',
      medicationCodeableConcept: { coding: [{ system: 'http://www.whocc.no/atc', code }] }, subject: { reference: `Patient/${patient}` },
      authoredOn: written, dosageInstruction: [{ timing: { repeat: { frequency: 1, period: 1, periodUnit: 'd' } }, asNeededBoolean: false }],
    });
    const written = at(day, between(8, 17));
    add(other('active', 1, written));
    if (until !== undefined) { add(other('stopped', 2, at(until, 18))); }
  };
  if (chance(0.05)) {
    const day = between(courseBegan - 3, -1);
    prescribed(one(otherRetinoids), day, chance(0.6) ? Math.min(-1, day + between(0, 10)) : undefined);
  }
  if (chance(0.1)) { single(at(between(-30, 0), 12), 'effect', { valueCodeableConcept: { coding: [{ system: tolerability, code: one(['enough', 'more-wanted']) }] } }); }
  if (chance(0.06)) { prescribed(one(interacting), between(Math.max(courseBegan - 5, -40), 0)); }
  if (cautiousFrom) {
    single(at(cautiousFrom === 'start' ? courseBegan - 1 : between(courseBegan, 0), 9), 'caution', { valueBoolean: true }, chance(0.5));
    if (chance(0.1)) { single(at(between(courseBegan, 0), 12), 'caution', { valueBoolean: false }, true); }
  }
  // What was recorded after the look has not reached the store yet.
  return { resourceType: 'Bundle', type: 'collection', entry: entry.filter(({ resource }) => DateTime.fromISO(resource.meta.lastUpdated) <= today) };
}

/** The first `count` cases: number, look and Bundle of each. */
export const cases = (count) => Array.from({ length: count }, (_, number) => {
  const look = looks[number % looks.length];
  return { number, look, bundle: history(number, look) };
});
