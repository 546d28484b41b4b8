// What the service's tests rely on the endpoint for. Run by test.sh; alone: node --test
import assert from 'node:assert/strict';
import { after, before, beforeEach, test } from 'node:test';
import { startPeer } from './fhir-peer.mjs';

let server;
let root;

before(async () => {
  server = await startPeer({ validate: true });
  root = `http://127.0.0.1:${server.address().port}`;
});
after(() => {
  server.close();
  server.closeAllConnections();
});
beforeEach(() => fetch(`${root}/__reset`, { method: 'POST' }));

const task = (value, more = {}) => ({
  resourceType: 'Task', status: 'requested', intent: 'proposal', for: { reference: 'Patient/p1' },
  identifier: [{ system: 'https://example.org/task', value }], ...more,
});
const patient = { resourceType: 'Patient', id: 'p1', active: true };
const condition = (value) => ({ 'if-none-exist': `identifier=${encodeURIComponent(`https://example.org/task|${value}`)}` });

async function call(method, path, body, headers = {}) {
  const response = await fetch(path.startsWith('http') ? path : `${root}/fhir${path}`, {
    method, headers: { ...(body ? { 'content-type': 'application/fhir+json' } : {}), ...headers }, body: body && JSON.stringify(body),
  });
  const text = await response.text();
  return { status: response.status, headers: response.headers, body: text ? JSON.parse(text) : undefined };
}
const plan = (faults) => fetch(`${root}/__faults`, { method: 'POST', body: JSON.stringify(faults) });
const total = async (type) => (await call('GET', `/${type}`)).body.total;

test('a created resource has an id of the server, version 1, ETag and Location', async () => {
  const { status, headers, body } = await call('POST', '/Task', task('a', { id: 'chosen-by-client' }));
  assert.equal(status, 201);
  assert.notEqual(body.id, 'chosen-by-client');
  assert.equal(headers.get('etag'), 'W/"1"');
  assert.equal(headers.get('location'), `${root}/fhir/Task/${body.id}/_history/1`);
});

test('a conditional create creates once and then answers 200 with what is there', async () => {
  const first = await call('POST', '/Task', task('a'), condition('a'));
  const second = await call('POST', '/Task', task('a', { priority: 'stat' }), condition('a'));
  assert.deepEqual([first.status, second.status], [201, 200]);
  assert.equal(second.body.id, first.body.id);
  assert.equal(second.body.priority, undefined);
});

test('identical conditional creates at the same moment create one resource', async () => {
  const answers = await Promise.all(Array.from({ length: 20 }, () => call('POST', '/Task', task('a'), condition('a'))));
  assert.deepEqual(answers.map((x) => x.status).sort(), [...Array(19).fill(200), 201]);
  assert.equal(new Set(answers.map((x) => x.body.id)).size, 1);
  assert.equal(await total('Task'), 1);
});

test('a conditional create that several resources fit is refused with 412', async () => {
  await call('POST', '/Task', task('a'));
  await call('POST', '/Task', task('a'));
  assert.equal((await call('POST', '/Task', task('a'), condition('a'))).status, 412);
});

test('an unknown search parameter is refused, also inside a condition', async () => {
  assert.equal((await call('GET', '/Task?identifer=a')).status, 400);
  assert.equal((await call('POST', '/Task', task('a'), { 'if-none-exist': 'identifer=a' })).status, 400);
  assert.equal(await total('Task'), 0);
});

test('an update with the current version succeeds, with an older one it is refused with 412', async () => {
  const { body } = await call('POST', '/Task', task('a'));
  const path = `/Task/${body.id}`;
  assert.equal((await call('PUT', path, { ...body, status: 'accepted' }, { 'if-match': 'W/"1"' })).headers.get('etag'), 'W/"2"');
  assert.equal((await call('PUT', path, { ...body, status: 'cancelled' }, { 'if-match': 'W/"1"' })).status, 412);
  assert.equal((await call('GET', path)).body.status, 'accepted');
});

test('a PUT to a new id creates it', async () => {
  assert.equal((await call('PUT', '/Patient/p1', patient)).status, 201);
  assert.equal((await call('PUT', '/Patient/p1', patient)).status, 200);
});

test('every version can be read, and the history lists the newest first, however often it is read', async () => {
  await call('PUT', '/Patient/p1', patient);
  await call('PUT', '/Patient/p1', { ...patient, active: false });
  assert.equal((await call('GET', '/Patient/p1/_history/1')).body.active, true);
  assert.equal((await call('GET', '/Patient/p1/_history/2')).body.active, false);
  assert.equal((await call('GET', '/Patient/p1/_history/3')).status, 404);
  for (let i = 0; i < 2; i++) {
    const { body } = await call('GET', '/Patient/p1/_history');
    assert.deepEqual(body.entry.map((x) => x.resource.meta.versionId), ['2', '1']);
  }
});

test('a deleted resource is gone with 410, keeps its history and gets a new version when it returns', async () => {
  await call('PUT', '/Patient/p1', patient);
  assert.equal((await call('DELETE', '/Patient/p1')).status, 204);
  assert.equal((await call('GET', '/Patient/p1')).status, 410);
  assert.equal((await call('GET', '/Patient/p1/_history')).body.entry[0].request.method, 'DELETE');
  assert.equal((await call('GET', '/Patient/p2')).status, 404);
  assert.equal((await call('PUT', '/Patient/p1', patient)).headers.get('etag'), 'W/"3"');
});

test('a read whose version is known answers 304', async () => {
  await call('PUT', '/Patient/p1', patient);
  assert.equal((await call('GET', '/Patient/p1', undefined, { 'if-none-match': 'W/"1"' })).status, 304);
});

test('a search for an identifier follows it from one resource to another', async () => {
  const first = (await call('POST', '/Task', task('mine'))).body;
  await call('PUT', `/Task/${first.id}`, { ...task('another'), id: first.id });
  assert.equal((await call('GET', '/Task?identifier=https://example.org/task|mine')).body.total, 0);
  const second = (await call('POST', '/Task', task('mine'))).body;
  const found = (await call('GET', '/Task?identifier=https://example.org/task|mine')).body;
  assert.deepEqual(found.entry.map((e) => e.resource.id), [second.id]);
  await call('DELETE', `/Task/${second.id}`);
  assert.equal((await call('GET', '/Task?identifier=https://example.org/task|mine')).body.total, 0);
});

test('a search finds by token and reference, by GET and by POST, and pages through next links', async () => {
  for (const value of ['a', 'b', 'c', 'd', 'e']) {
    await call('POST', '/Task', task(value));
  }
  await call('POST', '/Task', task('f', { for: { reference: 'Patient/p2' } }));
  assert.equal((await call('GET', '/Task?identifier=https://example.org/task|c')).body.total, 1);
  assert.equal((await call('GET', '/Task?patient=p2')).body.total, 1);
  const posted = await fetch(`${root}/fhir/Task/_search`, { method: 'POST', body: new URLSearchParams({ patient: 'Patient/p1' }) });
  assert.equal((await posted.json()).total, 5);
  const seen = [];
  for (let next = `${root}/fhir/Task?patient=p1&_count=2`; next;) {
    const { body } = await call('GET', next);
    seen.push(...body.entry.map((x) => x.resource.id));
    next = body.link.find((x) => x.relation === 'next')?.url;
  }
  assert.equal(new Set(seen).size, 5);
});

const transaction = (...entry) => ({ resourceType: 'Bundle', type: 'transaction', entry });
const creating = (fullUrl, resource, ifNoneExist) => ({ fullUrl, resource, request: { method: 'POST', url: resource.resourceType, ...(ifNoneExist && { ifNoneExist }) } });
const urn = 'urn:uuid:f0892aab-b446-58bb-a102-1b388a182ecc';
const proposal = () => transaction(
  creating(urn, { resourceType: 'CommunicationRequest', status: 'draft', identifier: [{ system: 'https://example.org/cr', value: 'a' }] }, 'identifier=https%3A%2F%2Fexample.org%2Fcr%7Ca'),
  creating('urn:uuid:e1274191-5cc6-5e3d-8330-2de442c124a2', task('a', { focus: { reference: urn } }), condition('a')['if-none-exist']));

test('a transaction resolves references between its entries and can be repeated without creating anything', async () => {
  const first = await call('POST', '', proposal());
  assert.deepEqual(first.body.entry.map((x) => x.response.status), ['201', '201']);
  assert.equal(first.body.entry[1].resource.focus.reference, `CommunicationRequest/${first.body.entry[0].resource.id}`);
  assert.equal(first.body.entry[0].response.etag, 'W/"1"');
  const second = await call('POST', '/', proposal());
  assert.deepEqual(second.body.entry.map((x) => x.response.status), ['200', '200']);
  assert.deepEqual([await total('CommunicationRequest'), await total('Task')], [1, 1]);
});

test('a transaction with one bad entry changes nothing', async () => {
  const bundle = proposal();
  delete bundle.entry[1].resource.status;
  const { status, body } = await call('POST', '', bundle);
  assert.equal(status, 400);
  assert.equal(body.resourceType, 'OperationOutcome');
  assert.deepEqual([await total('CommunicationRequest'), await total('Task')], [0, 0]);
});

test('a transaction entry with an outdated version fails the whole transaction', async () => {
  await call('PUT', '/Patient/p1', patient);
  const bundle = transaction(creating('urn:uuid:e1274191-5cc6-5e3d-8330-2de442c124a2', task('a')),
    { resource: patient, request: { method: 'PUT', url: 'Patient/p1', ifMatch: 'W/"7"' } });
  assert.equal((await call('POST', '', bundle)).status, 412);
  assert.equal(await total('Task'), 0);
});

test('a transaction entry that puts to a new id is created, and updated the next time', async () => {
  const put = transaction({ resource: patient, request: { method: 'PUT', url: 'Patient/p1' } });
  assert.equal((await call('POST', '', put)).body.entry[0].response.status, '201');
  assert.equal((await call('POST', '', put)).body.entry[0].response.status, '200');
});

test('what the structure definitions do not allow is refused', async () => {
  const { status, body } = await call('POST', '/Task', { resourceType: 'Task', intent: 'proposal', nonsense: 1 });
  assert.equal(status, 400);
  assert.ok(body.issue.length >= 2);
  assert.equal((await call('POST', '/Task', undefined, {})).status, 400);
});

test('a planned fault answers as told, as often as told', async () => {
  await plan([{ match: 'POST /fhir/Task', status: 429, retryAfter: 7, times: 2 }]);
  const statuses = [];
  for (let i = 0; i < 3; i++) {
    const { status, headers } = await call('POST', '/Task', task('a'), condition('a'));
    statuses.push(status, headers.get('retry-after'));
  }
  assert.deepEqual(statuses, [429, '7', 429, '7', 201, null]);
});

test('a fault can lose the answer of a request that was carried out', async () => {
  await plan([{ match: 'POST /fhir/Task', status: 503, after: true }, { match: 'POST /fhir/Task', drop: true, after: true }]);
  assert.equal((await call('POST', '/Task', task('a'), condition('a'))).status, 503);
  await assert.rejects(call('POST', '/Task', task('b'), condition('b')));
  assert.equal(await total('Task'), 2);
});

test('the log holds what was asked and answered', async () => {
  await call('POST', '/Task', task('a'), { 'x-request-id': 'r1' });
  const log = await (await fetch(`${root}/__log`, { method: 'DELETE' })).json();
  assert.deepEqual([log.length, log[0].method, log[0].url, log[0].status, log[0].headers['x-request-id']], [1, 'POST', '/fhir/Task', 201, 'r1']);
  assert.deepEqual(await (await fetch(`${root}/__log`)).json(), []);
});

test('with a token, only the bearer of it gets in', async () => {
  const guarded = await startPeer({ token: 'secret' });
  try {
    const url = `http://127.0.0.1:${guarded.address().port}/fhir/Patient`;
    assert.equal((await call('GET', url)).status, 401);
    assert.equal((await call('GET', url, undefined, { authorization: 'Bearer secret' })).status, 200);
  } finally {
    guarded.close();
    guarded.closeAllConnections();
  }
});

test('a server that chooses the ids itself refuses to put under a new one, and says so', async () => {
  const control = (path, body) => fetch(`${root}${path}`, { method: 'POST', body: JSON.stringify(body) });
  await control('/__abilities', { updateCreate: false, forbidden: ['Observation'] });
  const { body } = await call('GET', '/metadata');
  assert.equal(body.rest[0].resource.find((x) => x.type === 'Provenance').updateCreate, false);
  assert.equal((await call('PUT', '/Patient/p1', patient)).status, 405);
  assert.equal((await call('GET', '/Observation')).status, 403);
  await control('/__abilities', { token: 'secret' });
  assert.equal((await call('GET', '/metadata')).status, 200);
  assert.equal((await call('GET', '/Patient')).status, 401);
  await control('/__reset');
  assert.equal((await call('PUT', '/Patient/p1', patient)).status, 201);
});

test('the capability statement says that conditional create and versioned update are there', async () => {
  const { body } = await call('GET', '/metadata');
  const described = body.rest[0].resource.find((x) => x.type === 'Task');
  assert.deepEqual([described.conditionalCreate, described.versioning], [true, 'versioned-update']);
  assert.ok(described.searchParam.some((x) => x.name === 'identifier'));
});
