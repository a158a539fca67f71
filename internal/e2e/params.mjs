// The search index against the standard: for every search parameter that /metadata lists,
// the specification's own FHIRPath expression over every resource that the service holds
// must give the values that stand in the index of the view, value by value.
//
// node params.mjs FHIR-BASE-URL INDEX-COMMAND VIEW-FOLDER
//
// INDEX-COMMAND is internal/e2e/index, built; it writes the index as the service's searches
// read it. The service must be at rest.
import assert from 'node:assert/strict';
import { check, json, key, matches } from './lib.mjs';
import { readIndex, show } from './index.mjs';
import { modifiers, parameters, publish, published, zones } from './standard.mjs';

const [command, folder] = process.argv.slice(3);
const statement = await json('metadata');
const { types, problems } = parameters(statement);

await check('params: every parameter of /metadata is R4\'s, or ours and published', () => {
  assert.deepEqual(problems, []);
  return `${[...types.values()].flat().length} parameters of ${types.size} types, ${published.length} of ours published`;
});

// --- both sides ---

// Definitions that the service publishes do not stand in the view; search.mjs asks for them.
const versioned = statement.rest[0].resource.filter((r) => r.versioning !== 'no-version').map((r) => r.type);
for (const type of types.keys()) {
  if (versioned.includes(type)) continue;
  publish(await matches(`${type}?_count=1000`));
  types.delete(type);
}

const resources = [];
for (const type of types.keys()) resources.push(...(await matches(`${type}?_count=1000`)));

const { index, facility, values } = await readIndex(command, folder);
const zonesOf = zones(resources, (id) => facility.get(id));

// expected are the sets of values of which one must stand in the index: more than one only
// for dates, where R4 leaves a choice (zero seconds) or the facility is not single.
function expected(parameter, resource) {
  if (parameter.kind !== 'date') return [new Set(parameter.values(resource).map((v) => show(parameter.kind, v)))];
  const out = [];
  for (const zone of zonesOf(resource)) {
    const found = parameter.values(resource, zone);
    out.push(new Set(found.map((v) => show('date', v.exact))), new Set(found.map((v) => show('date', v.loose))));
  }
  return out;
}

const same = (a, b) => a.size === b.size && [...a].every((v) => b.has(v));
const none = new Set();

// compare answers what differs for one parameter, at most a few, and how many values it saw.
function compare(parameter, among, held = index) {
  const wrong = [];
  let seen = 0, choices = 0;
  for (const r of among) {
    const stands = held.get(`${key(r)} ${parameter.name}`) ?? none;
    const wanted = expected(parameter, r);
    seen += wanted[0].size;
    if (wanted.some((w) => !same(w, wanted[0]))) choices++;
    if (!wanted.some((w) => same(w, stands))) {
      wrong.push(`${key(r)} has [${[...wanted[0]].sort().join(', ')}], the index [${[...stands].sort().join(', ')}]`);
    }
  }
  return { wrong, seen, choices };
}

await check('params: the index was read whole', () => {
  assert.ok(values > 10 * resources.length, `${values} values`);
  assert.ok(new Set(facility.values()).size > 1, 'all facilities have one time zone: give the feed two units');
  return `${resources.length} resources, ${values} values, ${facility.size} facilities`;
});

const of = new Map([...types.keys()].map((t) => [t, []]));
for (const r of resources) of.get(r.resourceType).push(r);
const unseen = [];
let compared = 0;
for (const [type, list] of types) {
  for (const parameter of list) {
    if (parameter.kind === 'composite') continue; // not stored; search.mjs asks for them
    await check(`params: ${type}.${parameter.name} is indexed as its expression says`, () => {
      const { wrong, seen, choices } = compare(parameter, of.get(type));
      assert.equal(wrong.length, 0, `${wrong.length} of ${of.get(type).length} differ: ${wrong.slice(0, 3).join(' | ')}`);
      if (seen === 0 && !modifiers(parameter).includes('identifier')) unseen.push(`${type}.${parameter.name}`);
      compared += seen;
      return `${seen} values${choices ? `, ${choices} with zero seconds or more than one zone` : ''}`;
    });
    if (!modifiers(parameter).includes('identifier')) continue;
    await check(`params: ${type}.${parameter.name}:identifier is indexed as Reference.identifier`, () => {
      let seen = 0;
      for (const r of of.get(type)) {
        const wanted = new Set(parameter.identifiers(r).map((v) => show('token', v)));
        const stands = index.get(`${key(r)} ${parameter.name}:identifier`) ?? none;
        seen += wanted.size;
        assert.ok(same(wanted, stands), `${key(r)} has [${[...wanted]}], the index [${[...stands]}]`);
      }
      assert.ok(seen > 0, 'no resource has one');
      return `${seen} values`;
    });
  }
}

await check('params: the index holds nothing that no parameter of /metadata asks for', () => {
  const asked = new Set();
  for (const [type, list] of types) for (const p of list) asked.add(`${type} ${p.name}`).add(`${type} ${p.name}:identifier`);
  const extra = new Set();
  for (const at of index.keys()) {
    const [k, name] = at.split(' ');
    const pair = `${k.split('/')[0]} ${name}`;
    if (!asked.has(pair)) extra.add(pair);
  }
  assert.deepEqual([...extra], []);
});

await check('params: the feed gave a value to every parameter', () => {
  assert.deepEqual(unseen, [], 'these were compared with nothing');
  return `${compared} values compared`;
});

// --- the comparison itself: what is changed, dropped or added is found ---

await check('params: of each parameter one value dropped, one changed and one added to the index is found', () => {
  let n = 0;
  for (const [type, list] of types) {
    for (const parameter of list) {
      if (parameter.kind === 'composite') continue;
      const r = of.get(type)?.find((x) => index.get(`${key(x)} ${parameter.name}`)?.size);
      if (!r) continue;
      const at = `${key(r)} ${parameter.name}`;
      const [first, ...rest] = index.get(at);
      const tampered = { date: first.replace(/\d{4}-\d\d-\d\dT/, '1999-01-01T'), quantity: `1${first}` }[parameter.kind] ?? `${first}x`;
      for (const [what, set] of [['dropped', rest], ['changed', [tampered, ...rest]], ['added', [first, ...rest, tampered]]]) {
        const { wrong } = compare(parameter, [r], new Map([[at, new Set(set)]]));
        assert.equal(wrong.length, 1, `${at}: a value ${what} was not found`);
        n++;
      }
    }
  }
  assert.ok(n >= 90, `only ${n} were tried`);
  return `${n} mutants`;
});

await check('params: a date shifted by a minute or widened to a day is found, and so is one on another clock', () => {
  const parameter = types.get('Procedure').find((p) => p.name === 'date');
  const r = of.get('Procedure').find((x) => /T.*[+-]/.test(x.performedDateTime ?? ''));
  const at = `${key(r)} date`;
  const { low, localLow } = parameter.values(r, 'UTC')[0].exact;
  assert.notEqual(low, localLow);
  const shown = (from, to, clock) => new Set([show('date', { low: low + from, high: low + to, localLow: localLow + from + clock, localHigh: localLow + to + clock })]);
  const wrong = (set) => compare(parameter, [r], new Map([[at, set]])).wrong.length;
  assert.equal(wrong(shown(0, 1000, 0)), 0, 'what is right is called wrong');
  for (const [from, to, clock] of [[60_000, 120_000, 0], [0, 86_400_000, 0], [-1000, 0, 0], [0, 61_000, 0], [0, 1000, 3_600_000], [0, 1000, low - localLow]]) {
    assert.equal(wrong(shown(from, to, clock)), 1, `[${from}, ${to}) ms, the clock off by ${clock} ms, was not found`);
  }
});
