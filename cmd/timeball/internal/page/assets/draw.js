// The drawings: the axis around the second, the raster and the history.
import { short, length } from "./words.js";

const SVG = "http://www.w3.org/2000/svg";

// el makes an SVG element.
function el(name, attributes = {}, text) {
  const e = document.createElementNS(SVG, name);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  if (text !== undefined) e.textContent = text;
  return e;
}

// sized measures a drawing in pixels as they are with text of the usual 16 px: where
// text is larger, so is all that is drawn.
function sized(svg) {
  const px = parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;
  const w = svg.clientWidth / px, h = svg.clientHeight / px;
  svg.setAttribute("viewBox", `0 0 ${w} ${h}`);
  return [w, h];
}

// roundStep is a step of 1, 2 or 5 that makes about n parts of a length.
function roundStep(whole, n) {
  const p = 10 ** Math.floor(Math.log10(whole / n));
  return p * ([1, 2, 5].find((f) => p * f >= whole / n) ?? 10);
}

// spans are the half-widths of the axis, s.
export const spans = [1e-5, 2e-5, 5e-5, 1e-4, 2e-4, 5e-4, 1e-3, 2e-3, 5e-3, 1e-2, 2e-2, 5e-2, 0.1, 0.2, 0.5];
// patience is how many seconds the axis waits before it goes closer.
const patience = 3;

// Axis shows the time around the UTC second, later to the right: the marker,
// the tolerance, the offset's band and the mean tick, all delays taken out.
export class Axis {
  #svg; #back = el("g"); #mark = el("g", { id: "mark" }); #chosen = null; #span = spans.length - 1; #closer = 0;

  constructor(svg, changed) {
    this.#svg = svg;
    this.changed = changed;
    this.#mark.append(el("line", { x1: 0, x2: 0, y1: 20 }), el("path", { d: "M-8 6h16l-8 14z" }), el("text", { y: 18 }));
    svg.append(this.#back, this.#mark);
    svg.addEventListener("wheel", (e) => { // without Ctrl it scrolls the page
      if (!e.ctrlKey) return;
      e.preventDefault();
      this.zoom(e.deltaY > 0 ? 1 : -1);
    }, { passive: false });
    svg.addEventListener("keydown", (e) => {
      const by = { "+": -1, "=": -1, "-": 1, "−": 1 }[e.key];
      if (by) this.zoom(by);
      else if (e.key === "0") this.zoom(0);
      else return;
      e.preventDefault();
    });
    new ResizeObserver(() => this.draw()).observe(svg);
  }

  get automatic() { return this.#chosen === null; }
  get halfWidth() { return spans[this.#chosen ?? this.#span]; }

  // zoom goes one step closer (-1) or wider (+1), or back to automatic (0).
  zoom(by) {
    this.#chosen = by === 0 ? null : Math.max(0, Math.min(spans.length - 1, (this.#chosen ?? this.#span) + by));
    this.draw();
  }

  // second follows a new second's state.
  second(state, tolerance) {
    this.state = state;
    this.tolerance = tolerance;
    const x = state?.offset_s;
    if (x === null || x === undefined) return this.draw();
    const need = Math.max(1.25 * Math.abs(x), 1.1 * tolerance);
    const fits = Math.max(0, spans.findIndex((s) => s >= Math.min(need, 0.5)));
    this.#closer = fits < this.#span ? this.#closer + 1 : 0;
    if (fits > this.#span || this.#closer >= patience || this.#fresh) this.#span = fits, this.#closer = 0;
    this.#fresh = false;
    this.draw();
  }
  #fresh = true;

  reset() { this.#fresh = true; this.state = this.picture = undefined; this.draw(); }

  draw() {
    const [w, h] = sized(this.#svg), half = this.halfWidth;
    if (!w) return;
    const at = (t) => w / 2 + (t / half) * (w / 2 - 14), bottom = h - 22, clamp = (v) => Math.max(0, Math.min(w, v));
    this.#back.replaceChildren();
    const add = (...a) => this.#back.append(el(...a));
    const box = (cls, from, to, y, height) => add("rect", { class: cls, x: clamp(at(from)), width: Math.max(1, clamp(at(to)) - clamp(at(from))), y, height });
    const step = roundStep(2 * half, Math.max(2, Math.min(8, w / 110)));
    for (let i = -Math.floor(half / step); i <= half / step; i++) {
      const x = at(i * step);
      add("line", { class: "grid", x1: x, x2: x, y1: 26, y2: bottom });
      const label = i === 0 && this.state?.offset_s != null ? this.against : (i > 0 ? "+" : "") + short(i * step);
      if (x > 24 && x < w - 24) add("text", { x, y: h - 6, "text-anchor": "middle" }, label);
    }
    const s = this.state, x = s?.offset_s ?? null;
    this.changed(this);
    this.#marker(x, at, w, half, bottom);
    if (x === null) return add("text", { x: w / 2, y: (bottom + 26) / 2, "text-anchor": "middle" }, "no offset to show yet");
    box("band", s.ci95_s[0] - x, s.ci95_s[1] - x, 26, bottom - 26);
    this.#wave(at, w, half, bottom);
    add("line", { class: "utc", x1: at(0), x2: at(0), y1: 26, y2: bottom });
    if (this.tolerance && this.tolerance <= half) {
      const [l, r] = [at(-this.tolerance), at(this.tolerance)];
      // With the interval as it is, stop comes while the marker stands in this zone.
      const early = s.ci95_s[1] - x - this.tolerance, late = this.tolerance - (x - s.ci95_s[0]);
      if (early < late) box("stop", early, late, bottom - 6, 6);
      add("path", { class: "tol", d: `M${l + 7} 30H${l}V${bottom - 4}H${l + 7}M${r - 7} 30H${r}V${bottom - 4}H${r - 7}` });
    }
  }

  // wave draws the mean tick of the best station, and the onsets of all.
  #wave(at, w, half, bottom) {
    const stations = this.picture?.stations ?? [];
    stations.forEach((st, i) => {
      const y = bottom - 12 - 16 * i;
      if (i === 0 && st.wave.y.length) {
        const top = Math.max(...st.wave.y.map(Math.abs)) || 1;
        const mid = st.wave.audio ? (bottom + 26) / 2 : bottom - 8, tall = st.wave.audio ? (bottom - 26) / 2 - 8 : bottom - 44;
        const { first_s: first, step_s: step } = st.wave;
        const from = Math.max(0, Math.floor((-half - first) / step) - 1), to = Math.min(st.wave.y.length, Math.ceil((half - first) / step) + 2);
        const points = [];
        for (let k = from; k < to; k++) points.push(`${at(first + k * step).toFixed(1)},${(mid - (st.wave.y[k] / top) * tall).toFixed(1)}`);
        if (points.length) this.#back.append(el("polyline", { class: "wave", points: points.join(" ") }));
      }
      const o = at(st.onset_s);
      if (o < 0 || o > w) return;
      const lo = Math.max(0, at(st.band_s[0])), hi = Math.min(w, at(st.band_s[1]));
      this.#back.append(el("line", { class: "onsetband", x1: lo, x2: Math.max(hi, lo + 1), y1: y, y2: y }),
        el("path", { class: "onset", d: `M${o - 7} ${y}l7 -7 7 7 -7 7z` }),
        el("text", { x: o + 11, y: y + 4 }, st.id.toUpperCase()));
    });
  }

  // marker puts the marker at minus the offset: a clock that is ahead ticks before UTC.
  #marker(x, at, w, half, bottom) {
    const g = this.#mark;
    g.style.display = x === null ? "none" : "";
    if (x === null) return;
    const inside = Math.abs(x) <= half, place = Math.max(8, Math.min(w - 8, at(-x)));
    g.dataset.offset = x;
    g.style.transform = `translateX(${place.toFixed(1)}px)`;
    g.querySelector("line").setAttribute("y2", bottom);
    const label = g.querySelector("text"), left = place > w / 2;
    const turn = w > roomy && this.tolerance && Math.abs(x) > this.tolerance ? (x > 0 ? "retard →" : "← advance") : "";
    label.textContent = `${inside ? "" : x > 0 ? "⇤ " : "⇥ "}marker ${turn}`;
    label.setAttribute("text-anchor", left ? "end" : "start");
    label.setAttribute("x", left ? -13 : 13);
  }
}

const roomy = 220; // px: an axis on which the marker's label has room for what to do

// shades are the raster's colours from still to loud; they differ in
// brightness, so that no eye needs their hue.
const shades = [[13, 22, 38], [27, 74, 110], [74, 146, 170], [238, 214, 140], [255, 252, 240]];

function shade(v) {
  const at = (v ** 0.7) * (shades.length - 1), i = Math.min(Math.floor(at), shades.length - 2), f = at - i;
  return shades[i].map((a, k) => a + f * (shades[i + 1][k] - a));
}

// drawRaster draws a row for each second, the newest at the bottom.
export function drawRaster(canvas, station, seconds) {
  const scale = window.devicePixelRatio || 1, w = canvas.width = canvas.clientWidth * scale, h = canvas.height = canvas.clientHeight * scale;
  const c = canvas.getContext("2d");
  c.fillStyle = `rgb(${shades[0]})`;
  c.fillRect(0, 0, w, h);
  const r = station?.raster;
  if (!r?.rows?.length) return;
  const rows = r.rows.map((b) => Uint8Array.from(atob(b), (ch) => ch.charCodeAt(0)));
  const image = new ImageData(rows[0].length, rows.length);
  rows.forEach((row, y) => row.forEach((v, x) => image.data.set([...shade(v / 255), 255], 4 * (y * row.length + x))));
  const small = new OffscreenCanvas(image.width, image.height);
  small.getContext("2d").putImageData(image, 0, 0);
  c.imageSmoothingEnabled = false;
  // Rows keep a seemly height while there are few.
  const row = Math.min(h / rows.length, 12 * scale), top = h - row * rows.length;
  c.drawImage(small, 0, top, w, row * rows.length);
  const width = rows[0].length * r.step_s, at = (t) => ((t - r.first_s) / width) * w;
  c.lineWidth = 2 * scale;
  c.strokeStyle = "#fff";
  c.setLineDash([3 * scale, 5 * scale]);
  c.beginPath(); c.moveTo(at(0), 0); c.lineTo(at(0), h); c.stroke();
  // The marker where it stood at each second, as the seconds' states tell.
  c.fillStyle = "#ff9d4d";
  const places = new Map(seconds.filter((s) => s.offset_s !== null).map((s) => [Math.floor(s.t_s), -s.offset_s]));
  r.start_s.forEach((t, i) => {
    const x = places.get(Math.floor(t)) ?? places.get(Math.floor(t) + 1);
    if (x !== undefined) c.fillRect(Math.max(0, Math.min(w - 4 * scale, at(x) - 2 * scale)), top + i * row, 4 * scale, Math.max(row, scale));
  });
  return width;
}

// unbroken parts the seconds with an offset where there was none for a while: what was
// measured afresh, by another station perhaps, is another line.
function unbroken(seconds) {
  const parts = [];
  let last = -Infinity, count = Infinity;
  for (const s of seconds) {
    if (s.offset_s === null) continue;
    if (s.t_s > last + longestGap || s.count < count) parts.push([]);
    parts.at(-1).push(s);
    last = s.t_s;
    count = s.count;
  }
  return parts;
}
const longestGap = 3; // s

const endGame = 60; // s
const narrow = 560; // px: less width has no room for two scales side by side

// drawHistory draws the offset of each second with its band, the tolerance and the
// adjustments: the whole attempt, and beside it, on a scale of its own, the last
// minute: the far beginning must not hide the last turns of the hand.
export function drawHistory(svg, seconds, events, tolerance, against) {
  const [w, h] = sized(svg);
  svg.replaceChildren();
  const known = seconds.filter((s) => s.offset_s !== null);
  if (!w) return;
  if (known.length < 2) return svg.append(el("text", { x: w / 2, y: h / 2, "text-anchor": "middle" }, "no offset yet"));
  const late = known.filter((s) => s.t_s > known.at(-1).t_s - endGame);
  const one = (title, some, x, y, width, height) => {
    const g = el("svg", { x, y, width, height });
    svg.append(g);
    drawSpan(g, title, some, events, tolerance, against, width, height);
  };
  if (late.length === known.length) one("", known, 0, 0, w, h);
  else if (w < narrow) {
    one("whole attempt", known, 0, 0, w, h / 2);
    one("last minute", late, 0, h / 2, w, h / 2);
  } else {
    one("whole attempt", known, 0, 0, w / 2, h);
    one("last minute", late, w / 2, 0, w / 2, h);
  }
}

// drawSpan draws some of the history, in a place of its own.
function drawSpan(svg, title, known, events, tolerance, against, w, h) {
  const from = known[0].t_s, to = Math.max(known.at(-1).t_s, from + 30);
  let lo = Math.min(0, ...known.map((s) => s.offset_s)), hi = Math.max(0, ...known.map((s) => s.offset_s));
  const room = Math.max(0.1 * (hi - lo), 0.6 * Math.min(tolerance, 0.5), 1e-8);
  lo -= room; hi += room;
  const left = 78, top = title ? 22 : 8, x = (t) => left + ((t - from) / (to - from)) * (w - left - 8), y = (v) => top + ((hi - v) / (hi - lo)) * (h - top - 26);
  const add = (...a) => svg.append(el(...a));
  if (title) add("text", { class: "name", x: left, y: 14 }, title);
  const step = roundStep(hi - lo, Math.max(2, Math.min(5, (h - top - 26) / 30)));
  for (let i = Math.ceil(lo / step); i * step <= hi; i++) {
    add("line", { class: i === 0 ? "utc" : "grid", x1: left, x2: w - 8, y1: y(i * step), y2: y(i * step) });
    add("text", { class: "number", x: left - 6, y: y(i * step) + 4, "text-anchor": "end" }, i === 0 ? against : (i > 0 ? "+" : "") + short(i * step));
  }
  const every = [5, 10, 20, 30, 60, 120, 300, 600, 1800, 3600].find((s) => (to - from) / s <= Math.max(2, (w - left) / 70)) ?? 7200;
  for (let t = Math.ceil(from / every) * every; t <= to; t += every) {
    if (x(t) < w - 24) add("text", { class: "number", x: x(t), y: h - 6, "text-anchor": "middle" }, length(t));
  }
  const frame = el("svg", { x: left, y: top, width: Math.max(1, w - 8 - left), height: h - top - 26, viewBox: `${left} ${top} ${Math.max(1, w - 8 - left)} ${h - top - 26}` });
  svg.append(frame);
  const line = (all, value) => all.map((s) => `${x(s.t_s).toFixed(1)},${y(value(s)).toFixed(1)}`);
  for (const v of [tolerance, -tolerance]) if (v < hi && v > lo) add("line", { class: "tol dashed", x1: left, x2: w - 8, y1: y(v), y2: y(v) });
  const parts = unbroken(known);
  for (const part of parts) {
    frame.append(el("polygon", { class: "band", points: [...line(part, (s) => s.ci95_s[1]), ...line(part.toReversed(), (s) => s.ci95_s[0])].join(" ") }));
  }
  for (const e of events) {
    if (["adjusted", "station"].includes(e.kind) && e.t_s >= from) add("line", { class: "adjust", x1: x(e.t_s), x2: x(e.t_s), y1: top, y2: h - 26 });
  }
  for (const part of parts) frame.append(el("polyline", { class: "trace", points: line(part, (s) => s.offset_s).join(" ") }));
}
