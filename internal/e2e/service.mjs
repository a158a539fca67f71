// Starts services of its own and feeds them.
import assert from 'node:assert/strict';
import { spawn } from 'node:child_process';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';

// serve starts a service on free ports over an empty folder. stop ends it, removes the
// folder and fails if it did not end cleanly.
export async function serve(cannulary) {
  const folder = mkdtempSync(join(tmpdir(), 'cannulary-e2e-pull.'));
  const child = spawn(cannulary, ['serve', '--data', folder, '--grpc', '127.0.0.1:0', '--http', '127.0.0.1:0'], { stdio: ['ignore', 'pipe', 'pipe'] });
  let log = '';
  child.stderr.on('data', (d) => (log += d));
  const ended = new Promise((resolve) => child.on('close', resolve));
  const ready = await new Promise((resolve, reject) => {
    let out = '';
    child.stdout.on('data', (d) => {
      out += d;
      if (out.includes('\n')) resolve(JSON.parse(out));
    });
    ended.then((code) => reject(new Error(`the service ended with code ${code}: ${log.slice(-500)}`)));
  });
  return {
    base: `${ready.http}/fhir`,
    grpc: ready.grpc,
    metrics: `${ready.http}/metrics`,
    async stop() {
      child.kill();
      const code = await ended;
      rmSync(folder, { recursive: true, force: true });
      assert.equal(code, 0, `the service ended with code ${code}: ${log.slice(-500)}`);
    },
  };
}

// simulate posts a feed; done resolves to its exit code and closing line.
export function simulate(cannulary, grpc, args) {
  const child = spawn(cannulary, ['simulate', '--grpc', grpc, ...args], { stdio: ['ignore', 'pipe', 'ignore'] });
  let out = '';
  child.stdout.on('data', (d) => (out += d));
  return new Promise((resolve) => child.on('close', (code) => resolve({ code, tally: out ? JSON.parse(out) : undefined })));
}

// progress tells by the service's own measures how long the log is and how far the view is.
export async function progress(metrics) {
  const text = await (await fetch(metrics)).text();
  const number = (name) => Number(text.split('\n').find((l) => l.startsWith(`${name} `))?.split(' ')[1]);
  const log = number('cannulary_log_last_sequence');
  const view = number('cannulary_projector_sequence{projector="view"}');
  assert.ok(log >= 0 && view >= 0, 'the metrics do not tell how far the view is');
  return { log, view, caughtUp: view >= log };
}
