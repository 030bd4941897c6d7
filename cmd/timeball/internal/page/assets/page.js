// The page: what the program says, shown; what the viewer wants, sent.
import { listen, send } from "./stream.js";
import { Axis, drawRaster, drawHistory } from "./draw.js";
import { offsetText, nextUnit, short, shortWith, rounded, length, clockTime, advice, sides, intervalText, receptionText, receptionShort } from "./words.js";

import { Sound } from "./sound.js";

const $ = (id) => document.getElementById(id);
const mostSeconds = 900;

let session, now, unit = "ns", picture, cameAt = Date.now(), seconds = [], events = [], fix, dirty = false;
const sound = new Sound();

const axis = new Axis($("axis"), (a) => {
  $("span").textContent = `±${short(a.halfWidth)}`;
  $("auto").setAttribute("aria-pressed", a.automatic);
});

// tag makes an element with text, a class and children.
function tag(name, text, cls, ...children) {
  const e = document.createElement(name);
  if (text !== undefined) e.textContent = text;
  if (cls) e.className = cls;
  e.append(...children);
  return e;
}

// soon draws once, however many events have come together.
const frame = 40; // ms
function soon() {
  if (dirty) return;
  dirty = true;
  setTimeout(() => { dirty = false; draw(); }, frame);
}

const arrows = { "1": "M4 14h30V4l22 16-22 16V26H4z", "-1": "M56 14H26V4L4 20l22 16V26h30z", set: "M6 20l8-8 10 10L46 2l8 8-30 28z", stale: "M26 0h8l-1 26h-6zM26 31h8v8h-8z", "0": "M18 6h8v28h-8zM34 6h8v28h-8z" };

function draw() {
  if (!session) return;
  drawSession();
  drawHistory($("history"), seconds, events, session.tolerance, session.wired ? "ref." : "UTC");
  const long = picture?.stations[0]?.long_wave;
  $("mean").textContent = long ? "mark" : "tick";
  const width = drawRaster($("raster"), picture?.stations[0], seconds);
  $("rasterkey").textContent = width ? `${picture.stations[0].id.toUpperCase()}, ${short(width)} wide${long ? ", half a minute or less a row" : ""}, newest at the bottom. Bright: ${long ? "the edge of its mark" : "its tone"}. Dotted: UTC. Orange: marker, at the edge when further off.` : "nothing heard yet";
  axis.picture = picture;
  axis.against = session.wired ? "reference" : "UTC";
  axis.second(now, session.tolerance);
  drawLog();
  if (picture) drawBudget();
  if (!now) return;
  drawReading();
  drawInputs();
  drawClock();
}

// stale says why what is shown is not of the present; "" when it is.
const patience = 4000; // ms from one second's state to the next
function stale() {
  switch (document.body.dataset.link) {
    case "ended": return ["ended", "timeball has ended: this is the last it measured"];
    case "lost": return ["no link", "the connection to timeball is lost: this is old. If it was started again, open the link that it then printed"];
    case "other": return ["no link", "timeball was started again: this is old. Load this page anew, or open the link that it printed"];
  }
  const gone = Date.now() - cameAt;
  if (session.playback || gone < patience) return null;
  return ["no input", `nothing has come from the sound input for ${Math.round(gone / 1000)} s: this is old`];
}
setInterval(() => { if (session && stale()) soon(); }, 1000);

function drawReading() {
  const s = now, old = stale(), measured = s.t_s - session.began_s;
  const a = old ? { mood: "stale", word: old[0], target: old[1] } : advice(s, session.tolerance, measured, unit);
  const unknown = s.offset_s === null || s.verdict === "no-path";
  const [digits, of] = unknown ? ["–.–––", "ms"] : offsetText(s.offset_s, s.radio.state === "by wire", unit);
  $("digits").textContent = digits;
  const doubt = s.standing === "verifying" ? "verifying" : s.radio.state === "coasting" ? "old" : "";
  $("unit").replaceChildren(of, ...(doubt && !unknown ? [tag("small", doubt)] : []));
  $("offset").dataset.value = unknown ? "" : s.offset_s;
  $("offset").dataset.t = s.t_s;
  $("reading").dataset.mood = a.mood;
  $("word").textContent = a.word;
  $("arrow").firstElementChild.setAttribute("d", arrows[a.mood] ?? arrows[a.way]);
  $("interval").textContent = intervalText(s, measured, unit);
  $("target").textContent = session.heard.length && !old ? "" : a.target; // drawOffer has what is better
  $("turns").textContent = a.mood === "turn" ? s.turning?.says ?? "" : "";
  drawOffer();
  $("togo").textContent = a.togo ?? "–";
  $("half").textContent = unknown ? "–" : sides(s.offset_s, s.ci95_s, unit);
  $("heard").textContent = receptionShort(s);
  speak(old ? old[1] : unknown ? intervalText(s, measured, unit) : `${digits} ${of}, ${a.word}`, a.word);
}

// drawOffer offers the stations that are heard while the chosen one is not.
function drawOffer() {
  const id = session.heard[0];
  $("offer").hidden = !id;
  if (!id) return;
  $("offer").firstElementChild.textContent = `${session.station.toUpperCase()} is not heard; ${session.heard.map((i) => i.toUpperCase()).join(" and ")} ${session.heard.length > 1 ? "are" : "is"}.`;
  $("offer").lastElementChild.textContent = `Measure by ${id.toUpperCase()}`;
}

// speak tells a screen reader: at once what to do, the figure now and then.
const spokenEvery = 10000, wordEvery = 2000;
let spokenAt = 0, spokenWord = "", later;
function speak(text, word) {
  clearTimeout(later);
  const wait = spokenAt + (word === spokenWord ? spokenEvery : wordEvery) - Date.now();
  if (wait > 0) { // it may be the last for long, as when the recording pauses
    later = setTimeout(() => speak(text, word), wait);
    return;
  }
  spokenAt = Date.now();
  spokenWord = word;
  if ($("spoken").textContent !== text) $("spoken").textContent = text;
}

function drawInputs() {
  const radio = now.waiting ? "heard, no station known yet" : receptionText(now.radio), heard = now.stations.map((s) => {
    const state = s.state !== "heard" ? receptionText(s) : s.snr_db !== null ? `${s.snr_db.toFixed(0).replace("-", "−")} dB` : "";
    return `${s.id.toUpperCase()} ${state === radio ? "" : state}`.trim();
  });
  $("radio").textContent = now.radio.state === "by wire" ? "by wire: no radio is listened to" : `${{ heard: "● ", fading: "◐ ", coasting: "○ " }[now.radio.state] ?? ""}radio ${radio}${heard.length ? ": " + heard.join(", ") : ""}`;
  $("levels").replaceChildren(...now.levels.map((l) => {
    const db = l.peak > 0 ? 20 * Math.log10(l.peak) : -99;
    const word = l.clipped ? " clipping" : l.peak > 0 && db < -45 ? " low" : "";
    const bar = tag("div", undefined, word || !l.peak ? "bar bad" : "bar", tag("i"));
    bar.firstChild.style.width = `${Math.max(0, Math.min(100, (1 + db / 60) * 100))}%`;
    return tag("li", undefined, "", tag("span", `${l.channel} ${l.role || "channel"} ${l.peak > 0 ? `${db.toFixed(0).replace("-", "−")} dB` : "silent"}${word}`), bar);
  }));
}

function drawClock() {
  const at = now.at, told = now.utc, w = now.whole_seconds;
  $("utc").textContent = at ? `${told ? "" : "about "}${told && told.inserted ? "23:59:60" : clockTime(at)} UTC` : now.second_of_minute !== null ? `second ${now.second_of_minute}` : "UTC not known yet";
  let text = "The broadcast tells the time after some minutes.";
  if (w !== null) text = w === 0 ? "The hands are right." : `The hands are ${Math.abs(w)} s ${w > 0 ? "ahead: set them back" : "behind: set them forward"}.`;
  else if (told) text = `At that tick the hands should show ${clockTime(at)} UTC.`;
  else if (at) text = "By the start that was given or noted; the broadcast has not told it yet.";
  if (told && told.dut1_s !== null) text += ` DUT1 ${told.dut1_s < 0 ? "−" : "+"}${Math.abs(told.dut1_s).toFixed(1)} s.`;
  if (told && told.leap === "insert") text += " A second will be inserted at the end of the month.";
  if (told && told.summer_time) text += ` Summer time ${told.summer_time} today at the station.`;
  $("hands").textContent = text;
}

// offsetWith writes an offset and its interval in one unit.
function offsetWith(x, ci95) {
  const half = Math.max(x - ci95[0], ci95[1] - x), of = short(Math.max(Math.abs(x), half)).split("\u00a0")[1];
  return `${rounded(x, half, of)} ${sides(x, ci95, of)}`;
}

// candidateText is one of several places that an offset may have.
const candidateText = (c) => `${c.offset_s > 0 ? "+" : ""}${shortWith(c.offset_s, 1.96 * c.u_s)} if ${c.because}, ${percent(c.probability)}`;

const percent = (x) => x > 0 && x < 0.005 ? "<1 %" : `${(100 * x).toFixed(0)} %`;

// The stack's parts are shares of the variance.
function drawBudget() {
  const f = picture.fix;
  $("paths").replaceChildren(...f.stations.map((s) => tag("tr", undefined, "",
    tag("td", s.id.toUpperCase()),
    tag("td", !s.path ? "not known" : s.path.ci95_s ? offsetWith(s.path.delay_s, s.path.ci95_s) : shortWith(s.path.delay_s, 1.96 * s.path.u_s)),
    tag("td", s.offset_s === null || !s.path ? "–" : offsetWith(s.offset_s, s.ci95_s)))));
  $("candidates").replaceChildren(...(f.candidates ?? []).map((c) => tag("li", candidateText(c))));
  const lines = [...f.budget].sort((a, b) => b.u_s - a.u_s), sum = lines.reduce((t, l) => t + l.u_s ** 2, 0) || 1;
  $("stack").replaceChildren(...lines.map((l, i) => {
    const share = l.u_s ** 2 / sum, part = tag("i", share > 0.05 ? String(i + 1) : "", `s${Math.min(i, 5)}`);
    part.style.flexGrow = share;
    part.style.flexBasis = 0;
    if (share < 0.005) part.style.display = "none";
    return part;
  }));
  $("budget").replaceChildren(...lines.map((l, i) => tag("li", undefined, "",
    tag("b", String(i + 1), `s${Math.min(i, 5)}`), tag("span", l.source), tag("span", `u ${short(l.u_s)}, ${percent(l.u_s ** 2 / sum)}`))));
}

function drawLog() {
  if (!events.length) $("log").replaceChildren(tag("li", "nothing yet"));
  else $("log").replaceChildren(...events.toReversed().map((e) => tag("li", undefined, "",
    tag("time", e.at ? clockTime(e.at) : length(e.t_s)), tag("span", e.kind, "kind"), tag("span", e.text))));
}

function drawSession() {
  document.title = `timeball: ${session.title}`;
  $("title").textContent = session.title;
  document.body.classList.toggle("wired", session.wired);
  document.body.classList.toggle("played", !!session.playback);
  $("fixname").textContent = fix && session.measuring ? fixName(fix) : "Fix";
  for (const e of document.querySelectorAll(".against")) e.textContent = session.wired ? "reference's" : "UTC";
  $("stationform").hidden = session.stations.length < 2;
  if (!session.measuring) sure = false;
  $("startstop").textContent = !session.measuring ? "Start a fix" : sure ? "End it? Press again" : "End the fix";
  if ($("station").options.length !== session.stations.length + 1) {
    $("station").replaceChildren(new Option("all", ""), ...session.stations.map((id) => new Option(id.toUpperCase(), id)));
  }
  if (document.activeElement !== $("station")) $("station").value = session.station;
  if (!$("tolform").contains(document.activeElement)) {
    const [value, of] = short(session.tolerance).split("\u00a0");
    $("tolerance").value = of === "s" ? value * 1000 : value;
    $("tolunit").value = of === "s" ? "ms" : of;
  }
  for (const b of document.querySelectorAll("nav button, nav input, nav select, #actions button")) b.disabled = session.ended;
  setLink(document.body.dataset.link);
  const p = session.playback;
  $("player").hidden = !p;
  if (!p) return;
  $("play").textContent = p.playing ? "Pause" : "Play";
  const at = Math.max(p.at_s, now?.t_s ?? 0);
  $("place").max = p.length_s;
  if (document.activeElement !== $("place") || p.playing) $("place").value = at;
  $("place").setAttribute("aria-valuetext", length(at));
  $("when").textContent = `${length(at)} of ${length(p.length_s)}`;
  if (document.activeElement !== $("speed")) $("speed").value = p.speed;
}

// setLink says how the page stands with the program: live, lost or ended.
function setLink(state) {
  if (session?.ended) state = "ended";
  if (document.body.dataset.link !== state) soon();
  document.body.dataset.link = $("link").dataset.state = state;
  const p = session?.playback;
  const text = state === "ended" ? "■ ended" : state === "lost" ? "○ connection lost, trying again" : state === "other" ? "○ started again"
    : !p ? "● live" : p.playing ? "▶ recording" : p.at_s >= p.length_s && p.length_s ? "■ end of recording" : "❚❚ paused";
  if ($("link").textContent !== text) $("link").textContent = text;
}

const close = listen({
  reset() { fix = undefined; now = picture = undefined; seconds = []; events = []; axis.reset(); $("fix").hidden = true; soon(); },
  session(v) { session = v; if (v.ended) close(); soon(); },
  second(v) { now = v; unit = nextUnit(v, unit); cameAt = Date.now(); seconds.push(v); if (seconds.length > mostSeconds) seconds.shift(); soon(); },
  picture(v) { picture = v; soon(); },
  event(v) { events.push(v); if (events.length > 200) events.shift(); soon(); },
  cue(v) { sound.play(v.tones); },
  fix(v) {
    fix = v;
    soon();
    $("fix").hidden = false;
    $("fixtext").textContent = v.offset_s === null ? `No fix: ${v.reason}.`
      : `${offsetText(v.offset_s).join(" ")}, 95 % interval ${v.ci95_s.map((x) => offsetText(x).join(" ")).join(" to ")}${v.at ? `, at ${clockTime(v.at)} UTC` : ""}${v.verdict === "fix" ? "" : `. Not to be trusted: ${v.reason}`}.`;
    if (v.candidates) $("fixtext").textContent += ` ${v.candidates.map(candidateText).join("; ")}.`;
    if (v.advice) {
      const a = v.advice, of = short(a.half_now_s).split("\u00a0")[1];
      const lately = v.at && Date.now() - Date.parse(v.at) < 3600e3;
      const would = lately ? "now would take" : v.at ? `as well, at ${clockTime(v.at).slice(0, 5)} UTC that day, would have taken` : "as well would have taken";
      $("fixtext").textContent += ` A few minutes of ${a.station.toUpperCase()} on ${a.carrier_hz / 1e6} MHz ${would} the interval from ±${short(a.half_now_s, of)} to about ±${short(a.half_then_s, of)}.`;
    }
  },
}, setLink);

// fixName names a fix that is over.
function fixName(f) {
  const ids = f.stations.filter((s) => s.offset_s !== null).map((s) => s.id.toUpperCase());
  return ["Last fix", ...(f.at ? [clockTime(f.at)] : []), ...ids].join(", ");
}

// act sends an action and says what came of it.
async function act(action, done) {
  $("said").textContent = (await send(action)) || done;
}
const on = (id, event, run) => $(id).addEventListener(event, (e) => { if (event === "submit") e.preventDefault(); run(e); });

on("closer", "click", () => axis.zoom(-1));
on("wider", "click", () => axis.zoom(1));
on("auto", "click", () => axis.zoom(0));
for (const b of document.querySelectorAll("[data-way]")) {
  const name = [...b.childNodes];
  b.addEventListener("click", async () => {
    const wrong = await send({ do: "turned", text: b.dataset.way, value: 1 });
    $("said").textContent = wrong || "told";
    b.textContent = wrong ? "not told" : "✓ told";
    setTimeout(() => b.replaceChildren(...name), 1500);
  });
}
on("sound", "click", () => {
  sound.toggle();
  $("sound").setAttribute("aria-pressed", sound.on);
});
$("offer").lastElementChild.addEventListener("click", () => act({ do: "station", text: session.heard[0] }, "measuring afresh"));
// "I adjusted" says on the button itself that it was taken.
const confirmed = 2500, unsure = 5000; // ms
let backAgain, sure = false;
on("adjusted", "click", async () => {
  await act({ do: "adjusted" }, "marked");
  $("adjusted").textContent = $("said").textContent === "marked" ? "✓ marked" : "not marked";
  clearTimeout(backAgain);
  backAgain = setTimeout(() => { $("adjusted").textContent = "I adjusted"; }, confirmed);
});
// A fix is ended by the second press.
on("startstop", "click", () => {
  if (session.measuring && !sure) {
    sure = true;
    setTimeout(() => { sure = false; soon(); }, unsure);
  } else {
    act({ do: session.measuring ? "stop" : "start" }, session.measuring ? "fix ended" : "fix begun");
    sure = false;
  }
  soon();
});
on("afar", "click", () => {
  $("afar").setAttribute("aria-pressed", document.body.classList.toggle("afar"));
  soon();
});
on("noteform", "submit", async () => { await act({ do: "note", text: $("note").value }, "written down"); $("note").value = ""; });
on("tolform", "submit", () => {
  const value = Number($("tolerance").value.replace(",", ".")) * { ms: 1e-3, "µs": 1e-6, ns: 1e-9 }[$("tolunit").value];
  document.activeElement.blur();
  act({ do: "tolerance", value }, `tolerance ${short(value)}`);
});
on("stationform", "submit", () => { document.activeElement.blur(); act({ do: "station", text: $("station").value }, "measuring afresh"); });
on("player", "submit", () => {});
on("play", "click", () => act({ do: session.playback.playing ? "pause" : "play" }, ""));
on("place", "change", () => act({ do: "seek", value: Number($("place").value) }, ""));
on("speed", "change", () => act({ do: "speed", value: Number($("speed").value) }, ""));
new ResizeObserver(soon).observe($("past"));
