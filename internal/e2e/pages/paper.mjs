// Paper: a card printed from its page, and the pack. The sheets are read back from the PDF.
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import { readFileSync, readdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';
import { people } from './people.mjs';
import { base, browser, cardPath, check, command, folder } from './walk.mjs';

// sheets prints a page and returns the text of each sheet.
export async function sheets(page, name) {
  const file = join(folder, `${name}.pdf`);
  writeFileSync(file, await page.pdf({ preferCSSPageSize: true, printBackground: false }));
  return execFileSync('pdftotext', ['-layout', file, '-'], { encoding: 'utf8' })
    .split('\f').slice(0, -1).map((s) => s.replace(/\s+/g, ' '));
}

// complete says what every sheet must: who, when printed, which of how many.
const complete = (all, p, name) =>
  all.forEach((s, i) => {
    for (const w of [p.family, p.given, p.number]) assert.ok(s.includes(w), `sheet ${i + 1} of ${name} lacks "${w}": ${s.slice(0, 200)}`);
    assert.match(s, new RegExp(p.born.slice(0, 4)), `sheet ${i + 1} of ${name} lacks the birth date`);
    assert.match(s, new RegExp(`\\b${i + 1} ?(of|/) ?${all.length}\\b`), `sheet ${i + 1} of ${all.length} of ${name} has no number: ${s.slice(-200)}`);
    assert.match(s, /printed|as on/i, `sheet ${i + 1} of ${name} lacks the time of printing`);
  });

// legible fails where something is set smaller than 9 points on a sheet of A4.
const legible = async (page) => {
  await page.emulateMedia({ media: 'print' });
  await page.setViewportSize({ width: 710, height: 1020 }); // 188 mm between the margins
  const small = await page.evaluate(() => {
    const out = [];
    const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    for (let n = walk.nextNode(); n; n = walk.nextNode()) {
      const e = n.parentElement;
      if (!n.textContent.trim() || !e.checkVisibility() || e.closest('script, style')) continue;
      let size = parseFloat(getComputedStyle(e).fontSize);
      const svg = e.closest('svg');
      if (svg?.viewBox.baseVal?.width) size *= svg.getBoundingClientRect().width / svg.viewBox.baseVal.width;
      if (size < 11.9) out.push(`"${n.textContent.trim().slice(0, 30)}" ${size.toFixed(1)} px`);
    }
    return out;
  });
  assert.deepEqual(small.slice(0, 5), [], `${small.length} texts below 9 points`);
};

for (const part of ['forming', 'held', 'established', 'sparse', 'ladder']) {
  await check(`a printed card carries name, number and page on every sheet: ${part}`, () =>
    browser.page({}, async (page) => {
      await page.goto(cardPath(part));
      const all = await sheets(page, `card-${part}`);
      assert.ok(all.length >= 1 && all.length <= 2, `${all.length} sheets; the last says: ${all.at(-1).slice(0, 600)}`);
      complete(all, people[part], part);
      assert.match(all.join(' '), /decision support only/i);
      await legible(page);
      return `${all.length} sheets`;
    }));
}

const pack = join(folder, 'pack');
await check('the pack has a card of everybody, at most two sheets each, with the name on both', async () => {
  const out = command('card', '--all', '--http', base, '--out', pack);
  const { cards } = JSON.parse(out);
  assert.ok(cards >= 26, out);
  const files = readdirSync(pack).filter((f) => f.endsWith('.html') && !['index.html', 'print.html'].includes(f));
  assert.equal(files.length, cards, `${cards} cards in ${files.length} files: ${files.slice(0, 5)}`);
  let most = 0;
  for (const part of ['forming', 'held', 'established', 'hostile', 'graft', 'catheter']) {
    const p = people[part];
    const file = files.find((f) => readFileSync(join(pack, f), 'utf8').includes(p.number.replace('<b>', '&lt;b&gt;')));
    assert.ok(file, `no card of ${p.family}`);
    await browser.page({ base: 'file:/', script: false }, async (page) => {
      await page.goto(pathToFileURL(join(pack, file)).href);
      const all = await sheets(page, `pack-${part}`);
      most = Math.max(most, all.length);
      assert.ok(all.length <= 2, `${all.length} sheets of ${p.family}`);
      complete(all, p, part);
      assert.match(all.join(' '), /decision support only/i);
      await legible(page);
    });
  }
  return `${cards} cards`;
});

await check('the list of the pack has everybody by shift', () =>
  browser.page({ base: 'file:/', script: false }, async (page) => {
    await page.goto(pathToFileURL(join(pack, 'index.html')).href);
    const all = (await sheets(page, 'pack-list')).join(' ');
    for (const p of Object.values(people)) assert.ok(all.includes(p.family), `${p.family} is not on the list`);
    for (const shift of ['morning', 'afternoon', 'evening']) assert.match(all, new RegExp(shift, 'i'));
  }));
