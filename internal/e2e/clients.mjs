// General-purpose FHIR clients read the service as an EHR would.
import assert from 'node:assert/strict';
import { createServer } from 'node:http';
import { Client } from 'fhir-kit-client';
import smart from 'fhirclient';
import { base, check, json, key, matches, next, unique } from './lib.mjs';

const kit = new Client({ baseUrl: base });

// The patient with the most Procedures, so that there is something to page through; none that was
// merged into another, for a search by its id answers the other's and says so.
let patient, identifier, total = 0;
for (const p of await matches('Patient?_count=100')) {
  if (p.link?.some((l) => l.type === 'replaced-by')) continue;
  const n = (await json(`Procedure?patient=${p.id}&_summary=count`)).total;
  if (p.identifier?.length && n > total) [patient, identifier, total] = [p, p.identifier[0], n];
}

// ids are compared sorted: what counts here is that none is missing and none is twice.
const ids = (resources) => resources.map(key).sort();
const pageSize = 7;
let direct = [];

await check('kit: the CapabilityStatement is one of R4 and lists what it must', async () => {
  const s = await kit.capabilityStatement();
  assert.equal(s.resourceType, 'CapabilityStatement');
  assert.equal(s.fhirVersion, '4.0.1');
  assert.equal(s.rest[0].mode, 'server');
  for (const type of ['Patient', 'Procedure', 'Observation', 'BodyStructure', 'Provenance']) {
    const r = s.rest[0].resource.find((x) => x.type === type);
    assert.ok(r, `${type} is not listed`);
    for (const code of ['read', 'vread', 'history-instance', 'search-type']) {
      assert.ok(r.interaction.some((i) => i.code === code), `${type} lacks ${code}`);
    }
  }
  return `${s.rest[0].resource.length} types`;
});

await check('kit: a Patient is found by identifier, and no other', async () => {
  assert.ok(patient, 'no patient with procedures was found');
  const b = await kit.search({ resourceType: 'Patient', searchParams: { identifier: `${identifier.system}|${identifier.value}` } });
  assert.deepEqual(b.entry.map((e) => e.resource.id), [patient.id]);
  const none = await kit.search({ resourceType: 'Patient', searchParams: { identifier: `${identifier.system}|${identifier.value}-none` } });
  assert.equal(none.entry?.length ?? 0, 0);
  assert.equal(none.total, 0);
});

await check('kit: POST _search finds the same Patient', async () => {
  const b = await kit.search({ resourceType: 'Patient', searchParams: { identifier: `${identifier.system}|${identifier.value}` }, options: { postSearch: true } });
  assert.deepEqual(b.entry.map((e) => e.resource.id), [patient.id]);
});

await check(`kit: all Procedures of a patient come by pages of ${pageSize}, none missing, none twice`, async () => {
  assert.ok(total > 3 * pageSize, `only ${total} procedures: nothing to page through`);
  direct = (await json(`Procedure?patient=${patient.id}&_count=1000`)).entry.map((e) => e.resource);
  assert.equal(direct.length, total, 'one large page and _summary=count disagree');
  let pages = 0;
  const found = [];
  let b = await kit.search({ resourceType: 'Procedure', searchParams: { patient: patient.id, _count: pageSize } });
  while (b) {
    pages++;
    assert.ok(b.entry.length <= pageSize, `a page of ${b.entry.length}`);
    found.push(...b.entry.map((e) => e.resource));
    b = next(b) ? await kit.nextPage({ bundle: b }) : undefined;
  }
  unique(found);
  assert.ok(found.every((r) => r.subject.reference === `Patient/${patient.id}`), "another patient's procedure");
  assert.deepEqual(ids(found), ids(direct));
  assert.equal(pages, Math.ceil(total / pageSize));
  return `${found.length} on ${pages} pages`;
});

await check('kit: read and vread agree, history gives its newest version first', async () => {
  const some = [patient, direct[0], direct[direct.length - 1]];
  let versions = 0;
  for (const r of some) {
    const at = { resourceType: r.resourceType, id: r.id };
    const read = await kit.read(at);
    assert.deepEqual(read, r);
    assert.deepEqual(await kit.vread({ ...at, version: read.meta.versionId }), read);
    const h = await kit.history(at);
    assert.equal(h.type, 'history');
    assert.deepEqual(h.entry[0].resource, read);
    const numbers = h.entry.map((e) => Number(e.resource.meta.versionId));
    assert.deepEqual(numbers, Array.from({ length: numbers.length }, (_, i) => numbers.length - i));
    for (const e of h.entry) {
      assert.deepEqual(await kit.vread({ ...at, version: e.resource.meta.versionId }), e.resource);
    }
    versions += numbers.length;
  }
  return `${versions} versions`;
});

await check('kit: a resource with several versions keeps each of them', async () => {
  const changed = (await matches('Procedure?_count=1000')).find((r) => Number(r.meta.versionId) > 1);
  assert.ok(changed, 'no procedure was ever changed');
  const at = { resourceType: 'Procedure', id: changed.id };
  const h = await kit.history(at);
  assert.equal(h.entry.length, Number(changed.meta.versionId));
  const bodies = new Set(h.entry.map(({ resource: { meta, ...rest } }) => JSON.stringify(rest)));
  assert.ok(bodies.size > 1, 'all versions say the same');
  return `${h.entry.length} versions`;
});

await check('kit: $everything holds the patient, and the same procedures', async () => {
  let b = await kit.operation({ resourceType: 'Patient', id: patient.id, name: '$everything', method: 'GET', input: { _count: 200 } });
  const found = [];
  while (b) {
    found.push(...b.entry.map((e) => e.resource));
    b = next(b) ? await kit.nextPage({ bundle: b }) : undefined;
  }
  const map = unique(found);
  assert.ok(map.has(key(patient)));
  assert.deepEqual(ids(found.filter((r) => r.resourceType === 'Procedure')), ids(direct));
  return `${found.length} resources`;
});

for (const [what, ask, status] of [
  ['an unknown id', () => kit.read({ resourceType: 'Procedure', id: 'no-such-id' }), 404],
  ['an unknown type', () => kit.read({ resourceType: 'Spaceship', id: '1' }), 404],
  ['an unknown version', () => kit.vread({ resourceType: 'Patient', id: patient.id, version: '999' }), 404],
  ['an unknown search parameter', () => kit.search({ resourceType: 'Procedure', searchParams: { colour: 'blue' } }), 400],
  ['a write', () => kit.create({ resourceType: 'Patient', body: { resourceType: 'Patient' } }), 405],
]) {
  await check(`kit: ${what} answers ${status} with an OperationOutcome`, async () => {
    let answer;
    try {
      answer = await ask();
    } catch (e) {
      assert.equal(e.response?.status, status, e.message);
      assert.equal(e.response.data.resourceType, 'OperationOutcome');
      assert.ok(e.response.data.issue[0].diagnostics.length > 10);
      return;
    }
    assert.fail(`it answered ${JSON.stringify(answer).slice(0, 200)}`);
  });
}

await check('an ETag spares the second transfer (304), searches are not to be stored', async () => {
  const url = `${base}/${key(patient)}`;
  const first = await fetch(url);
  const etag = first.headers.get('etag');
  assert.match(etag, /^W\/"\d+"$/);
  const second = await fetch(url, { headers: { 'if-none-match': etag } });
  assert.equal(second.status, 304);
  assert.equal((await second.text()).length, 0);
  assert.equal((await fetch(url, { headers: { 'if-none-match': 'W/"999"' } })).status, 200);
  assert.match((await fetch(`${base}/Patient`)).headers.get('cache-control') ?? '', /no-store/);
});

// fhirclient is made for a web server's requests, so it is used from one, as its
// documentation shows for Node: smart(request, response).client(url).
const site = createServer(async (request, response) => {
  request.session = {};
  try {
    const client = smart(request, response).client(base);
    const found = await client.request(`Procedure?patient=${patient.id}&_count=${pageSize}`, { pageLimit: 0, flat: true });
    response.end(JSON.stringify({ found }));
  } catch (e) {
    response.end(JSON.stringify({ error: String(e) }));
  }
});
await new Promise((resolve) => site.listen(0, '127.0.0.1', resolve));

await check('fhirclient: request() with pageLimit 0 pages through the same Procedures', async () => {
  const answer = await (await fetch(`http://127.0.0.1:${site.address().port}/`)).json();
  assert.equal(answer.error, undefined);
  unique(answer.found);
  assert.deepEqual(ids(answer.found), ids(direct));
  return `${answer.found.length}`;
});
site.close();

await check('fhirclient: its open-server client iterates over the same Procedures', async () => {
  const client = new smart.FhirClient(base);
  const found = [];
  for await (const r of client.resources(`Procedure?patient=${patient.id}&_count=${pageSize}`)) found.push(r);
  unique(found);
  assert.deepEqual(ids(found), ids(direct));
  assert.equal(await client.getFhirRelease(), 4);
});
