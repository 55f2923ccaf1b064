// The board watched in a browser: the story of a new device, a bounce by button, a forgotten
// device, a lost connection, keyboard, narrow screens, accessibility.
//
// node check.mjs [--pictures FOLDER]; PORTPROOF names the program, CHROMIUM the browser.

import { mkdirSync, mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { createRequire } from 'node:module';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import assert from 'node:assert/strict';
import { chromium } from 'playwright-core';
import { layBench } from './bench.mjs';

const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const at = process.argv.indexOf('--pictures');
const pictures = at > 0 ? process.argv[at + 1] : null;
if (pictures) mkdirSync(pictures, { recursive: true });

// A wait for ever is a failure; no check asks for speed.
const LONG = Number(process.env.PATIENCE ?? 90000);

const bench = await layBench();
const profile = mkdtempSync(join(tmpdir(), 'portproof-browser-'));
const FLAGS = ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run',
  '--disable-background-networking', '--disable-component-update', '--disable-sync'];
const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium', headless: true, args: FLAGS,
});

let passed = 0;
let failed = 0;
const troubles = [];
let expectsRefusals = false;

async function step(name, check) {
  try {
    await check();
    passed += 1;
    console.log(`ok      ${name}`);
  } catch (error) {
    failed += 1;
    console.log(`FAILED  ${name}\n        ${String(error.stack ?? error).replaceAll('\n', '\n        ')}`);
  }
}

async function open(options = {}) {
  const context = await browser.newContext({ viewport: { width: 1360, height: 1000 }, colorScheme: 'light', ...options });
  context.setDefaultTimeout(LONG);
  const page = await context.newPage();
  page.on('console', (message) => {
    const refused = expectsRefusals && message.text().includes('Failed to load resource');
    if (['error', 'warning'].includes(message.type()) && !refused) troubles.push(message.text());
  });
  page.on('pageerror', (error) => troubles.push(error.message));
  page.on('request', (request) => {
    if (!request.url().startsWith(bench.base) && !request.url().startsWith('blob:')) troubles.push(`asked elsewhere: ${request.url()}`);
  });
  return page;
}

const picture = async (page, name) => pictures && page.screenshot({ path: join(pictures, `${name}.png`) });
const tile = (page, port) => page.locator('.port', { has: page.locator('.port-name', { hasText: new RegExp(`^${port}$`) }) });
const entry = (page, verdict) => page.locator('.entry', { has: page.locator('.verdict', { hasText: new RegExp(`^${verdict}$`) }) }).first();
const api = async (path) => (await fetch(bench.base + path)).json();
const isLive = (page) => page.waitForSelector('#link-state[data-state="live"]');

async function audit(page, name) {
  await page.evaluate(axe);
  const { violations } = await page.evaluate(() => window.axe.run({
    runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'],
  }));
  const told = violations.map(({ id, help, nodes }) => `${id}: ${help}: ${nodes.map((node) => node.html.slice(0, 160)).join(' | ')}`);
  assert.deepEqual(told, [], name);
}

let server = await bench.serve();
const page = await open();
let switchHand;

await step('the page opens and is live before anything happens', async () => {
  await page.goto(`${bench.base}/`);
  await isLive(page);
  assert.match(await page.title(), /lantern-quay/);
  await page.getByText('No port of it was heard of yet.').waitFor();
});

await step('a new printer is watched from holding to its class', async () => {
  switchHand = bench.standIn('printer=1/7');
  await page.locator('.port.is-held', { hasText: '1/7' }).waitFor();
  await picture(page, 'board-held');
  await tile(page, '1/7').locator('.class', { hasText: /^printer$/ }).waitFor();
  assert.equal(await page.locator('.port.is-held').count(), 0);
  const verdicts = await page.locator('.entry .verdict').allTextContents();
  const story = ['answered-accept', 'learnt', 'recognised', 'ordered', 'sent', 'acked', 'answered-accept'];
  const seen = verdicts.reverse();
  let from = 0;
  for (const verdict of story) {
    const found = seen.indexOf(verdict, from);
    assert.ok(found >= from, `${verdict} after ${seen.slice(0, from)} in ${seen}`);
    from = found + 1;
  }
});

await step('an exchange is drawn with attributes beside hex and the trace', async () => {
  await entry(page, 'recognised').click();
  await page.locator('.trace li.fits', { hasText: 'printer' }).waitFor();
  await entry(page, 'answered-accept').click();
  await page.locator('.arrow', { hasText: 'Access-Request' }).waitFor();
  assert.ok(await page.locator('.arrow.told', { hasText: 'port opens' }).count());
  const row = page.locator('.attributes tr', { hasText: 'NAS-Port-Id' });
  await row.hover();
  const lit = (await page.locator('.lit').allTextContents()).join('');
  assert.equal(lit, '5705312f37');
  await page.locator('.arrow.chosen', { hasText: 'Access-Accept' }).click();
  assert.match(await page.evaluate(() => document.activeElement.textContent), /Access-Accept/);
  await picture(page, 'board-exchange');
  await page.getByRole('button', { name: 'With what came before and after' }).click();
  await page.locator('.remark ~ .label', { hasText: 'recognised: printer' }).waitFor();
  await picture(page, 'board-story');
});

await step('the trainer plays the story step by step', async () => {
  await page.getByRole('link', { name: 'Trainer' }).click();
  await page.locator('#trainer-stage .newest').waitFor();
  const sentences = new Set();
  for (let n = 0; n < 200; n += 1) {
    sentences.add(await page.locator('#trainer-sentence').textContent());
    if (await page.locator('#trainer-next').isDisabled()) break;
    if ([...sentences].some((sentence) => sentence.includes('bounce')) && sentences.size === 8) await picture(page, 'board-trainer');
    await page.keyboard.press('ArrowRight');
  }
  const all = [...sentences].join('\n');
  for (const words of ['fits another row', 'asks the switch for a bounce', 'down and up again', 'answers nothing']) {
    assert.ok(all.includes(words), `${words}\n${all}`);
  }
  await page.keyboard.press('ArrowLeft');
  await page.locator('#main').focus();
  await page.keyboard.press('Space');
  await page.locator('#trainer-play[aria-pressed="true"]').waitFor();
  await page.keyboard.press('Space');
  await page.locator('#trainer-play[aria-pressed="false"]').waitFor();
});

await step('a bounce by button, with its caution and the answer as it arrives', async () => {
  await page.getByRole('link', { name: 'Ports and timeline' }).click();
  await tile(page, '1/7').click();
  const before = (await api('/api/sessions?live=true')).sessions[0].id;
  await page.getByRole('button', { name: 'bounce', exact: true }).click();
  await page.locator('#ask .caution', { hasText: 'power over Ethernet' }).waitFor();
  await picture(page, 'board-caution');
  await page.getByRole('button', { name: 'Leave it' }).click();
  assert.equal((await api('/api/entries?kind=change&limit=1')).entries[0].session, before - 1, 'nothing was sent');
  await page.getByRole('button', { name: 'bounce', exact: true }).click();
  await page.getByLabel('Why, for the journal').fill('shown to trainees');
  await page.getByRole('button', { name: 'Send the bounce' }).click();
  await page.locator('.answer li', { hasText: 'acked' }).waitFor();
  await picture(page, 'board-answer');
  const ordered = (await api('/api/entries?kind=change&verdict=ordered&limit=1')).entries[0];
  assert.equal(ordered.reason, 'shown to trainees');
  await page.waitForFunction((old) => fetch('/api/sessions?live=true').then((r) => r.json())
    .then(({ sessions }) => sessions.some(({ id }) => id > old)), before, { polling: 500 });
});

await step('a forgotten device is new again', async () => {
  await page.getByRole('link', { name: 'Roster' }).click();
  await page.getByLabel('Search').fill('lq-print');
  await page.locator('.devices tbody tr', { hasText: '02-1A-70-00-00-07' }).waitFor();
  await picture(page, 'board-roster');
  await page.getByRole('button', { name: 'Pin 02-1A-70-00-00-07', exact: true }).click();
  await page.locator('#ask select[name=class]').selectOption('till');
  await page.locator('#ask-yes').click();
  await page.getByText('pinned to till').waitFor();
  await page.getByRole('button', { name: 'Unpin 02-1A-70-00-00-07' }).click();
  await page.getByText('pinned to till').waitFor({ state: 'detached' });
  await page.getByRole('button', { name: 'Forget 02-1A-70-00-00-07' }).click();
  await page.locator('#ask-yes').click();
  await page.getByText('No device fits.').waitFor();
  switchHand.stdin.write('unplug printer\nplug printer 1/9\n');
  await page.getByRole('link', { name: 'Ports and timeline' }).click();
  await page.locator('.port.is-held', { hasText: '1/9' }).waitFor();
  await tile(page, '1/9').locator('.class', { hasText: /^printer$/ }).waitFor();
});

await step('a what-if decides and sends nothing', async () => {
  const { last } = await api('/api/bench');
  await page.locator('nav').getByRole('link', { name: 'What if' }).click();
  await page.locator('#what-if-form [name=mac]').fill('02:00:00:00:00:99');
  await page.locator('#what-if-form [name=vendor-class]').fill('lq-ticket/9');
  await page.getByRole('button', { name: 'Decide' }).click();
  await page.locator('#what-if-answer .headline', { hasText: 'ticket-printer, accepted' }).waitFor();
  await picture(page, 'board-what-if');
  const entries = await api(`/api/entries?after=${last}&mac=020000000099`);
  assert.deepEqual(entries.entries, []);
});

await step('over a lost connection no entry is lost', async () => {
  await page.getByRole('link', { name: 'Ports and timeline' }).click();
  await page.getByRole('button', { name: 'All', exact: true }).click();
  await page.locator('.entry').first().waitFor();
  await page.evaluate(() => {
    window.seen = [];
    new MutationObserver((changes) => changes.forEach((change) => change.addedNodes.forEach((node) => {
      const seq = node.querySelector?.('.entry')?.dataset.seq;
      if (seq) window.seen.push(Number(seq));
    }))).observe(document.querySelector('#timeline-list'), { childList: true });
  });
  const { last: before } = await api('/api/bench');
  expectsRefusals = true;
  await bench.stop(server);
  await page.waitForSelector('#link-state[data-state="lost"]');
  await picture(page, 'board-lost');
  // While nobody serves, things are done to the state file.
  for (let n = 0; n < 12; n += 1) await bench.run('roster', 'pin', '02-00-00-00-00-77', n % 2 ? 'till' : 'printer');
  server = await bench.serve();
  await isLive(page);
  expectsRefusals = false;
  await bench.run('roster', 'forget', '02-00-00-00-00-77');
  const { last } = await api('/api/bench');
  await page.waitForFunction((newest) => window.seen.includes(newest), last);
  const seen = await page.evaluate(() => [...new Set(window.seen)].sort((a, b) => a - b));
  const expected = Array.from({ length: last - before }, (_, n) => before + 1 + n);
  assert.deepEqual(seen.filter((seq) => seq > before && seq <= last), expected);
});

await step('a burst of thousands stays bounded and ends at the newest', async () => {
  const mac = (n) => `02-00-01-00-${(n >> 8).toString(16).padStart(2, '0')}-${(n & 255).toString(16).padStart(2, '0')}`;
  const devices = Array.from({ length: 3000 }, (_, n) => ({ mac: mac(n), sightings: { 'host-name': `office-${n}` } }));
  await bench.run('roster', 'import', bench.file('many.json', JSON.stringify(devices)));
  const { last } = await api('/api/bench');
  await page.waitForFunction((newest) => Number(document.querySelector('.entry')?.dataset.seq) >= newest, last);
  const rows = await page.locator('.entry').count();
  assert.ok(rows > 50 && rows <= 300, `${rows} rows`);
  assert.equal((await api('/api/devices?search=office-2999')).devices.length, 1);
});

await step('everything goes by keyboard', async () => {
  await page.goto(`${bench.base}/#/bench`);
  await page.reload();
  await isLive(page);
  await page.locator('.port').first().waitFor();
  await page.keyboard.press('Tab');
  assert.equal(await page.evaluate(() => document.activeElement.textContent), 'Skip to the content');
  await page.locator('.entry').first().focus();
  await page.keyboard.press('ArrowDown');
  await page.keyboard.press('ArrowDown');
  await page.keyboard.press('ArrowUp');
  const row = await page.evaluate(() => [...document.querySelectorAll('.entry')].indexOf(document.activeElement));
  assert.equal(row, 1);
  await page.keyboard.press('Enter');
  await page.locator('#exchange-body .head').waitFor();
  await tile(page, '1/9').focus();
  await page.keyboard.press('Enter');
  await page.locator('.panel').waitFor();
  await page.getByRole('button', { name: 'reauth', exact: true }).focus();
  await page.keyboard.press('Enter');
  await page.locator('#ask[open]').waitFor();
  await page.keyboard.press('Escape');
  await page.locator('#ask[open]').waitFor({ state: 'detached' });
  assert.equal(await page.evaluate(() => document.activeElement.textContent), 'reauth');
});

for (const [scheme, viewport] of [['light', { width: 1360, height: 1000 }], ['dark', { width: 1360, height: 1000 }], ['light', { width: 360, height: 740 }]]) {
  const name = `${scheme}, ${viewport.width} wide`;
  await step(`the audit finds nothing: ${name}`, async () => {
    // Only so that the audit itself may be put into the page.
    const seen = await open({ colorScheme: scheme, viewport, bypassCSP: true });
    await seen.goto(`${bench.base}/#/bench`);
    await isLive(seen);
    await tile(seen, '1/9').click();
    await seen.locator('.panel').waitFor();
    await entry(seen, 'answered-accept').click();
    await seen.locator('.drawing').waitFor();
    await audit(seen, 'bench');
    await picture(seen, `board-${scheme}-${viewport.width}`);
    await seen.getByRole('button', { name: 'bounce', exact: true }).click();
    await audit(seen, 'caution');
    await seen.keyboard.press('Escape');
    for (const view of ['roster', 'what-if', 'trainer']) {
      await seen.goto(`${bench.base}/#/${view}`);
      await seen.locator({ roster: '.devices tbody tr', 'what-if': '#what-if-form', trainer: '#trainer-stage .newest' }[view]).first().waitFor();
      await audit(seen, view);
      const wide = await seen.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
      assert.ok(wide <= 0, `${view} is ${wide} wider than the screen`);
      if (viewport.width < 400) await picture(seen, `board-narrow-${view}`);
    }
    await seen.context().close();
  });
}

await step('no error in the console, and nothing asked elsewhere', async () => assert.deepEqual(troubles, []));

await browser.close();
rmSync(profile, { recursive: true });
await bench.end();
console.log(`\n${passed} passed, ${failed} failed`);
process.exitCode = failed ? 1 : 0;
