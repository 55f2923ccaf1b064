// Starts the page: views, live entries, and what the parts share.

import { call, follow } from './api.js';
import { $, say } from './dom.js';
import * as exchange from './exchange.js';
import * as ports from './ports.js';
import * as roster from './roster.js';
import * as timeline from './timeline.js';
import * as trainer from './trainer.js';
import * as whatIf from './whatif.js';

const VIEWS = { bench: null, roster, 'what-if': whatIf, trainer };

/** What all parts know; changes of the bench come in by `refresh`. */
const board = {
  bench: null,
  /** Entries of the last moments, for whoever waits for one. */
  recent: [],
  waiting: new Set(),
  /** Calls `tell` with each entry from `after` on that `fits`; gives a function to stop. */
  watch(after, fits, tell) {
    const watcher = (entry) => entry.seq > after && fits(entry) && tell(entry);
    board.recent.forEach(watcher);
    board.waiting.add(watcher);
    return () => board.waiting.delete(watcher);
  },
  open: (seq) => exchange.open(seq),
  filter: (fields) => timeline.filter(fields),
  changed: () => ports.soon(),
};

const RECENT = 500;

function arrived(entries) {
  board.recent.push(...entries);
  board.recent.splice(0, Math.max(0, board.recent.length - RECENT));
  for (const entry of entries) board.waiting.forEach((watcher) => watcher(entry));
  timeline.add(entries);
  trainer.add(entries);
  if (entries.some((entry) => entry.port || entry.kind === 'desk')) ports.soon();
  const faults = entries.filter((entry) => entry.kind === 'fault' && /^(on|off|started|stopped)/.test(entry.verdict));
  if (faults.length) showFault(faults[faults.length - 1]);
}

function showFault(entry) {
  const banner = $('fault-banner');
  banner.hidden = /^(off|stopped)/.test(entry.verdict);
  say(banner, `A fault is on: ${entry.reason}`);
}

const STATES = {
  live: 'live',
  lost: 'connection lost, trying again',
  joining: 'joining',
};

function state(name) {
  const node = $('link-state');
  node.dataset.state = name;
  say(node, STATES[name]);
}

async function refresh() {
  board.bench = await call('/api/bench');
  say($('bench-name'), board.bench.name);
  document.title = `${board.bench.name} · portproof`;
  whatIf.bench(board.bench);
}

function route() {
  const [, name = 'bench', rest = ''] = location.hash.split('/');
  const view = name in VIEWS ? name : 'bench';
  for (const other of Object.keys(VIEWS)) $(`view-${other}`).hidden = other !== view;
  for (const link of document.querySelectorAll('nav a')) {
    if (link.hash === `#/${view}`) link.setAttribute('aria-current', 'page');
    else link.removeAttribute('aria-current');
  }
  VIEWS[view]?.show(rest);
  if (view !== 'trainer') trainer.leave();
  if (view === 'bench' && rest) exchange.open(Number(rest));
}

async function start() {
  for (const part of [ports, timeline, exchange, roster, whatIf, trainer]) part.start(board);
  await refresh();
  window.addEventListener('hashchange', route);
  route();
  ports.soon();
  const seen = await timeline.load();
  follow(seen ?? board.bench.last, {
    entries: arrived,
    state,
    anew: async () => {
      await refresh();
      board.recent.length = 0;
      await timeline.load();
      ports.soon();
    },
  });
}

async function begin() {
  try {
    await start();
  } catch (problem) {
    state('lost');
    say($('link-state'), problem.message);
    setTimeout(() => location.reload(), 5000);
  }
}

begin();
