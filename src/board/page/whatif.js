// What if: a decision without a packet sent.

import { call } from './api.js';
import { $, el, traceList } from './dom.js';

const SIGHTINGS = ['host-name', 'vendor-class', 'parameter-list'];
const FACTS = ['request', 'switch', 'port', 'mac', 'method', 'identity'];

export function start() {
  $('what-if-form').addEventListener('submit', (event) => {
    event.preventDefault();
    decide(new FormData(event.target));
  });
}

/** The switches of the bench in force. */
export function bench({ switches }) {
  const select = $('what-if-form').elements.switch;
  select.replaceChildren(el('option', { value: '' }, 'as the entry tells, or the first'), ...switches.map((name) => el('option', {}, name)));
}

export function show(entry) {
  if (entry) $('what-if-form').elements.entry.value = entry;
}

function asked(form) {
  const text = (name) => form.get(name)?.trim();
  const asked = Object.fromEntries(FACTS.map((name) => [name, text(name)]).filter(([, value]) => value));
  if (text('entry')) asked.entry = Number(text('entry'));
  const sightings = Object.fromEntries(SIGHTINGS.map((name) => [name, text(name)]).filter(([, value]) => value));
  return { ...asked, sightings };
}

async function decide(form) {
  const place = $('what-if-answer');
  try {
    place.replaceChildren(...answer(await call('/api/what-if', { method: 'POST', body: asked(form) })));
  } catch (problem) {
    place.replaceChildren(el('p', { class: 'problem' }, problem.message));
  }
}

function answer({ verdict, class: name, trace, grant, cannot_spell: cannotSpell, facts }) {
  return [
    el('p', { class: 'headline' }, el('strong', {}, name), verdict === 'reject' ? ', rejected' : ', accepted'),
    el('dl', { class: 'facts' }, Object.entries(facts).map(([fact, value]) => el('div', {}, el('dt', {}, fact), el('dd', {}, value)))),
    traceList(trace),
    el('h4', {}, 'What an accept would carry'),
    cannotSpell ? el('p', { class: 'problem' }, cannotSpell) : '',
    grant.length ? el('table', { class: 'attributes' }, el('tbody', {}, grant.map((attribute) => el('tr', {},
      el('td', {}, attribute.path), el('th', { scope: 'row' }, attribute.name), el('td', {}, attribute.value))))) : el('p', { class: 'quiet' }, 'Nothing besides the accept itself.'),
  ];
}
