// An independent FHIR R4 endpoint for tests, in memory.
//
//   node fhir-peer.mjs [--port 8090] [--host 127.0.0.1] [--base /fhir] [--validate] [--token SECRET]
//
// It shares no code with the service under test or its FHIR library, so the two do not share misunderstandings either.
// --validate refuses (400 or 422) what the R4 structure definitions do not allow. Not checked: required code bindings, reference
// target types, two members of one choice; tests/validators does that. Not supported, and refused: _include, _revinclude, _has.
// A transaction with a conditional entry may have 8 entries at most (a limit of the library).
//
// Requests are handled strictly one after another. Identical conditional creates sent at the same moment therefore create one
// resource; a real server may be less kind, and nothing here says how it behaves.
//
// Control, outside the FHIR base and without the token:
//   GET    /__log      the requests seen: method, url, headers, body, status, at
//   DELETE /__log      the same, and forget them
//   POST   /__reset    forget everything: resources, log, faults, abilities
//   POST   /__abilities  be another kind of server until the next reset:
//     { "updateCreate": false,        PUT to an id that is not there is refused (405), and the statement says so
//       "token": "SECRET",            only the bearer of it gets in (401), but for the statement
//       "forbidden": ["Task"] }       these types are for nobody (403)
//   POST   /__faults   replace the fault plan, a list; the first entry that fits a request is used, at most `times` times:
//     { "match": "POST /fhir/Task",   part of "METHOD url"; absent: every request
//       "times": 2,                   default 1
//       "status": 503,                answer with this status and an OperationOutcome
//       "retryAfter": 3,              with this Retry-After header (seconds, or an HTTP date)
//       "delayMs": 200,               wait before anything else
//       "drop": true,                 cut the connection instead of answering
//       "after": true }               carry the request out first, then fail: the ambiguous answer
import http from 'node:http';
import { pathToFileURL } from 'node:url';
import { parseArgs } from 'node:util';
import { getSearchParameters, getStatus, isOk, normalizeOperationOutcome, OperationOutcomeError } from '@medplum/core';
import { FhirRouter } from '@medplum/fhir-router';
import { loadDefinitions, Store } from './store.mjs';

// Read by the clients that look before they write. The types are those this service reads or writes.
const types = ['AuditEvent', 'Communication', 'CommunicationRequest', 'DetectedIssue', 'Device', 'Flag', 'Group', 'Location', 'Medication', 'MedicationDispense',
  'MedicationRequest', 'Observation', 'Organization', 'Patient', 'PlanDefinition', 'Practitioner', 'PractitionerRole', 'Provenance', 'Subscription', 'Task'];
const interactions = ['read', 'vread', 'update', 'patch', 'delete', 'history-instance', 'create', 'search-type'];

const capabilities = (base, { updateCreate }) => ({
  resourceType: 'CapabilityStatement',
  status: 'active',
  date: '2026-01-01',
  kind: 'instance',
  implementation: { description: 'In-memory FHIR endpoint for tests', url: base },
  fhirVersion: '4.0.1',
  format: ['application/fhir+json'],
  rest: [{
    mode: 'server',
    resource: types.map((type) => ({
      type,
      interaction: interactions.map((code) => ({ code })),
      versioning: 'versioned-update',
      readHistory: true,
      updateCreate,
      conditionalCreate: true,
      conditionalUpdate: true,
      searchParam: Object.values(getSearchParameters(type) ?? {}).map(({ code, type: kind }) => ({ name: code, type: kind })),
    })),
    interaction: [{ code: 'transaction' }, { code: 'batch' }],
  }],
});

const failure = (code, text) => ({ resourceType: 'OperationOutcome', issue: [{ severity: 'error', code, details: { text } }] });

/** A refusal on the way to the router, with the status it is answered with. */
class Refusal extends Error {
  constructor(status, code, text) {
    super(text);
    this.status = status;
    this.outcome = failure(code, text);
  }
}

const one = (header) => (Array.isArray(header) ? header[0] : header);

/** Search parameters as the router wants them; an unknown one is refused, because ignoring it would widen a conditional create. */
function readSearch(type, parameters) {
  const read = new URLSearchParams();
  for (const [name, value] of parameters) {
    const [, code, modifier] = /^([^:.]*)([:.].*)?$/.exec(name) ?? [];
    if (['_include', '_revinclude', '_has'].includes(code)) {
      throw new Refusal(400, 'not-supported', `${code} is not supported here`);
    }
    if (code !== undefined && !code.startsWith('_') && !getSearchParameters(type)?.[code]) {
      throw new Refusal(400, 'not-supported', `${type} has no search parameter ${name}`);
    }
    // The router looks for the reference as it is stored, Type/id.
    const prefixed = code === 'patient' && !modifier ? value.split(',').map((id) => (id.includes('/') ? id : `Patient/${id}`)).join(',') : value;
    read.append(name, prefixed);
  }
  return read;
}

const asQuery = (parameters) => Object.fromEntries([...new Set(parameters.keys())].map((name) => {
  const values = parameters.getAll(name);
  return [name, values.length === 1 ? values[0] : values];
}));

export function createPeer({ base = '/fhir', validate = false, token = '' } = {}) {
  const store = new Store({ validate });
  const router = new FhirRouter({ introspectionEnabled: false });
  let log = [];
  let faults = [];
  const asStarted = { updateCreate: true, token, forbidden: [], openStatement: false };
  let abilities = asStarted;
  let queue = Promise.resolve();

  const inTurn = (work) => {
    const result = queue.then(work);
    queue = result.catch(() => {});
    return result;
  };

  function parseBody(request, text) {
    if (!text) {
      return undefined;
    }
    if ((request.headers['content-type'] ?? '').includes('x-www-form-urlencoded')) {
      return new URLSearchParams(text);
    }
    try {
      return JSON.parse(text);
    } catch (error) {
      throw new Refusal(400, 'structure', `the body is not JSON: ${error.message}`);
    }
  }

  const versionHeaders = (root, resource) => (resource?.id && resource.meta?.versionId
    ? { etag: `W/"${resource.meta.versionId}"`, 'last-modified': new Date(resource.meta.lastUpdated).toUTCString(), location: versionUrl(root, resource) }
    : {});
  const versionUrl = (root, { resourceType, id, meta }) => `${root}/${resourceType}/${id}/_history/${meta.versionId}`;

  function finishSearchset(root, type, parameters, bundle) {
    const count = Number(parameters.get('_count') ?? 20);
    const offset = Number(parameters.get('_offset') ?? 0);
    const link = (relation, search) => ({ relation, url: `${root}/${type}${search.size ? `?${search}` : ''}` });
    bundle.link = [link('self', parameters)];
    if (offset + count < bundle.total) {
      const next = new URLSearchParams(parameters);
      next.set('_count', count);
      next.set('_offset', offset + count);
      bundle.link.push(link('next', next));
    }
    for (const entry of bundle.entry ?? []) {
      entry.fullUrl = `${root}/${entry.resource.resourceType}/${entry.resource.id}`;
      entry.search = { mode: 'match' };
    }
  }

  function finishTransaction(root, asked, bundle) {
    for (const [i, entry] of (bundle.entry ?? []).entries()) {
      if (entry.resource?.meta?.versionId) {
        if (asked.entry[i].request?.method === 'PUT' && entry.resource.meta.versionId === '1') {
          entry.response.status = '201';
        }
        entry.response.location = versionUrl(root, entry.resource);
        entry.response.etag = `W/"${entry.resource.meta.versionId}"`;
        entry.response.lastModified = entry.resource.meta.lastUpdated;
      }
    }
  }

  /** One FHIR interaction: [status, resource or outcome, headers]. */
  async function interact(request, url, text) {
    const root = `http://${request.headers.host}${base}`;
    const relative = url.pathname.slice(base.length) || '/';
    const [, type = '', id, history] = relative.split('/');
    if (relative === '/metadata') {
      return [200, capabilities(root, abilities), {}];
    }
    const form = parseBody(request, text);
    let body = form instanceof URLSearchParams ? undefined : form;
    const isSearch = type !== '' && (request.method === 'GET' ? id === undefined : id === '_search');
    const parameters = type !== '' && id === undefined || isSearch
      ? readSearch(type, [...url.searchParams, ...(form instanceof URLSearchParams ? form : [])])
      : url.searchParams;
    const create = request.method === 'POST' && type !== '' && id === undefined;
    const headers = { ...request.headers };
    if (create) {
      headers['if-none-exist'] &&= String(readSearch(type, new URLSearchParams(one(headers['if-none-exist']))));
      body = body && { ...body, id: undefined }; // R4 http.html#create: the server chooses the id
    }
    const isTransaction = relative === '/' && body?.type === 'transaction';
    if (relative === '/' && Array.isArray(body?.entry)) {
      for (const { request: entry } of body.entry) {
        if (entry?.ifNoneExist) {
          readSearch(entry.url, new URLSearchParams(entry.ifNoneExist));
        }
      }
    }
    const toInstance = id !== undefined && history === undefined && !isSearch;
    const isNew = toInstance && request.method === 'PUT' && !store.exists(type, id);
    if (isNew && !abilities.updateCreate) {
      throw new Refusal(405, 'not-supported', 'the server chooses the ids here');
    }

    // A search by POST is the same search as by GET, so it goes the same way.
    const method = isSearch ? 'GET' : request.method;
    const target = isSearch ? `/${type}` : relative;
    const call = async () => {
      const [outcome, resource] = await router.handleRequest({
        method, url: target + (parameters.size ? `?${parameters}` : ''), pathname: '', params: {}, query: asQuery(parameters), body, headers, config: { transactions: true },
      }, store);
      if (isTransaction && !isOk(outcome)) {
        throw new OperationOutcomeError(outcome);
      }
      return [outcome, resource];
    };
    const [outcome, resource] = await (isTransaction ? store.undoOnError(call) : call());

    if (isSearch && resource?.type === 'searchset') {
      finishSearchset(root, type, parameters, resource);
    }
    if (relative === '/' && resource?.resourceType === 'Bundle') {
      finishTransaction(root, body, resource);
    }
    const { location, ...versioned } = versionHeaders(root, resource);
    let status = getStatus(outcome);
    if (isNew && status === 200) {
      status = 201;
    }
    if (request.method === 'DELETE' && status === 200) {
      status = 204;
    }
    if (status === 201 && location) {
      versioned.location = location;
    }
    if (request.method === 'GET' && versioned.etag && request.headers['if-none-match'] === versioned.etag) {
      return [304, undefined, versioned];
    }
    const minimal = isOk(outcome) && request.method !== 'GET' && /return=minimal/.test(request.headers.prefer ?? '') && !isSearch && relative !== '/';
    return [status, minimal ? undefined : resource ?? outcome, versioned];
  }

  async function answerFhir(request, url, text) {
    const isStatement = url.pathname === `${base}/metadata`;
    if (abilities.token && request.headers.authorization !== `Bearer ${abilities.token}` && !(isStatement && abilities.openStatement)) {
      return [401, failure('login', 'a bearer token is required'), { 'www-authenticate': 'Bearer' }];
    }
    if (abilities.forbidden.includes(url.pathname.slice(base.length + 1).split('/')[0])) {
      return [403, failure('forbidden', 'nobody may do this here'), {}];
    }
    if (url.pathname !== base && !url.pathname.startsWith(`${base}/`)) {
      return [404, failure('not-found', `nothing here; the FHIR base is ${base}`), {}];
    }
    try {
      return await inTurn(() => interact(request, url, text));
    } catch (error) {
      if (error instanceof Refusal) {
        return [error.status, error.outcome, {}];
      }
      const outcome = error instanceof OperationOutcomeError ? error.outcome : normalizeOperationOutcome(error);
      return [getStatus(outcome) || 500, outcome, {}];
    }
  }

  function control(request, url, text) {
    switch (`${request.method} ${url.pathname}`) {
      case 'GET /__log':
        return [200, log, {}];
      case 'DELETE /__log': {
        const seen = log;
        log = [];
        return [200, seen, {}];
      }
      case 'POST /__faults':
        faults = JSON.parse(text).map((fault) => ({ times: 1, ...fault }));
        return [204, undefined, {}];
      case 'POST /__reset':
        store.clear();
        log = [];
        faults = [];
        abilities = asStarted;
        return [204, undefined, {}];
      case 'POST /__abilities':
        abilities = { ...asStarted, openStatement: true, ...JSON.parse(text) };
        return [204, undefined, {}];
      default:
        return [404, failure('not-found', 'see the head of fhir-peer.mjs'), {}];
    }
  }

  function takeFault(request) {
    const fault = faults.find(({ times, match }) => times > 0 && (!match || `${request.method} ${request.url}`.includes(match)));
    if (fault) {
      fault.times--;
    }
    return fault;
  }

  function send(response, [status, body, headers]) {
    response.writeHead(status, { ...(body === undefined ? {} : { 'content-type': 'application/fhir+json; charset=utf-8' }), ...headers });
    response.end(body === undefined ? undefined : JSON.stringify(body));
  }

  async function handle(request, response) {
    const chunks = [];
    for await (const chunk of request) {
      chunks.push(chunk);
    }
    const text = Buffer.concat(chunks).toString('utf8');
    const url = new URL(request.url, 'http://peer');
    if (url.pathname.startsWith('/__')) {
      return send(response, control(request, url, text));
    }
    const seen = { method: request.method, url: request.url, headers: request.headers, body: text, status: undefined, at: new Date().toISOString() };
    log.push(seen);
    const fault = takeFault(request);
    if (fault?.delayMs) {
      await new Promise((resolve) => setTimeout(resolve, fault.delayMs));
    }
    const fails = fault && (fault.status || fault.drop);
    const answer = !fails || fault.after ? await answerFhir(request, url, text) : undefined;
    if (fails) {
      if (fault.drop) {
        seen.status = 0;
        return request.socket.destroy();
      }
      seen.status = fault.status;
      return send(response, [fault.status, failure(fault.status === 429 ? 'throttled' : 'transient', 'injected by the test'),
        fault.retryAfter === undefined ? {} : { 'retry-after': String(fault.retryAfter) }]);
    }
    [seen.status] = answer;
    return send(response, answer);
  }

  return http.createServer((request, response) => {
    handle(request, response).catch((error) => (response.headersSent ? response.destroy() : send(response, [500, failure('exception', error.message), {}])));
  });
}

/** Loads the definitions and listens; resolves to the server. */
export async function startPeer({ port = 0, host = '127.0.0.1', ...options } = {}) {
  loadDefinitions();
  const server = createPeer(options);
  await new Promise((resolve, reject) => server.once('error', reject).listen(port, host, resolve));
  return server;
}

if (import.meta.url === pathToFileURL(process.argv[1]).href) {
  let options;
  try {
    ({ values: options } = parseArgs({
      options: {
        port: { type: 'string', default: '8090' },
        host: { type: 'string', default: '127.0.0.1' },
        base: { type: 'string', default: '/fhir' },
        validate: { type: 'boolean', default: false },
        token: { type: 'string', default: '' },
      },
    }));
  } catch (error) {
    console.error(`${error.message}\nusage: node fhir-peer.mjs [--port 8090] [--host 127.0.0.1] [--base /fhir] [--validate] [--token SECRET]`);
    process.exit(2);
  }
  const server = await startPeer({ ...options, port: Number(options.port) });
  console.log(`FHIR endpoint at http://${options.host}:${server.address().port}${options.base}${options.validate ? ', validating' : ''}`);
  for (const signal of ['SIGTERM', 'SIGINT']) {
    process.on(signal, () => {
      server.close(() => process.exit(0));
      server.closeAllConnections();
    });
  }
}
