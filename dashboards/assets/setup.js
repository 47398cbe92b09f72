// holdfast: the first visit. The server writes the page; this follows its events and
// puts what changed in its place.
// @ts-check

const NBSP = '\u00a0';
const FOLLOW = 2e3; // ms between two looks at what changed

/** @param {string} id @returns {HTMLElement} */
const el = (id) => /** @type {HTMLElement} */ (document.getElementById(id));
/** What was put where. @type {Record<string, string>} */
const held = {};
let lostAt = 0;

/** Says since when there is no contact; what was written stays. @param {boolean} ok */
function contact(ok) {
  if (ok) lostAt = 0;
  else if (!lostAt) lostAt = Date.now();
  const t = new Date(lostAt).toLocaleTimeString([], { hour: '2-digit', minute: '2-digit' });
  el('contact').textContent = ok ? '' : `No contact with holdfast since ${t}. What you see was true then. Trying again every 10${NBSP}seconds.`;
}

async function refresh() {
  try {
    const r = await fetch('/setup/state', { headers: { Accept: 'application/json' } });
    if (r.status === 401) { // the log-in has ended
      location.assign('/login?to=' + encodeURIComponent(location.pathname));
      return;
    }
    if (!r.ok) throw new Error(r.statusText);
    /** @type {Record<string, string>} */
    const parts = await r.json();
    for (const id of ['say', 'channels', 'parts']) {
      if (held[id] === parts[id] || el(id).contains(document.activeElement)) continue;
      held[id] = parts[id];
      el(id).innerHTML = parts[id]; // made by our own server, which escapes
    }
    contact(true);
  } catch {
    contact(false);
  }
}

function listen() {
  let due = 0, last = 0;
  const later = () => {
    if (due || document.hidden) return;
    due = window.setTimeout(() => { due = 0; last = Date.now(); refresh(); }, Math.max(0, FOLLOW - (Date.now() - last)));
  };
  document.addEventListener('visibilitychange', later);
  const es = new EventSource('/events');
  es.addEventListener('changed', later);
  es.addEventListener('open', later);
  es.addEventListener('error', () => contact(false));
  setInterval(() => { if (lostAt) refresh(); }, 10e3);
  setInterval(later, 30e3); // clocks and durations on the page
}

function theme() {
  const t = el('theme');
  t.hidden = false;
  const mark = () => { for (const b of t.querySelectorAll('button')) b.setAttribute('aria-pressed', String((document.documentElement.dataset.theme || '') === b.dataset.themeTo)); };
  mark();
  t.addEventListener('click', (e) => {
    const b = /** @type {HTMLElement} */ (e.target).closest('button');
    if (!b) return;
    const to = b.dataset.themeTo || '';
    if (to) document.documentElement.dataset.theme = to; else delete document.documentElement.dataset.theme;
    document.cookie = `theme=${to}; path=/; max-age=${to ? 400 * 86400 : 0}; samesite=lax`;
    mark();
  });
}

theme();
listen();

export {}; // a module: its names are its own
