// Makes the pictures of the READMEs: the invented unit as a browser shows it.
import { execFileSync } from 'node:child_process';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';
import { mkdirSync, readFileSync, readdirSync, statSync, writeFileSync } from 'node:fs';
import { facility, people } from './people.mjs';
import { base, browser, cardPath, command, folder, lifePath, pictures, todayPath } from './walk.mjs';

mkdirSync(pictures, { recursive: true });
const keep = (name, png) => {
  const file = join(pictures, `${name}.png`);
  writeFileSync(file, png);
  // Few colours are enough for a page, and make a small file.
  execFileSync('pngquant', ['--force', '--speed', '1', '--output', file, '48', file]);
  console.log(`made  ${file} (${Math.round(statSync(file).size / 1000)} kB)`);
};
const shot = async (name, path, options = {}) =>
  browser.page({ size: 'tablet', ...options }, async (page) => {
    await page.goto(path);
    await page.waitForLoadState('load');
    keep(name, await page.screenshot());
  });

await shot('today', todayPath);
await shot('card', cardPath('held'));
await shot('card-phone', cardPath('ready'), { size: 'phone' });
await shot('life', lifePath('established', 'A1'));
await shot('unit', `/unit?facility=${facility}`);
await shot('report', `/surveillance/report?format=html&facility=${facility}`);

const pack = join(folder, 'pack');
command('card', '--all', '--http', base, '--out', pack);
const sheet = readdirSync(pack).find((f) => f.endsWith('.html') && f !== 'index.html' && readFileSync(join(pack, f), 'utf8').includes(people.forming.number));
await browser.page({ base: 'file:/', script: false }, async (page) => {
  await page.goto(pathToFileURL(join(pack, sheet)).href);
  const pdf = join(folder, 'picture.pdf');
  writeFileSync(pdf, await page.pdf({ preferCSSPageSize: true }));
  execFileSync('pdftoppm', ['-png', '-r', '72', '-f', '1', '-l', '1', '-singlefile', pdf, join(folder, 'picture')]);
  keep('pack', readFileSync(join(folder, 'picture.png')));
});
