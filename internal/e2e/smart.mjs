// An EHR's backend reads by SMART Backend Services, with the clients that npm has: openid-client gets
// tokens by private_key_jwt, fhirclient reads with them. Beside them an EHR that signs its calls of CDS Hooks.
//
//   smart.mjs FHIR-BASE-URL FOLDER        the checks
//   smart.mjs keys FOLDER DIGEST          first: key pairs, and the policy that names them
import assert from 'node:assert/strict';
import { randomUUID } from 'node:crypto';
import { readFileSync, writeFileSync } from 'node:fs';
import { createServer } from 'node:http';
import { join } from 'node:path';
import smart from 'fhirclient';
import * as oauth from 'openid-client';
import { base, check } from './lib.mjs';

const folder = process.argv[3];
const kinds = {
  es: { name: 'ECDSA', namedCurve: 'P-384', hash: 'SHA-384' },
  rs: { name: 'RSASSA-PKCS1-v1_5', modulusLength: 2048, publicExponent: new Uint8Array([1, 0, 1]), hash: 'SHA-384' },
};

if (base === 'keys') {
  const set = { keys: [] };
  for (const [kid, kind] of Object.entries(kinds)) {
    const pair = await crypto.subtle.generateKey(kind, true, ['sign', 'verify']);
    set.keys.push({ ...(await crypto.subtle.exportKey('jwk', pair.publicKey)), kid, use: 'sig' });
    writeFileSync(join(folder, `${kid}.json`), JSON.stringify(await crypto.subtle.exportKey('jwk', pair.privateKey)), { mode: 0o600 });
  }
  writeFileSync(join(folder, 'jwks.json'), JSON.stringify(set));
  const keys = JSON.stringify(join(folder, 'jwks.json'));
  // JSON is YAML too.
  writeFileSync(join(folder, 'policy.yaml'), `principals:
- {name: engine, tokens: ["${process.argv[4]}"], facilities: ["*"], sources: [engine-a], facts: ["*"], may: [metrics]}
- {name: ehr, facilities: ["*"], fhir: [Patient, Procedure], client: {id: ehr-backend, keys_file: ${keys}}}
- {name: chart, facilities: ["*"], may: [hooks], hooks: {issuer: "https://ehr.example", keys_file: ${keys}}}
`);
  process.exit(0);
}

const secret = async (kid) => crypto.subtle.importKey('jwk', JSON.parse(readFileSync(join(folder, `${kid}.json`))), kinds[kid], false, ['sign']);
const about = await (await fetch(`${base}/.well-known/smart-configuration`)).json();

// client is openid-client for the token endpoint that the service names. SMART wants that endpoint as aud.
async function client(kid, id = 'ehr-backend', change = {}) {
  return new oauth.Configuration({ issuer: base, token_endpoint: about.token_endpoint }, id, undefined,
    oauth.PrivateKeyJwt({ key: await secret(kid), kid }, {
      [oauth.modifyAssertion]: (header, payload) => {
        header.typ = 'JWT';
        Object.assign(payload, { aud: about.token_endpoint }, change);
      },
    }));
}
const token = async (kid, scope, ...who) => oauth.clientCredentialsGrant(await client(kid, ...who), { scope });

await check('SMART: the discovery document names what Backend Services need', async () => {
  assert.deepEqual(about.grant_types_supported, ['client_credentials']);
  assert.deepEqual(about.token_endpoint_auth_methods_supported, ['private_key_jwt']);
  assert.ok(about.capabilities.includes('client-confidential-asymmetric'));
  assert.ok(about.token_endpoint.startsWith(`${base}/`));
  const statement = await (await fetch(`${base}/metadata`)).json();
  assert.equal(statement.rest[0].security.service[0].coding[0].code, 'SMART-on-FHIR');
});

for (const kid of Object.keys(kinds)) {
  await check(`openid-client: gets a token by private_key_jwt, signed with ${kid.toUpperCase()}384`, async () => {
    const got = await token(kid, 'system/Procedure.rs system/Patient.read');
    assert.equal(got.token_type, 'bearer');
    assert.equal(got.expires_in, 300);
    assert.equal(got.scope, 'system/Procedure.rs system/Patient.read');
  });
}

// refused is the OAuth error of a request that must fail.
async function refused(error, ...request) {
  await assert.rejects(token(...request), (e) => {
    assert.equal(e.error, error, `${e}: ${e.error_description}`);
    return true;
  });
}
await check('openid-client: is told invalid_scope for a type that the policy does not give', () => refused('invalid_scope', 'es', 'system/Observation.rs'));
await check('openid-client: is told invalid_client for a client that is not registered', () => refused('invalid_client', 'es', 'system/Patient.rs', 'nobody'));
await check('openid-client: is told invalid_client for an assertion that is used again', async () => {
  const jti = randomUUID();
  await token('es', 'system/Patient.rs', 'ehr-backend', { jti });
  await refused('invalid_client', 'es', 'system/Patient.rs', 'ehr-backend', { jti });
});

const read = (await token('es', 'system/Procedure.rs system/Patient.rs')).access_token;
const site = createServer(async (request, response) => {
  request.session = {};
  const answer = {};
  try {
    const fhir = smart(request, response).client({ serverUrl: base, tokenResponse: { access_token: read } });
    answer.patients = (await fhir.request('Patient', { pageLimit: 0, flat: true })).length;
    answer.procedures = (await fhir.request('Procedure?_include=Procedure:patient&_count=2', { pageLimit: 0, flat: true })).length;
    answer.refused = await fhir.request('Observation').then(() => 200, (e) => e.status);
  } catch (e) {
    answer.error = String(e);
  }
  response.end(JSON.stringify(answer));
});
await new Promise((resolve) => site.listen(0, '127.0.0.1', resolve));
await check('fhirclient: reads with the token, and nothing that its scopes leave out', async () => {
  const answer = await (await fetch(`http://127.0.0.1:${site.address().port}/`)).json();
  assert.equal(answer.error, undefined);
  assert.ok(answer.patients > 0 && answer.procedures > 2, JSON.stringify(answer));
  assert.equal(answer.refused, 403);
  return `${answer.patients} patients, ${answer.procedures} resources with their patients`;
});
site.close();

const get = async (path, bearer) => {
  const response = await fetch(`${base}/${path}`, bearer ? { headers: { authorization: `Bearer ${bearer}` } } : {});
  return { status: response.status, challenge: response.headers.get('www-authenticate'), text: await response.text() };
};
await check('FHIR: without a token 401, with one of other scopes 403, and neither tells what exists', async () => {
  const id = JSON.parse((await get('Patient', read)).text).entry[0].resource.id;
  const narrow = (await token('rs', 'system/Procedure.rs')).access_token;
  const there = await get(`Patient/${id}`, narrow);
  const none = await get('Patient/none', narrow);
  assert.deepEqual([there.status, there.challenge], [403, 'Bearer error="insufficient_scope"']);
  assert.deepEqual(none, there);
  assert.deepEqual(await get(`Patient/${id}`), await get('Patient/none'));
  const nobody = await get('Patient');
  assert.deepEqual([nobody.status, nobody.challenge], [401, 'Bearer']);
  assert.equal(JSON.parse(nobody.text).resourceType, 'OperationOutcome');
});

// call is a call of CDS Hooks with a JWT of the EHR for one address.
const hooks = base.replace(/\/fhir$/, '/cds-services');
async function call(aud) {
  const now = Math.floor(Date.now() / 1000);
  const part = (o) => Buffer.from(JSON.stringify(o)).toString('base64url');
  const text = `${part({ alg: 'ES384', typ: 'JWT', kid: 'es' })}.${part({ iss: 'https://ehr.example', aud, iat: now, exp: now + 60, jti: randomUUID() })}`;
  const signature = await crypto.subtle.sign(kinds.es, await secret('es'), Buffer.from(text));
  return `${text}.${Buffer.from(signature).toString('base64url')}`;
}
await check('CDS Hooks: the EHR is known by the JWT that it signs for each call', async () => {
  const ask = async (jwt) => (await fetch(hooks, jwt ? { headers: { authorization: `Bearer ${jwt}` } } : {})).status;
  const once = await call(hooks);
  assert.deepEqual([await ask(once), await ask(once), await ask(await call(`${hooks}/other`)), await ask(read), await ask()], [200, 401, 401, 401, 401]);
});
