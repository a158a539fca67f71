// Today: who is due, who needs attention, and the ways to a patient.
import assert from 'node:assert/strict';
import { until } from './browser.mjs';
import { people } from './people.mjs';
import { base, browser, cardPath, check, counters, has, keys, link, needles, rows, text, todayPath } from './walk.mjs';

const onCard = (part) => (u) => u.pathname === '/card' && u.searchParams.get('patient') === keys[part];

await check('Today shows who is due now and who comes later', () =>
  browser.page({}, async (page) => {
    await page.goto(todayPath);
    for (const part of ['forming', 'ready', 'held', 'ladder', 'graft', 'catheter', 'sparse', 'afternoon', 'evening']) await link(page, part).first().waitFor();
    assert.equal(await link(page, 'tuesday').count(), 0, 'who comes on Tuesdays is due on a Monday');
    await has(page, 'Unit Lindovar (invented)', /morning/i, /afternoon/i, /evening/i, /decision support only/i);
  }));

await check('who needs attention comes first', () =>
  browser.page({}, async (page) => {
    await page.goto(todayPath);
    const top = async (part) => (await link(page, part).first().boundingBox()).y;
    for (const first of ['held', 'thrill', 'rescued']) {
      assert.ok((await top(first)) < (await top('catheter')), `${people[first].family} stands below one with nothing to tell`);
    }
    assert.ok((await top('held')) < (await top('rescued')), 'a hold stands below a caution');
  }));

for (const [how, typed, part] of [
  ['a part of the name', 'enwelv', 'ready'],
  ['a name without its accents, in capitals', 'CEDRAVYNN', 'accents'],
  ['a number', 'LIN-1004', 'established'],
]) {
  await check(`a patient is found by ${how}`, () =>
    browser.page({}, async (page) => {
      await page.goto(todayPath);
      await page.locator('input[name=find]').fill(typed);
      await page.keyboard.press('Enter');
      await page.waitForURL((u) => u.searchParams.has('find') || u.pathname === '/card');
      if (new URL(page.url()).pathname !== '/card') {
        assert.equal(await link(page, 'forming').count(), 0, `${people.forming.family} is still listed`);
        await link(page, part).first().click();
      }
      await page.waitForURL(onCard(part));
      await has(page, people[part].family, people[part].given);
    }));
}

await check('one name of two patients shows both', () =>
  browser.page({}, async (page) => {
    await page.goto(todayPath);
    await page.locator('input[name=find]').fill('marrowind');
    await page.keyboard.press('Enter');
    await page.waitForURL(/find=/);
    for (const p of [people.twinA, people.twinB]) await page.getByRole('main').getByRole('link', { name: p.given }).first().waitFor();
  }));

await check('a patient who is not due today is found', () =>
  browser.page({}, async (page) => {
    await page.goto(`${todayPath}&find=${people.tuesday.family.slice(0, 6)}`);
    if (!onCard('tuesday')(new URL(page.url()))) await link(page, 'tuesday').first().waitFor();
  }));

// A wedge types the number and Enter, wherever the focus is.
const scan = async (page, number) => {
  await page.keyboard.type(number, { delay: 3 });
  await page.keyboard.press('Enter');
};
await check('a scan on Today opens the card', () =>
  browser.page({}, async (page) => {
    await page.goto(todayPath);
    await scan(page, people.trial.number);
    await page.waitForURL(onCard('trial'));
    await has(page, people.trial.family);
  }));
await check('a scan on a card confirms its patient', () =>
  browser.page({}, async (page) => {
    await page.goto(cardPath('trial'));
    await scan(page, people.trial.number);
    await until('the patient is confirmed', async () => /confirmed|right patient|same patient/i.test(await text(page)) || (await text(page)).slice(0, 200));
    assert.ok(await needles(page).first().isVisible(), 'the needles are covered');
  }));
await check("a scan of another patient's wristband covers the card", () =>
  browser.page({}, async (page) => {
    await page.goto(cardPath('trial'));
    await needles(page).first().waitFor();
    await scan(page, people.forming.number);
    await until('the page is covered', async () => /another patient|not this patient|wrong patient/i.test(await text(page)) || (await text(page)).slice(0, 200));
    await until('the needles are covered', () =>
      page.evaluate(() => {
        const needle = document.querySelector('.next-needle');
        if (!needle) return true;
        const r = needle.getBoundingClientRect();
        const top = document.elementFromPoint(r.x + r.width / 2, Math.min(Math.max(r.y + 20, 0), innerHeight - 5));
        return r.width === 0 || !needle.contains(top);
      }));
  }));

await check('each counter leads to as many as it says: patients who are due, or tracks of the unit', () =>
  browser.page({}, async (page) => {
    await page.goto(todayPath);
    const all = await counters(page).evaluateAll((list) =>
      list.map((a) => [a.innerText.replace(/\s+/g, ' ').trim(), a.href, Boolean(a.closest('.all'))]));
    assert.ok(all.length >= 10, `only ${all.length} counters: ${all}`);
    for (const [label, href, tracks] of all) {
      const n = Number(label.match(/(\d+)$/)?.[1]);
      assert.ok(Number.isInteger(n), `the counter "${label}" has no number`);
      await page.goto(href);
      const listed = await rows(page).count();
      const stage = new URL(href).searchParams.get('stage');
      if (stage) {
        const shown = await page.locator(`ul.rows span.${stage}`).count();
        assert.equal(shown, n, `"${label}" leads to ${shown} tracks that are ${stage}`);
      } else if (tracks) {
        assert.ok(listed <= n && n <= 2 * listed, `"${label}" leads to ${listed} patients`); // of whom each may have two tracks
      } else {
        assert.equal(listed, n, `"${label}" leads to ${listed} patients`);
      }
    }
    return all.map(([label]) => label).join(', ');
  }));
await check('filters by shift and stage can be put together', () =>
  browser.page({}, async (page) => {
    await page.goto(`${todayPath}&shift=morning&stage=forming`);
    await link(page, 'forming').first().waitFor();
    for (const part of ['afternoon', 'evening', 'established', 'graft']) assert.equal(await link(page, part).count(), 0, `${people[part].family} is listed`);
  }));
await check('a stage that is not there is refused, with what to do', async () => {
  const response = await fetch(`${base}${todayPath}&stage=ripe`, { headers: { accept: 'text/html' } });
  const body = await response.text();
  assert.ok(response.status === 400 && /stage/i.test(body) && /forming/.test(body), `${response.status}: ${body.replace(/<[^>]*>/g, ' ').slice(0, 400)}`);
});
