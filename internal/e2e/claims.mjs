// Everything that /metadata claims is done at least once: each interaction of each type,
// each parameter with each modifier and chain that its documentation names, each include,
// each operation, each profile. A claim that nothing here exercises fails.
//
// node claims.mjs FHIR-BASE-URL
import assert from 'node:assert/strict';
import { base, check, json, key, matches, pages } from './lib.mjs';
import { writeQuantity, writeToken, escape } from './brute.mjs';
import { chained, modifiers, parameters, publish } from './standard.mjs';

const statement = await json('metadata');
const { types } = parameters(statement);
const rest = statement.rest[0];
const held = new Map();
for (const r of rest.resource) held.set(r.type, await matches(`${r.type}?_count=1000`));
publish([...held.values()].flat());
const byKey = new Map([...held.values()].flat().map((r) => [key(r), r]));

const entries = (bundle, mode) => (bundle.entry ?? []).filter((e) => e.search?.mode === mode).map((e) => e.resource);

// only fails unless a claim's keys are all known here.
function only(claim, known, where) {
  assert.deepEqual(Object.keys(claim).filter((k) => !known.includes(k)), [], `claims of ${where} that nothing here exercises`);
}

await check('claims: /metadata claims nothing of a kind that is not exercised here', () => {
  only(statement, ['resourceType', 'id', 'meta', 'url', 'name', 'title', 'status', 'experimental', 'publisher', 'description', 'date', 'kind', 'software', 'implementation', 'fhirVersion', 'format', 'rest', 'instantiates'], '/metadata');
  assert.equal(statement.rest.length, 1);
  only(rest, ['mode', 'documentation', 'resource', 'interaction', 'operation', 'compartment'], 'rest');
  for (const r of rest.resource) {
    only(r, ['type', 'documentation', 'interaction', 'versioning', 'readHistory', 'referencePolicy', 'searchInclude', 'searchRevInclude', 'searchParam', 'operation', 'supportedProfile'], r.type);
    for (const p of r.searchParam) only(p, ['name', 'definition', 'type', 'documentation'], `${r.type}.${p.name}`);
  }
  return `${rest.resource.length} types`;
});

// What a guide that is instantiated asks for; the operations themselves are tried below.
const guides = {
  'http://hl7.org/fhir/uv/bulkdata/CapabilityStatement/bulk-data': () => {
    const offers = (list) => (list ?? []).some((o) => /(^|-)export$/.test(o.name));
    assert.ok(offers(rest.operation) && ['Patient', 'Group'].every((t) => offers(rest.resource.find((r) => r.type === t)?.operation)), 'it asks for $export of system, Patient and Group');
  },
};
for (const url of statement.instantiates ?? []) {
  await check(`claims: it instantiates ${url}`, () => {
    const guide = guides[url.split('|')[0]];
    assert.ok(guide, 'nothing here exercises it');
    guide();
  });
}

for (const format of statement.format) {
  await check(`claims: format ${format}, asked for by _format and by Accept`, async () => {
    const r = await fetch(`${base}/Patient?_count=1&_format=${encodeURIComponent(format)}`);
    assert.equal(r.status, 200);
    assert.equal((await r.json()).resourceType, 'Bundle');
    if (format.includes('/')) assert.match((await fetch(`${base}/Patient?_count=1`, { headers: { accept: format } })).headers.get('content-type'), /^application\/fhir\+json/);
  });
}

// --- interactions ---

const versioned = (r) => r.versioning !== 'no-version';

// A history is plausible if it is one of that type, newest first, each version once.
async function history(path, belongs) {
  const seen = new Set();
  let before, n = 0;
  for await (const b of pages(`${path}?_count=200`)) {
    assert.equal(b.type, 'history');
    for (const e of b.entry ?? []) {
      const at = `${key(e.resource)}/${e.resource.meta.versionId}`;
      assert.ok(belongs(e.resource), `${at} is in ${path}`);
      assert.ok(!seen.has(at), `${at} came twice`);
      assert.ok(e.request?.method && e.request.url && e.response?.status, `${at} lacks request or response, which an entry of a history has`);
      assert.ok(before === undefined || e.resource.meta.lastUpdated <= before, `${at} is out of order`);
      before = e.resource.meta.lastUpdated;
      seen.add(at);
    }
    if (++n >= 5) break;
  }
  return seen;
}

const exercises = {
  async read(type, r) {
    const response = await fetch(`${base}/${key(r)}`);
    assert.equal(response.status, 200);
    assert.deepEqual(await response.json(), r);
    if (versioned(type)) assert.equal(response.headers.get('etag'), `W/"${r.meta.versionId}"`);
  },
  async vread(type, r) {
    const old = held.get(type.type).find((x) => Number(x.meta.versionId) > 1) ?? r;
    assert.deepEqual(await json(`${key(r)}/_history/${r.meta.versionId}`), r);
    const first = await json(`${key(old)}/_history/1`);
    assert.equal(first.meta.versionId, '1');
  },
  async 'history-instance'(type, r) {
    const seen = await history(`${key(r)}/_history`, (x) => key(x) === key(r));
    assert.equal(seen.size, Number(r.meta.versionId));
  },
  async 'history-type'(type) {
    const seen = await history(`${type.type}/_history`, (x) => x.resourceType === type.type);
    assert.ok(seen.size >= Math.min(1000, held.get(type.type).length));
    const newest = held.get(type.type).map((r) => r.meta.lastUpdated).sort().at(-1);
    const b = await json(`${type.type}/_history?_count=1000&_since=${encodeURIComponent(newest)}`);
    assert.ok(b.entry.length > 0 && b.entry.every((e) => e.resource.meta.lastUpdated >= newest), 'what _since asks for');
  },
  async 'search-type'(type, r) {
    assert.deepEqual(entries(await json(`${type.type}?_id=${r.id}`), 'match'), [r]);
    const posted = await fetch(`${base}/${type.type}/_search`, { method: 'POST', headers: { 'content-type': 'application/x-www-form-urlencoded' }, body: `_id=${r.id}` });
    assert.equal(posted.status, 200);
    assert.deepEqual(entries(await posted.json(), 'match'), [r]);
  },
  async 'history-system'() {
    const seen = await history('_history', (x) => held.has(x.resourceType));
    assert.ok(seen.size >= 1000);
  },
};

for (const i of rest.interaction ?? []) {
  await check(`claims: ${i.code} of the whole service`, () => {
    assert.ok(exercises[i.code], 'nothing here exercises it');
    return exercises[i.code]();
  });
}

for (const type of rest.resource) {
  await check(`claims: ${type.type}: ${type.interaction.map((i) => i.code).join(', ')}`, async () => {
    const [r] = held.get(type.type);
    assert.ok(r, 'there is none to try them on');
    for (const { code } of type.interaction) {
      assert.ok(exercises[code], `nothing here exercises ${code}`);
      try {
        await exercises[code](type, r);
      } catch (e) {
        assert.fail(`${code}: ${e.message}`);
      }
    }
    assert.equal(type.readHistory, type.interaction.some((i) => i.code === 'vread'), 'readHistory');
  });
  await check(`claims: ${type.type}: its profiles are published, and its resources name one of them`, async () => {
    if (!versioned(type)) return 'none: it is a definition';
    assert.ok(type.supportedProfile?.length, 'it claims none');
    for (const url of type.supportedProfile) {
      const found = entries(await json(`StructureDefinition?url=${encodeURIComponent(url)}`), 'match');
      assert.equal(found.length, 1, `${url} is not published`);
      assert.equal(found[0].type, type.type, url);
    }
    for (const r of held.get(type.type)) {
      assert.ok(type.supportedProfile.includes(r.meta.profile?.[0]) && r.meta.profile.length === 1, `${key(r)} names ${r.meta.profile}`);
    }
    return `${type.supportedProfile.length}`;
  });
}

// --- parameters: the resource that has the value is found, and with :not it is not ---

// asked answers whether a search for one resource with a further criterion finds it.
async function asked(r, name, value) {
  const b = await json(`${r.resourceType}?_id=${r.id}&${name}=${encodeURIComponent(value)}`);
  const found = entries(b, 'match');
  assert.ok(found.length <= 1 && found.every((x) => x.id === r.id), `${name} finds others`);
  return found.length === 1;
}

// sample writes a value of a parameter as a search has it.
function sample(parameter, v) {
  switch (parameter.kind) {
    case 'token': return writeToken(v.bare ? { code: v.code } : v);
    case 'reference': return v.target;
    case 'quantity': return writeQuantity('', String(v.value), v);
    case 'string': case 'uri': return escape(v.text);
    // The day around it in UTC and one more on both sides: precision is search.mjs's matter.
    case 'date': return Number.isFinite(v.exact.low) ? `ge${new Date(v.exact.low - 86_400_000).toISOString().slice(0, 10)}` : `le${new Date(v.exact.high + 86_400_000).toISOString().slice(0, 10)}`;
    case 'composite': return `${writeToken(v[0][0])}$${parameter.components[1].kind === 'token' ? writeToken(v[1][0]) : writeQuantity('', String(v[1][0].value), v[1][0])}`;
  }
  return assert.fail(parameter.kind);
}

// usable takes a value that can be written: a composite's where both sides have one.
const usable = (parameter, r) => parameter.values(r).find((v) => parameter.kind !== 'composite' || (v[0].length && v[1].length));

function having(type, parameter) {
  for (const r of held.get(type)) {
    const v = usable(parameter, r);
    if (v) return { r, v };
  }
  return undefined;
}

for (const [type, list] of types) {
  for (const parameter of list) {
    const offered = modifiers(parameter);
    const target = chained(parameter);
    await check(`claims: ${type}.${parameter.name}${offered.map((m) => `, :${m}`).join('')}${target ? ', chained' : ''}`, async () => {
      let n = 0;
      const logical = offered.includes('identifier');
      if (logical) {
        const r = held.get(type).find((x) => parameter.identifiers(x).length);
        assert.ok(r, 'no resource has one');
        assert.ok(await asked(r, `${parameter.name}:identifier`, writeToken(parameter.identifiers(r)[0])), ':identifier');
        assert.ok(!(await asked(r, `${parameter.name}:identifier`, 'none')), ':identifier=none');
        n += 2;
      }
      const found = having(type, parameter);
      assert.ok(found || logical, 'no resource has a value of it: what is it for?');
      for (const m of offered.filter((x) => x !== 'identifier')) {
        const { r, v } = found ?? { r: held.get(type).find((x) => parameter.present(x)) };
        const value = v && sample(parameter, v);
        switch (m) {
          case 'missing':
            assert.ok(await asked(r, `${parameter.name}:missing`, 'false'), ':missing=false');
            assert.ok(!(await asked(r, `${parameter.name}:missing`, 'true')), ':missing=true');
            break;
          case 'not':
            assert.ok(!(await asked(r, `${parameter.name}:not`, value)), `:not=${value}`);
            assert.ok(await asked(r, `${parameter.name}:not`, parameter.closed?.codes.find((c) => !parameter.values(r).some((x) => x.code === c)) ?? 'none'), ':not=none');
            break;
          case 'exact':
            assert.ok(await asked(r, `${parameter.name}:exact`, value), `:exact=${value}`);
            assert.ok(!(await asked(r, `${parameter.name}:exact`, value.slice(0, -1))), ':exact with the last letter left out');
            break;
          case 'contains':
            assert.ok(await asked(r, `${parameter.name}:contains`, escape(v.text.slice(1, -1))), ':contains');
            break;
          default: {
            assert.match(m, /^[A-Z]/, `nothing here exercises :${m}`);
            const other = held.get(type).flatMap((x) => parameter.values(x).map((y) => ({ x, id: y.target.split('/')[1], t: y.target.split('/')[0] }))).find((y) => y.t === m);
            assert.ok(other, `no resource refers to a ${m}`);
            assert.ok(await asked(other.x, `${parameter.name}:${m}`, other.id), `:${m}`);
          }
        }
        n += 2;
      }
      if (found) {
        assert.ok(await asked(found.r, parameter.name, sample(parameter, found.v)), `${parameter.name}=${sample(parameter, found.v)} does not find ${key(found.r)}`);
        n++;
      }
      if (target) {
        // Each parameter of the target that it has a value of.
        const other = byKey.get(found.v.target);
        assert.equal(other?.resourceType, target);
        for (const inner of types.get(target)) {
          const v = usable(inner, other);
          if (!v) continue;
          const name = `${parameter.name}.${inner.name}`;
          const response = await fetch(`${base}/${type}?_id=${found.r.id}&${name}=${encodeURIComponent(sample(inner, v))}`);
          const b = await response.json();
          // More than 500 resources behind the dot are refused as too costly.
          if (response.status === 400 && b.issue[0].code === 'too-costly') continue;
          assert.equal(response.status, 200, `${name}: ${b.issue?.[0].diagnostics}`);
          assert.equal(entries(b, 'match').length, 1, `${name}=${sample(inner, v)} does not find ${key(found.r)}`);
          n++;
        }
      }
      return `${n} queries`;
    });
  }
}

// --- codes that can never be ---

for (const [type, list] of types) {
  for (const parameter of list.filter((p) => p.closed)) {
    const { system, codes } = parameter.closed;
    await check(`claims: ${type}.${parameter.name} takes the codes of its value set and no others`, async () => {
      const said = /The codes are (.*?)(?: of (\S+)|, without a system); others are refused/.exec(parameter.documentation);
      assert.ok(said, parameter.documentation);
      assert.deepEqual(new Set(said[1].split(', ')), new Set(codes), 'the documentation lists others than R4');
      assert.equal(said[2], system);
      for (const c of codes) await json(`${type}?_count=0&${parameter.name}=${system ? `${encodeURIComponent(`${system}|${c}`)},` : ''}${c}`);
      const wrong = ['none', `${codes[0]}x`, `|${codes[0]}`, `https://invented.example/none|${codes[0]}`, codes[0].toUpperCase()];
      for (const value of wrong) {
        const url = `${base}/${type}?${parameter.name}=${encodeURIComponent(value)}`;
        const strict = await fetch(url);
        const issue = (await strict.json()).issue?.[0];
        assert.ok(strict.status === 400 && issue.code === 'code-invalid' && codes.every((c) => issue.diagnostics.includes(c)), `${value}: ${strict.status} ${issue?.diagnostics}`);
        const lenient = await json(url, { prefer: 'handling=lenient' });
        // Booleans have no system, so |true is only written wrongly.
        if (system || !value.startsWith('|')) assert.equal(entries(lenient, 'match').length, 0, value);
        assert.ok(entries(lenient, 'outcome').some((o) => o.issue[0].severity === 'warning' && o.issue[0].code === 'code-invalid'), `${value}: no warning`);
      }
      return `${codes.length} codes`;
    });
  }
}

await check('claims: a code that our code system does not have is answered with a warning', async () => {
  const [{ url, concept }] = held.get('CodeSystem');
  for (const value of [`${url}|nonexist`, 'nonexist']) {
    const b = await json(`Observation?code=${encodeURIComponent(value)}`);
    assert.equal(entries(b, 'match').length, 0);
    assert.match(entries(b, 'outcome')[0]?.issue[0].diagnostics ?? '', /there is no code nonexist/);
  }
  for (const { code } of concept.slice(0, 20)) assert.deepEqual(entries(await json(`Observation?_count=1&code=${code}`), 'outcome'), [], code);
});

// --- compartments ---

for (const url of rest.compartment ?? []) {
  await check(`claims: searches in the compartment ${url}`, async () => {
    assert.equal(url, 'http://hl7.org/fhir/CompartmentDefinition/patient');
    const patients = held.get('Patient').filter((p) => p.active).slice(0, 3);
    let n = 0;
    for (const [type, list] of types) {
      const offered = list.some((p) => p.name === 'patient');
      for (const p of patients) {
        if (!offered) {
          const r = await fetch(`${base}/${key(p)}/${type}`);
          assert.ok(r.status === 404 && (await r.json()).issue[0].diagnostics, `${type}: ${r.status}`);
          continue;
        }
        const [inside, search] = [await matches(`${key(p)}/${type}?_count=500`), await matches(`${type}?patient=${p.id}&_count=500`)];
        assert.deepEqual(inside.map(key), search.map(key), `${type} of ${key(p)}`);
        n += inside.length;
      }
    }
    return `${n} resources`;
  });
}

// --- what is taken everywhere ---

await check('claims: _pretty and gzip on all interactions', async () => {
  const [p] = held.get('Patient');
  for (const path of [key(p), `${key(p)}/_history/1`, `${key(p)}/_history`, 'Patient/_history', '_history', 'Patient', `${key(p)}/$everything`, 'metadata', 'CodeSystem', 'CodeSystem/cannulary']) {
    const plain = await json(path);
    const r = await fetch(`${base}/${path}?_pretty=true`, { headers: { 'accept-encoding': 'gzip' } });
    const text = await r.text();
    assert.ok(r.status === 200 && text.includes('\n  "'), `${path}: ${r.status}`);
    assert.equal(r.headers.get('content-encoding'), text.length > 1400 ? 'gzip' : null, path);
    assert.equal(JSON.parse(text).resourceType, plain.resourceType);
    assert.equal((await fetch(`${base}/${path}?nonsense=1`)).status, 400, `${path}?nonsense=1`);
  }
});

// --- includes ---

const parameterOf = (claim) => {
  const [type, name] = claim.split(':');
  const parameter = types.get(type)?.find((p) => p.name === name);
  assert.ok(parameter, `${claim} names no parameter`);
  return parameter;
};

for (const type of rest.resource) {
  if (!type.searchInclude && !type.searchRevInclude) continue;
  await check(`claims: ${type.type}: _include ${type.searchInclude?.join(', ') ?? 'none'}; _revinclude ${type.searchRevInclude?.join(', ') ?? 'none'}`, async () => {
    let n = 0;
    for (const claim of type.searchInclude ?? []) {
      const parameter = parameterOf(claim);
      const found = having(type.type, parameter);
      assert.ok(found, `${claim}: no resource refers to anything by it`);
      const b = await json(`${type.type}?_id=${found.r.id}&_include=${claim}`);
      assert.deepEqual(entries(b, 'match').map(key), [key(found.r)], claim);
      const wanted = new Set(parameter.values(found.r).map((v) => v.target).filter((t) => byKey.has(t) && t !== key(found.r)));
      assert.deepEqual(new Set(entries(b, 'include').map(key)), wanted, claim);
      n++;
    }
    for (const claim of type.searchRevInclude ?? []) {
      const parameter = parameterOf(claim);
      const from = held.get(claim.split(':')[0]).find((r) => parameter.values(r).some((v) => v.target.startsWith(`${type.type}/`)));
      assert.ok(from, `${claim}: nothing refers to a ${type.type} by it`);
      const target = parameter.values(from).find((v) => v.target.startsWith(`${type.type}/`)).target;
      const wanted = new Set(held.get(from.resourceType).filter((r) => key(r) !== target && parameter.values(r).some((v) => v.target === target)).map(key));
      const response = await fetch(`${base}/${type.type}?_id=${target.split('/')[1]}&_revinclude=${claim}`);
      const b = await response.json();
      if (response.status === 400 && b.issue[0].code === 'too-costly') {
        assert.ok(wanted.size > 500, `${claim}: ${wanted.size} are called too costly`);
        continue;
      }
      assert.equal(response.status, 200, `${claim}: ${b.issue?.[0].diagnostics}`);
      assert.deepEqual(entries(b, 'match').map(key), [target], claim);
      const got = new Set(entries(b, 'include').map(key));
      assert.deepEqual([...wanted].filter((k) => !got.has(k)), [], `${claim}: missing`);
      assert.deepEqual([...got].filter((k) => !wanted.has(k)), [], `${claim}: not expected`);
      n++;
    }
    return `${n} tried`;
  });
}

// --- what shapes an answer ---

for (const type of rest.resource) {
  await check(`claims: ${type.type}: _sort, _summary, _elements, _total, _count`, async () => {
    const all = held.get(type.type);
    const dates = types.get(type.type).filter((p) => p.kind === 'date');
    for (const p of dates) {
      for (const sign of ['', '-']) {
        const b = await json(`${type.type}?_sort=${sign}${p.name}&_count=200`);
        const lows = entries(b, 'match').map((r) => Math.min(...p.values(r).map((v) => v.loose.low))).filter(Number.isFinite);
        for (let i = 1; i < lows.length; i++) {
          assert.ok(sign ? lows[i - 1] >= lows[i] - 86_400_000 : lows[i - 1] <= lows[i] + 86_400_000, `_sort=${sign}${p.name}: number ${i} is out of order`);
        }
      }
    }
    const count = await json(`${type.type}?_summary=count`);
    assert.equal(count.total, all.length);
    assert.equal(count.entry, undefined);
    for (const total of ['accurate', 'estimate', 'none']) {
      const b = await json(`${type.type}?_total=${total}&_count=1`);
      if (total !== 'none') assert.equal(b.total, all.length, `_total=${total}`);
    }
    assert.equal(entries(await json(`${type.type}?_count=2`), 'match').length, Math.min(2, all.length));
    for (const [shape, has] of [['_summary=true', 'id'], ['_summary=text', 'id'], ['_summary=data', 'id'], ['_elements=id', 'id']]) {
      const found = entries(await json(`${type.type}?_count=3&${shape}`), 'match');
      assert.equal(found.length, Math.min(3, all.length), shape);
      for (const r of found) {
        const whole = byKey.get(key(r));
        assert.ok(r[has] && r.resourceType, shape);
        assert.ok(r.meta?.tag?.some((t) => t.code === 'SUBSETTED' && t.system === 'http://terminology.hl7.org/CodeSystem/v3-ObservationValue'), `${shape}: ${key(r)} is not tagged SUBSETTED`);
        for (const [k, v] of Object.entries(r)) if (k !== 'meta') assert.deepEqual(v, whole[k], `${shape}: ${key(r)}.${k}`);
      }
    }
    return all.length ? undefined : 'there is none';
  });
}

// --- operations ---

const wait = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

// exported kicks off a bulk export and reads its files.
async function exported(path) {
  const kick = await fetch(`${base}/${path}`, { headers: { accept: 'application/fhir+json', prefer: 'respond-async' } });
  assert.equal(kick.status, 202, await kick.text());
  const status = kick.headers.get('content-location');
  let manifest;
  for (let i = 0; i < 300 && !manifest; i++) {
    const r = await fetch(status);
    if (r.status === 200) manifest = await r.json();
    else {
      assert.equal(r.status, 202, `${status} answered ${r.status}`);
      await wait(100);
    }
  }
  assert.ok(manifest, 'the export does not end');
  const keys = new Set();
  for (const file of manifest.output) {
    const lines = (await (await fetch(file.url, { headers: { accept: 'application/fhir+ndjson' } })).text()).trim().split('\n');
    for (const line of lines) {
      const r = JSON.parse(line);
      assert.equal(r.resourceType, file.type);
      assert.ok(!keys.has(key(r)), `${key(r)} twice`);
      keys.add(key(r));
    }
  }
  assert.equal((await fetch(status, { method: 'DELETE' })).status, 202);
  assert.equal((await fetch(status)).status, 404);
  return keys;
}

const operations = {
  async everything(claim) {
    // The patient with the most to tell, so that there is something before and after a day.
    const sessions = (p) => held.get('Procedure').filter((r) => r.subject.reference === key(p)).length;
    const patient = held.get('Patient').filter((p) => p.active).reduce((a, b) => (sessions(a) < sessions(b) ? b : a));
    const all = async (query) => {
      const out = new Map();
      for await (const b of pages(`${key(patient)}/$everything?_count=300${query}`)) {
        for (const e of b.entry ?? []) {
          if (e.search?.mode === 'outcome') continue;
          assert.ok(!out.has(key(e.resource)), `${key(e.resource)} came twice`);
          out.set(key(e.resource), e.resource);
        }
      }
      return out;
    };
    const whole = await all('');
    for (const type of ['Procedure', 'Observation']) {
      for (const r of held.get(type)) if (r.subject.reference === key(patient)) assert.ok(whole.has(key(r)), `${key(r)} is not in it`);
    }
    const tried = [];
    for (const name of ['_since', '_type', '_count', 'start', 'end']) {
      if (!new RegExp(`(^|[^a-z_])${name}\\b`).test(claim.documentation)) continue;
      tried.push(name);
      const dates = held.get('Procedure').filter((r) => r.subject.reference === key(patient)).map((r) => (r.performedDateTime ?? r.performedPeriod?.start ?? '').slice(0, 10)).filter(Boolean).sort();
      const middle = dates[Math.floor(dates.length / 2)];
      if (name === '_type') {
        assert.deepEqual(new Set([...(await all('&_type=Procedure')).values()].map((r) => r.resourceType)), new Set(['Procedure']));
      } else if (name === '_since') {
        const since = [...whole.values()].map((r) => r.meta.lastUpdated).sort()[Math.floor(whole.size / 2)];
        const some = await all(`&_since=${encodeURIComponent(since)}`);
        assert.ok(some.size > 0 && some.size <= whole.size && [...some.values()].every((r) => r.meta.lastUpdated >= since));
      } else if (name !== '_count') {
        const some = await all(`&${name}=${middle}`);
        const versions = new Set([...some.values()].map((r) => `${key(r)}/_history/${r.meta.versionId}`));
        const origins = [...some.values()].filter((r) => r.resourceType === 'Provenance');
        assert.ok(origins.length > 0 && origins.every((r) => r.target.some((t) => versions.has(t.reference))), 'a Provenance of nothing that is given');
        const procedures = (m) => [...m.values()].filter((r) => r.resourceType === 'Procedure').length;
        assert.ok(procedures(some) > 0 && procedures(some) < procedures(whole), `${name}=${middle}: ${procedures(some)} of ${procedures(whole)} Procedures`);
      }
    }
    return `${whole.size} resources; ${tried.join(', ')}`;
  },
  async export(claim, level) {
    const group = held.get('Group')?.[0];
    const keys = await exported(level === 'Group' ? `${key(group)}/$export` : level ? `${level}/$export` : '$export');
    for (const type of ['Patient', 'Procedure', 'Observation']) assert.ok([...keys].some((k) => k.startsWith(`${type}/`)), `there is no ${type}`);
    if (!level) {
      const lost = [...byKey.values()].filter((r) => r.meta?.lastUpdated && !keys.has(key(r)));
      assert.deepEqual(lost.map(key), []);
    }
    return `${keys.size} resources`;
  },
};

for (const [level, list] of [[undefined, rest.operation ?? []], ...rest.resource.map((r) => [r.type, r.operation ?? []])]) {
  for (const claim of list) {
    await check(`claims: the operation $${claim.name} of ${level ?? 'the whole service'}`, async () => {
      const exercise = operations[claim.name] ?? operations[claim.name.replace(/^(patient|group)-/, '')];
      assert.ok(exercise, 'nothing here exercises it');
      const said = await exercise(claim, level);
      if (claim.definition.startsWith('https://cannulary.example/')) {
        const found = entries(await json(`OperationDefinition?url=${encodeURIComponent(claim.definition)}`), 'match');
        assert.equal(found.length, 1, `${claim.definition} is not published`);
      }
      return said;
    });
  }
}
