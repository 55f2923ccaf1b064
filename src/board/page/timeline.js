// The live timeline: newest first, bounded, drawn in batches.

import { call, download } from './api.js';
import { $, clock, el, mark, say } from './dom.js';

const KINDS = ['access', 'accounting', 'status', 'dropped', 'repeat', 'sighting', 'recognition',
  'change', 'session', 'desk', 'fault'];
// More rows than this are never in the page.
const MOST = 300;

let board;
let wanted = {};
let pending = [];
let dropped = 0;
let paused = false;
let drawing = false;
let older = null;
let loads = 0;

export function start(shared) {
  board = shared;
  const form = $('timeline-filter');
  form.elements.kind.append(...KINDS.map((kind) => el('option', {}, kind)));
  form.addEventListener('submit', (event) => {
    event.preventDefault();
    apply(Object.fromEntries(new FormData(form)));
  });
  form.addEventListener('reset', () => apply({}));
  $('timeline-pause').addEventListener('click', () => {
    paused = !paused;
    $('timeline-pause').setAttribute('aria-pressed', String(paused));
    say($('timeline-pause'), paused ? 'Go on' : 'Pause');
    draw();
  });
  $('timeline-new').addEventListener('click', () => {
    $('timeline-scroll').scrollTop = 0;
    if (paused) $('timeline-pause').click();
    draw();
  });
  $('timeline-scroll').addEventListener('scroll', () => isHeld() || schedule(), { passive: true });
  $('timeline-older').addEventListener('click', loadOlder);
  $('timeline-list').addEventListener('click', (event) => {
    const row = event.target.closest('.entry');
    if (row) pick(row);
  });
  $('timeline-list').addEventListener('keydown', steer);
  $('capture-link').addEventListener('click', (event) => {
    event.preventDefault();
    download(event.target.href, 'portproof.pcapng').catch((problem) => say($('timeline-status'), problem.message));
  });
  setInterval(tell, 4000);
}

/** Shows only what fits; empty fields are left out. */
export function filter(fields) {
  const form = $('timeline-filter');
  form.reset();
  for (const [name, value] of Object.entries(fields)) form.elements[name].value = value ?? '';
  apply(fields);
}

function apply(fields) {
  wanted = Object.fromEntries(Object.entries(fields)
    .map(([name, value]) => [name, String(value ?? '').trim()])
    .filter(([, value]) => value));
  const query = new URLSearchParams(wanted);
  $('capture-link').href = `/api/capture.pcapng?${query}`;
  load();
}

/** The newest page; gives the number up to which the journal was read. */
export async function load() {
  const query = new URLSearchParams({ ...wanted, limit: 100 });
  pending = [];
  loads += 1;
  const mine = loads;
  try {
    const seen = board.bench?.last ?? 0;
    const page = await call(`/api/entries?${query}`);
    // Somebody has asked for something else in the meantime, and that is shown.
    if (mine !== loads) return seen;
    $('timeline-list').replaceChildren(...page.entries.map(row));
    older = page.more ? page.entries[page.entries.length - 1].seq : null;
    $('timeline-older').hidden = !older;
    say($('timeline-status'), page.entries.length ? '' : 'Nothing fits yet.');
    return Math.max(seen, page.entries[0]?.seq ?? 0);
  } catch (problem) {
    say($('timeline-status'), problem.message);
    return null;
  }
}

async function loadOlder() {
  const query = new URLSearchParams({ ...wanted, limit: 100, before: older });
  const page = await call(`/api/entries?${query}`);
  const list = $('timeline-list');
  list.append(...page.entries.map(row));
  // Going back makes room at the front: the newest come again when one returns to the top.
  while (list.children.length > MOST * 2) list.firstElementChild.remove();
  older = page.more ? page.entries[page.entries.length - 1].seq : null;
  $('timeline-older').hidden = !older;
}

/** Entries as they arrive, oldest first. */
export function add(entries) {
  pending.push(...entries.filter(fits));
  if (pending.length > MOST) {
    dropped += pending.length - MOST;
    pending.splice(0, pending.length - MOST);
  }
  schedule();
}

function fits(entry) {
  return Object.entries(wanted).every(([name, value]) => {
    const found = entry[name] ?? '';
    if (name === 'mac') return bare(found) === bare(value);
    if (name === 'verdict' && value.endsWith('*')) return found.startsWith(value.slice(0, -1));
    return String(found) === value;
  });
}

const bare = (mac) => mac.toLowerCase().replace(/[^0-9a-f]/g, '');

/** Held still while somebody reads further down, or asked for it. */
const isHeld = () => paused || $('timeline-scroll').scrollTop > 8;

function schedule() {
  if (drawing) return;
  drawing = true;
  requestAnimationFrame(() => {
    drawing = false;
    draw();
  });
}

function draw() {
  const button = $('timeline-new');
  const waiting = pending.length + dropped;
  button.hidden = !(isHeld() && waiting);
  if (isHeld()) {
    say(button, `${waiting} new: show`);
    return;
  }
  if (!pending.length) return;
  const list = $('timeline-list');
  const fragment = document.createDocumentFragment();
  for (let at = pending.length - 1; at >= 0; at -= 1) fragment.append(row(pending[at]));
  counted += pending.length + dropped;
  pending = [];
  if (dropped) {
    // What was skipped lies between: the rows below would not follow on.
    list.replaceChildren();
    dropped = 0;
  }
  list.prepend(fragment);
  const kept = document.activeElement?.closest?.('.entry')?.parentElement;
  while (list.children.length > MOST && list.lastElementChild !== kept) list.lastElementChild.remove();
  older = Number(list.lastElementChild.firstElementChild.dataset.seq);
  $('timeline-older').hidden = older <= 1;
}

let counted = 0;

/** Now and then, for those who do not see the rows come in. */
function tell() {
  if (!counted) return;
  say($('timeline-status'), counted === 1 ? 'one new entry' : `${counted} new entries`);
  counted = 0;
}

function row(entry) {
  const who = entry.identity ?? entry.mac;
  const kind = entry.change ? `${entry.kind} ${entry.change}` : entry.kind;
  const part = (name, text) => (text ? el('span', { class: name }, text) : null);
  return el('li', {}, el('button', { type: 'button', class: `entry mark-is-${entry.mark}`, 'data-seq': entry.seq },
    part('at', clock(entry.at)),
    mark(entry.mark),
    el('span', { class: 'what' }, part('verdict', entry.verdict), part('where', entry.port), part('who', who), part('class', entry.class)),
    part('kind', kind),
    el('span', { class: 'reason' }, entry.reason, part('breach', entry.breach && ` breaks ${entry.breach}`))));
}

function pick(button) {
  document.querySelector('.entry[aria-current]')?.removeAttribute('aria-current');
  button.setAttribute('aria-current', 'true');
  board.open(Number(button.dataset.seq));
}

function steer(event) {
  const move = { ArrowDown: 'nextElementSibling', ArrowUp: 'previousElementSibling' }[event.key];
  const item = event.target.closest('.entry')?.parentElement;
  if (!move || !item?.[move]) return;
  event.preventDefault();
  item[move].firstElementChild.focus();
}
