// The rules stated in CQL and run on an engine that knows nothing of this service must come to the service's own outcomes, case by case.
// Run by test.sh; alone: dotnet build, then node --test. TITRATION_CQL_CASES says how many histories, 1,000 where it is not set.
import assert from 'node:assert/strict';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { test } from 'node:test';
import { Engine, translate } from './engine.mjs';
import { cases } from './histories.mjs';
import { evaluate, patientOf, write } from './service.mjs';

const count = Number(process.env.TITRATION_CQL_CASES ?? 1000);
const outcomes = ['Discontinue', 'Withhold', 'StepDown', 'RequestReview', 'AwaitCheckIn', 'Resume', 'Maintain', 'StepUp'];

const stepText = (step) => step && `${step.percent ?? step.strengthPercent} %, ${Number(step.nightsPerWeek).toFixed(2)} nights a week, `
  + `${step.grams ?? step.gramsPerApplication} g${step.barrier ? ', barrier support' : ''}`;
const ofService = (course) => ({ outcome: course?.outcome ?? null, proposed: stepText(course?.proposedStep) ?? null, since: course?.outcome ? course.step?.since ?? null : null });
const ofCql = (result) => ({ outcome: result.Outcome, proposed: stepText(result['Proposed Step']) ?? null, since: result.Outcome ? `${result['Step Since']}` : null });
const same = ({ ours, cql }) => ours.outcome === cql.outcome && ours.proposed === cql.proposed && ours.since === cql.since;

const engine = new Engine(translate());
const folder = mkdtempSync(join(tmpdir(), 'titration-cql-'));

async function compare() {
  const compared = [];
  for (const look of write(cases(count), folder)) {
    const [service, cql] = await Promise.all([evaluate(folder, look), engine.evaluate(look.cases.map((c) => c.bundle), look)]);
    for (const { number, bundle } of look.cases) {
      const result = cql[patientOf(bundle)];
      compared.push({ number, bundle, look, ours: ofService(service.get(patientOf(bundle))), cql: ofCql(result), notCovered: result['Not Covered'] });
    }
  }
  return compared;
}

/** How many of the first histories of a look differ once the CQL has another number than the protocol. */
async function differences(compared, parameter, value) {
  const some = compared.filter((c) => c.look === compared[0].look && c.notCovered.length === 0).slice(0, 60);
  const results = await engine.evaluate(some.map((c) => c.bundle), some[0].look, { [parameter]: value });
  return some.filter((c) => !same({ ...c, cql: ofCql(results[patientOf(c.bundle)]) })).length;
}

// All of it before the first test begins: the test runner follows every promise, and the engine makes so many that it takes three times as long.
const compared = await compare().finally(() => rmSync(folder, { recursive: true }));
const inScope = compared.filter((c) => c.notCovered.length === 0);
const misread = [];
for (const [parameter, value] of [['Minimum Days On Step', 28], ['Check-in Every Days', 5]]) {
  misread.push({ parameter, value, different: await differences(compared, parameter, value) });
}

test('every history in scope has the same outcome, proposed step and first night of the step in both', () => {
  assert.equal(compared.length, count);
  const different = inScope.filter((c) => !same(c));
  assert.equal(different.length, 0, different.slice(0, 20).map((c) => `history ${c.number}: service ${JSON.stringify(c.ours)}, CQL ${JSON.stringify(c.cql)}`).join('\n'));
});

test('what the CQL leaves out is named, and is at most one history in twelve', (t) => {
  const reasons = compared.flatMap((c) => c.notCovered);
  t.diagnostic(`${inScope.length} of ${count} histories compared; left out: ${['gap', 'strength'].map((r) => `${reasons.filter((n) => n === r).length} ${r}`).join(', ')}`);
  assert.deepEqual(reasons.filter((r) => !['gap', 'strength'].includes(r)), []);
  assert.ok(compared.length - inScope.length <= count / 12, `${compared.length - inScope.length} of ${count}`);
});

test('the histories are various: every outcome occurs, each in one of a hundred or more', (t) => {
  const counted = Object.fromEntries([...outcomes, 'null'].map((outcome) => [outcome, inScope.filter((c) => `${c.ours.outcome}` === outcome).length]));
  t.diagnostic(JSON.stringify(counted));
  for (const outcome of outcomes) { assert.ok(counted[outcome] >= count / 100, `${outcome}: ${counted[outcome]} of ${count}`); }
});

test('another number in the CQL than in the protocol is found', () => {
  for (const { parameter, value, different } of misread) { assert.ok(different > 0, `${parameter} ${value} made no difference`); }
});
