// The way to the bench: single questions, and the live entries without gaps.

import { ask, el } from './dom.js';

const TOKEN = 'portproof-token';

function headers(more = {}) {
  const token = sessionStorage.getItem(TOKEN);
  return token ? { ...more, Authorization: `Bearer ${token}` } : more;
}

/** One question; throws the bench's own words when it says no. */
export async function call(path, { method = 'GET', body } = {}) {
  const response = await fetch(path, {
    method,
    headers: headers(body === undefined ? {} : { 'Content-Type': 'application/json' }),
    body: body === undefined ? undefined : JSON.stringify(body),
  }).catch(() => {
    throw new Error('The bench does not answer.');
  });
  if (response.status === 401) {
    askToken();
    throw new Error('The board wants its token.');
  }
  const text = await response.text();
  const json = response.headers.get('content-type')?.startsWith('application/json');
  const answer = json && text ? JSON.parse(text) : text;
  if (!response.ok) throw new Error(answer?.error ?? `The bench answered ${response.status}.`);
  return answer;
}

/** Fetches a file, with the token where there is one, and hands it to the person. */
export async function download(path, name) {
  const response = await fetch(path, { headers: headers() });
  if (!response.ok) throw new Error(`The bench answered ${response.status}.`);
  const link = el('a', { href: URL.createObjectURL(await response.blob()), download: name });
  link.click();
  URL.revokeObjectURL(link.href);
}

let asking = false;

function askToken() {
  if (asking) return;
  asking = true;
  const field = el('input', { name: 'token', type: 'password', autocomplete: 'off', required: true });
  ask({
    title: 'This board wants its token',
    body: [el('p', {}, 'Whoever started the bench has it. It is kept until this tab is closed.'),
      el('label', {}, 'Token ', field)],
    yes: 'Use it',
    act: async (form) => {
      sessionStorage.setItem(TOKEN, form.get('token'));
      location.reload();
    },
  });
}

const FIRST_WAIT = 300;
const LONGEST_WAIT = 5000;
// The bench says something at least every ten seconds.
const SILENCE = 25000;

/**
 * Follows the journal for ever: `entries` gets arrays in order, without gaps over lost
 * connections; `anew` is told when it is another journal; `state` when the connection changes.
 */
export async function follow(after, { entries, anew, state }) {
  let lastId = null;
  let wait = FIRST_WAIT;
  for (;;) {
    const silence = new AbortController();
    let timer = setTimeout(() => silence.abort(), SILENCE);
    try {
      const more = lastId ? { 'Last-Event-ID': lastId } : {};
      const response = await fetch(`/api/live?after=${after}`, {
        headers: headers({ Accept: 'text/event-stream', ...more }), signal: silence.signal,
      });
      if (response.status === 401) askToken();
      if (!response.ok) throw new Error(String(response.status));
      state('live');
      wait = FIRST_WAIT;
      const reader = response.body.pipeThrough(new TextDecoderStream()).getReader();
      let rest = '';
      for (;;) {
        const { value, done } = await reader.read();
        if (done) break;
        clearTimeout(timer);
        timer = setTimeout(() => silence.abort(), SILENCE);
        const blocks = (rest + value).split('\n\n');
        rest = blocks.pop();
        for (const block of blocks) {
          const event = parse(block);
          if (event.id) lastId = event.id;
          if (event.event === 'anew') await anew();
          if (event.event === 'entries') entries(JSON.parse(event.data));
        }
      }
    } catch {
      // Lost, refused or silent: all the same, it is tried again below.
    }
    clearTimeout(timer);
    state('lost');
    await new Promise((resolve) => setTimeout(resolve, wait));
    wait = Math.min(wait * 2, LONGEST_WAIT);
  }
}

function parse(block) {
  const event = {};
  for (const line of block.split('\n')) {
    const colon = line.indexOf(':');
    if (colon > 0) event[line.slice(0, colon)] = line.slice(colon + 1).replace(/^ /, '');
  }
  return event;
}
