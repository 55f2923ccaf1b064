// A bench and a stand-in on free ports of loopback, from the files in lab/.

import { spawn, execFile } from 'node:child_process';
import { createSocket } from 'node:dgram';
import { once } from 'node:events';
import { cpSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { createServer } from 'node:net';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { promisify } from 'node:util';

const root = join(dirname(fileURLToPath(import.meta.url)), '..', '..');
const program = process.env.PORTPROOF ?? join(root, 'target', 'debug', 'portproof');

async function freeUdp() {
  const socket = createSocket('udp4').bind(0, '127.0.0.1');
  await once(socket, 'listening');
  const { port } = socket.address();
  socket.close();
  await once(socket, 'close');
  return port;
}

async function freeTcp() {
  const server = createServer().listen(0, '127.0.0.1');
  await once(server, 'listening');
  const { port } = server.address();
  server.close();
  await once(server, 'close');
  return port;
}

/** Lays out the files and returns what starts and stops things. */
export async function layBench() {
  const folder = mkdtempSync(join(tmpdir(), 'portproof-board-'));
  for (const name of ['lab', 'profiles']) cpSync(join(root, name), join(folder, name), { recursive: true });
  const ports = { 1812: await freeUdp(), 1813: await freeUdp(), 6767: await freeUdp(), 8312: await freeTcp() };
  const change = await freeUdp();
  const bench = join(folder, 'lab', 'lantern-quay.yaml');
  const standIn = join(folder, 'lab', 'stand-ins', 'quay-1.yaml');
  for (const file of [bench, standIn]) {
    let text = readFileSync(file, 'utf8');
    for (const [old, port] of Object.entries(ports)) text = text.replaceAll(`127.0.0.1:${old}`, `127.0.0.1:${port}`);
    text = text.replace('dialect: enterprise-9', `dialect: enterprise-9\n    change-port: ${change}`);
    writeFileSync(file, file === standIn ? `${text}\nchanges: { port: ${change} }\n` : text);
  }
  const started = [];
  const start = (...words) => {
    const child = spawn(program, words, { stdio: ['pipe', 'pipe', 'pipe'] });
    child.said = '';
    child.stdout.on('data', (data) => { child.said += data; });
    child.stderr.on('data', (data) => { child.said += data; });
    started.push(child);
    return child;
  };
  return {
    base: `http://127.0.0.1:${ports[8312]}`,
    async serve() {
      const child = start('serve', '--quiet', bench);
      while (!child.said.includes('bench tool')) {
        if (child.exitCode !== null) throw new Error(`serve ended: ${child.said}`);
        await new Promise((resolve) => { setTimeout(resolve, 20); });
      }
      return child;
    },
    standIn: (...plugs) => start('stand-in', standIn, ...plugs.flatMap((plug) => ['--plug', plug])),
    run: async (...words) => (await promisify(execFile)(program, words, { env: { ...process.env, PORTPROOF_BENCH: bench } })).stdout,
    file(name, text) {
      writeFileSync(join(folder, name), text);
      return join(folder, name);
    },
    async stop(child) {
      if (child.exitCode === null && child.signalCode === null) {
        child.kill('SIGTERM');
        await once(child, 'exit');
      }
    },
    async end() {
      for (const child of started) await this.stop(child);
      rmSync(folder, { recursive: true });
    },
  };
}
