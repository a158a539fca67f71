// Five tasks, each from Today and with the taps counted: at most three. They stand in
// deploy/tasks.md for people.
import assert from 'node:assert/strict';
import { people, today } from './people.mjs';
import { browser, check, counters, has, link, rows, text, todayPath } from './walk.mjs';

// task runs fn with a function that taps and counts.
const task = (name, fn) =>
  check(`task: ${name}`, () =>
    browser.page({}, async (page) => {
      await page.goto(todayPath);
      let taps = 0;
      const tap = async (locator) => {
        taps++;
        await locator.first().click();
        await page.waitForLoadState();
      };
      await fn(page, tap);
      assert.ok(taps <= 3, `${taps} taps`);
      return `${taps} ${taps === 1 ? 'tap' : 'taps'}`;
    }));

// Of what is on the first screen or below it, without opening anything more.
await task('may I needle this patient\'s venous track blunt today, and why not', async (page, tap) => {
  await tap(link(page, 'ready'));
  const venous = (await page.locator('.next-needle', { hasText: /venous/i }).innerText()).replace(/\s+/g, ' ');
  assert.match(venous, /sharp/i);
  assert.match(venous, /session 6 of 6/i);
  assert.match(venous, /1 more|5 of 6/i, venous);
});

await task('what did the card say on the morning of the 23rd', async (page, tap) => {
  await tap(link(page, 'ready'));
  await tap(page.getByRole('main').getByRole('link', { name: /life|time ?line|every session/i }));
  await tap(page.getByRole('main').locator('a[href*="as_of=2026-10-23"]').filter({ visible: true }));
  await has(page, people.ready.family, /session 3 of 6/i, /not the present|as it (was|looked|stood)/i);
});

await task('which tracks are ready for a blunt trial', async (page, tap) => {
  await tap(counters(page).filter({ hasText: /ready/i }));
  assert.deepEqual(await rows(page).count(), 1, (await text(page)).slice(0, 300));
  await link(page, 'ready').first().waitFor();
  await has(page, /first blunt|blunt/i);
});

await task('who may insert at chair 12 today', async (page, tap) => {
  await tap(rows(page).filter({ has: page.locator('.c', { hasText: /\b12$/ }) }).getByRole('link'));
  await has(page, people.gap.family, /may insert[^.]*RN-03/i);
});

await task("is our infection rate worse than last year's, or is it chance", async (page, tap) => {
  await tap(page.getByRole('link', { name: /^unit$/i }));
  await has(page, /1\.6\d/, /could be chance/i, /decision support only/i);
});

assert.equal(today, '2026-11-02');
