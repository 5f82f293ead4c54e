// The status page: shows what the live stream says. Everything that came from outside goes into the page as text, never
// as markup.

const SVG = 'http://www.w3.org/2000/svg';
const SHOWN_MS = 10 * 60 * 1000;
const SEEN_EVERY_MS = 3000; // the service drops a watcher that has said so once and then is quiet for 8 s
const RUNS_EVERY_MS = 30000;
const TRY_AGAIN_MS = 10000;
const EDGE = { left: 64, right: 8, top: 12, bottom: 28 }; // of the curve, in pixels
const TEXT_PX = 64; // "no data" and a little over

const PHONE = matchMedia('(max-width: 30rem)');

const byId = (id) => document.getElementById(id);

function element(name, properties = {}, children = []) {
  const made = document.createElement(name);
  Object.assign(made, properties);
  made.append(...children);
  return made;
}

function drawn(name, attributes, text) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

// Text that is already there is left alone: a person may be selecting it.
function say(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

// --- numbers and times

function watts(value) {
  if (value === null || value === undefined) return '–';
  const size = Math.abs(value);
  return `${value.toFixed(size < 10 ? 3 : size < 100 ? 2 : size < 1000 ? 1 : 0)} W`;
}

// Two digits of the uncertainty, and the value as far (GUM 7.2.6).
export function figure(value, uncertainty) {
  if (value === null) return null;
  if (uncertainty === null || !(uncertainty > 0)) return watts(value);
  let decimals = 1 - Math.floor(Math.log10(uncertainty));
  if (Number(uncertainty.toFixed(Math.max(0, decimals))) >= 10 ** (2 - decimals)) decimals -= 1;
  if (decimals >= 0) return `${value.toFixed(decimals)} ± ${uncertainty.toFixed(decimals)} W`;
  const step = 10 ** -decimals;
  return `${Math.round(value / step) * step} ± ${Math.round(uncertainty / step) * step} W`;
}

function duration(seconds) {
  const s = Math.max(0, Math.round(seconds));
  if (s < 120) return `${s} s`;
  const minutes = Math.floor(s / 60);
  if (minutes < 120) return `${minutes} min`;
  const hours = Math.floor(minutes / 60);
  return hours < 72 ? `${hours} h ${minutes % 60} min` : `${Math.floor(hours / 24)} days ${hours % 24} h`;
}

const clock = new Intl.DateTimeFormat(undefined, { hour: '2-digit', minute: '2-digit', second: '2-digit' });
const calendar = new Intl.DateTimeFormat(undefined, { dateStyle: 'medium', timeStyle: 'short' });
const count = new Intl.NumberFormat();

// --- the curve

class Curve {
  constructor() {
    this.bins = [];
    this.drawnWith = null;
    this.svg = drawn('svg', { class: 'curve', role: 'img' });
  }

  add(bins) {
    for (const bin of bins) {
      while (this.bins.length > 0 && this.bins.at(-1)[0] >= bin[0]) this.bins.pop();
      this.bins.push(bin);
    }
  }

  // Round steps of 1, 2 or 5 that cut the range into four or five.
  static scale(lowest, highest) {
    const rough = Math.max(highest - lowest, 0.001) / 4;
    const power = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((n) => n * power).find((s) => s >= rough * 0.999);
    const from = Math.floor(lowest / step) * step;
    const to = Math.max(Math.ceil(highest / step) * step, from + step);
    return { from, to, step, decimals: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
  }

  // Stretches of bins without a hole between them.
  stretches(holeMs) {
    const all = [];
    let last = -Infinity;
    for (const bin of this.bins) {
      if (bin[0] - last > holeMs) all.push([]);
      all.at(-1).push(bin);
      last = bin[0];
    }
    return all;
  }

  // As many pixels as the page gives it, so that its text keeps its size.
  size() {
    const width = Math.min(Math.max(this.svg.clientWidth, 280), 1200);
    const height = Math.round(Math.min(Math.max(width / 4, PHONE.matches ? 110 : 150), 260));
    this.svg.setAttribute('viewBox', `0 0 ${width} ${height}`);
    return [width, height];
  }

  static hole(from, to, y) {
    const line = drawn('line', { class: 'hole', x1: from, x2: to, y1: y, y2: y });
    if (to - from < TEXT_PX) return [line];
    return [line, drawn('text', { x: (from + to) / 2, y: y - 6, 'text-anchor': 'middle' }, 'no data')];
  }

  // The page may have got another width between two messages, or be held still.
  drawAgain() {
    if (this.drawnWith) this.draw(...this.drawnWith);
  }

  draw(now, holeS) {
    this.drawnWith = [now, holeS];
    const [full, high] = this.size();
    while (this.bins.length > 0 && this.bins[0][0] < now - SHOWN_MS) this.bins.shift();
    const parts = [];
    if (this.bins.length === 0) {
      parts.push(drawn('text', { x: full / 2, y: high / 2, 'text-anchor': 'middle' },
        'no readings in the last ten minutes'));
      this.svg.setAttribute('aria-label', 'Power: no readings in the last ten minutes');
      this.svg.replaceChildren(...parts);
      return;
    }
    const lowest = Math.min(...this.bins.map((bin) => bin[1]));
    const highest = Math.max(...this.bins.map((bin) => bin[3]));
    const scale = Curve.scale(Math.min(lowest, Math.max(0, lowest - (highest - lowest) / 4)), highest);
    const width = full - EDGE.left - EDGE.right;
    const height = high - EDGE.top - EDGE.bottom;
    const x = (ms) => (EDGE.left + width * (1 - (now - ms) / SHOWN_MS)).toFixed(1);
    const y = (w) => (EDGE.top + height * (1 - (w - scale.from) / (scale.to - scale.from))).toFixed(1);
    for (let w = scale.from; w <= scale.to + scale.step / 2; w += scale.step) {
      parts.push(drawn('line', { class: 'grid', x1: EDGE.left, x2: full - EDGE.right, y1: y(w), y2: y(w) }));
      const last = w + scale.step > scale.to + scale.step / 2;
      parts.push(drawn('text', { x: EDGE.left - 8, y: Number(y(w)) + 4, 'text-anchor': 'end' },
        w.toFixed(scale.decimals) + (last ? ' W' : '')));
    }
    for (const minutes of [10, 5, 0]) {
      parts.push(drawn('text', {
        x: x(now - minutes * 60000), y: high - 6,
        'text-anchor': minutes === 0 ? 'end' : minutes === 10 ? 'start' : 'middle',
      }, minutes === 0 ? 'now' : `${minutes} min ago`));
    }
    let before = null;
    for (const stretch of this.stretches(Math.max(holeS, 2) * 1000)) {
      const ends = (bin) => [x(bin[0]), x(Math.min(bin[0] + 1000, now))];
      const up = stretch.map((bin) => `${ends(bin)[0]},${y(bin[3])} ${ends(bin)[1]},${y(bin[3])}`);
      const down = stretch.map((bin) => `${ends(bin)[1]},${y(bin[1])} ${ends(bin)[0]},${y(bin[1])}`).reverse();
      parts.push(drawn('path', { class: 'band', d: `M${up.join(' ')} ${down.join(' ')}Z` }));
      parts.push(drawn('path', { class: 'mean', d: `M${stretch.map((bin) => `${x(bin[0] + 500)},${y(bin[2])}`).join(' ')}` }));
      if (before) {
        parts.push(...Curve.hole(Number(x(before[0] + 1000)), Number(x(stretch[0][0])), EDGE.top + height / 2));
      }
      before = stretch.at(-1);
    }
    this.svg.setAttribute('aria-label', `Power of the last ten minutes: lowest ${watts(lowest)}, highest ${watts(highest)}`);
    this.svg.replaceChildren(...parts);
  }
}

// --- a meter

class MeterCard {
  constructor(name) {
    this.curve = new Curve();
    this.state = element('span', { className: 'state' });
    this.now = element('span', { className: 'now' });
    this.values = new Map();
    this.figures = element('dl', { className: 'facts' });
    this.run = element('dl', { className: 'facts' });
    this.health = element('dl', { className: 'facts health' });
    // On a phone a meter takes half a screen: the rest is one touch away.
    this.more = element('details', { className: 'more', open: !PHONE.matches }, [element('summary', { textContent: 'More' }), this.run]);
    this.markTitle = element('h3', { textContent: 'Marks', hidden: true });
    this.marks = element('ul', { className: 'marks' });
    this.shownMarks = '';
    this.node = element('section', { className: 'card' }, [
      element('div', { className: 'top' }, [element('h2', { textContent: name }), this.state, this.now]),
      this.curve.svg, this.figures, this.more,
    ]);
    this.more.append(this.markTitle, this.marks, this.health);
    PHONE.addEventListener('change', () => (this.more.open = !PHONE.matches));
    this.node.setAttribute('aria-label', `Meter ${name}`);
  }

  fact(title, text, kind = '', list = this.figures) {
    if (!this.values.has(title)) {
      const value = element('dd');
      list.append(element('div', { className: kind === 'broad' ? 'broad' : '' }, [
        element('dt', { textContent: title }), value]));
      if (kind === 'figure') value.className = 'figure';
      this.values.set(title, value);
    }
    say(this.values.get(title), text);
  }

  show(meter, now) {
    this.curve.add(meter.curve);
    this.curve.draw(now, meter.gap_s);
    const good = meter.state === 'recording';
    this.state.className = `state ${good ? 'good' : 'bad'}`;
    say(this.state, meter.state);
    say(this.now, good ? watts(meter.power_w) : '–');
    this.showRun(meter.run, now);
    const health = (title, text) => this.fact(title, text, '', this.health);
    health('Last reading', meter.age_s === null ? 'none yet' : `${duration(meter.age_s)} ago`);
    for (const title of ['readings', 'faults', 'gaps', 'lost'])
      health(title[0].toUpperCase() + title.slice(1), count.format(meter[title]));
  }

  showRun(run, now) {
    this.fact('Device', run ? run.device ?? 'not named yet' : '–');
    this.fact('Now', run && run.kind ? run.kind : '–', 'figure');
    const level = run ? figure(run.level_w, run.uncertainty_w) : null;
    this.fact('Level so far', level === null ? '–' : level + (run.settling ? ', settling' : ''), 'figure');
    this.fact('Since', run && run.kind ? `${clock.format(run.kind_since)} (${duration((now - run.kind_since) / 1000)})` : '–');
    const soFar = (run ? run.so_far : []).map((one) => `${one.name} ${figure(one.value_w, one.uncertainty_w)}`);
    const more = (title, text) => this.fact(title, text, 'broad', this.run);
    more('This run so far', soFar.length ? soFar.join(', ') : '–');
    more('Run', run ? `${run.run}, since ${calendar.format(run.begin)}` : 'none open');
    more('Note', run && run.note ? run.note : '–');
    const marks = run ? run.marks : [];
    const key = JSON.stringify(marks);
    if (key === this.shownMarks) return;
    this.shownMarks = key;
    this.markTitle.hidden = marks.length === 0;
    this.marks.replaceChildren(...marks.map((mark) => element('li', {
      textContent: `${clock.format(mark.at)} ${mark.text}${mark.kind ? ` (${mark.kind})` : ''}`,
    })));
  }
}

// --- the whole page

const cards = new Map();
let toldRuns = null; // the open runs when the list was last asked for

function showMeters(state) {
  const place = byId('meters');
  const names = state.meters.map((meter) => meter.name);
  for (const [name, card] of cards) {
    if (names.includes(name)) continue;
    card.node.remove();
    cards.delete(name);
  }
  for (const meter of state.meters) {
    if (!cards.has(meter.name)) {
      cards.set(meter.name, new MeterCard(meter.name));
      place.append(cards.get(meter.name).node);
    }
    cards.get(meter.name).show(meter, state.now);
  }
}

function tellChanges(state) {
  const bad = state.meters.filter((meter) => meter.state !== 'recording');
  const lines = bad.map((meter) => `Meter ${meter.name} is ${meter.state}.`);
  if (state.paused) lines.push('The store cannot be written: readings wait in memory.');
  if (state.lost > 0) lines.push(`${count.format(state.lost)} readings were lost.`);
  say(byId('news'), lines.join(' '));
  const runs = state.meters.map((meter) => `${meter.run?.run}`).join();
  if (runs !== toldRuns) refreshRuns();
  toldRuns = runs;
}

function showState(state) {
  showMeters(state);
  tellChanges(state);
  const well = state.meters.filter((meter) => meter.state === 'recording').length;
  say(byId('service'), `${well} of ${state.meters.length} meters recording, since ${calendar.format(state.since)}`);
  say(byId('store'), `Version ${state.version}. Last write to the store took ${(state.flush_s * 1000).toFixed(1)} ms; `
    + `${count.format(state.queue)} of at most ${count.format(state.queue_limit)} readings wait.`);
}

function runRow(run) {
  const cell = (text, className = '') => element('td', { textContent: text, className });
  const link = element('a', { href: `/runs/${run.run}`, textContent: `${run.run}` });
  const length = run.end === null ? 'open' : duration((run.end - run.begin) / 1000);
  const beside = [run.note, run.includes.join(', ')].filter((text) => text !== '').join('; ');
  return element('tr', {}, [
    element('td', {}, run.origin === 'entered' ? [`${run.run}`] : [link]),
    cell(run.device ?? 'not named yet', 'said'),
    cell(run.meter ?? run.origin), cell(calendar.format(run.begin), 'whole'),
    cell(run.origin === 'entered' ? '–' : length, 'number'), cell(count.format(run.samples), 'number'), cell(beside, 'said'),
  ]);
}

async function refreshRuns() {
  const answer = await fetch('/runs.json').catch(() => null);
  if (answer?.status === 401) location.reload();
  if (!answer?.ok) return;
  const list = await answer.json();
  byId('runs').replaceChildren(...list.runs.map(runRow));
  say(byId('runs-more'), list.runs.length === 0 ? 'No runs yet.' : list.more > 0 ? `${list.more} older runs are not listed.` : '');
}

// --- the stream

let stream = null;
let number = null; // the stream's, to tell the service what was seen
let heard = false;

const held = () => byId('pause').getAttribute('aria-pressed') === 'true';

function connect() {
  stream = new EventSource('/live');
  stream.addEventListener('hello', (event) => {
    number = JSON.parse(event.data).stream;
    heard = true;
    tellSeen();
  });
  stream.addEventListener('state', (event) => {
    heard = true;
    showState(JSON.parse(event.data));
  });
  stream.addEventListener('error', () => {
    number = null;
    if (stream.readyState !== EventSource.OPEN) say(byId('service'), 'The service does not answer; trying again …');
    // Refused outright (no token any more, too many watchers): the browser does not try again by itself.
    if (stream.readyState !== EventSource.CLOSED || held()) return;
    setTimeout(() => {
      if (held()) return;
      refreshRuns();
      connect();
    }, TRY_AGAIN_MS);
  });
}

function tellSeen() {
  if (number === null || !heard) return;
  heard = false;
  fetch(`/live/seen?stream=${number}`, { method: 'HEAD' }).catch(() => {});
}

byId('pause').addEventListener('click', (event) => {
  event.target.setAttribute('aria-pressed', String(!held()));
  stream.close();
  if (!held()) return connect();
  number = null;
  say(byId('service'), 'Held still: what is shown does not change.');
});

addEventListener('resize', () => {
  for (const card of cards.values()) card.curve.drawAgain();
});

connect();
setInterval(tellSeen, SEEN_EVERY_MS);
setInterval(refreshRuns, RUNS_EVERY_MS);
