// Small helpers to build the page.

const SVG = 'http://www.w3.org/2000/svg';

/** An element with attributes and children; text is always text. */
export function el(tag, attributes = {}, ...children) {
  return fill(document.createElement(tag), attributes, children);
}

/** The same for drawings. */
export function svg(tag, attributes = {}, ...children) {
  return fill(document.createElementNS(SVG, tag), attributes, children);
}

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith('on')) node.addEventListener(name.slice(2), value);
    else node.setAttribute(name, value === true ? '' : value);
  }
  node.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return node;
}

export const $ = (id) => document.getElementById(id);

/** Sets text only where it differs, so that nothing is laid out for nothing. */
export function say(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

const two = (number) => String(number).padStart(2, '0');

/** Time of day with milliseconds, local. */
export function clock(at) {
  const time = new Date(at);
  const milliseconds = String(time.getMilliseconds()).padStart(3, '0');
  return `${two(time.getHours())}:${two(time.getMinutes())}:${two(time.getSeconds())}.${milliseconds}`;
}

/** A span of time in few letters. */
export function span(milliseconds) {
  const seconds = Math.max(0, Math.round(milliseconds / 1000));
  if (seconds < 100) return `${seconds} s`;
  const minutes = Math.floor(seconds / 60);
  if (minutes < 100) return `${minutes} min`;
  const hours = Math.floor(minutes / 60);
  return hours < 72 ? `${hours} h` : `${Math.floor(hours / 24)} d`;
}

/** Seconds since the first packet. */
export function since(at, first) {
  const seconds = (new Date(at) - new Date(first)) / 1000;
  return `+${seconds.toFixed(seconds < 100 ? 3 : 1)} s`;
}

const MARKS = {
  done: ['done', 'M8 2a6 6 0 1 0 .01 0Z'],
  'under-way': ['under way', 'M8 2a6 6 0 1 0 .01 0ZM8 4a4 4 0 0 1 0 8Z'],
  trouble: ['trouble', 'M8 1 15.5 14.5H.5ZM7.2 6v4h1.6V6ZM7.2 11.4v1.6h1.6v-1.6Z'],
  note: ['note', 'M3 7h10v2H3Z'],
};

/** A mark by shape, with its word for those who do not see it. */
export function mark(kind) {
  const [word, path] = MARKS[kind] ?? MARKS.note;
  return svg('svg', { class: `mark mark-${kind}`, viewBox: '0 0 16 16', role: 'img', 'aria-label': word },
    svg('path', { d: path, 'fill-rule': 'evenodd' }));
}

/** The same without a word, where text beside it says it. */
export function silentMark(kind) {
  const node = mark(kind);
  node.removeAttribute('role');
  node.removeAttribute('aria-label');
  node.setAttribute('aria-hidden', 'true');
  return node;
}

/** The rows that a decision tried. */
export function traceList(trace) {
  return el('div', { class: 'trace' },
    el('p', {}, trace.summary),
    el('ol', {}, trace.rows.map((row) => el('li', { class: row.fits ? 'fits' : '' },
      el('span', { class: 'verdict-word' }, row.fits ? 'fits' : 'no'),
      el('strong', {}, row.class), ' ',
      el('span', {}, row.because), ' ',
      el('span', { class: 'quiet' }, row.place)))));
}

/**
 * Asks before something is done. `body` is what a person should know; `act` gets the form's data
 * and does it; what it throws is shown and the dialog stays.
 */
export function ask({ title, body, yes, act }) {
  const dialog = $('ask');
  say($('ask-title'), title);
  $('ask-body').replaceChildren(...body);
  say($('ask-yes'), yes);
  $('ask-problem').hidden = true;
  $('ask-no').onclick = () => dialog.close();
  $('ask-form').onsubmit = async (event) => {
    event.preventDefault();
    $('ask-yes').disabled = true;
    try {
      await act(new FormData(event.target));
      dialog.close();
    } catch (problem) {
      say($('ask-problem'), problem.message);
      $('ask-problem').hidden = false;
    } finally {
      $('ask-yes').disabled = false;
    }
  };
  dialog.showModal();
}
