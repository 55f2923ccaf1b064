// The API fuzzed with requests made from docs/openapi.json, valid and not: no answer may be a
// server error or contradict the description.
//
// node fuzz.mjs; EXAMPLES says how many requests an operation gets.

import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { layBench } from './bench.mjs';

const here = dirname(fileURLToPath(import.meta.url));
const bench = await layBench();
await bench.serve();
const switchHand = bench.standIn('printer=1/7');
// Something to ask about.
for (;;) {
  const { devices } = await (await fetch(`${bench.base}/api/devices`)).json();
  if (devices.some((device) => device.class)) break;
  await new Promise((resolve) => { setTimeout(resolve, 200); });
}
const fuzz = spawn(join(here, '.venv', 'bin', 'schemathesis'), [
  'run', join(here, '..', '..', 'docs', 'openapi.json'), '--url', bench.base,
  // An endless stream by its nature.
  '--exclude-path', '/api/live',
  '--max-examples', process.env.EXAMPLES ?? '40', '--seed', '1', '--no-color',
  // What is refused for other reasons than its form, such as an unknown class or entry.
  '--exclude-checks', 'positive_data_acceptance',
], { stdio: 'inherit', cwd: here });
const [code] = await once(fuzz, 'exit');
const alive = await fetch(`${bench.base}/healthz`).then((answer) => answer.ok, () => false);
await bench.stop(switchHand);
await bench.end();
console.log(alive && code === 0 ? '1 passed, 0 failed' : '0 passed, 1 failed');
process.exitCode = alive ? code : 1;
