// A real browser for the tests of the pages, and what watches it: nothing may be fetched from
// anywhere but the service, no script and no style may be refused or fail, and no dialog may open.
import assert from 'node:assert/strict';
import { createServer, connect } from 'node:net';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { chromium } from 'playwright-core';

const axeSource = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');

// launch starts the browser that Debian installed.
export const launch = (executablePath) =>
  chromium.launch({ executablePath, args: process.getuid?.() === 0 ? ['--no-sandbox'] : [] });

export const widths = { phone: { width: 390, height: 844 }, tablet: { width: 768, height: 1024 }, desktop: { width: 1100, height: 850 } };

// Browser opens windows whose clock shows what the service's does, and remembers what went wrong
// in any of them. start is the service's time now, in milliseconds.
export class Browser {
  constructor(browser, base, start) {
    Object.assign(this, { browser, base, start, began: Date.now(), wrong: [] });
  }

  now() {
    return this.start + Date.now() - this.began;
  }

  // open returns a new window. off is how far its clock is from the service's, in milliseconds;
  // without script its pages have no clock.
  async open({ size = 'tablet', dark = false, script = true, off = 0, base = this.base, scale = 1, allowed = [] } = {}) {
    const context = await this.browser.newContext({
      viewport: typeof size === 'string' ? widths[size] : size, colorScheme: dark ? 'dark' : 'light', javaScriptEnabled: script, baseURL: base,
      deviceScaleFactor: scale, locale: 'en-GB', timezoneId: 'Atlantic/Reykjavik', acceptDownloads: false,
    });
    context.setDefaultTimeout(20000);
    if (script) await context.clock.install({ time: this.now() + off });
    const wrong = (what) => {
      if (!allowed.some((pattern) => pattern.test(what))) this.wrong.push(what);
    };
    context.on('request', (r) => {
      if (!r.url().startsWith(`${base}/`) && !r.url().startsWith('data:')) wrong(`a request outside: ${r.url()}`);
    });
    context.on('requestfailed', (r) => {
      const why = r.failure()?.errorText;
      if (why !== 'net::ERR_ABORTED') wrong(`a request failed: ${r.url()} ${why}`); // aborted: the page was left
    });
    context.on('console', (m) => {
      if (['error', 'warning', 'assert'].includes(m.type())) wrong(`the console of ${m.page()?.url()} says ${m.type()}: ${m.text()}`);
    });
    context.on('weberror', (e) => wrong(`a script failed on ${e.page()?.url()}: ${e.error()}`));
    context.on('dialog', (d) => {
      wrong(`a dialog opened: ${d.message()}`);
      d.dismiss();
    });
    return context;
  }

  // page runs fn in a page of a window of its own.
  async page(options, fn) {
    const context = await this.open(options);
    try {
      return await fn(await context.newPage());
    } finally {
      await context.close();
    }
  }

  // nothingWrong fails with what went wrong since it was last asked.
  nothingWrong() {
    const wrong = [...new Set(this.wrong)];
    this.wrong = [];
    assert.equal(wrong.length, 0, wrong.slice(0, 5).join(' | '));
  }
}

// violations returns what axe-core finds against WCAG A and AA.
export async function violations(page) {
  await page.evaluate(axeSource);
  return page.evaluate(async () => {
    const found = await globalThis.axe.run(document, {
      runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'], resultTypes: ['violations'],
    });
    return found.violations.map((v) => `${v.id}: ${v.nodes.slice(0, 3).map((n) => `${n.target.join(' ')} (${n.any[0]?.message ?? n.all[0]?.message ?? n.none[0]?.message ?? ''})`).join('; ')}`);
  });
}

// wider says what stands out of the page to the right, or nothing.
export const wider = (page) =>
  page.evaluate(() => {
    const wide = document.documentElement.clientWidth;
    if (document.documentElement.scrollWidth <= wide) return '';
    const out = [...document.body.querySelectorAll('*')].filter((e) => {
      const r = e.getBoundingClientRect();
      return r.width > 0 && r.right > wide + 1 && getComputedStyle(e).position !== 'fixed';
    });
    return `the page is ${document.documentElement.scrollWidth} px wide in a window of ${wide}: ${out.slice(0, 4).map((e) => `${e.tagName.toLowerCase()}.${e.getAttribute('class') ?? ''}`).join(', ')}`;
  });

// small lists what a gloved finger would miss: links, buttons, fields and folds lower than 44 px.
// A link within a sentence is as high as its line.
export const small = (page) =>
  page.evaluate(() => {
    const out = [];
    for (const e of document.querySelectorAll('a[href], button, summary, select, input, textarea, svg a')) {
      const r = e.getBoundingClientRect();
      if (r.width === 0 || r.height === 0 || e.closest('.skip') || e.type === 'hidden') continue;
      const target = ['checkbox', 'radio'].includes(e.type) ? (e.closest('label') ?? e) : e;
      const inSentence = getComputedStyle(e).display === 'inline' && e.closest('p, dd, li, figcaption') && e.closest('p, dd, li, figcaption').textContent.trim() !== e.textContent.trim();
      const height = target.getBoundingClientRect().height;
      if (!inSentence && height < 43.5) out.push(`${e.tagName.toLowerCase()} "${(e.textContent || e.name || '').trim().slice(0, 30)}" ${Math.round(height)} px`);
    }
    return out;
  });

// focusable returns what the Tab key must reach, each marked with its place in the page.
const focusable = (page) =>
  page.evaluate(() => {
    const shown = (e) => e.checkVisibility?.({ visibilityProperty: true }) !== false && e.getClientRects().length > 0;
    const radios = new Set();
    return [...document.querySelectorAll('a[href], button, summary, select, input, textarea, [tabindex]')]
      .filter((e) => e.tabIndex >= 0 && !e.disabled && e.type !== 'hidden' && shown(e) && !e.closest('details:not([open]) > :not(summary)'))
      .filter((e) => e.type !== 'radio' || (!radios.has(e.name) && radios.add(e.name)))
      .map((e, i) => (e.setAttribute('data-place', i), e.getAttribute('data-place')));
  });

// unreached lists what Tab does not reach, or reaches out of order or unseen.
export async function unreached(page) {
  const places = await focusable(page);
  const got = [];
  const out = [];
  let parts = 0;
  await page.evaluate(() => {
    document.activeElement?.blur?.();
    window.getSelection()?.removeAllRanges();
    window.scrollTo(0, 0);
  });
  for (let i = 0; i <= places.length; i++) {
    await page.keyboard.press('Tab');
    const at = await page.evaluate(() => {
      const e = document.activeElement;
      if (!e || e === document.body) return null;
      const s = getComputedStyle(e);
      const ring = (parseFloat(s.outlineWidth) > 0 && s.outlineStyle !== 'none') || s.boxShadow !== 'none';
      const r = e.getBoundingClientRect();
      return {
        place: e.getAttribute('data-place'), ring, seen: r.bottom > 0 && r.top < innerHeight && r.width > 0,
        name: `${e.tagName.toLowerCase()} "${(e.textContent || e.name || '').trim().slice(0, 30)}"`,
      };
    });
    if (!at || at.place === null) break;
    if (at.place === got.at(-1)) { // a date has a place for each of its parts
      i--;
      if (++parts > 12) break;
      continue;
    }
    parts = 0;
    if (got.includes(at.place)) break;
    got.push(at.place);
    if (!at.ring) out.push(`${at.name} shows no focus`);
    if (!at.seen) out.push(`${at.name} has the focus out of sight`);
  }
  const missed = places.filter((p) => !got.includes(p));
  if (missed.length > 0) {
    const names = await page.evaluate((list) => list.map((p) => document.querySelector(`[data-place="${p}"]`)?.outerHTML.slice(0, 80)), missed.slice(0, 3));
    out.push(`${missed.length} of ${places.length} are not reached, for instance ${names.join(' ')}`);
  }
  for (let i = 1; i < got.length; i++) if (Number(got[i]) < Number(got[i - 1])) out.push(`Tab goes back at place ${got[i]}`);
  return out;
}

// within says whether each of the elements lies whole in the first screen.
export async function firstScreen(page, locator) {
  const size = page.viewportSize();
  const boxes = [];
  for (const e of await locator.all()) boxes.push(await e.boundingBox());
  return boxes.map((b) => b && { top: Math.round(b.y), bottom: Math.round(b.y + b.height), inside: b.y >= 0 && b.x >= 0 && b.y + b.height <= size.height && b.x + b.width <= size.width + 1 });
}

// Wire stands between a page and the service, so that a test can cut it.
export class Wire {
  async open(target) {
    const { hostname, port } = new URL(target);
    this.pairs = new Set();
    this.server = createServer((near) => {
      if (this.cutOff) return near.destroy();
      const far = connect(Number(port), hostname);
      const pair = [near, far];
      this.pairs.add(pair);
      for (const s of pair) {
        s.on('error', () => {});
        s.on('close', () => {
          this.pairs.delete(pair);
          near.destroy();
          far.destroy();
        });
      }
      near.pipe(far).pipe(near);
    });
    await new Promise((done) => this.server.listen(0, '127.0.0.1', done));
    this.base = `http://127.0.0.1:${this.server.address().port}`;
    return this;
  }
  cut() {
    this.cutOff = true;
    for (const pair of this.pairs) pair.forEach((s) => s.destroy());
  }
  // hold keeps the connections and lets nothing through: the page hears neither news nor an end.
  hold() {
    for (const [near, far] of this.pairs) {
      far.unpipe(near);
      far.pause();
    }
  }
  mend() {
    this.cutOff = false;
  }
  async close() {
    this.cut();
    await new Promise((done) => this.server.close(done));
  }
}

// until waits for a state and fails with what it was at last.
export async function until(what, fn, seconds = 20) {
  let last;
  for (const end = Date.now() + seconds * 1000; Date.now() < end; ) {
    last = await fn();
    if (last === true) return;
    await new Promise((r) => setTimeout(r, 100));
  }
  assert.fail(`${what}: waited ${seconds} s${last ? `, at last ${JSON.stringify(last).slice(0, 300)}` : ''}`);
}
