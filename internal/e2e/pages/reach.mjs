// Every page: for those who cannot see well, cannot use a mouse, zoom in, have no script; and how
// much is sent.
import assert from 'node:assert/strict';
import { small, unreached, violations, wider, widths } from './browser.mjs';
import { crowd, facility, people } from './people.mjs';
import { base, browser, cardPath, check, counters, has, keys, lifePath, link, todayPath } from './walk.mjs';

const pages = {
  'Today': todayPath,
  'Today of every unit': '/',
  'Today, who needs attention': `${todayPath}&attention=any`,
  'Today, those with a hold': `${todayPath}&attention=hold`,
  'Today, found by name': `${todayPath}&find=marro`,
  'Today, nobody found': `${todayPath}&find=nobodyatall`,
  'card, forming': cardPath('forming'),
  'card, hold on a track': cardPath('held'),
  'card, no thrill': cardPath('thrill'),
  'card, established': cardPath('established'),
  'card, little recorded': cardPath('sparse'),
  'card, rope ladder': cardPath('ladder'),
  'card, graft': cardPath('graft'),
  'card, catheter': cardPath('catheter'),
  'card, hostile words': cardPath('hostile'),
  'card as it was': cardPath('ready', '&as_of=2026-10-23T07:00:00Z&known_at=2026-10-23T07:00:00Z'),
  'life of a track': lifePath('established', 'A1'),
  'life of a young track': lifePath('forming', 'V1'),
  'the unit': `/unit?facility=${facility}`,
  'the report': `/surveillance/report?format=html&facility=${facility}`,
  'a page that is not there': '/card?patient=00000000000000000000000000000000&format=html',
};
const missing = { allowed: [/status of 404/] }; // the page that is not there

for (const [name, path] of Object.entries(pages)) {
  await check(`${name}: nothing stands in a reader's way, on three widths, light and dark`, () =>
    browser.page(missing, async (page) => {
      await page.goto(path);
      await page.evaluate(() => document.querySelectorAll('main details').forEach((d) => (d.open = true)));
      const found = [];
      for (const [size, box] of Object.entries(widths)) {
        await page.setViewportSize(box);
        for (const colorScheme of ['light', 'dark']) {
          await page.emulateMedia({ colorScheme });
          found.push(...(await violations(page)).map((v) => `${size}, ${colorScheme}: ${v}`));
        }
        const wide = await wider(page);
        if (wide) found.push(`${size}: ${wide}`);
        found.push(...(await small(page)).slice(0, 3).map((e) => `${size}: too small: ${e}`));
      }
      assert.equal(found.length, 0, `${found.length}: ${found.slice(0, 4).join(' | ')}`);
    }));
  await check(`${name}: the keyboard reaches everything, in order and in sight; twice as large, nothing stands out to the side`, () =>
    browser.page(missing, async (page) => {
      await page.goto(path);
      const lost = await unreached(page);
      assert.deepEqual(lost.slice(0, 3), []);
      for (const half of [{ width: 384, height: 512 }, { width: 320, height: 480 }]) {
        await page.setViewportSize(half);
        assert.equal(await wider(page), '');
      }
    }));
}

await check('a patient is found and the card opened by keyboard alone', () =>
  browser.page({}, async (page) => {
    await page.goto(todayPath);
    const reach = async (test) => {
      for (let i = 0; i < 200; i++) {
        await page.keyboard.press('Tab');
        if (await page.evaluate(test)) return;
      }
      assert.fail('Tab does not lead there');
    };
    await reach(() => document.activeElement?.getAttribute('name') === 'find');
    await page.keyboard.type('quenw');
    await page.keyboard.press('Enter');
    await page.waitForURL((u) => u.searchParams.has('find') || u.pathname === '/card');
    if (new URL(page.url()).pathname !== '/card') {
      await reach(() => Boolean(document.activeElement?.closest('ul.rows')) && document.activeElement.tagName === 'A');
      await page.keyboard.press('Enter');
      await page.waitForURL((u) => u.pathname === '/card');
    }
    assert.equal(new URL(page.url()).searchParams.get('patient'), keys.ready);
    await reach(() => document.activeElement?.tagName === 'SUMMARY');
    const open = () => page.evaluate(() => document.activeElement.parentElement.open);
    const before = await open();
    await page.keyboard.press('Enter');
    assert.notEqual(await open(), before, 'Enter does not open a fold');
  }));

await check('the first Tab leads past the navigation', () =>
  browser.page({}, async (page) => {
    await page.goto(todayPath);
    await page.keyboard.press('Tab');
    await page.keyboard.press('Enter');
    assert.ok(await page.evaluate(() => location.hash === '#main' && document.activeElement?.id === 'main'));
  }));

await check('everything works without script', () =>
  browser.page({ script: false }, async (page) => {
    await page.goto(todayPath);
    await page.locator('input[name=find]').fill('quenw');
    await page.keyboard.press('Enter');
    await page.waitForURL((u) => u.searchParams.has('find') || u.pathname === '/card');
    if (new URL(page.url()).pathname !== '/card') await link(page, 'ready').first().click();
    await page.waitForURL((u) => u.pathname === '/card');
    await has(page, people.ready.family, /session 6 of 6/i);
    await page.goto(todayPath);
    await counters(page).nth(1).click();
    await page.waitForURL((u) => u.search.length > 1);
    for (const path of Object.values(pages).slice(0, 10)) await page.goto(path);
    await page.goto(todayPath);
    assert.match(await page.locator('#live').innerText(), /load the page again|made at/i);
  }));

await check('no meaning by colour alone: every needle has a mark and a word', () =>
  browser.page({}, async (page) => {
    for (const [part, words] of [['forming', [/▲\s*sharp/i]], ['held', [/▲\s*sharp/i, /✕\s*no needle/i]], ['trial', [/●\s*blunt/i]]]) {
      await page.goto(cardPath(part));
      const all = (await page.locator('.next-needle').allInnerTexts()).join(' ').replace(/\s+/g, ' ');
      for (const w of words) assert.match(all, w);
    }
  }));

// --- how much is sent ---

const sent = async (path) => Buffer.byteLength(await (await fetch(base + path, { headers: { accept: 'text/html' } })).text());
await check('Today of 200 patients is under 100 kB, and made in less than 100 ms', async () => {
  const path = `/?facility=${crowd}`;
  let best = Infinity;
  for (let i = 0; i < 12; i++) {
    const began = performance.now();
    const response = await fetch(base + path, { headers: { accept: 'text/html' } });
    best = Math.min(best, performance.now() - began);
    const body = await response.text();
    assert.equal(response.status, 200);
    const rows = body.split('href="card?patient=').length - 1;
    assert.equal(rows, 200, `${rows} patients`);
  }
  const bytes = await sent(path);
  assert.ok(bytes < 100_000, `${bytes} bytes`);
  assert.ok(best < 100, `${Math.round(best)} ms at best`);
  return `${Math.round(bytes / 1000)} kB, ${Math.round(best)} ms at best of 12`;
});
await check('a card is under 60 kB', async () => {
  const sizes = {};
  for (const part of Object.keys(people)) sizes[part] = await sent(cardPath(part));
  const [part, bytes] = Object.entries(sizes).sort(([, a], [, b]) => b - a)[0];
  assert.ok(bytes < 60_000, `the card of ${part} has ${bytes} bytes`);
  return `the largest, ${part}, ${Math.round(bytes / 1000)} kB`;
});
