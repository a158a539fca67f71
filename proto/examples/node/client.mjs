// Posts messages from Node: reads the schema where it lies, posts, reads the answer, and takes a
// refusal apart. Unit, patient and staff are invented. To try it:
//
//   bin/cannulary serve --data ./data
//   cd proto/examples/node && npm ci && node client.mjs 127.0.0.1:7450
//
// Over mutual TLS: node client.mjs ADDRESS CA CERTIFICATE KEY, the last three PEM files.
import { readFileSync } from 'node:fs';
import { isDeepStrictEqual } from 'node:util';
import { fileURLToPath } from 'node:url';
import grpc from '@grpc/grpc-js';
import loader from '@grpc/proto-loader';

// --- the schema, without generated code ---

const options = {
  includeDirs: [fileURLToPath(new URL('../..', import.meta.url))], // the folder proto/
  keepCase: true, // field names as in the schema
  enums: String, // enum values by name
  longs: String, // 64-bit numbers whole
};
const schema = loader.loadSync('cannulary/v1/feed.proto', options);
const { cannulary } = grpc.loadPackageDefinition(schema);

// How gRPC packs the details of an error (google.rpc.Status and BadRequest), as far as read here.
const { Status, BadRequest } = loader.fromJSON({
  nested: {
    Status: { fields: { details: { rule: 'repeated', type: 'Any', id: 3 } } },
    Any: { fields: { type_url: { type: 'string', id: 1 }, value: { type: 'bytes', id: 2 } } },
    BadRequest: { fields: { field_violations: { rule: 'repeated', type: 'Violation', id: 1 } } },
    Violation: {
      fields: { field: { type: 'string', id: 1 }, description: { type: 'string', id: 2 }, reason: { type: 'string', id: 3 } },
    },
  },
}, options);

// --- posting ---

// post calls one method and gives its answer. An error is a gRPC status.
function post(client, method, message) {
  const { requestType } = client[method];
  const lost = dropped(message, requestType.deserialize(requestType.serialize(message)));
  if (lost) throw new Error(`the schema has no ${lost}, or it holds what the field cannot take; nothing was sent`);
  return new Promise((resolve, reject) => {
    const deadline = new Date(Date.now() + 10_000);
    client[method](message, { deadline }, (error, answer) => (error ? reject(error) : resolve(answer)));
  });
}

// dropped names what the library would leave out without a word: a field or enum value whose
// name is misspelt never reaches the service, which therefore cannot refuse it.
function dropped(sent, kept, path = '') {
  if (sent === null || typeof sent !== 'object') return sent && !isDeepStrictEqual(sent, kept) ? path : '';
  for (const [name, value] of Object.entries(sent)) {
    const lost = dropped(value, kept?.[name], Array.isArray(sent) ? `${path}[${name}]` : path ? `${path}.${name}` : name);
    if (lost) return lost;
  }
  return '';
}

// violations lists the fields that a refusal names.
function violations(error) {
  const packed = error.metadata?.get('grpc-status-details-bin')[0];
  if (!packed) return [];
  return (Status.deserialize(packed).details ?? [])
    .filter((d) => d.type_url.endsWith('/google.rpc.BadRequest'))
    .flatMap((d) => BadRequest.deserialize(d.value).field_violations ?? []);
}

// What goes away by itself is sent again later, the same message under the same id. All other
// refusals are set aside for a person. See proto/README.md, section 7.
const passing = ['UNAVAILABLE', 'DEADLINE_EXCEEDED', 'CANCELLED', 'RESOURCE_EXHAUSTED', 'INTERNAL'];

async function show(what, client, method, message) {
  try {
    const answer = await post(client, method, message);
    console.log(`${what}: ${answer.duplicate ? 'known already' : 'accepted'}, event ${answer.event_id}, token ${answer.token}`);
    for (const notice of answer.notices ?? []) console.log(`  notice: ${notice}`);
  } catch (error) {
    const name = grpc.status[error.code];
    if (!name) throw error;
    console.log(`${what}: ${name}, ${passing.includes(name) ? 'send it again later' : 'set it aside'}: ${error.details}`);
    for (const v of violations(error)) console.log(`  ${v.field}: ${v.description} (${v.reason})`);
  }
}

// --- messages ---

const staff = (value) => ({ system: 'https://unit-east.example/staff', value });

// envelope: the id comes from the source message, never from a clock; a resend is then known.
const envelope = (id, time) => ({
  source: 'engine-node',
  source_message_id: id,
  facility: 'invented-east',
  occurred_at: { seconds: String(Date.parse(time) / 1000) },
  precision: 'TIME_PRECISION_MINUTE',
});

const registration = {
  envelope: envelope('N-1', '2025-03-03T06:00:00Z'),
  facts: [{
    facility_registered: {
      name: 'Invented Unit East', time_zone: 'Europe/Lisbon', dialysis_days: ['WEEKDAY_MONDAY', 'WEEKDAY_FRIDAY'],
    },
  }],
};

const needling = (id, gauge) => ({
  envelope: {
    ...envelope(id, '2025-03-03T07:10:00Z'),
    patient: { system: 'https://hospital.example/patient-number', value: 'INV-0100' },
    session: { system: 'https://unit-east.example/treatment', value: 'T-1' },
    recorder: staff('S-1'),
  },
  facts: [{
    needle_inserted: {
      track: 'A1', access: 'F1', role: 'NEEDLE_ROLE_ARTERIAL', attempt_ordinal: 1, tip: 'NEEDLE_TIP_SHARP',
      gauge, angle_degrees: 25, cannulator: staff('S-1'), outcome: 'INSERTION_OUTCOME_SUCCESSFUL',
    },
  }],
});

const [address = '127.0.0.1:7450', ca, certificate, key] = process.argv.slice(2);
const secured = ca && grpc.credentials.createSsl(...[ca, key, certificate].map((file) => readFileSync(file)));
const roster = new cannulary.v1.RosterService(address, secured ?? grpc.credentials.createInsecure());
const cannulation = new cannulary.v1.CannulationService(address, secured ?? grpc.credentials.createInsecure());

await show('the unit', roster, 'RecordRoster', registration);
await show('a needle', cannulation, 'RecordCannulation', needling('N-2', 15));
await show('the same again', cannulation, 'RecordCannulation', needling('N-2', 15));
await show('a needle of gauge 3', cannulation, 'RecordCannulation', needling('N-3', 3));
try {
  const message = needling('N-4', 15);
  message.facts[0].needle_inserted.guage = 16;
  await post(cannulation, 'RecordCannulation', message);
} catch (error) {
  console.log(`a misspelt field: ${error.message}`);
}
roster.close();
cannulation.close();
