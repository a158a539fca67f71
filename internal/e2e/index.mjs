// The search index of a view, as internal/e2e/index writes it.
import assert from 'node:assert/strict';
import { spawn } from 'node:child_process';
import { createInterface } from 'node:readline';

// readIndex answers index, the set of values of each "Type/id param", and the time zone of
// each facility.
export async function readIndex(command, folder) {
  const index = new Map();
  const facility = new Map();
  let values = 0;
  const child = spawn(command, [folder], { stdio: ['ignore', 'pipe', 'inherit'] });
  const ended = new Promise((resolve) => child.on('close', resolve));
  for await (const text of createInterface({ input: child.stdout })) {
    const l = JSON.parse(text);
    if (l.kind === 'facility') {
      facility.set(l.id, l.zone);
      continue;
    }
    values++;
    const at = `${l.type}/${l.id} ${l.param}`;
    if (!index.has(at)) index.set(at, new Set());
    index.get(at).add(show(l.kind, { ...l, low: l.low ?? -Infinity, high: l.high ?? Infinity, localLow: l.localLow ?? -Infinity, localHigh: l.localHigh ?? Infinity }));
  }
  const code = await ended;
  assert.equal(code, 0, `${command} ended with code ${code}`);
  return { index, facility, values };
}

// show writes a value as one text; values are compared by it.
export function show(kind, v) {
  switch (kind) {
    case 'token': return `${v.system}|${v.code}`;
    case 'reference': return v.target;
    case 'quantity': return `${v.value}|${v.system}|${v.code}`;
    case 'string': case 'uri': return v.text;
    case 'date': return `[${moment(v.low)}, ${moment(v.high)}) shown as [${moment(v.localLow)}, ${moment(v.localHigh)})`;
  }
  assert.fail(`a value of kind ${kind}`);
}

const moment = (ms) => (Number.isFinite(ms) ? new Date(ms).toISOString() : String(ms));
