// What the walks share: the browser, the invented unit's patients, and how a check is told.
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { Browser, launch } from './browser.mjs';
import { clock, facility, lines, mrn, people } from './people.mjs';

if (process.argv.length < 7) {
  console.error('usage: node pages/all.mjs HTTP-BASE GRPC-ADDRESS INVENTED CHROMIUM FOLDER [PICTURES]');
  process.exit(2);
}
export const [base, grpc, invented, chromium, folder, pictures] = process.argv.slice(2);

// The service's clock, by its first news.
async function serversNow() {
  const news = await fetch(`${base}/live`);
  const reader = news.body.getReader();
  const { value } = await reader.read();
  await reader.cancel();
  const { now } = JSON.parse(new TextDecoder().decode(value).match(/^data: (.*)$/m)[1]);
  assert.ok(now >= Date.parse(clock) && now < Date.parse(clock) + 3600000, `the service says ${new Date(now).toISOString()}; its clock should have begun at ${clock}`);
  return now;
}

export const browser = new Browser(await launch(chromium), base, await serversNow());

const oneLine = (v) => String(v).replace(/\s+/g, ' ').trim();

// check is one line on stdout, which `run` counts. The pages that it opened must have been quiet:
// no error, no request outside.
export async function check(name, fn) {
  browser.wrong = [];
  try {
    const detail = await fn();
    browser.nothingWrong();
    console.log(`ok    pages: ${name}${detail ? ` (${oneLine(detail)})` : ''}`);
  } catch (e) {
    console.log(`FAIL  pages: ${name}: ${oneLine(e?.message ?? e).slice(0, 600)}`);
  }
}

// --- addresses ---

export const json = async (path) => {
  const response = await fetch(base + path, { headers: { accept: 'application/json' } });
  assert.equal(response.status, 200, `${path} answers ${response.status}`);
  return response.json();
};
export const cardOf = (p) => json(`/card?identifier=${encodeURIComponent(`${mrn}|${p.number}`)}`);
export const keys = {};
for (const [part, p] of Object.entries(people)) keys[part] = (await cardOf(p)).patient.id;

export const todayPath = `/?facility=${facility}`;
export const cardPath = (part, more = '') => `/card?patient=${keys[part]}${more}`;
export const lifePath = (part, track) => `/track?patient=${keys[part]}&track=${track}`;

// --- what a person sees ---

export const text = async (page) => (await page.locator('body').innerText()).replace(/\s+/g, ' ');
export const link = (page, part) => page.getByRole('main').getByRole('link', { name: people[part].family });
export const rows = (page) => page.locator('ul.rows > li');
export const row = (page, part) => rows(page).filter({ hasText: people[part].family }).first();
export const counters = (page) => page.locator('ul.chips a');
export const needles = (page) => page.locator('.next-needle');
export const has = async (page, ...wanted) => {
  const all = await text(page);
  for (const w of wanted) {
    assert.ok(w instanceof RegExp ? w.test(all) : all.includes(w), `"${w}" is not on ${page.url()}, which says: ${all.slice(0, 400)}`);
  }
};

// command runs a command of cannulary by the same clock, and returns what it prints.
export const command = (...args) =>
  execFileSync(invented, [new Date(browser.now()).toISOString(), 'run', ...args], { encoding: 'utf8', stdio: ['ignore', 'pipe', 'ignore'] });

// post sends facts over gRPC as they happen: [service, part, fact] each.
let posted = 0;
const source = `engine-pages-${Date.now()}`;
export function post(...facts) {
  posted++;
  const file = join(folder, `posted-${posted}.ndjson`);
  const message = ([service, part, fact], i) => ({
    [service]: {
      envelope: {
        source, source_message_id: `P-${posted}-${i}`, facility, patient: { system: mrn, value: people[part].number },
        occurred_at: new Date(browser.now()).toISOString(), precision: 'TIME_PRECISION_SECOND',
        recorder: { system: 'https://cannulary.example/staff', value: 'RN-07' },
      },
      facts: [fact],
    },
  });
  writeFileSync(file, lines(facts.map(message)));
  const out = command('load', '--grpc', grpc, file);
  assert.match(out, /"refused":0/);
}
