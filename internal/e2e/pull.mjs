// The incremental pull that an EHR makes: page by page, from the watermark of the pull
// before (_lastUpdated=ge), while a feed writes. At the end the client must hold exactly
// what the service holds.
//
// node pull.mjs FHIR-BASE-URL CANNULARY GRPC-ADDRESS METRICS-URL SIMULATE-ARGUMENTS…
import assert from 'node:assert/strict';
import { spawn } from 'node:child_process';
import { base, check, json, key, matches, pages, types, unique } from './lib.mjs';

const [cannulary, grpc, metricsURL, ...scenario] = process.argv.slice(3);
const all = await types();

const held = new Map(); // key → newest version that came
const seen = new Map(); // key/version → the body, so that a version never changes
const watermark = {}; // by type
let pulls = 0, grew = 0, came = 0, again = 0;
const wrong = [];

function take(r) {
  const version = `${key(r)}/${r.meta.versionId}`;
  const body = JSON.stringify(r);
  came++;
  if (seen.has(version)) {
    again++;
    if (seen.get(version) !== body) wrong.push(`${version} changed its content`);
  }
  seen.set(version, body);
  const before = held.get(key(r));
  if (before && Number(before.meta.versionId) > Number(r.meta.versionId)) wrong.push(`${version} came after ${before.meta.versionId}`);
  held.set(key(r), r);
}

async function pull(type) {
  pulls++;
  let path = `${type}?_count=40`;
  if (watermark[type]) path += `&_lastUpdated=ge${encodeURIComponent(watermark[type])}`;
  const before = seen.size;
  let mark;
  for await (const bundle of pages(path)) {
    // The watermark is that of the first page: what is written later has to come again.
    mark ??= bundle.meta.lastUpdated;
    for (const e of bundle.entry ?? []) take(e.resource);
  }
  if (watermark[type] && mark < watermark[type]) wrong.push(`the watermark of ${type} stepped back from ${watermark[type]} to ${mark}`);
  watermark[type] = mark;
  return seen.size - before;
}

async function round() {
  let fresh = 0;
  for (const type of all) fresh += await pull(type);
  return fresh;
}

// The service's own measures tell when the view has reached the log's end.
async function caughtUp() {
  const text = await (await fetch(metricsURL)).text();
  const number = (name) => Number(text.split('\n').find((l) => l.startsWith(`${name} `))?.split(' ')[1]);
  const last = number('cannulary_log_last_sequence');
  const at = number('cannulary_projector_sequence{projector="view"}');
  assert.ok(last > 0 && at >= 0, 'the metrics do not tell how far the view is');
  return at >= last;
}

await round();
const before = held.size;

let tally = '';
const writer = spawn(cannulary, ['simulate', '--grpc', grpc, ...scenario], { stdio: ['ignore', 'pipe', 'inherit'] });
writer.stdout.on('data', (d) => (tally += d));
let code;
const ended = new Promise((resolve) => writer.on('close', (c) => resolve((code = c))));

const deadline = Date.now() + 240_000;
while (code === undefined || !(await caughtUp())) {
  if (Date.now() > deadline) break;
  if ((await round()) > 0) grew++;
}
await ended;
const settled = await caughtUp();
await round();

await check('pull: the second feed is taken whole; what it repeats is known as duplicate', () => {
  assert.equal(code, 0, `simulate ended with code ${code}`);
  const t = JSON.parse(tally);
  assert.equal(t.sent, t.accepted + t.duplicates + t.refused);
  assert.equal(t.refused, 0);
  assert.ok(t.accepted > 500, 'hardly anything was new');
  assert.ok(t.duplicates > 500, 'the first unit was not recognised');
  return tally.trim();
});

await check('pull: pages were read while the feed wrote', () => {
  assert.ok(settled, 'the view did not reach the end of the log in time');
  assert.ok(held.size > before + 1000, `${before} resources before, ${held.size} after`);
  assert.ok(grew >= 3, `new versions came in only ${grew} rounds: nothing was concurrent`);
  return `${before} resources grew to ${held.size} in ${grew} rounds, ${pulls} pulls`;
});

await check('pull: no version changed, none came out of order, no watermark stepped back', () => {
  assert.equal(wrong.length, 0, wrong.slice(0, 3).join(' | '));
  return `${came} came, ${again} of them again`;
});

// differs tells how what a client holds differs from what the service holds; '' if not.
function differs(mine, final) {
  for (const [k, r] of final) {
    if (!mine.has(k)) return `${k} never came`;
    if (JSON.stringify(mine.get(k)) !== JSON.stringify(r)) return `${k} is not the newest version`;
  }
  for (const k of mine.keys()) if (!final.has(k)) return `${k} is not there any more`;
  return '';
}

let final = new Map();
await check('pull: the client holds exactly what the service holds', async () => {
  const resources = [];
  for (const type of all) {
    const found = await matches(`${type}?_count=500`);
    assert.equal(found.length, (await json(`${type}?_summary=count`)).total, type);
    resources.push(...found);
  }
  final = unique(resources);
  assert.equal(differs(held, final), '');
  return `${final.size} resources of ${all.length} types`;
});

await check('pull: a client that lost one resource, or kept an old version, is found out', async () => {
  const without = new Map(held);
  without.delete([...held.keys()].at(-1));
  assert.match(differs(without, final), /never came/);
  const [k, changed] = [...final].find(([, r]) => Number(r.meta.versionId) > 1);
  const stale = new Map(held).set(k, await json(`${k}/_history/${changed.meta.versionId - 1}`));
  assert.match(differs(stale, final), /not the newest/);
});
