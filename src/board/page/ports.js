// Each switch as its ports in a row, and the panel of the port that was picked.

import { call } from './api.js';
import { orderChange } from './exchange.js';
import { $, el, say, silentMark, span } from './dom.js';

let board;
let switches = [];
let picked = null;
const tiles = new Map();

export function start(shared) {
  board = shared;
  setInterval(() => document.hidden || tick(), 1000);
}

let due = false;
const LEAST_PAUSE = 700;

/** Looks at the ports again, not more often than an eye needs. */
export function soon() {
  if (due) return;
  due = true;
  setTimeout(async () => {
    try {
      switches = await call('/api/ports');
      draw();
    } catch {
      // The connection's own state says so; the next entry asks again.
    }
    due = false;
  }, switches.length ? LEAST_PAUSE : 0);
}

const key = (name, port) => `${name}\n${port}`;

function draw() {
  const rows = $('switch-rows');
  const names = switches.map((row) => row.name);
  const known = [...rows.children].map((row) => row.dataset.name);
  if (names.join('\n') !== known.join('\n')) {
    tiles.clear();
    rows.replaceChildren(...switches.map(switchRow));
  }
  switches.forEach((row, at) => {
    const place = rows.children[at].querySelector('.ports');
    const wanted = row.ports.map((port) => key(row.name, port.port));
    const present = [...place.querySelectorAll('.port')].map((tile) => tile.dataset.key);
    if (wanted.join('\0') !== present.join('\0')) {
      const focused = document.activeElement?.dataset?.key;
      place.replaceChildren(...row.ports.map((port) => el('li', {}, tileOf(row, port))));
      if (focused && wanted.includes(focused)) tiles.get(focused).focus();
    }
    row.ports.forEach((port) => fillTile(tileOf(row, port), port));
    const empty = rows.children[at].querySelector('.empty');
    empty.hidden = row.ports.length > 0;
  });
  drawPanel();
}

function switchRow(row) {
  const about = row.address ? `${row.address}, dialect ${row.dialect}` : 'no longer in the bench file';
  return el('section', { class: 'switch', 'data-name': row.name, 'aria-label': `Switch ${row.name}` },
    el('h3', {}, row.name, ' ', el('span', { class: 'quiet' }, about)),
    el('ul', { class: 'ports' }),
    el('p', { class: 'empty quiet' }, 'No port of it was heard of yet.'));
}

function tileOf(row, port) {
  const name = key(row.name, port.port);
  let tile = tiles.get(name);
  if (!tile) {
    tile = el('button', { type: 'button', class: 'port', 'data-key': name, 'aria-expanded': 'false',
      onclick: () => pick(picked === name ? null : name) });
    tiles.set(name, tile);
  }
  return tile;
}

/** What is up with a port, in one or two words. */
function condition(port) {
  if (port.changing) return ['changing', `${port.changing.change ?? 'change'} ${port.changing.verdict}`];
  if (port.trouble) return ['trouble', troubleWord(port.trouble)];
  if (port.held) return ['held', 'held'];
  return port.sessions.length ? ['fine', ''] : ['empty', 'no session'];
}

function troubleWord(entry) {
  const { verdict, change } = entry;
  if (verdict.startsWith('answered-reject')) return 'rejected';
  if (verdict.startsWith('dropped')) return 'not answered';
  if (verdict.startsWith('nak')) return `${change ?? 'change'} refused`;
  if (verdict === 'gave-up') return `${change ?? 'change'} unanswered`;
  return verdict;
}

function fillTile(tile, port) {
  const [state, word] = condition(port);
  const shape = JSON.stringify([port, state]);
  if (tile.dataset.shape === shape) return;
  tile.dataset.shape = shape;
  tile.className = `port is-${state}`;
  const devices = port.sessions.map((session) => el('span', { class: 'device' },
    el('span', { class: 'class' }, session.class || 'not admitted here'),
    el('span', { class: 'who' }, session.identity ?? session.mac ?? ''),
    el('span', { class: 'how' }, session.method, ' · ',
      el('span', { class: 'age', 'data-from': session.accepted }, span(Date.now() - new Date(session.accepted))))));
  tile.replaceChildren(
    el('span', { class: 'port-name' }, port.port),
    word ? el('span', { class: 'state' }, state === 'trouble' ? silentMark('trouble') : null, word) : '',
    ...devices,
  );
}

function tick() {
  for (const age of document.querySelectorAll('.age')) {
    say(age, span(Date.now() - new Date(age.dataset.from)));
  }
}

function pick(name) {
  if (picked) tiles.get(picked)?.setAttribute('aria-expanded', 'false');
  picked = name;
  if (picked) tiles.get(picked)?.setAttribute('aria-expanded', 'true');
  drawPanel();
  const [, port] = (name ?? '\n').split('\n');
  board.filter({ port });
}

let panelShape = '';

function drawPanel() {
  const [name, portName] = (picked ?? '\n').split('\n');
  const row = switches.find((other) => other.name === name);
  const port = row?.ports.find((other) => other.port === portName);
  const shape = JSON.stringify([port, row?.changes]);
  if (shape === panelShape) return;
  panelShape = shape;
  const panel = $('port-panel');
  if (!port) {
    panel.replaceChildren();
    return;
  }
  const trouble = port.trouble && el('p', { class: 'trouble-line' }, silentMark('trouble'),
    `${troubleWord(port.trouble)}: ${port.trouble.reason} `,
    el('button', { type: 'button', onclick: () => board.open(port.trouble.seq) }, 'Show the exchange'));
  panel.replaceChildren(el('section', { class: 'panel', 'aria-label': `Port ${port.port} of ${row.name}` },
    el('div', { class: 'bar' },
      el('h3', {}, `Port ${port.port} of ${row.name}`),
      el('button', { type: 'button', onclick: () => { const tile = tiles.get(picked); pick(null); tile?.focus(); } }, 'Close')),
    trouble ?? '',
    port.sessions.length ? port.sessions.map((session) => sessionCard(session, row.changes))
      : el('p', { class: 'quiet' }, 'No live session on this port.')));
  if (board.answer?.at === picked) panel.append(board.answer.box);
}

function sessionCard(session, changes) {
  const facts = [['class', session.class || 'not admitted here'], ['device', session.mac],
    ['identity', session.identity], ['method', session.method], ['session', String(session.id)],
    ['Acct-Session-Id', session.acct_session_id], ['switch address', session.address],
    ['accepted', new Date(session.accepted).toLocaleString()]];
  return el('div', { class: 'session' },
    el('dl', { class: 'facts' }, facts.filter(([, value]) => value)
      .map(([name, value]) => el('div', {}, el('dt', {}, name), el('dd', {}, value)))),
    el('div', { class: 'buttons', role: 'group', 'aria-label': `Changes of session ${session.id}` },
      changes.map((change) => el('button', { type: 'button', onclick: () => orderChange(change, session) }, change))));
}
