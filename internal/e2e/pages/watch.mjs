// The watchers themselves: each is shown a page that has what it looks for.
import assert from 'node:assert/strict';
import { small, violations, wider } from './browser.mjs';
import { browser, check, todayPath } from './walk.mjs';

// spoiled opens Today with something put before the end of its body.
const spoiled = (html, fn, options = {}) =>
  browser.page(options, async (page) => {
    await page.route('**/*', async (route) => {
      if (route.request().resourceType() !== 'document') return route.continue();
      const response = await route.fetch();
      await route.fulfill({ response, body: (await response.text()).replace('</main>', `${html}</main>`) });
    });
    await page.goto(todayPath);
    return fn(page);
  });
const noticed = async (html, pattern) => {
  await spoiled(html, (page) => page.waitForLoadState('networkidle'));
  assert.ok(browser.wrong.some((w) => pattern.test(w)), `not noticed: ${html}; what was: ${browser.wrong.join(' | ')}`);
  browser.wrong = [];
};

await check('the watch notices an inline script', () => noticed('<script>document.title = "x"</script>', /Content Security Policy/));
await check('the watch notices an inline style', () => noticed('<p style="color: red">x</p>', /Content Security Policy/));
await check('the watch notices a request outside', () => noticed('<img alt="" src="http://127.0.0.1:9/x.png">', /Content Security Policy|outside/));
await check('the watch notices a file that is not there', () => noticed('<img alt="" src="nowhere.png">', /404/));
await check('axe-core notices a picture without words', () =>
  spoiled('<img src="icon.svg">', async (page) => assert.match((await violations(page)).join(' '), /image-alt/)));
await check('a page that is too wide is noticed', () =>
  spoiled('<pre>' + 'wide '.repeat(400) + '</pre>', async (page) => assert.match(await wider(page), /px wide/)));
await check('a button that is too small is noticed', () =>
  spoiled('<table><tr><td><a href="card">x</a></td></tr></table>', async (page) => assert.ok((await small(page)).some((s) => s.startsWith('a "x"')))));
