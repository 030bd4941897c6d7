// How figures are written. Seconds come in; offset = local clock minus UTC.

const scales = { s: 1, ms: 1e3, "µs": 1e6, ns: 1e9 };
const unitFor = (size) => Object.keys(scales).find((u) => size * scales[u] >= 0.9995) ?? "ns";

// nextUnit is the unit of all that is said of a second, as the program's terminal has
// it: that of the offset or of its interval, whichever is larger. The unit of the
// second before is kept a little below its own size.
export function nextUnit(s, last) {
  if (s.offset_s === null || !s.ci95_s) return last;
  const size = Math.max(Math.abs(s.offset_s), s.offset_s - s.ci95_s[0], s.ci95_s[1] - s.offset_s);
  const smallest = s.radio.state === "by wire" ? "ns" : "µs";
  const unit = size >= 1e-3 ? "ms" : size >= 1e-6 ? "µs" : smallest;
  return scales[unit] <= scales[last] || size * scales[last] < 0.8 ? unit : last;
}

// offsetText writes an offset as the program's terminal does: five digits, but
// no finer than 0.1 µs by radio or 1 ns by wire.
export function offsetText(x, byWire, unit = Math.abs(x) >= 1e-3 ? "ms" : byWire && Math.abs(x) < 1e-6 ? "ns" : "µs") {
  const size = Math.abs(x), scale = scales[unit];
  let places = Math.max(0, Math.round(Math.log10((byWire ? 1e9 : 1e7) / scale)));
  while (places > 0 && size * scale >= 10 ** (5 - places)) places--;
  const digits = (size * scale).toFixed(places);
  return [(x < 0 ? "−" : "+") + digits, unit];
}

// short writes a length of time in three digits, not to be parted from its unit.
export function short(seconds, unit = unitFor(Math.abs(seconds))) {
  if (seconds === 0) return "0\u00a0s";
  return (seconds < 0 ? "−" : "") + Number((Math.abs(seconds) * scales[unit]).toPrecision(3)) + "\u00a0" + unit;
}

// shortWith writes a value with its half-width, in the unit of the greater.
export function shortWith(value, half) {
  const unit = unitFor(Math.max(Math.abs(value), half));
  return `${rounded(value, half, unit)} ± ${rounded(half, half, unit)} ${unit}`;
}

// rounded writes a value in a unit, to the second digit of its half-width.
export function rounded(value, half, unit) {
  const scale = scales[unit], places = Math.max(0, Math.min(4, 1 - Math.floor(Math.log10(half * scale))));
  return (value * scale).toFixed(places).replace("-", "−");
}

// length writes a time in a recording as minutes and seconds.
export function length(seconds) {
  const t = Math.floor(seconds), h = Math.floor(t / 3600), two = (n) => String(n).padStart(2, "0");
  return h > 0 ? `${h}:${two(Math.floor(t / 60) % 60)}:${two(t % 60)}` : `${Math.floor(t / 60)}:${two(t % 60)}`;
}

export const clockTime = (iso) => new Date(iso).toISOString().slice(11, 19);

// What is not found after this many seconds is missing.
const markerTakes = 10, tickTakes = 30;

// advice is what to do about a second's state, so long after the fix was begun:
// its mood, its word, what is to go in a few characters, which way the marker must go on the axis (+1 later), and
// what the state is against the tolerance.
export function advice(s, tolerance, measured, unit) {
  if (s.offset_s === null) {
    const marker = s.verdict === "no-marker";
    if (measured < (marker ? markerTakes : tickTakes)) return { mood: "wait", word: "wait", way: 0, target: "" };
    if (s.waiting) return { mood: "wait", word: s.waiting.for === "order of a minute" ? "no station" : "wait", way: 0, target: "" };
    return { mood: "wait", word: marker ? "no marker" : "no station", way: 0,
      target: marker ? "see the levels below; is the clock's pulse plugged in?" : "another carrier, station or hour may be heard; see the levels below" };
  }
  if (s.verdict === "no-path") return { mood: "wait", word: "no path", way: 0, target: `the marker stands ${asHeard(s.offset_s)}` };
  const larger = scales[unitFor(tolerance)] < scales[unit] ? unitFor(tolerance) : unit, say = (seconds) => short(seconds, larger);
  const x = Math.abs(s.offset_s), tol = say(tolerance), within = tolerance - x, p = s.prospect;
  const certain = -tolerance <= s.ci95_s[0] && s.ci95_s[1] <= tolerance;
  const turn = (far, target) => ({ mood: "turn", word: s.offset_s > 0 ? "retard" : "advance", way: s.offset_s > 0 ? 1 : -1, togo: say(far), target });
  if (s.marker.missing_s > 0) {
    return { mood: "wait", word: "no pulse", way: 0, target: `no pulse of the marker for ${s.marker.missing_s} s` };
  }
  if (x > tolerance) return turn(x - tolerance, `make its tick come ${s.offset_s > 0 ? "later" : "earlier"}: ${say(x - tolerance)} to go to ±${tol}`);
  if (certain) return { mood: "set", word: "stop", way: 0, togo: "nothing", target: `set: within ±${tol}, certain to 95 %` };
  if (p.limit_s >= tolerance) {
    return { mood: "wait", word: "hold", way: 0, togo: "unproven", target: `cannot be proven to ±${tol}: the limit is ±${say(p.limit_s)}, from the ${p.limit_from}; ${narrower(p.limit_from)}` };
  }
  if (within <= p.limit_s) return turn(x + p.limit_s - tolerance, `within ±${tol}, not for certain: turn on, ${say(x + p.limit_s - tolerance)} to go`);
  // A mean's variance falls as the time it is taken over grows.
  const more = Math.max(0, p.averaged_s * (p.noise_s ** 2 / (within ** 2 - p.limit_s ** 2) - 1));
  return { mood: "wait", word: "hold", way: 0, togo: soon(more), target: `within ±${tol}, certain in about ${soon(more)}` };
}

// asHeard says where the marker stands against the tick as it arrives, which says
// nothing of the clock.
function asHeard(offset) {
  return `${short(Math.abs(offset))} ${offset < 0 ? "after" : "before"} the tick as heard`;
}

// narrower says what makes a line of the budget smaller.
function narrower(source) {
  if (source.startsWith("path")) return "give the path delay with its ±, or try another carrier";
  if (source.startsWith("receiver") || source === "skew") return "calibrate it";
  return "another station may do better";
}

// soon is a rough length of time.
function soon(seconds) {
  if (seconds < 95) return `${Math.max(5, Math.round(seconds / 5) * 5)}\u00a0s`;
  return seconds < 5400 ? `${Math.round(seconds / 60)}\u00a0min` : "hours";
}

// sides writes the sides of an interval: "±0.16 ms", or "−0.10/+0.22 ms" when they
// differ by more than a tenth. Away from zero is up.
export function sides(x, ci95, unit = unitFor(Math.max(x - ci95[0], ci95[1] - x))) {
  let below = x - ci95[0], above = ci95[1] - x;
  if (x < 0) [below, above] = [above, below];
  if (Math.max(below, above) <= 1.1 * Math.min(below, above)) return `±${short((below + above) / 2, unit)}`;
  return `−${short(below, unit).split("\u00a0")[0]}/+${short(above, unit)}`;
}

// intervalText says the offset with its interval.
export function intervalText(s, measured, unit) {
  if (s.offset_s === null) {
    if (s.verdict === "no-marker" && measured < markerTakes) return "listening for the marker, which takes a few seconds";
    if (s.verdict !== "no-marker" && measured < tickTakes) return "listening for a station's marks, which takes half a minute or less";
    return s.reason;
  }
  if (s.verdict === "no-path") return s.reason;
  const against = s.radio.state === "by wire" ? "the reference" : "UTC";
  return `the clock is ${s.sense === "ahead" ? "ahead of" : "behind"} ${against}, ${sides(s.offset_s, s.ci95_s, unit)} (95\u00a0%)`;
}

// receptionShort is the reception in a few characters, to be read from afar.
export function receptionShort(s) {
  const best = s.stations.find((v) => v.state === s.radio.state) ?? s.stations[0], name = best ? best.id.toUpperCase() + " " : "";
  switch (s.radio.state) {
    case "heard": return `${name}${best?.snr_db != null ? `${best.snr_db.toFixed(0).replace("-", "−")}\u00a0dB` : "heard"}`;
    case "fading": return `${name}fading ${s.radio.gone_s.toFixed(0)}\u00a0s`;
    case "coasting": return `${name}gone ${s.radio.gone_s.toFixed(0)}\u00a0s`;
    case "never heard": return s.waiting ? s.waiting.for === "order of its marks" ? "its marks" : "a tick" : "not heard";
  }
  return s.radio.state;
}

export function receptionText(r) {
  switch (r.state) {
    case "never heard": return "not heard yet";
    case "fading": return `fading for ${r.gone_s.toFixed(0)} s`;
    case "coasting": return `gone for ${r.gone_s.toFixed(0)} s, coasting`;
  }
  return r.state;
}
