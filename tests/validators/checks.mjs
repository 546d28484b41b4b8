// The checks. Each is independent of the others and of the FHIR library that the service uses; each returns the reasons why it
// refuses a resource, and none when it does not.
import { createRequire } from 'node:module';
import { indexStructureDefinitionBundle, validateResource } from '@medplum/core';
import { choicesOf, definitionBundle, definitionOf, isKnownType, walk } from './walk.mjs';

const require = createRequire(import.meta.url);
const { Fhir } = require('fhir');
const schemas = require('@solarahealth/fhir-r4');
const fhirpath = require('fhirpath');
const model = require('fhirpath/fhir-context/r4');

for (const file of ['profiles-types.json', 'profiles-resources.json']) {
  indexStructureDefinitionBundle(definitionBundle(file));
}

/** The resource and every resource inside it, entries of a Bundle and contained ones: the libraries do not look into all of them. */
function parts(resource) {
  const found = [];
  walk(resource, ({ node }) => {
    if (typeof node.resourceType === 'string') {
      found.push(node);
    }
  });
  return found;
}

const inEveryPart = (check) => (resource) => parts(resource).flatMap((part) => check(part).map((reason) => (part === resource ? reason : `${part.resourceType}/${part.id ?? '?'}: ${reason}`)));

// ---- three libraries ---------------------------------------------------------------------------------------------------------

const npmFhir = new Fhir();

/**
 * Two false alarms of npm `fhir` are taken out, and nothing else.
 * It takes a required choice that is `false` or 0 for missing (substitution.allowedBoolean): its word on missing choices does not
 * count, the other libraries notice those.
 * It reads the target type of a reference from the last but one part of its path, so it takes Observation/1/_history/2 for
 * a reference to the type "_history" and refuses it. Versioned references are correct and this service sends them on purpose:
 * this library, and only this one, is shown the reference without its version.
 */
const withoutVersions = (resource) => JSON.parse(JSON.stringify(resource), (name, value) =>
  (name === 'reference' && typeof value === 'string' ? value.replace(/\/_history\/[^/]+$/, '') : value));

function byNpmFhir(resource) {
  const { messages } = npmFhir.validate(withoutVersions(resource), { errorOnUnexpected: true });
  return messages.filter(({ severity, location, message }) => (severity === 'error' || severity === 'fatal')
    && !(location?.endsWith('[x]') && message === 'Missing property')).map(({ location, message }) => `${location}: ${message}`);
}

const compiled = new Map();

function byZod(resource) {
  const type = resource.resourceType;
  if (!compiled.has(type)) {
    compiled.set(type, schemas[`create${type}Schema`]?.());
  }
  const schema = compiled.get(type);
  if (!schema) {
    return [`${type} is not a resource type this library knows`];
  }
  const { success, error } = schema.safeParse(resource);
  return success ? [] : error.issues.map(({ path: at, message }) => `${at.join('.')}: ${message}`);
}

function byMedplum(resource) {
  try {
    validateResource(resource);
    return [];
  } catch (error) {
    return (error.outcome?.issue ?? [{ details: { text: error.message } }]).map(({ expression, details }) => `${expression ?? ''}: ${details?.text}`);
  }
}

// ---- rules of the structure definitions ----------------------------------------------------------------------------------------

/** Invariants that are not asked, and why. */
const notAsked = new Set([
  'dom-3', // as written in R4 this engine finds it broken by HL7's own examples with contained resources; the service contains nothing
  'eld-16', // their regular expressions hold escapes that are none in ECMAScript's unicode mode; the Firely validator asks both
  'eld-19', // likewise
  'dom-6', // a narrative is good practice, not a rule: a warning by its own definition
]);

function byInvariants(resource) {
  const reasons = [];
  walk(resource, ({ node, element, owner, location, resource: current, root }) => {
    // The element's own rules and those of its type; both lists repeat the ones every element has.
    const rules = new Map([...(element.constraint ?? []), ...(definitionOf(owner)?.constraint ?? [])].map((rule) => [rule.key, rule]));
    for (const { key, severity, expression, human } of rules.values()) {
      if (severity !== 'error' || !expression || notAsked.has(key)) {
        continue;
      }
      let holds;
      try {
        [holds] = fhirpath.evaluate(node, { base: owner, expression }, { resource: current, rootResource: root }, model, { traceFn: () => {} }); // ref-1 traces
      } catch (error) {
        reasons.push(`${location}: ${key} could not be evaluated (${error.message})`);
        continue;
      }
      if (holds === false) {
        reasons.push(`${location}: ${key} ${human}`);
      }
    }
  });
  return reasons;
}

/** The type a literal reference points at; undefined where it cannot be told (an identifier, a fragment, a URL of another kind). */
function targetType(reference, root) {
  const inBundle = root.entry?.find(({ fullUrl }) => fullUrl === reference)?.resource?.resourceType;
  const [, type] = /(?:^|\/)([A-Z][A-Za-z]+)\/[A-Za-z0-9.-]{1,64}(?:\/_history\/[A-Za-z0-9.-]{1,64})?$/.exec(reference) ?? [];
  return inBundle ?? (isKnownType(type) ? type : undefined);
}

function byReferenceTargets(resource) {
  const reasons = [];
  walk(resource, ({ node, element, owner, location, root }) => {
    if (owner !== 'Reference') {
      return;
    }
    const profiles = element.type.filter(({ code }) => code === 'Reference').flatMap(({ targetProfile }) => targetProfile ?? []);
    const allowed = profiles.map((url) => url.slice(url.lastIndexOf('/') + 1));
    const types = [node.type, typeof node.reference === 'string' ? targetType(node.reference, root) : undefined].filter(Boolean);
    for (const type of types) {
      if (allowed.length > 0 && !allowed.includes('Resource') && !allowed.includes(type)) {
        reasons.push(`${location}: ${type} is not one of ${allowed.join(', ')}`);
      }
    }
  });
  return reasons;
}

function byOneChoice(resource) {
  const reasons = [];
  walk(resource, ({ node, owner, location }) => {
    for (const { name, members } of choicesOf(owner)) {
      const present = members.filter((member) => member in node || `_${member}` in node);
      if (present.length > 1) {
        reasons.push(`${location}.${name}[x]: only one of ${present.join(', ')} may be there`);
      }
    }
  });
  return reasons;
}

/** Name of a check -> the function that returns its reasons. */
export const checks = new Map([
  ['npm-fhir', inEveryPart(byNpmFhir)],
  ['zod', inEveryPart(byZod)],
  ['medplum', inEveryPart(byMedplum)],
  ['invariants', byInvariants],
  ['reference-targets', byReferenceTargets],
  ['one-choice', byOneChoice],
]);

/** All checks on one resource: [{ check, reason }], empty when nothing is wrong. A check that breaks counts as a refusal. */
export function refusals(resource) {
  if (resource === null || typeof resource !== 'object' || !isKnownType(resource.resourceType)) {
    return [{ check: 'resource-type', reason: `${JSON.stringify(resource?.resourceType)} is not an R4 resource type` }];
  }
  return [...checks].flatMap(([check, run]) => {
    try {
      return run(resource).map((reason) => ({ check, reason }));
    } catch (error) {
      return [{ check, reason: `the check itself failed: ${error.message}` }];
    }
  });
}
