// People log in with a real browser: at the development issuer, and at node-oidc-provider, a certified implementation of
// OpenID Connect that shares no code with this project.
//
//   login.mjs CANNULARY CHROMIUM FOLDER
import assert from 'node:assert/strict';
import { spawn } from 'node:child_process';
import { writeFileSync } from 'node:fs';
import { createServer } from 'node:http';
import { join } from 'node:path';
import { Provider } from 'oidc-provider';
import { check } from './lib.mjs';
import { Browser, launch, small, violations } from './pages/browser.mjs';

const [cannulary, chromium, folder] = process.argv.slice(2);
const running = [];
console.info = () => {}; // the provider's notices

// begin starts a program and returns the line of JSON by which it says where it is.
const begin = (...args) =>
  new Promise((resolve, reject) => {
    const program = spawn(cannulary, args, { stdio: ['ignore', 'pipe', 'pipe'] });
    running.push(program);
    let said = '', errors = '';
    program.stdout.on('data', (d) => {
      said += d;
      if (said.includes('\n')) resolve(JSON.parse(said.slice(0, said.indexOf('\n'))));
    });
    program.stderr.on('data', (d) => (errors += d));
    program.on('exit', (code) => reject(new Error(`${args[0]} ended with ${code}: ${errors.slice(-500)}`)));
  });
const serve = async (name, policy) => (await begin('serve', '--data', join(folder, name), '--grpc', '127.0.0.1:0', '--http', '127.0.0.1:0', '--policy', policy)).http;

const pretty = async (page) => {
  assert.deepEqual(await violations(page), []);
  assert.deepEqual(await small(page), []);
};
const browser = await launch(chromium);
const policy = join(folder, 'people.yaml');
const issuer = (await begin('development-issuer', '--policy', policy)).issuer;
const base = await serve('development', policy);
const own = new Browser(browser, base, Date.now());
const window = () => own.open({ script: true, allowed: [new RegExp(`^a request outside: ${issuer}/`), /Failed to load resource: the server responded with a status of (401|403)/] });

await check('login: a nurse opens Today, chooses who she is, and is on Today', async () => {
  const context = await window();
  const page = await context.newPage();
  await page.goto(`${base}/`);
  assert.ok(page.url().startsWith(`${issuer}/authorize?`), page.url());
  assert.equal(await page.locator('h1').innerText(), 'DEVELOPMENT ISSUER');
  assert.match(await page.locator('header').innerText(), /asks for no password/);
  await page.getByRole('button', { name: 'Cannulator (invented)' }).click();
  await page.waitForURL(`${base}/`);
  assert.equal(await page.locator('#session').innerText(), 'Cannulator (invented)');

  // A second tab empties itself when the first one locks the device.
  const other = await context.newPage();
  await other.goto(`${base}/`);
  await page.locator('#session').click();
  await page.waitForURL(`${base}/lock`);
  await pretty(page);
  await page.getByRole('button', { name: 'Lock this device' }).click();
  await other.waitForURL(/\/lock\?to=%2F$/, { timeout: 15000 });
  assert.match(await other.locator('main').innerText(), /This device is locked/);
  await pretty(other);

  // One step back to where she was.
  await other.getByRole('link', { name: 'Open it again' }).click();
  await other.getByRole('button', { name: 'Cannulator (invented)' }).click();
  await other.waitForURL(`${base}/`);
  await other.locator('#session').click();
  await other.getByRole('button', { name: 'Log out' }).click();
  await other.waitForURL(`${base}/lock`);
  assert.match(await other.locator('main').innerText(), /Nobody is logged in here/);
  await other.goto(`${base}/`);
  assert.ok(other.url().startsWith(`${issuer}/authorize?`), other.url());
  await context.close();
  own.nothingWrong();
});

await check('login: who has no role reads what the operator must do; the page of sealed codes can be filled in', async () => {
  const context = await window();
  const page = await context.newPage();
  await page.goto(`${base}/`);
  await page.getByRole('button', { name: 'Nobody here (invented)' }).click();
  await page.waitForURL(/\/login\/return/);
  assert.match(await page.locator('main').innerText(), /you have no role here\. Ask the operator: the claim roles/i);
  await pretty(page);
  await page.goto(`${base}/break-glass`);
  await pretty(page);
  await page.getByLabel('Code from the sealed envelope').fill('AAAA-AAAA-AAAA-AAAA-AAAA-AAAA-AAAA-AAAA');
  await page.getByLabel('Your name').fill('Invented');
  await page.getByLabel('Why you need it now').fill('A test');
  await page.getByRole('button', { name: 'Open for 30 minutes' }).click();
  assert.match(await page.locator('main').innerText(), /this code is not good, or it was used before/i);
  await context.close();
  own.nothingWrong();
});

await check('login: the same at an independent issuer, whose pages ask for name and password', async () => {
  // The issuer's address must be known before the service's, and the other way round.
  const server = createServer((request, response) => answer(request, response));
  await new Promise((resolve) => server.listen(0, '127.0.0.1', resolve));
  const at = `http://127.0.0.1:${server.address().port}`;
  let answer = (request, response) => response.writeHead(503).end();
  const file = join(folder, 'standard.yaml');
  writeFileSync(file, `people:
  issuer: ${at}
  client_id: record
  claims: {role: roles, staff: staff_number, staff_system: "https://cannulary.example/invented/staff", facilities: wards}
  roles: {nurse: cannulator}
  views: [["*"]]
`);
  const root = await serve('standard', file);
  const provider = new Provider(at, {
    clients: [{ client_id: 'record', token_endpoint_auth_method: 'none', redirect_uris: [`${root}/login/return`], post_logout_redirect_uris: [`${root}/lock`] }],
    pkce: { required: () => true },
    claims: { openid: ['sub'], profile: ['name', 'roles', 'staff_number', 'wards', 'preferred_username'] },
    conformIdTokenClaims: false,
    cookies: { keys: ['only-a-test'] },
    findAccount: (context, id) => ({
      accountId: id,
      claims: () => ({ sub: id, name: 'Standard (invented)', preferred_username: id, roles: ['nurse'], staff_number: 'S-7', wards: ['*'] }),
    }),
  });
  answer = provider.callback();
  const other = new Browser(browser, root, Date.now());
  const context = await other.open({ allowed: [new RegExp(`^a request outside: ${at}/`), /fonts\.googleapis/, /console of http:\/\/127\.0\.0\.1/] });
  const page = await context.newPage();
  // The service found the issuer silent at its start; it asks again after ten seconds.
  for (const until = Date.now() + 30000; !page.url().startsWith(`${at}/interaction/`); await new Promise((r) => setTimeout(r, 500))) {
    await page.goto(`${root}/`);
    assert.ok(Date.now() < until, page.url());
  }
  await page.locator('[name=login]').fill('invented');
  await page.locator('[name=password]').fill('any');
  await page.locator('[type=submit]').click();
  await page.locator('[type=submit]').click(); // it asks for consent
  await page.waitForURL(`${root}/`);
  assert.equal(await page.locator('#session').innerText(), 'Standard (invented)');
  await context.close();
  server.closeAllConnections();
  server.close();
});

await browser.close();
for (const program of running) program.kill();
process.exit(0);
