// The chairside advice in an EHR's chart: CDS Hooks 2.0 (https://cds-hooks.hl7.org/2.0/),
// called as an EHR calls it and compared with what the FHIR interface says of the same patient.
import assert from 'node:assert/strict';
import { randomUUID } from 'node:crypto';
import { base, check, matches } from './lib.mjs';

const root = base.replace(/\/fhir$/, '');
let service;

// call fills the template that was discovered, as an EHR does, for a chart of its own.
async function call(identifier, change = (body) => body) {
  const context = { userId: 'Practitioner/e2e', patientId: 'ehr-77' };
  const prefetch = {};
  for (const [name, template] of Object.entries(service.prefetch)) {
    assert.equal(template.replace('{{context.patientId}}', context.patientId), 'Patient/ehr-77', 'only the Patient can be prefetched here');
    prefetch[name] = { resourceType: 'Patient', id: context.patientId, identifier };
  }
  const body = change({ hook: service.hook, hookInstance: randomUUID(), fhirServer: 'https://ehr.example/fhir', context, prefetch });
  const response = await fetch(`${root}/cds-services/${service.id}`, {
    method: 'POST', headers: { 'content-type': 'application/json', accept: 'application/json' }, body: JSON.stringify(body),
  });
  return { status: response.status, headers: response.headers, body: await response.json() };
}

// cards checks what the standard's table "Card Attributes" asks.
async function cards(identifier) {
  const { status, headers, body } = await call(identifier);
  assert.equal(status, 200, JSON.stringify(body));
  assert.match(headers.get('cache-control') ?? '', /no-store/);
  assert.deepEqual(Object.keys(body), ['cards']);
  const order = ['critical', 'warning', 'info'];
  let last = 0;
  for (const c of body.cards) {
    assert.ok(c.summary.length > 0 && c.summary.length < 140, `a summary of ${c.summary.length} characters`);
    assert.match(c.uuid, /^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$/);
    assert.ok(order.indexOf(c.indicator) >= last, `${c.indicator} after ${order[last]}`);
    last = order.indexOf(c.indicator);
    assert.ok(c.source.label && c.detail);
    for (const k of Object.keys(c)) assert.ok(['uuid', 'summary', 'detail', 'indicator', 'source', 'links'].includes(k), `member ${k}`);
  }
  assert.equal(new Set(body.cards.map((c) => c.uuid)).size, body.cards.length, 'an id comes twice');
  assert.ok(body.cards.length > 0, 'no card');
  return body.cards;
}

await check('CDS Hooks: the discovery has what the standard requires', async () => {
  const response = await fetch(`${root}/cds-services`);
  assert.equal(response.status, 200);
  const { services } = await response.json();
  assert.equal(services.length, 1);
  [service] = services;
  for (const k of ['hook', 'id', 'description', 'title']) assert.ok(typeof service[k] === 'string' && service[k], `${k} is missing`);
  assert.equal(service.hook, 'patient-view');
});

const patients = (await matches('Patient?_count=100')).filter((p) => p.identifier?.length && !p.link?.some((l) => l.type === 'replaced-by'));
const holds = (await matches('Flag?_count=100')).filter((f) => f.status === 'active');

await check('CDS Hooks: who has an active Flag gets "do not needle" with each of them, and nobody else does', async () => {
  let held = 0, free = 0;
  for (const p of patients) {
    const mine = holds.filter((f) => f.subject.reference === `Patient/${p.id}`);
    const got = await cards(p.identifier);
    if (mine.length) {
      held++;
      assert.equal(got[0].indicator, 'critical');
      assert.match(got[0].summary, /^Do not needle /);
      for (const f of mine) assert.ok(got[0].detail.includes(f.id), `hold ${f.id} is missing`);
    } else {
      free++;
      assert.ok(!got.some((c) => /\*\*Do not needle|hold(?: by .*)? since/.test(c.detail)), 'a hold that no Flag tells of');
    }
  }
  assert.ok(held > 0 && free > 0, `${held} held and ${free} free patients: nothing to compare`);
  return `${held} held, ${free} free`;
});

await check('CDS Hooks: of a known patient each track in use has its next needle', async () => {
  let tracks = 0;
  for (const p of patients) {
    const got = await cards(p.identifier);
    const states = (await matches(`Observation?code=track-maturity&patient=${p.id}&_count=100`)).filter((o) => o.valueCodeableConcept?.coding?.some((c) => c.code.startsWith('track-stage-')));
    for (const o of states) {
      if (o.valueCodeableConcept.coding.some((c) => c.code === 'track-stage-retired')) continue;
      tracks++;
      // The words of the reference begin with the sender's name.
      const [track] = o.focus[0].display.split(', ');
      assert.ok(got.some((c) => c.detail.includes(`**Track ${track}**`) && /Next: |No needle/.test(c.detail)), `track ${track} is on no card`);
    }
  }
  assert.ok(tracks > 0, 'no track was found');
  return `${tracks} tracks`;
});

await check('CDS Hooks: an unknown patient gets one card that is no all-clear and repeats no number', async () => {
  const got = await cards([{ system: 'https://elsewhere.example/mrn', value: 'nobody-4711' }]);
  assert.equal(got.length, 1);
  assert.equal(got[0].indicator, 'info');
  assert.match(got[0].detail, /not an all-clear/);
  assert.ok(!JSON.stringify(got).includes('4711'));
});

await check('CDS Hooks: identifiers of two patients give a warning and no advice', async () => {
  const got = await cards([patients[0].identifier[0], patients[1].identifier[0]]);
  assert.equal(got.length, 1);
  assert.equal(got[0].indicator, 'warning');
  assert.match(got[0].detail, /No advice is given/);
});

await check('CDS Hooks: without prefetch it answers 412 and says what to send', async () => {
  const { status, body } = await call([], ({ prefetch, ...rest }) => rest);
  assert.equal(status, 412);
  assert.equal(body.resourceType, 'OperationOutcome');
  assert.match(body.issue[0].diagnostics, /Patient\/\{\{context\.patientId\}\}/);
});
