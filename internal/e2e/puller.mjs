// What a client of the incremental pull does and knows: it pulls a type page by page from
// the watermark of its pull before, and keeps what came.
import assert from 'node:assert/strict';
import { Client as Kit } from 'fhir-kit-client';
import smart from 'fhirclient';
import { json, key, next } from './lib.mjs';

// Each of the three answers the pages of a search, from its first URL to its end.
export const walks = {
  fetch: (base) =>
    async function* (path) {
      for (let url = `${base}/${path}`; url; ) {
        const bundle = await json(url);
        yield bundle;
        url = next(bundle);
      }
    },
  kit: (base) => {
    const kit = new Kit({ baseUrl: base });
    return async function* (path) {
      let bundle = await kit.request(path);
      while (bundle) {
        yield bundle;
        bundle = next(bundle) ? await kit.nextPage({ bundle }) : undefined;
      }
    };
  },
  fhirclient: (base) => {
    const client = new smart.FhirClient(base);
    return (path) => client.pages(path);
  },
};

// Puller holds what one client pulled. mode is "search" (TYPE?_lastUpdated=ge…) or
// "history" (TYPE/_history?_since=…).
export class Puller {
  constructor(name, walk, mode, count) {
    Object.assign(this, { name, walk, mode, count });
    this.newest = new Map(); // key → newest version that came
    this.versions = new Map(); // key/version → its body and when it came
    this.watermark = {}; // by type
    this.pulls = this.came = this.boundary = this.late = 0;
    this.wrong = [];
  }

  // pull makes one pull of a type and answers how many versions were new.
  async pull(type) {
    const from = this.watermark[type];
    const since = from === undefined ? '' : `&${this.mode === 'history' ? '_since=' : '_lastUpdated=ge'}${encodeURIComponent(from)}`;
    const path = this.mode === 'history' ? `${type}/_history?_count=${this.count}${since}` : `${type}?_count=${this.count}${since}`;
    const before = this.versions.size;
    const turn = ++this.pulls;
    let mark;
    for await (const bundle of this.walk(path)) {
      // The watermark is that of the first page: what is written later has to come again.
      mark ??= bundle.meta.lastUpdated;
      for (const e of bundle.entry ?? []) this.take(e.resource, type, turn, from, mark);
    }
    if (from && mark < from) this.wrong.push(`the watermark of ${type} stepped back from ${from} to ${mark}`);
    this.watermark[type] = mark;
    return this.versions.size - before;
  }

  take(r, type, turn, from, mark) {
    const at = `${key(r)}/${r.meta.versionId}`;
    const updated = r.meta.lastUpdated;
    const body = JSON.stringify(r);
    this.came++;
    if (r.resourceType !== type) this.wrong.push(`${at} came among ${type}`);
    if (from && updated < from) this.wrong.push(`${at} of ${updated} came to a pull from ${from}`);
    const known = this.versions.get(at);
    if (!known) {
      this.versions.set(at, { body, turn, after: updated > mark });
    } else {
      if (known.body !== body) this.wrong.push(`${at} changed its content`);
      if (known.turn === turn) this.wrong.push(`${at} came twice in one pull`);
      // A version may come again in the next pull of its type if it is of the boundary
      // millisecond, or if it was written while the pull before was paging and came already
      // then, above that pull's watermark.
      else if (updated === from) this.boundary++;
      else if (known.after) this.late++;
      else this.wrong.push(`${at} of ${updated} came again to a pull from ${from}`);
      known.after = updated > mark;
      known.turn = turn;
    }
    const before = this.newest.get(key(r));
    const newer = !before || Number(before.meta.versionId) < Number(r.meta.versionId);
    if (newer) this.newest.set(key(r), r);
    else if (!known && this.mode === 'search') this.wrong.push(`${at} came after version ${before.meta.versionId}`);
  }

  async round(types) {
    let fresh = 0;
    for (const type of types) fresh += await this.pull(type);
    return fresh;
  }

  // lacks reports how what the client holds differs from the final state; '' if not.
  lacks(final) {
    for (const [k, r] of final) {
      if (!this.newest.has(k)) return `${k} never came`;
      if (JSON.stringify(this.newest.get(k)) !== JSON.stringify(r)) return `${k} is not the newest version`;
      // Versions are numbered from 1 without a gap: a history must have brought each.
      for (let v = 1; this.mode === 'history' && v <= Number(r.meta.versionId); v++) {
        if (!this.versions.has(`${k}/${v}`)) return `version ${v} of ${k} never came`;
      }
    }
    for (const k of this.newest.keys()) if (!final.has(k)) return `${k} is not there any more`;
    return '';
  }
}

// settled is the final state of a service at rest: every resource once, as many as it counts.
export async function settled(base, types) {
  const walk = walks.fetch(base);
  const final = new Map();
  for (const type of types) {
    let n = 0;
    for await (const bundle of walk(`${type}?_count=1000`)) {
      for (const { resource } of bundle.entry ?? []) {
        assert.ok(!final.has(key(resource)), `${key(resource)} came twice`);
        final.set(key(resource), resource);
        n++;
      }
    }
    assert.equal(n, (await json(`${base}/${type}?_summary=count`)).total, type);
  }
  return final;
}
