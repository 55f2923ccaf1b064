// One exchange: the drawing, packets with attributes beside hex, the trace; and changes by hand.

import { call } from './api.js';
import { sequence } from './trainer.js';
import { $, ask, clock, el, mark, say, silentMark, since, traceList } from './dom.js';

let board;
let shown = 0;

export function start(shared) {
  board = shared;
}

/** Opens the exchange of an entry. */
export async function open(seq, { story = false } = {}) {
  shown = seq;
  const body = $('exchange-body');
  try {
    const exchanges = story ? await call(`/api/entries/${seq}/story`) : [await call(`/api/entries/${seq}`)];
    if (shown !== seq) return;
    body.replaceChildren(...content(exchanges, seq, story));
  } catch (problem) {
    body.replaceChildren(el('p', { class: 'problem', role: 'alert' }, problem.message));
  }
  if (innerWidth < 900) $('exchange-title').scrollIntoView();
}

function content(exchanges, seq, story) {
  const { entry, trace } = exchanges.find((exchange) => exchange.entry.seq === seq) ?? exchanges[0];
  const steps = exchanges.flatMap((exchange) => exchange.steps);
  const packets = exchanges.flatMap((exchange) => exchange.packets.map((packet, at) => ({ packet, entry: exchange.entry, at })));
  const first = steps[0]?.at ?? entry.at;
  return [
    head(entry),
    el('div', { class: 'buttons' },
      entry.mac ? el('button', { type: 'button', 'aria-pressed': String(story), onclick: () => open(seq, { story: !story }) },
        'With what came before and after') : '',
      el('a', { class: 'button', href: `#/trainer/${seq}` }, 'Show to trainees'),
      entry.kind === 'access' ? el('a', { class: 'button', href: `#/what-if/${seq}` }, 'What if') : ''),
    entry.breach ? el('p', { class: 'trouble-line' }, silentMark('trouble'), `The other side broke ${entry.breach}.`) : '',
    steps.length ? sequence(steps, { first, pick: (step) => showPacket(step) }) : '',
    trace ? el('section', { 'aria-label': 'Decision' }, el('h3', {}, 'Decision'), traceList(trace)) : '',
    packets.length ? el('section', { 'aria-label': 'Packets' }, el('h3', {}, 'Packets'),
      packets.map(({ packet, entry: owner, at }, place) => packetBox(packet, owner, at, first, packets.length <= 4 && place < 4))) : '',
  ];
}

function head(entry) {
  const facts = [['port', entry.port], ['switch', entry.switch], ['device', entry.mac],
    ['identity', entry.identity], ['class', entry.class],
    ['session', entry.session], ['order', entry.order]].filter(([, value]) => value !== undefined);
  return el('div', { class: 'head' },
    el('p', { class: 'headline' }, mark(entry.mark), el('strong', {}, entry.verdict), ` ${entry.reason}`),
    el('p', { class: 'quiet' }, `entry ${entry.seq}, ${entry.change ? `${entry.kind} ${entry.change}` : entry.kind}, ${clock(entry.at)}`),
    el('dl', { class: 'facts' }, facts.map(([name, value]) => el('div', {}, el('dt', {}, name), el('dd', {}, String(value))))));
}

const boxId = (seq, at) => `packet-${seq}-${at}`;

function showPacket(step) {
  if (step.packet === undefined) return;
  const box = $(boxId(step.entry, step.packet));
  if (!box) return;
  box.open = true;
  box.scrollIntoView({ block: 'nearest' });
  box.querySelector('summary').focus();
}

function packetBox(packet, owner, at, first, open) {
  const arrow = packet.direction === 'in' ? 'to portproof' : 'from portproof';
  const box = el('details', { class: 'packet', id: boxId(owner.seq, at), open },
    el('summary', {}, el('strong', {}, packet.name), packet.identifier === undefined ? '' : ` id ${packet.identifier}`,
      el('span', { class: 'quiet' }, ` ${since(packet.at, first)}, ${arrow}, ${packet.from} to ${packet.to}`)));
  const dump = hexDump(packet);
  const rows = packet.attributes.map((attribute, place) => attributeRow(attribute, place, dump));
  box.append(el('div', { class: 'beside' },
    el('div', { class: 'table-scroll', tabindex: '0', role: 'region', 'aria-label': `Attributes of ${packet.name}` }, rows.length ? el('table', { class: 'attributes' },
      el('thead', {}, el('tr', {}, ['Number', 'Name', 'Value'].map((name) => el('th', { scope: 'col' }, name)))),
      el('tbody', {}, rows)) : el('p', { class: 'quiet' }, 'No attributes.')),
    dump.node));
  if (packet.masked) box.append(el('p', { class: 'quiet' }, 'Passwords and keys are shown as zeros.'));
  return box;
}

function attributeRow(attribute, place, dump) {
  const light = (on) => () => dump.light(attribute, on);
  return el('tr', { tabindex: '0', onmouseenter: light(true), onmouseleave: light(false), onfocus: light(true), onblur: light(false) },
    el('td', {}, attribute.path),
    el('th', { scope: 'row' }, attribute.name),
    el('td', {}, attribute.value, attribute.note ? el('span', { class: 'note' }, attribute.note) : ''));
}

const WIDTH = 16;

/** Octets in rows of sixteen; `light` marks those of an attribute. */
function hexDump(packet) {
  const octets = packet.octets.match(/../g) ?? [];
  const cells = octets.map((octet) => el('span', {}, octet));
  const lines = [];
  for (let at = 0; at < cells.length; at += WIDTH) {
    const line = el('span', { class: 'hex-line' }, el('span', { class: 'hex-at' }, at.toString(16).padStart(4, '0')));
    cells.slice(at, at + WIDTH).forEach((cell, n) => line.append(n === 8 ? '  ' : ' ', cell));
    lines.push(line, '\n');
  }
  return {
    node: el('pre', { class: 'hex', tabindex: '0', 'aria-label': `Octets of ${packet.name} in hex` }, lines),
    light({ offset, length }, on) {
      if (offset === undefined) return;
      cells.slice(offset, offset + length).forEach((cell) => cell.classList.toggle('lit', on));
    },
  };
}

const WHAT_HAPPENS = {
  bounce: 'The switch takes the port’s link down and up again.',
  reauth: 'The switch authenticates the device again; traffic may stop for a moment.',
  regrant: 'The switch puts the class’s grant in force on the running session.',
  disconnect: 'The switch ends the session. The device stays without network until it is admitted again.',
};

/** Asks, orders a change of a session, and shows the switch's answer as it arrives. */
export function orderChange(kind, session) {
  const who = session.identity ?? session.mac ?? `session ${session.id}`;
  ask({
    title: `${kind} ${who} on port ${session.port}?`,
    body: [
      el('p', {}, WHAT_HAPPENS[kind]),
      kind === 'bounce' ? el('p', { class: 'caution' }, silentMark('trouble'), board.bench.caution) : '',
      el('label', {}, 'Why, for the journal ', el('input', { name: 'reason', autocomplete: 'off', maxlength: '200' })),
    ],
    yes: `Send the ${kind}`,
    act: async (form) => {
      const after = board.recent[board.recent.length - 1]?.seq ?? board.bench.last;
      const reason = form.get('reason').trim();
      const { order } = await call('/api/changes', { method: 'POST', body: { kind, session: session.id, ...(reason && { reason }) } });
      watchOrder(order, kind, session, after);
    },
  });
}

function watchOrder(order, kind, session, after) {
  const list = el('ol', { class: 'answer' });
  const box = el('div', { class: 'order', role: 'status' }, el('p', {}, `${kind}, order ${order}`), list);
  // The panel is drawn anew when the port changes, as a bounce makes it: it takes the answer along.
  board.answer?.box.remove();
  board.answer = { at: `${session.switch}\n${session.port}`, box };
  $('port-panel').append(box);
  const stop = board.watch(after, (entry) => entry.order === order, (entry) => {
    list.append(el('li', {}, mark(entry.mark), ` ${clock(entry.at)} `, el('strong', {}, entry.verdict), ` ${entry.reason} `,
      el('button', { type: 'button', onclick: () => open(entry.seq) }, 'Show')));
    if (entry.mark !== 'under-way') setTimeout(stop, 60000);
  });
}
