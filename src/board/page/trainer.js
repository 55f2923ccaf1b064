// Drawing an exchange as a sequence, and showing it to trainees step by step.

import { call } from './api.js';
import { $, el, say, since, svg } from './dom.js';

const PARTIES = { device: 'Device', switch: 'Switch', portproof: 'portproof' };
const COLUMNS = Object.keys(PARTIES);

/**
 * The arrows between device, switch and portproof. `pick` is called with a step that was chosen;
 * `large` draws for the back row of a classroom; `upto` draws only so many.
 */
export function sequence(steps, { first, pick, large = false, upto = steps.length }) {
  const box = el('div', { class: large ? 'sequence large' : 'sequence' });
  const draw = () => box.replaceChildren(picture(steps.slice(0, upto), first, pick, large, box.clientWidth || 640));
  // The width is known once it is in the page.
  new ResizeObserver(draw).observe(box);
  return box;
}

function picture(steps, first, pick, large, width) {
  const size = large ? Math.max(14, Math.min(24, width / 42)) : 14;
  const row = size * 3.3;
  const gutter = width < 560 ? 0 : size * 5;
  const edge = Math.min(width * 0.13, size * 5);
  const right = width - edge;
  const left = gutter + edge;
  const x = Object.fromEntries(COLUMNS.map((party, at) => [party, left + ((right - left) * at) / 2]));
  const top = size * 2.6;
  const height = top + steps.length * row + size;
  const drawing = svg('svg', { class: 'drawing', width, height, viewBox: `0 0 ${width} ${height}`, role: 'group', 'aria-label': 'Exchange between device, switch and portproof' });
  for (const party of COLUMNS) {
    drawing.append(
      svg('text', { class: 'party', x: x[party], y: size * 1.4, 'font-size': size * 1.1 }, PARTIES[party]),
      svg('line', { class: 'life', x1: x[party], x2: x[party], y1: top - size * 0.7, y2: height }));
  }
  steps.forEach((step, at) => {
    const y = top + at * row + row * 0.62;
    drawing.append(arrow(step, { y, x, size, width, gutter, first, pick, last: large && at === steps.length - 1 }));
  });
  return drawing;
}

function arrow(step, { y, x, size, width, gutter, first, pick, last }) {
  const time = gutter ? since(step.at, first) : '';
  const room = step.from === step.to
    ? Math.min(width - 4, x.portproof - x.device) - size
    : Math.abs(x[step.to] - x[step.from]) - size;
  const label = short(step.label, room, size);
  const way = step.from === step.to ? 'at portproof' : `${PARTIES[step.from]} to ${PARTIES[step.to]}`;
  const chosen = pick && step.packet !== undefined;
  const group = svg('g', {
    class: `arrow${step.recorded ? '' : ' told'}${last ? ' newest' : ''}${chosen ? ' chosen' : ''}`,
    role: chosen ? 'button' : 'img', tabindex: chosen ? '0' : null,
    // Begins with what is seen, so that it can be called by it.
    'aria-label': `${time} ${label}, ${way}${step.recorded ? '' : ', not in the journal'}. ${step.sentence}`.trim(),
    onclick: chosen ? () => pick(step) : null,
    onkeydown: chosen ? (event) => (event.key === 'Enter' || event.key === ' ') && (event.preventDefault(), pick(step)) : null,
  });
  if (time) group.append(svg('text', { class: 'time', x: 0, y: y + size * 0.35, 'font-size': size * 0.85 }, `${time} `));
  return step.from === step.to ? remark(group, label, x, y, size, width) : line(group, step, label, room, x, y, size, width);
}

function line(group, step, label, room, x, y, size, width) {
  const from = x[step.from];
  const to = x[step.to];
  const way = Math.sign(to - from);
  const tip = size * 0.6;
  group.append(
    svg('rect', { class: 'grip', x: 1, y: y - size * 1.7, width: width - 2, height: size * 2.4 }),
    svg('text', { class: 'label', x: (from + to) / 2, y: y - size * 0.5, 'font-size': fitted(label, room, size) }, label),
    svg('line', { class: 'shaft', x1: from, x2: to - way * tip, y1: y, y2: y }),
    svg('path', { class: 'tip', d: `M${to} ${y}l${-way * tip * 1.4} ${-tip * 0.6}v${tip * 1.2}Z` }));
  return group;
}

function remark(group, label, x, y, size, width) {
  const wide = label.length * size * LETTER + size * 1.6;
  const right = Math.min(width - 2, x.portproof + wide / 2);
  group.append(
    svg('rect', { class: 'remark', x: right - wide, y: y - size * 1.5, width: wide, height: size * 2, rx: size * 0.3 }),
    svg('text', { class: 'label', x: right - wide / 2, y: y - size * 0.15, 'font-size': size * 0.95 }, label));
  return group;
}

const LETTER = 0.56;

/** A somewhat smaller type for what nearly fits. */
function fitted(text, room, size) {
  return Math.max(size * 0.78, Math.min(size * 0.95, room / (text.length * LETTER)));
}

function short(text, room, size) {
  const most = Math.max(6, Math.floor(room / (size * 0.78 * LETTER)));
  return text.length <= most ? text : `${text.slice(0, most - 1)}…`;
}

// The trainer's view.

const SLOWLY = 4200;
// A story that is still going on is drawn on as it grows.
const KINDS = new Set(['access', 'accounting', 'sighting', 'recognition', 'change', 'dropped']);

let steps = [];
let at = 0;
let seq = null;
let newest = null;
let timer = null;
let open = false;
let growing = null;

export function start() {
  $('trainer-back').addEventListener('click', () => go(at - 1));
  $('trainer-next').addEventListener('click', () => go(at + 1));
  $('trainer-play').addEventListener('click', () => (timer ? pause() : play()));
  $('trainer-latest').addEventListener('click', () => latest());
  document.addEventListener('keydown', (event) => {
    if (!open || $('ask').open || event.target.closest('input, select, textarea')) return;
    if (event.key === 'ArrowRight') go(at + 1);
    else if (event.key === 'ArrowLeft') go(at - 1);
    else if (event.key === ' ' && !event.target.closest('button, a')) $('trainer-play').click();
    else return;
    event.preventDefault();
  });
}

export function show(wanted) {
  open = true;
  if (Number(wanted)) load(Number(wanted));
  else latest();
}

export function leave() {
  open = false;
  pause();
}

/** Entries as they arrive. */
export function add(entries) {
  const told = entries.filter((entry) => entry.mac && KINDS.has(entry.kind));
  if (!told.length) return;
  newest = told[told.length - 1];
  if (!open || growing) return;
  if (!steps.length) latest();
  else if (told.some((entry) => entry.mac === seq?.mac)) growing = setTimeout(grow, 400);
}

async function grow() {
  const story = await call(`/api/entries/${seq.seq}/story`).catch(() => null);
  growing = null;
  if (!story) return;
  steps = story.flatMap((exchange) => exchange.steps);
  draw();
}

async function latest() {
  if (!newest) {
    const page = await call('/api/entries?kind=access&limit=20').catch(() => ({ entries: [] }));
    newest = page.entries.find((entry) => entry.mac) ?? null;
  }
  if (newest) load(newest.seq);
  else say($('trainer-sentence'), 'Nothing has happened yet. Plug something in.');
}

async function load(number) {
  pause();
  try {
    const story = await call(`/api/entries/${number}/story`);
    seq = { seq: number, mac: story.find((exchange) => exchange.entry.mac)?.entry.mac };
    steps = story.flatMap((exchange) => exchange.steps);
    go(0);
  } catch (problem) {
    say($('trainer-sentence'), problem.message);
  }
}

function play() {
  if (at >= steps.length - 1) go(0);
  timer = setInterval(() => (at < steps.length - 1 ? go(at + 1) : pause()), SLOWLY);
  playing();
}

function pause() {
  clearInterval(timer);
  timer = null;
  playing();
}

function playing() {
  $('trainer-play').setAttribute('aria-pressed', String(Boolean(timer)));
  say($('trainer-play'), timer ? 'Pause' : 'Play slowly');
}

function go(wanted) {
  at = Math.max(0, Math.min(steps.length - 1, wanted));
  draw();
}

function draw() {
  const step = steps[at];
  $('trainer-back').disabled = at <= 0;
  $('trainer-next').disabled = at >= steps.length - 1;
  if (!step) return;
  say($('trainer-sentence'), step.sentence);
  say($('trainer-place'), `${seq.mac ?? ''} · step ${at + 1} of ${steps.length} · ${since(step.at, steps[0].at)}`);
  // The last few arrows, so that the newest is always in sight.
  const from = Math.max(0, at - 4);
  $('trainer-stage').replaceChildren(sequence(steps.slice(from, at + 1), { first: steps[0].at, large: true }));
}
