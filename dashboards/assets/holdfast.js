// holdfast: what the page does in the browser. One module, no build step.
// The server draws; this asks for drawings of the right width, reads out what lies
// under the pointer or the arrow keys, and follows the server's events.
// @ts-check

/**
 * @typedef {{key: string, kind: string, open: boolean, svg: string, fig: string,
 *   m: number[], q: number[], top: number, why: [number, number, string][]}} Lane
 * @typedef {{rain: (number|null)[], snow: (number|null)[], wind: (number|null)[],
 *   low: (number|null)[], high: (number|null)[], leaf: (number|null)[]}} Sky
 * @typedef {{shape: string, from: number, to: number, now: number, step: number, first: number,
 *   width: number, say: string, alarms: string, axis: string, ribbon: string, leaves: string,
 *   under: string, over: string, note: string, lanes: Lane[], sky: Sky}} Drawing
 */

const HOUR = 3600e3, DAY = 24 * HOUR, WEEK = 7 * DAY;
const NONE = -32768, BELOW = -32767, CEILING = 32767; // as the server's columns have them
const NBSP = '\u00a0';
const FOLLOW = 15e3; // ms between two looks at what changed: an answer costs the daemon a quarter of a second

/** @param {string} id @returns {HTMLElement} */
const el = (id) => /** @type {HTMLElement} */ (document.getElementById(id));
const rig = document.getElementById('lanes');
const phone = matchMedia('(max-width:860px)');

/** @type {Drawing | null} */ let shown = null;
/** @type {number | null} */ let at = null; // bin that is read out
let drawnWidth = 0, saidAt = Date.now(), asked = 0; // the server has just said it

/** @param {number} v @param {number} digits */
const num = (v, digits) => {
  const s = Math.abs(v).toFixed(digits);
  return (v < 0 && Number(s) !== 0 ? '\u2212' : '') + s;
};
/** What was put where: a browser gives markup back in its own spelling.
 * @type {WeakMap<Element, string>} */
const held = new WeakMap();
/** Puts HTML or SVG that our own server made into an element, if it changed.
 * @param {Element} e @param {string} html @returns {boolean} whether it did */
const put = (e, html) => {
  if (held.get(e) === html) return false;
  held.set(e, html);
  e.innerHTML = html;
  return true;
};

const query = () => new URLSearchParams(location.search);
const openKeys = () => new Set((query().get('open') || '').split(',').filter(Boolean));

// ---- asking and drawing ----

/** Asks for the drawings of the span in the address and shows them. */
async function refresh() {
  if (!rig) return;
  const plot = rig.querySelector('.plot');
  if (!plot) return;
  const width = Math.floor(plot.clientWidth), mine = ++asked;
  const q = new URLSearchParams({ w: String(width), form: phone.matches ? 'phone' : 'wide', most: rig.dataset.most || '5', first: rig.dataset.first || 'screen' });
  for (const k of ['from', 'to', 'open']) { const v = query().get(k); if (v) q.set(k, v); }
  try {
    const r = await fetch('/holding/lanes?' + q, { headers: { Accept: 'application/json' } });
    if (r.status === 401) { // the log-in has ended
      location.assign('/login?to=' + encodeURIComponent(location.pathname + location.search));
      return;
    }
    const d = await r.json();
    if (!r.ok) throw new Error(d.error || r.statusText);
    if (mine !== asked) return; // a later question is on its way
    drawnWidth = width;
    show(d);
    contact(true);
  } catch (e) {
    if (mine === asked) contact(false, e instanceof SyntaxError || e instanceof TypeError ? '' : String(/** @type {Error} */ (e).message));
  }
}

/** @param {Drawing} d */
function show(d) {
  if (!rig) return;
  if (d.shape !== rig.dataset.shape && reloadOnce()) return;
  shown = d;
  put(el('axis'), d.axis); put(el('weather'), d.ribbon); put(el('leaves'), d.leaves);
  put(el('under'), d.under); put(el('over'), d.over);
  const note = el('note');
  note.textContent = d.note; note.hidden = !d.note;
  for (const l of d.lanes) {
    const e = document.getElementById(l.key);
    if (!e) continue;
    e.className = 'lane' + (l.open ? ' open' : '') + ' ' + l.kind;
    put(/** @type {Element} */ (e.querySelector('.plot')), l.svg);
    const fig = /** @type {Element} */ (e.querySelector('.fig'));
    put(fig, l.fig);
  }
  const say = el('say');
  if (Date.now() - saidAt > 60e3 && put(say, d.say)) saidAt = Date.now();
  const alarms = el('alarms');
  if (!alarms.contains(document.activeElement)) put(alarms, d.alarms);
  buttons();
  rig.dataset.drawn = '1';
  if (at !== null) read(at);
}

/** Reloads the page when its lanes are others than the server's, once a minute at most. */
function reloadOnce() {
  const last = Number(sessionStorage.getItem('reloaded') || 0);
  if (Date.now() - last < 60e3) return false;
  sessionStorage.setItem('reloaded', String(Date.now()));
  location.reload();
  return true;
}

let lostAt = 0;
/** Says since when there is no contact; what was drawn stays.
 * @param {boolean} ok @param {string} [why] */
function contact(ok, why) {
  const c = el('contact');
  if (ok) { lostAt = 0; c.textContent = ''; document.body.classList.remove('stale'); return; }
  if (!lostAt) lostAt = Date.now();
  const t = new Date(lostAt).toLocaleTimeString([], { hour: '2-digit', minute: '2-digit' });
  c.textContent = why ? `No drawing: ${why}` : `No contact with holdfast since ${t}. What you see was true then. Trying again every 10${NBSP}seconds.`;
  document.body.classList.add('stale');
}

// ---- read-out ----

/** @param {number} ms @param {Intl.DateTimeFormatOptions} o */
const inZone = (ms, o) => {
  try { return new Intl.DateTimeFormat('en-GB', { timeZone: rig?.dataset.zone || 'UTC', ...o }).format(ms); }
  catch { return new Intl.DateTimeFormat('en-GB', { timeZone: 'UTC', ...o }).format(ms); }
};

/** @param {number} i */
function binWords(i) {
  if (!shown) return '';
  const a = shown.from + i * shown.step, z = Math.min(a + shown.step, shown.to);
  const day = inZone(a, { weekday: 'short', day: 'numeric', month: 'short' }).replace(',', '');
  if (shown.step >= DAY) return day;
  const h = /** @param {number} t */ (t) => inZone(t, { hour: '2-digit', minute: '2-digit' });
  return `${day}, ${h(a)} to ${h(z)}`;
}

/** @param {Lane} l @param {number} i */
function value(l, i) {
  const m = l.m[i], q = l.q[i];
  for (const [a, z, why] of l.why) if (i >= a && i < z) return { figure: 'not measured', rest: why, warm: false };
  if (m === undefined || m === NONE) return { figure: '', rest: '', warm: false };
  if (m === BELOW) return { figure: 'no lock', rest: 'most of the time', warm: true };
  const low = q === BELOW ? `99${NBSP}% above no lock` : `99${NBSP}% above${NBSP}${num(q / 10, 1)}`;
  if (m === CEILING) return { figure: l.top === NONE ? 'at the tuner’s limit' : `at least ${num(l.top / 10, 1)}${NBSP}dB`, rest: low, warm: false };
  return { figure: `${num(m / 10, 1)}${NBSP}dB`, rest: q === BELOW ? 'some visits without lock' : low, warm: m < 0 };
}

/** Shows the values of a bin in place of the figures. @param {number} i */
function read(i) {
  if (!shown || !rig) return;
  const n = Math.ceil((shown.to - shown.from) / shown.step);
  i = Math.max(0, Math.min(n - 1, i));
  at = i;
  const x = Math.min(shown.width - .5, ((i + .5) * shown.step) / (shown.to - shown.from) * shown.width);
  const line = /** @type {Element} */ (document.querySelector('#cur line'));
  line.setAttribute('x1', x.toFixed(1)); line.setAttribute('x2', x.toFixed(1));
  el('cur').classList.add('on');
  rig.classList.add('reading');
  const cap = el('cap');
  cap.textContent = (phone.matches ? '' : 'margin, ') + binWords(i); cap.classList.add('at');
  for (const l of shown.lanes) {
    const fig = document.querySelector(`#${CSS.escape(l.key)} .fig`);
    if (!fig) continue;
    let p = fig.querySelector('.read');
    if (!p) { p = document.createElement('p'); p.className = 'read'; fig.append(p); }
    const v = value(l, i);
    p.replaceChildren();
    if (v.figure) {
      const b = document.createElement('b');
      b.textContent = v.figure;
      if (v.warm) b.className = 'warm';
      const r = document.createElement('span');
      r.className = 'rng'; r.textContent = v.rest;
      p.append(b, ' ', r);
    } else p.textContent = NBSP;
  }
  const s = shown.sky, reads = el('reads');
  reads.replaceChildren();
  /** @param {string} c @param {string} t */
  const say = (c, t) => { if (t) { const e = document.createElement('span'); e.className = c; e.textContent = t; reads.append(e); } };
  const rain = s.rain[i], snow = s.snow[i], wind = s.wind[i], low = s.low[i], high = s.high[i], leaf = s.leaf[i];
  say('at-rain', snow ? `snow ${num(snow, 1)}${NBSP}mm/h` : rain != null ? (rain > 0 ? `rain to ${num(rain, 1)}${NBSP}mm/h` : 'no rain') : '');
  say('at-temp', low != null && high != null ? `${num(low, 0)} to ${num(high, 0)}${NBSP}°C` : '');
  say('at-wind', wind != null ? `to ${num(wind, 0)}${NBSP}m/s` : '');
  say('at-leaf', leaf == null ? '' : leaf < .05 ? 'bare' : leaf > .95 ? 'full leaf' : `about ${num(leaf * 100, 0)}${NBSP}% in leaf`);
}

/** Brings the figures back. */
function unread() {
  at = null;
  rig?.classList.remove('reading');
  el('cur').classList.remove('on');
  const cap = el('cap');
  cap.textContent = 'to spare, dB'; cap.classList.remove('at');
  el('reads').replaceChildren();
}

/** @param {PointerEvent} e */
function pointed(e) {
  if (!shown || !rig) return;
  const plot = rig.querySelector('.plot');
  if (!plot) return;
  const box = plot.getBoundingClientRect(), p = (e.clientX - box.left) / box.width;
  if (p < 0 || p > 1) { if (e.pointerType === 'mouse') unread(); return; }
  read(Math.floor(p * (shown.to - shown.from) / shown.step));
}

/** Says a bin of the focused lane to a screen reader. */
function announce() {
  const lane = document.activeElement?.closest('.lane');
  if (!lane || !shown || at === null) return;
  const l = shown.lanes.find((x) => x.key === lane.id);
  if (!l) return;
  const v = value(l, at);
  el('reader').textContent = `${binWords(at)}: ${v.figure ? v.figure + ', ' + v.rest : 'nothing'}`;
}

// ---- span, all in the address ----

/** @param {(q: URLSearchParams) => void} change */
function go(change) {
  const q = query();
  change(q);
  const s = q.toString();
  history.pushState(null, '', location.pathname + (s ? '?' + s : '') + location.hash);
  refresh();
}

/** @param {number} from @param {number} to */
const goSpan = (from, to) => go((q) => {
  q.set('from', new Date(from).toISOString().slice(0, 16) + 'Z');
  q.set('to', new Date(to).toISOString().slice(0, 16) + 'Z');
});

/** @param {string} what */
function move(what) {
  if (!shown) return;
  const { from, to, now, step } = shown, wide = to - from;
  /** @param {number} w */
  const zoom = (w) => {
    if (at === null) return goSpan(Math.min(to, now) - w, Math.min(to, now));
    const c = from + (at + .5) * step;
    goSpan(c - w / 2, c + w / 2);
  };
  switch (what) {
    case 'day': return zoom(DAY);
    case 'week': return zoom(WEEK);
    case 'weeks': return zoom(8 * WEEK);
    case 'whole': return go((q) => { q.delete('from'); q.delete('to'); });
    case 'earlier': return goSpan(from - wide / 2, to - wide / 2);
    case 'later': return goSpan(from + wide / 2, to + wide / 2);
    case 'in': return goSpan((at === null ? Math.min(to, now) - wide / 2 : from + (at + .5) * step - wide / 4), (at === null ? Math.min(to, now) : from + (at + .5) * step + wide / 4));
    case 'out': return goSpan(from - wide / 2, to + wide / 2);
  }
}

/** A day at home as a date field has it. @param {number} ms */
const dayOf = (ms) => {
  const o = /** @type {const} */ ({ year: 'numeric', month: '2-digit', day: '2-digit' });
  try { return new Intl.DateTimeFormat('en-CA', { timeZone: rig?.dataset.zone || 'UTC', ...o }).format(ms); }
  catch { return new Intl.DateTimeFormat('en-CA', { timeZone: 'UTC', ...o }).format(ms); }
};

/** The two date fields, whole days at home, the last one included. */
const fields = () => [el('from'), el('to')].map((e) => /** @type {HTMLInputElement} */ (e));

/** Shows the days of the fields, if there are such. */
function pickDays() {
  const [a, z] = fields();
  z.setCustomValidity(a.value && z.value && z.value < a.value ? 'This day lies before the first one.' : '');
  const wrong = [a, z].find((f) => !f.checkValidity());
  if (wrong) {
    if (!wrong.validity.valueMissing) el('contact').textContent = wrong.validity.customError ? wrong.validationMessage : `Days from ${wrong.min} to ${wrong.max} can be shown.`;
    return;
  }
  go((q) => { q.set('from', a.value); q.set('to', dayAfter(z.value, 1)); }); // the server knows where a day begins at home
}

/** @param {string} day @param {number} days */
const dayAfter = (day, days) => new Date(Date.parse(day + 'T00:00Z') + days * DAY).toISOString().slice(0, 10);

/** A whole day of the address, or "". @param {string} k */
const wholeDay = (k) => /^\d{4}-\d\d-\d\d$/.exec(query().get(k) || '')?.[0] || '';

function showDays() {
  if (!shown) return;
  const [a, z] = fields();
  const first = dayOf(shown.first || shown.from), last = dayOf(shown.now + 30 * WEEK);
  for (const f of [a, z]) {
    f.min = first < dayOf(shown.from) ? first : dayOf(shown.from);
    f.max = last > dayOf(shown.to - 1) ? last : dayOf(shown.to - 1);
  }
  if (a === document.activeElement || z === document.activeElement) return; // somebody is writing
  // What was chosen stays, though the first bin may begin before it.
  a.value = wholeDay('from') || dayOf(shown.from);
  z.value = wholeDay('to') ? dayAfter(wholeDay('to'), -1) : dayOf(shown.to - 1);
  z.setCustomValidity('');
}

// ---- pictures to keep ----

const dark = () => { const t = document.documentElement.dataset.theme; return t ? t === 'dark' : matchMedia('(prefers-color-scheme:dark)').matches; };

function keepPicture() {
  if (!shown || !rig) return;
  el('keep').hidden = false;
  const q = new URLSearchParams({ from: String(shown.from), to: String(shown.to), most: rig.dataset.most || '5', first: rig.dataset.first || 'screen', theme: dark() ? 'dark' : 'light' });
  const open = query().get('open');
  if (open) q.set('open', open);
  /** @type {HTMLAnchorElement} */ (el('keep-svg')).href = '/holding/picture?' + q;
}

let kept = ''; // address of the last PNG

/** Turns the picture into points, two for each of its own, and hands them over as a file. */
async function keepPNG() {
  const b = /** @type {HTMLButtonElement} */ (el('keep-png'));
  b.disabled = true;
  try {
    const r = await fetch(/** @type {HTMLAnchorElement} */ (el('keep-svg')).href);
    if (!r.ok) throw new Error((await r.json()).error || r.statusText);
    const name = /filename="([^"]+)\.svg"/.exec(r.headers.get('Content-Disposition') || '')?.[1] || 'holdfast';
    const text = await r.text();
    const img = new Image();
    img.src = 'data:image/svg+xml;charset=utf-8,' + encodeURIComponent(text);
    await img.decode();
    const c = document.createElement('canvas');
    c.width = img.naturalWidth * 2; c.height = img.naturalHeight * 2;
    const pen = c.getContext('2d');
    if (!pen) throw new Error('this browser cannot draw it');
    pen.drawImage(img, 0, 0, c.width, c.height);
    const blob = await new Promise((/** @type {(b: Blob|null) => void} */ done) => c.toBlob(done, 'image/png'));
    if (!blob) throw new Error('it is too large for this browser');
    const a = document.createElement('a');
    URL.revokeObjectURL(kept); // the one before; when a browser has saved this one, nobody tells
    a.href = kept = URL.createObjectURL(blob); a.download = name + '.png';
    a.click();
  } catch (e) {
    el('contact').textContent = `No picture: ${/** @type {Error} */ (e).message || 'it cannot be drawn'}`;
  } finally { b.disabled = false; }
}

function buttons() {
  if (!shown) return;
  showDays(); keepPicture();
  for (const a of document.querySelectorAll('.turn a')) { // the switch keeps the span
    const q = query();
    q.set('first', new URL(/** @type {HTMLAnchorElement} */ (a).href).searchParams.get('first') || '');
    /** @type {HTMLAnchorElement} */ (a).search = '?' + q;
  }
  const span = el('span');
  span.hidden = false;
  const w = shown.to - shown.from, whole = !query().get('from');
  const near = /** @param {number} x */ (x) => !whole && Math.abs(w - x) < HOUR * 2;
  for (const b of span.querySelectorAll('button')) {
    const g = b.dataset.go || '';
    if (g === 'earlier') b.disabled = shown.first > 0 && shown.from <= shown.first;
    else if (g === 'later') b.disabled = shown.to > shown.now + 8 * WEEK || whole;
    else b.setAttribute('aria-pressed', String(g === 'whole' ? whole : g === 'day' ? near(DAY) : g === 'week' ? near(WEEK) : near(8 * WEEK)));
  }
}

/** Opens or closes a lane in place. @param {Element} lane */
function toggle(lane) {
  if (lane.closest('.stack') && lane.id) go((q) => {
    const k = openKeys();
    if (!k.delete(lane.id)) k.add(lane.id);
    if (k.size) q.set('open', [...k].join(',')); else q.delete('open');
  });
}

/** @param {KeyboardEvent} e */
function key(e) {
  const lane = document.activeElement?.closest('.lane');
  if (e.key === 'Escape') { unread(); return; }
  if (!lane || !shown || e.ctrlKey || e.metaKey || e.altKey || document.activeElement !== lane) return;
  const nowBin = Math.floor((Math.min(shown.now, shown.to - 1) - shown.from) / shown.step);
  const far = e.shiftKey ? Math.max(1, Math.round((shown.to - shown.from > 3 * WEEK ? WEEK : DAY) / shown.step)) : 1;
  const lanes = [...document.querySelectorAll('.lane')], i = lanes.indexOf(lane);
  /** @type {Record<string, () => void>} */
  const does = {
    ArrowLeft: () => { read(at === null ? nowBin : at - far); announce(); },
    ArrowRight: () => { read(at === null ? nowBin : at + far); announce(); },
    ArrowUp: () => { /** @type {HTMLElement} */ (lanes[Math.max(0, i - 1)]).focus(); announce(); },
    ArrowDown: () => { /** @type {HTMLElement} */ (lanes[Math.min(lanes.length - 1, i + 1)]).focus(); announce(); },
    Enter: () => toggle(lane),
    '+': () => move('in'), '=': () => move('in'), '-': () => move('out'), 0: () => move('whole'),
    t: () => { location.href = '/holding/table?lane=' + encodeURIComponent(lane.id); },
    n: () => { read(nowBin); announce(); },
  };
  const f = does[e.key];
  if (f) { e.preventDefault(); f(); }
}

// ---- colours ----

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
    keepPicture();
  });
}

// ---- events ----

function listen() {
  let due = 0, dirty = false;
  const later = () => {
    if (document.hidden) { dirty = true; return; }
    if (due) return;
    due = window.setTimeout(() => { due = 0; last = Date.now(); refresh(); }, Math.max(0, FOLLOW - (Date.now() - last)));
  };
  let last = 0, broken = false;
  document.addEventListener('visibilitychange', () => { if (!document.hidden && dirty) { dirty = false; later(); } });
  const es = new EventSource('/events');
  es.addEventListener('changed', later);
  es.addEventListener('open', () => { if (broken) { broken = false; refresh(); } });
  es.addEventListener('error', () => { broken = true; contact(false); });
  setInterval(() => { if (lostAt) refresh(); }, 10e3);
}

theme();
if (rig) {
  const stack = el('stack');
  stack.addEventListener('pointermove', pointed);
  stack.addEventListener('pointerdown', pointed);
  stack.addEventListener('pointerleave', (e) => { if (e.pointerType === 'mouse') unread(); });
  stack.addEventListener('click', (e) => {
    const t = /** @type {Element} */ (e.target), lane = t.closest('.lane');
    if (lane && t.closest('.id')) toggle(lane);
  });
  for (const f of fields()) f.addEventListener('change', pickDays);
  el('keep-png').addEventListener('click', keepPNG);
  el('span').addEventListener('click', (e) => { const b = /** @type {HTMLElement} */ (e.target).closest('button'); if (b) move(b.dataset.go || ''); });
  addEventListener('keydown', key);
  addEventListener('popstate', () => { unread(); refresh(); });
  addEventListener('scroll', () => el('ribbon').classList.toggle('slim', rig.getBoundingClientRect().top < -600), { passive: true });
  let timer = 0;
  addEventListener('resize', () => {
    clearTimeout(timer);
    timer = window.setTimeout(() => { const p = rig.querySelector('.plot'); if (p && Math.floor(p.clientWidth) !== drawnWidth) refresh(); }, 150);
  });
  refresh();
}
listen();
