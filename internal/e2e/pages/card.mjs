// The card, the life of a track, the way back in time.
import assert from 'node:assert/strict';
import { firstScreen, widths } from './browser.mjs';
import { people } from './people.mjs';
import { base, browser, cardOf, cardPath, check, has, lifePath, needles, text } from './walk.mjs';

// Which needle, where and who: of a needle's box what stands above the reason.
const parts = ['h2', '.big', '.numbers', '.session', '.who'];
for (const size of ['tablet', 'phone']) {
  for (const part of ['forming', 'ready', 'trial', 'established', 'held', 'thrill', 'rescued', 'gap', 'sparse', 'hostile', 'resting']) {
    await check(`both needles of ${part} stand on the first screen of a ${size}`, () =>
      browser.page({ size }, async (page) => {
        await page.goto(cardPath(part));
        const boxes = await needles(page).all();
        assert.equal(boxes.length, 2, `the card has ${boxes.length} needles`);
        let lowest = 0;
        for (const box of boxes) {
          assert.ok(await box.locator('.big').isVisible(), 'a needle has no tip');
          for (const p of parts) {
            for (const place of await firstScreen(page, box.locator(p).filter({ visible: true }))) {
              assert.ok(place.inside, `${p} ends at ${place.bottom} of ${widths[size].height} px`);
              lowest = Math.max(lowest, place.bottom);
            }
          }
        }
        return `down to ${lowest} of ${widths[size].height} px`;
      }));
  }
}

await check('the card says who, which needle and why, and the caution', () =>
  browser.page({}, async (page) => {
    const p = people.ready;
    await page.goto(cardPath('ready'));
    await has(page, p.family, p.given, p.number, /1944/, /blunt/i, /sharp/i, /28°/, /5 mm/, /session 6 of 6/i, 'RN-03', /decision support only/i);
  }));

await check('a stop fills the top of the card', () =>
  browser.page({}, async (page) => {
    await page.goto(cardPath('thrill'));
    const stop = page.locator('.stop, [data-severity=stop]').first();
    const box = await stop.boundingBox();
    assert.ok(box && box.y < 320 && box.width > 600, `the stop lies at ${JSON.stringify(box)}`);
    assert.match(await stop.innerText(), /thrill/i);
    const needle = await needles(page).first().innerText();
    assert.match(needle, /no needle/i);
  }));

await check('no first screen shows a code, a hash or a statistic', () =>
  browser.page({ size: 'tablet' }, async (page) => {
    for (const part of ['forming', 'held', 'established', 'rescued']) {
      await page.goto(cardPath(part));
      const shown = await page.evaluate(() => {
        const out = [];
        const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
        for (let n = walk.nextNode(); n; n = walk.nextNode()) {
          const range = document.createRange();
          range.selectNodeContents(n);
          const r = range.getBoundingClientRect();
          if (r.height > 0 && r.top < innerHeight && n.parentElement.checkVisibility()) out.push(n.textContent);
        }
        return out.join(' ');
      });
      assert.doesNotMatch(shown, /[0-9a-f]{16}|\[[a-z]+-[a-z-]+\]|standard deviation|\bp =|NaN|undefined/, shown.slice(0, 300));
    }
  }));

await check('a finding leads to its rule, what clears it and its facts', () =>
  browser.page({}, async (page) => {
    await page.goto(cardPath('rescued'));
    await page.locator('#because > summary').click();
    const ground = page.locator('#because .ground', { hasText: /rescue/i }).first();
    await ground.locator('> summary').click();
    const all = (await ground.innerText()).replace(/\s+/g, ' ');
    assert.match(all, /clears/i, all);
    assert.match(all, /rescue-repeat/, all); // the rule
    assert.match(all, /21 Oct[\s\S]*28 Oct|28 Oct[\s\S]*21 Oct|2026-10-21[\s\S]*2026-10-28/, all); // the facts
    assert.match(all, /RN-03/, all); // who recorded them
  }));

await check('the limb is drawn to scale, and what is not recorded is drawn as such', () =>
  browser.page({}, async (page) => {
    await page.goto(cardPath('forming'));
    const svg = page.locator('svg').first();
    await svg.waitFor();
    assert.match(await svg.evaluate((e) => e.textContent), /62 mm[\s\S]*135 mm|135 mm[\s\S]*62 mm/);
    assert.ok((await page.locator('svg[role=img]').count()) > 0, 'no drawing has a role');
    await page.goto(cardPath('sparse'));
    assert.match(await page.locator('svg').first().evaluate((e) => e.textContent), /not recorded/i);
  }));

for (const [part, pattern] of [['ladder', /rope ladder/i], ['graft', /graft/i], ['catheter', /catheter/i]]) {
  await check(`the card of a patient with another technique is of use: ${part}`, () =>
    browser.page({}, async (page) => {
      await page.goto(cardPath(part));
      await has(page, people[part].family, pattern, /decision support only/i);
      if (part !== 'catheter') await has(page, /16 ?G/, /30 Oct|2026-10-30/);
    }));
}

await check('hostile words are shown as they were written', () =>
  browser.page({}, async (page) => {
    const p = people.hostile;
    await page.goto(cardPath('hostile'));
    await has(page, p.family, p.given.replace(/\s+/g, ' '), p.number);
    assert.equal(await page.locator('main script, main img').count(), 0);
    assert.doesNotMatch(await page.title(), /undefined/);
    await page.goto(lifePath('hostile', 'A1'));
    await has(page, p.family);
    await page.goto(`/?facility=unit-lindovar&find=${encodeURIComponent('"><script>alert(9)</script>')}`);
    assert.equal(await page.locator('main script').count(), 0);
  }));

await check('the life of a track has a dot a session, and a table of the same', () =>
  browser.page({}, async (page) => {
    await page.goto(`${lifePath('established', 'A1')}&months=6`);
    await has(page, people.established.family, /rescue/i, /decision support only/i);
    const sessions = await page.locator('table tbody th a').evaluateAll((list) => list.map((a) => a.innerText));
    assert.ok(sessions.length >= 59, `the table has ${sessions.length} rows`);
    const columns = await page.locator('svg a[href]').count();
    assert.equal(columns, sessions.length, 'drawing and table differ');
    const shown = await page.locator('svg').evaluateAll((list) => list.map((e) => e.textContent).join(' '));
    assert.match(shown, /RN-06|RN-03/, 'the drawing names nobody');
  }));

await check('the way back in time shows the card as it was that morning, and says so', () =>
  browser.page({}, async (page) => {
    const at = '2026-10-23T07:00:00Z';
    const then = await (await fetch(`${base}${cardPath('ready')}&as_of=${at}&known_at=${at}`, { headers: { accept: 'application/json' } })).json();
    assert.equal(then.tracks[0].sessionsCounted, 2);
    await page.goto(`${cardPath('ready')}&as_of=${at}&known_at=${at}`);
    await has(page, /session 3 of 6/i, /not the present|as it (was|looked|stood)/i);
    const now = await cardOf(people.ready);
    await page.getByRole('link', { name: /now|present|today/i }).filter({ visible: true }).last().click();
    await has(page, new RegExp(`session ${now.tracks.find((t) => t.role === 'venous').next.session} of 6`, 'i'));
    return `${(await text(page)).length} characters`;
  }));
