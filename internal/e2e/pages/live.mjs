// News comes by itself; silence is told. The page's clock is moved by the test, so nobody waits a minute.
import assert from 'node:assert/strict';
import { Wire, until } from './browser.mjs';
import { base, browser, cardPath, check, has, post, row, text, todayPath } from './walk.mjs';

const silence = /no news (since|has come)/i;
const mark = (page) => page.evaluate(() => void (globalThis.stayed = true));
const stayed = async (page) => assert.equal(await page.evaluate(() => globalThis.stayed), true, 'the page was loaded again');
// What a page says when its connection is cut is no fault of the page.
const cut = [/ERR_(CONNECTION|INCOMPLETE|EMPTY|NETWORK|SOCKET)/, /Failed to load resource: net::/];
const site = (part, sign) => ['assessment', part, {
  access_examined: {
    access: 'F1', listen: { bruit: 'FINDING_PRESENT' }, feel: { thrill: 'FINDING_PRESENT' },
    sites: [{ track: 'A1', pus: 'FINDING_ABSENT', redness: sign, swelling: 'FINDING_ABSENT' }],
  },
}];

await check('a new hold comes to Today and to an open card by itself', () =>
  browser.page({}, async (page) => {
    const card = await page.context().newPage();
    await page.goto(todayPath);
    await card.goto(cardPath('afternoon'));
    await mark(page);
    await mark(card);
    assert.doesNotMatch(await text(card), /redness at the site/i);
    const said = async () => (await row(page, 'afternoon').innerText()).replace(/\s+/g, ' ');
    assert.doesNotMatch(await said(), /hold/i);
    post(site('afternoon', 'FINDING_PRESENT'));
    await until('the card says so', async () => /redness at the site/i.test(await text(card)) || (await text(card)).slice(0, 300));
    await until('Today says so', async () => /on hold/i.test(await said()) || said());
    await stayed(page);
    await stayed(card);
  }));

await check('news leaves what a person types, opened and pointed at as it is', () =>
  browser.page({}, async (page) => {
    await page.goto(cardPath('evening'));
    const folds = page.locator('main details > summary');
    const n = await folds.count();
    assert.ok(n > 0, 'the card has no fold');
    const fold = folds.nth(n - 1);
    await fold.focus();
    await page.keyboard.press('Enter');
    const label = await fold.innerText();
    const y = await page.evaluate(() => window.scrollY);
    await mark(page);
    post(site('evening', 'FINDING_PRESENT'));
    await until('the card says so', async () => /redness at the site/i.test(await text(page)) || (await text(page)).slice(0, 300));
    await stayed(page);
    const open = await page.locator('main details[open] > summary', { hasText: label }).count();
    assert.ok(open > 0, `the fold "${label}" was closed`);
    assert.equal(await page.evaluate(() => document.activeElement?.tagName), 'SUMMARY');
    return `scrolled ${Math.abs((await page.evaluate(() => window.scrollY)) - y)} px`;
  }));

for (const [how, path] of [['Today', todayPath], ['the card', cardPath('forming')]]) {
  await check(`the stream is cut, and ${how} says so in large letters after a minute`, async () => {
    const wire = await new Wire().open(base);
    try {
      await browser.page({ base: wire.base, allowed: cut }, async (page) => {
        await page.goto(path);
        await until('the page is live', async () => /heard/i.test(await page.locator('#live').innerText()) || page.locator('#live').innerText());
        assert.equal(await page.locator('#silent').isVisible(), false, 'it is told at once');
        wire.cut();
        await page.clock.runFor(45000);
        assert.equal(await page.locator('#silent').isVisible(), false, 'it is told after 45 s');
        await page.clock.runFor(20000);
        const band = page.locator('#silent');
        await band.waitFor({ state: 'visible' });
        assert.match(await band.innerText(), silence);
        assert.match(await band.innerText(), /06:4\d|06:5\d/, 'it says no local time');
        const box = await band.boundingBox();
        assert.ok(box.width > 700 && box.y < 200, `the band lies at ${JSON.stringify(box)}`);
        const size = await band.evaluate((e) => parseFloat(getComputedStyle(e).fontSize));
        assert.ok(size >= 17, `its letters have ${size} px`);
        wire.mend();
        // The page's clock is a minute ahead now, and the page may say that instead.
        await until('it is live again', async () => {
          await page.clock.runFor(1000);
          return !(await band.isVisible()) || !silence.test(await band.innerText()) || band.innerText();
        });
      });
    } finally {
      await wire.close();
    }
  });
}

await check('a stream that stays open and brings nothing is told as well', async () => {
  const wire = await new Wire().open(base);
  try {
    await browser.page({ base: wire.base, allowed: cut }, async (page) => {
      await page.goto(todayPath);
      await until('the page is live', async () => /heard/i.test(await page.locator('#live').innerText()));
      wire.hold();
      await page.clock.runFor(65000);
      await page.locator('#silent').waitFor({ state: 'visible' });
      await has(page, silence);
    });
  } finally {
    await wire.close();
  }
});

await check("a device whose clock is wrong is told, by how much", () =>
  browser.page({ off: 5 * 60000 }, async (page) => {
    await page.goto(todayPath);
    await page.locator('#silent').waitFor({ state: 'visible' });
    await has(page, /clock/i, /5 min/);
  }));
await check('a device whose clock is half a minute off is not troubled', () =>
  browser.page({ off: 30000 }, async (page) => {
    await page.goto(todayPath);
    await until('the page is live', async () => /heard/i.test(await page.locator('#live').innerText()));
    assert.equal(await page.locator('#silent').isVisible(), false);
  }));

await check('a hold that a person lifts goes by itself', () =>
  browser.page({}, async (page) => {
    await page.goto(todayPath);
    await mark(page);
    const card = await (await fetch(`${base}${cardPath('afternoon')}`, { headers: { accept: 'application/json' } })).json();
    const holds = card.holds.flatMap((h) => h.ids ?? [h.id]);
    assert.ok(holds.length > 0, 'there is no hold');
    const said = () => row(page, 'afternoon').innerText();
    await until('Today shows the hold', async () => /on hold/i.test(await said()) || said());
    post(...holds.map((hold) => ['cannulation', 'afternoon', {
      hold_lifted: { hold, lifted_by: { system: 'https://cannulary.example/staff', value: 'MD-01' }, reason: 'Skin sound' },
    }]));
    await until('the hold goes', async () => !/on hold/i.test(await said()) || said());
    await stayed(page);
  }));
