// Makes each run's still curve one that can be zoomed. Without it the page is complete, only still.
import uPlot from "uplot";

const height = 260;
const ribbon = 22;
// Closer than this there is nothing more to see: about three stretches of the curve.
const fewestBins = 3;

// Read when the first curve needs it, so that the first picture need not wait.
let parsed = null;
function data() {
  parsed = parsed || JSON.parse(document.getElementById("data").textContent);
  return parsed;
}
const plots = new Set();

function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

// Times are shown at the offset of the machine that made the report, wherever it is read.
function offsetSeconds(local) {
  const match = /([+-])(\d\d):(\d\d)$/.exec(local);
  return match ? (match[1] === "-" ? -1 : 1) * (match[2] * 3600 + match[3] * 60) : 0;
}

function columns(run, begin) {
  const curve = run.curve;
  const scaled = (values) => values.map((value) => (value === null ? null : value * curve.unit_w));
  return [curve.ms.map((ms) => begin + ms / 1000), scaled(curve.lowest), scaled(curve.highest), scaled(curve.mean)];
}

// A small tile for each kind, the same marks as in the still curve.
function tile(context, kind) {
  const ratio = devicePixelRatio;
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = Math.round(10 * ratio);
  const pen = canvas.getContext("2d");
  pen.scale(ratio, ratio);
  pen.fillStyle = colour("--g-" + kind);
  pen.fillRect(0, 0, 10, 10);
  pen.strokeStyle = pen.fillStyle = colour("--m-" + kind);
  pen.lineWidth = 1.2;
  const strokes = {
    ramp: "M2 0V10M7 0V10",
    plateau: "M0 10L10 0M-2 2L2 -2M8 12L12 8",
    charging: "M0 5L2.5 2L7.5 8L10 5",
    unsteady: "M0 10L10 0M0 0L10 10",
    gap: "M0 2H5M5 7H10",
  };
  const dots = { off: [[5, 5, 0.7]], standby: [[3, 3, 1.2], [8, 8, 1.2]] };
  if (strokes[kind]) pen.stroke(new Path2D(strokes[kind]));
  for (const [x, y, r] of dots[kind] || []) {
    pen.beginPath();
    pen.arc(x, y, r, 0, 7);
    pen.fill();
  }
  return context.createPattern(canvas, "repeat");
}

function drawSegments(plot, segments) {
  const pen = plot.ctx;
  const box = plot.bbox;
  const ratio = devicePixelRatio;
  const tiles = {};
  pen.save();
  pen.beginPath();
  pen.rect(box.left, 0, box.width, box.top + box.height);
  pen.clip();
  pen.font = 12 * ratio + "px system-ui, sans-serif";
  pen.textBaseline = "middle";
  for (const { kind, from, to } of segments) {
    const left = Math.max(box.left - 2, plot.valToPos(from, "x", true));
    const right = Math.min(box.left + box.width + 2, plot.valToPos(to, "x", true));
    if (right < box.left || left > box.left + box.width) continue;
    const width = Math.max(ratio, right - left);
    const pattern = (tiles[kind] = tiles[kind] || tile(pen, kind));
    pen.fillStyle = kind === "gap" ? pattern : colour("--g-" + kind);
    pen.fillRect(left, box.top, width, box.height);
    pen.fillStyle = pattern;
    pen.fillRect(left, box.top - ribbon * ratio, width, (ribbon - 3) * ratio);
    if (width < 12 * ratio) continue;
    const words = pen.measureText(kind).width + 8 * ratio < width ? kind : kind[0];
    pen.lineWidth = 3 * ratio;
    pen.strokeStyle = colour("--g-" + kind);
    pen.fillStyle = colour("--ink");
    const x = Math.max(left, box.left) + 4 * ratio;
    const y = box.top - (ribbon / 2 + 1) * ratio;
    pen.strokeText(words, x, y);
    pen.fillText(words, x, y);
  }
  pen.restore();
}

// As fine as the marks are apart: days, minutes or seconds.
function markTexts(_, marks, __, ___, apart) {
  return marks.map((mark) => {
    const text = new Date(mark * 1000).toISOString();
    return apart >= 86400 ? text.slice(5, 10) : apart >= 60 ? text.slice(11, 16) : text.slice(11, 19);
  });
}

function axis(extra) {
  const grid = { stroke: () => colour("--rule"), width: 1 };
  return { stroke: () => colour("--soft"), grid, ticks: grid, font: "12px system-ui, sans-serif", ...extra };
}

function options(run, width, segments, say) {
  const line = (label, extra) => ({ label, stroke: () => colour("--band"), width: 1, points: { show: false }, ...extra });
  return {
    width,
    height,
    padding: [ribbon + 4, 26, 0, 0], // half a mark of seconds may stand at the very end
    tzDate: (seconds) => uPlot.tzDate(new Date(seconds * 1000), "Etc/UTC"),
    legend: { show: false },
    cursor: { y: false, drag: { x: true, y: false }, points: { show: false } },
    scales: { y: { range: (_, low, high) => [Math.min(0, low), high > 0 ? high * 1.06 : 1] } },
    axes: [axis({ values: markTexts, space: 70 }), axis({ size: 58, values: (_, marks) => marks.map((mark) => mark + " W") })],
    series: [
      {},
      line("lowest"),
      line("highest"),
      line("mean", { stroke: () => colour("--mean"), width: 1.6 }),
    ],
    bands: [{ series: [2, 1], fill: () => colour("--band") }],
    hooks: {
      drawClear: [(plot) => drawSegments(plot, segments)],
      setCursor: [(plot) => say(plot, plot.cursor.idx)],
      setScale: [(plot) => say(plot, null)],
    },
  };
}

function clock(seconds) {
  return new Date(seconds * 1000).toISOString().slice(0, 19).replace("T", " ");
}

function move(plot, zoom, shift, centre = 0.5) {
  const times = plot.data[0];
  const first = times[0];
  const last = times[times.length - 1];
  const { min, max } = plot.scales.x;
  const span = Math.min(last - first, Math.max((max - min) * zoom, plot.binSeconds * fewestBins));
  let from = min + (max - min) * centre - span * centre + (max - min) * shift;
  from = Math.min(Math.max(from, first), last - span);
  plot.setScale("x", { min: from, max: from + span });
}

function all(plot) {
  const times = plot.data[0];
  plot.setScale("x", { min: times[0], max: times[times.length - 1] });
}

const actions = {
  "+": ["Zoom in", (plot) => move(plot, 0.5, 0)],
  "−": ["Zoom out", (plot) => move(plot, 2, 0)],
  "←": ["Earlier", (plot) => move(plot, 1, -0.25)],
  "→": ["Later", (plot) => move(plot, 1, 0.25)],
  "All": ["All of the run", all],
};
const keys = { "+": "+", "=": "+", "-": "−", ArrowLeft: "←", ArrowRight: "→", Home: "All", 0: "All" };

function withKeys(plot, surface) {
  surface.addEventListener("keydown", (event) => {
    const action = keys[event.key];
    if (!action || event.ctrlKey || event.altKey || event.metaKey) return;
    actions[action][1](plot);
    event.preventDefault();
  });
  // The wheel zooms only with a key held down, so that a page can be scrolled past its curves.
  surface.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && !event.shiftKey) return;
    const box = plot.over.getBoundingClientRect();
    move(plot, event.deltaY + event.deltaX < 0 ? 0.8 : 1.25, 0, (event.clientX - box.left) / box.width);
    event.preventDefault();
  }, { passive: false });
}

function withTouch(plot, surface) {
  let before = null;
  const look = (touches) => {
    const box = plot.over.getBoundingClientRect();
    const xs = Array.from(touches, (touch) => (touch.clientX - box.left) / box.width);
    const middle = xs.reduce((sum, x) => sum + x, 0) / xs.length;
    return { count: xs.length, middle, apart: xs.length > 1 ? Math.abs(xs[0] - xs[1]) : 0 };
  };
  surface.addEventListener("touchstart", (event) => (before = look(event.touches)), { passive: true });
  surface.addEventListener("touchmove", (event) => {
    const now = look(event.touches);
    if (before && now.count === before.count) {
      const zoom = now.count > 1 && now.apart > 0.02 ? before.apart / now.apart : 1;
      move(plot, zoom, before.middle - now.middle, now.middle);
      if (now.count > 1) event.preventDefault();
    }
    before = now;
  }, { passive: false });
  surface.addEventListener("touchend", () => (before = null));
}

function buttons(plot, output, name) {
  const row = document.createElement("div");
  row.className = "keys";
  for (const [sign, [words, act]] of Object.entries(actions)) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = sign;
    button.title = words;
    button.setAttribute("aria-label", words + ": " + name);
    button.addEventListener("click", () => act(plot));
    row.append(button);
  }
  row.append(output);
  return row;
}

function enliven(figure) {
  const run = data().runs.find((one) => String(one.run) === figure.dataset.run);
  if (!run || !run.curve || run.curve.ms.length < 2) return;
  const offset = offsetSeconds(run.curve.local);
  const begin = Date.parse(run.curve.from) / 1000 + offset;
  const segments = run.segments.map((one) => ({
    kind: one.kind,
    from: Date.parse(one.begin) / 1000 + offset,
    to: Date.parse(one.end) / 1000 + offset,
  }));
  const output = document.createElement("output");
  // No digit that the display has not; of a mean one more.
  const digits = (more) => (run.curve.step_w > 0 ? Math.max(0, Math.ceil(-Math.log10(run.curve.step_w) - 1e-9)) + more : 3);
  const watts = (value, more) => value.toFixed(Math.min(digits(more), Math.max(0, 3 - Math.floor(Math.log10(Math.max(Math.abs(value), 1e-3))))));
  const say = (plot, index) => {
    const at = (series) => plot.data[series][index];
    output.textContent =
      index === null || index === undefined || at(3) === null
        ? clock(plot.scales.x.min) + " to " + clock(plot.scales.x.max)
        : clock(at(0)) + ": " + watts(at(3), 1) + " W, from " + watts(at(1), 0) + " to " + watts(at(2), 0) + " W";
  };
  const live = document.createElement("div");
  live.className = "live";
  const surface = document.createElement("div");
  surface.className = "plot";
  surface.tabIndex = 0;
  surface.setAttribute("role", "group");
  const name = run.device || "run " + run.run;
  surface.setAttribute("aria-label", "Curve of " + name + ". Plus and minus zoom, arrows move, Home shows all.");
  live.append(surface);
  figure.prepend(live);
  figure.classList.add("drawn");
  const plot = new uPlot(options(run, figure.clientWidth, segments, say), columns(run, begin), surface);
  plot.binSeconds = run.curve.bin_s;
  plot.figure = figure;
  live.prepend(buttons(plot, output, name));
  all(plot);
  withKeys(plot, surface);
  withTouch(plot, surface);
  plots.add(plot);
}

const watch = new IntersectionObserver(
  (entries) => {
    for (const entry of entries) {
      if (!entry.isIntersecting) continue;
      watch.unobserve(entry.target);
      enliven(entry.target);
    }
  },
  { rootMargin: "200px" },
);
// After the first picture, which is still and complete.
requestAnimationFrame(() => setTimeout(() => document.querySelectorAll("figure.curve").forEach((one) => watch.observe(one))));

addEventListener("resize", () => {
  for (const plot of plots) if (plot.figure.clientWidth > 0) plot.setSize({ width: plot.figure.clientWidth, height });
});
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => plots.forEach((plot) => plot.redraw()));

// On paper all is there: what is folded is opened, and folded again afterwards.
let unfolded = [];
addEventListener("beforeprint", () => {
  unfolded = [...document.querySelectorAll("details:not([open])")];
  unfolded.forEach((one) => (one.open = true));
});
addEventListener("afterprint", () => unfolded.forEach((one) => (one.open = false)));
