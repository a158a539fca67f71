// What the scripts of this folder share: a check is one line on stdout, beginning with
// "ok" or "FAIL"; `run` counts these lines.
import assert from 'node:assert/strict';

export const base = process.argv[2];
if (!base) {
  console.error('usage: node SCRIPT.mjs FHIR-BASE-URL …');
  process.exit(2);
}

// The resource types are those that the service itself declares.
export async function types() {
  const statement = await json('metadata');
  return statement.rest[0].resource.map((r) => r.type).sort();
}

// check runs fn; what it returns, if anything, is shown behind the name.
export async function check(name, fn) {
  try {
    const detail = await fn();
    console.log(`ok    ${name}${detail ? ` (${oneLine(detail)})` : ''}`);
  } catch (e) {
    console.log(`FAIL  ${name}: ${oneLine(e?.message ?? e).slice(0, 600)}`);
  }
}

export async function json(path, headers = {}) {
  const url = path.startsWith('http') ? path : `${base}/${path}`;
  const response = await fetch(url, { headers: { accept: 'application/fhir+json', ...headers } });
  const text = await response.text();
  assert.equal(response.status, 200, `GET ${url} answered ${response.status}: ${text.slice(0, 300)}`);
  const out = JSON.parse(text);
  // AuditEvents stand in the trail and not in the record: no versions, no index. internal/app/trail_test.go asks for them.
  if (path === 'metadata') out.rest[0].resource = out.rest[0].resource.filter((r) => r.type !== 'AuditEvent');
  return out;
}

const oneLine = (v) => String(v).replace(/\s+/g, ' ').trim();

// next is the URL of the next page, undefined on the last.
export const next = (bundle) => bundle.link?.find((l) => l.relation === 'next')?.url;

// pages follows a search to its end.
export async function* pages(path) {
  for (let url = path; url; ) {
    const bundle = await json(url);
    yield bundle;
    url = next(bundle);
  }
}

// matches are the resources that a search found, in order, on all pages.
export async function matches(path) {
  const out = [];
  for await (const bundle of pages(path)) {
    for (const e of bundle.entry ?? []) {
      if (e.search.mode === 'match') out.push(e.resource);
    }
  }
  return out;
}

export const key = (resource) => `${resource.resourceType}/${resource.id}`;

// unique makes a map of the resources and fails on one that comes twice.
export function unique(resources) {
  const map = new Map();
  for (const r of resources) {
    assert.ok(!map.has(key(r)), `${key(r)} came twice`);
    map.set(key(r), r);
  }
  return map;
}
