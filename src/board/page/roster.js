// The roster: search, pin, forget.

import { call } from './api.js';
import { $, ask, el, say, span } from './dom.js';

const PAGE = 50;

let board;
let offset = 0;

export function start(shared) {
  board = shared;
  const form = $('roster-search');
  let timer;
  form.addEventListener('input', () => {
    clearTimeout(timer);
    timer = setTimeout(() => load(0), 250);
  });
  form.addEventListener('submit', (event) => {
    event.preventDefault();
    load(0);
  });
  $('roster-more').addEventListener('click', () => load(offset + PAGE));
}

export function show() {
  load(0);
}

async function load(from) {
  const form = new FormData($('roster-search'));
  const query = new URLSearchParams({ limit: PAGE, offset: from });
  if (form.get('search').trim()) query.set('search', form.get('search').trim());
  if (form.get('pinned')) query.set('pinned', 'true');
  try {
    const page = await call(`/api/devices?${query}`);
    offset = from;
    const rows = page.devices.map(row);
    if (from) $('roster-rows').append(...rows);
    else $('roster-rows').replaceChildren(...rows);
    $('roster-more').hidden = !page.more;
    const count = $('roster-rows').children.length;
    say($('roster-count'), count ? `${count} shown${page.more ? ', there are more' : ''}` : 'No device fits.');
  } catch (problem) {
    say($('roster-count'), problem.message);
  }
}

function row(device) {
  const sighted = Object.entries(device.sightings);
  return el('tr', {},
    el('th', { scope: 'row' }, el('span', { class: 'who' }, device.mac),
      device.local ? el('span', { class: 'note' }, 'locally administered') : '',
      device.machine ? el('span', { class: 'note' }, `machine ${device.machine}`) : ''),
    el('td', {}, el('strong', {}, device.class ?? 'none yet'), el('span', { class: 'note' }, device.why ?? '')),
    el('td', {}, sighted.length ? el('dl', { class: 'sighted' }, sighted.map(([field, value]) =>
      el('div', {}, el('dt', {}, field), el('dd', {}, value)))) : el('span', { class: 'quiet' }, 'nothing')),
    el('td', {}, el('time', { datetime: device.last_seen, title: new Date(device.last_seen).toLocaleString() },
      `${span(Date.now() - new Date(device.last_seen))} ago`)),
    el('td', {}, byHand(device)));
}

function byHand(device) {
  const pinned = device.pin && el('p', {}, 'pinned to ', el('strong', {}, device.pin), device.pin_note ? `: ${device.pin_note}` : '');
  return el('div', { class: 'buttons' }, pinned ?? '',
    el('button', { type: 'button', 'aria-label': `Pin ${device.mac}`, onclick: () => pin(device) }, 'Pin'),
    device.pin ? el('button', { type: 'button', 'aria-label': `Unpin ${device.mac}`, onclick: () => act(`/api/devices/${device.mac}/pin`, 'DELETE') }, 'Unpin') : '',
    el('button', { type: 'button', 'aria-label': `Forget ${device.mac}`, onclick: () => forget(device) }, 'Forget'),
    el('button', { type: 'button', 'aria-label': `Timeline of ${device.mac}`, onclick: () => timelineOf(device) }, 'Timeline'));
}

function timelineOf(device) {
  location.hash = '#/bench';
  board.filter({ mac: device.mac });
}

async function act(path, method, body) {
  await call(path, { method, body });
  await load(0);
  board.changed();
}

function pin(device) {
  const classes = board.bench.classes.map(({ name, about }) =>
    el('option', { value: name, selected: name === (device.pin ?? device.class) }, about ? `${name}: ${about}` : name));
  ask({
    title: `Pin ${device.mac}`,
    body: [el('p', {}, 'A pin goes above every row of the class table. A device with a session is moved at once.'),
      el('label', {}, 'Class ', el('select', { name: 'class' }, classes)),
      el('label', {}, 'Why, for whoever comes next ', el('input', { name: 'note', autocomplete: 'off', value: device.pin_note ?? '' }))],
    yes: 'Pin',
    act: (form) => act(`/api/devices/${device.mac}/pin`, 'PUT', { class: form.get('class'), note: form.get('note') || null }),
  });
}

function forget(device) {
  ask({
    title: `Forget ${device.mac}?`,
    body: [el('p', {}, 'Sightings, class and pin are dropped, and its next plug-in is a first time. A session that it has now goes on.')],
    yes: 'Forget',
    act: () => act(`/api/devices/${device.mac}`, 'DELETE'),
  });
}
