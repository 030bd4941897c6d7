// The page: what the program says, shown; what the viewer wants, sent.
import { listen, send } from "./stream.js";
import { Axis, drawRaster, drawHistory } from "./draw.js";
import { offsetText, short, length, clockTime, advice, intervalText, receptionText } from "./words.js";

const $ = (id) => document.getElementById(id);
const mostSeconds = 900;

let session, now, picture, seconds = [], events = [], dirty = false;

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
function soon() {
  if (dirty) return;
  dirty = true;
  setTimeout(() => { dirty = false; draw(); }, 0);
}

const arrows = { "1": "M4 14h30V4l22 16-22 16V26H4z", "-1": "M56 14H26V4L4 20l22 16V26h30z", set: "M6 20l8-8 10 10L46 2l8 8-30 28z", "0": "M18 6h8v28h-8zM34 6h8v28h-8z" };

function draw() {
  if (!session) return;
  drawSession();
  drawHistory($("history"), seconds, events, session.tolerance);
  const width = drawRaster($("raster"), picture?.stations[0], seconds);
  $("rasterkey").textContent = width ? `${short(width)} wide, ${picture.stations[0].id.toUpperCase()}: bright is the tone. Dotted: UTC. Orange: marker.` : "nothing heard yet";
  axis.picture = picture;
  axis.second(now, session.tolerance);
  drawLog();
  if (picture) drawBudget();
  if (!now) return;
  drawReading();
  drawInputs();
  drawClock();
}

function drawReading() {
  const s = now, a = advice(s, session.tolerance);
  const [digits, unit] = s.offset_s === null ? ["–.–––", "ms"] : offsetText(s.offset_s, s.radio.state === "by wire");
  $("digits").textContent = digits;
  $("unit").textContent = unit;
  $("offset").dataset.value = s.offset_s ?? "";
  $("offset").dataset.t = s.t_s;
  $("reading").dataset.mood = a.mood;
  $("word").textContent = a.word;
  $("arrow").firstElementChild.setAttribute("d", a.mood === "set" ? arrows.set : arrows[a.way]);
  $("interval").textContent = intervalText(s);
  $("target").textContent = a.target;
  speak(s.offset_s === null ? intervalText(s) : `${digits} ${unit}, ${a.word}`, a.word);
}

// speak tells a screen reader: at once what to do, the figure now and then.
const spokenEvery = 10000, wordEvery = 2000;
let spokenAt = 0, spokenWord = "";
function speak(text, word) {
  const wait = word === spokenWord ? spokenEvery : wordEvery;
  if (Date.now() - spokenAt < wait) return;
  spokenAt = Date.now();
  spokenWord = word;
  $("spoken").textContent = text;
}

function drawInputs() {
  const heard = now.stations.map((s) => s.id.toUpperCase() + (s.state === "heard" && s.snr_db !== null ? ` ${s.snr_db.toFixed(0)} dB` : s.state === "heard" ? "" : ` ${receptionText(s)}`));
  $("radio").textContent = `${{ heard: "● ", fading: "◐ ", coasting: "○ " }[now.radio.state] ?? ""}radio ${receptionText(now.radio)}${heard.length ? ": " + heard.join(", ") : ""}`;
  $("levels").replaceChildren(...now.levels.map((l) => {
    const db = l.peak > 0 ? 20 * Math.log10(l.peak) : -99;
    const word = l.clipped ? " clipped" : db < -45 ? " low" : "";
    const bar = tag("div", undefined, word ? "bar bad" : "bar", tag("i"));
    bar.firstChild.style.width = `${Math.max(0, Math.min(100, (1 + db / 60) * 100))}%`;
    return tag("li", undefined, "", tag("span", `${l.channel} ${l.role || "channel"} ${Math.max(db, -99).toFixed(0)} dB${word}`), bar);
  }));
}

function drawClock() {
  const at = now.at, told = now.utc, w = now.whole_seconds;
  $("utc").textContent = at ? `${told ? "" : "about "}${clockTime(at)} UTC` : now.second_of_minute !== null ? `second ${now.second_of_minute}` : "UTC not known yet";
  let text = "The broadcast tells the time after some minutes.";
  if (w !== null) text = w === 0 ? "The hands are right." : `The hands are ${Math.abs(w)} s ${w > 0 ? "ahead: set them back" : "behind: set them forward"}.`;
  else if (told) text = `At that tick the hands should show ${clockTime(at)} UTC.`;
  else if (at) text = "By the start that was given or noted; the broadcast has not told it yet.";
  if (told && told.dut1_s !== null) text += ` DUT1 ${told.dut1_s < 0 ? "−" : "+"}${Math.abs(told.dut1_s).toFixed(1)} s.`;
  $("hands").textContent = text;
}

function drawBudget() {
  const f = picture.fix;
  $("paths").replaceChildren(...f.stations.map((s) => tag("tr", undefined, "",
    tag("td", s.id.toUpperCase()),
    tag("td", s.path ? `${short(s.path.delay_s)} ±${short(1.96 * s.path.u_s)}` : "not known"),
    tag("td", s.offset_s === null ? "–" : `${short(s.offset_s)} ±${short(1.96 * s.u_s)}`))));
  const lines = [...f.budget].sort((a, b) => b.u_s - a.u_s), sum = lines.reduce((t, l) => t + l.u_s ** 2, 0) || 1;
  $("stack").replaceChildren(...lines.map((l, i) => {
    const share = l.u_s ** 2 / sum, part = tag("i", share > 0.05 ? String(i + 1) : "", `s${Math.min(i, 5)}`);
    part.style.flexGrow = share;
    part.style.flexBasis = 0;
    if (share < 0.005) part.style.display = "none";
    return part;
  }));
  $("budget").replaceChildren(...lines.map((l, i) => tag("li", undefined, "",
    tag("b", String(i + 1), `s${Math.min(i, 5)}`), tag("span", l.source), tag("span", `u ${short(l.u_s)}, ${(100 * l.u_s ** 2 / sum).toFixed(0)} %`))));
}

function drawLog() {
  $("log").replaceChildren(...events.toReversed().map((e) => tag("li", undefined, "",
    tag("time", e.at ? clockTime(e.at) : length(e.t_s)), tag("span", e.kind, "kind"), tag("span", e.text))));
}

function drawSession() {
  document.title = `timeball: ${session.title}`;
  $("title").textContent = session.title;
  $("startstop").textContent = session.measuring ? "End the fix" : "Start a fix";
  if ($("station").options.length !== session.stations.length + 1) {
    $("station").replaceChildren(new Option("all", ""), ...session.stations.map((id) => new Option(id.toUpperCase(), id)));
  }
  if (document.activeElement !== $("station")) $("station").value = session.station;
  if (!$("tolform").contains(document.activeElement)) {
    const [value, unit] = short(session.tolerance).split(" ");
    $("tolerance").value = unit === "s" ? value * 1000 : value;
    $("tolunit").value = unit === "s" ? "ms" : unit;
  }
  for (const b of document.querySelectorAll("nav button, nav input, nav select, #actions button")) b.disabled = session.ended;
  if (session.ended) setLink("ended");
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

const linkWords = { live: "● live", lost: "○ connection lost, trying again", ended: "■ ended" };
function setLink(state) {
  if (session?.ended) state = "ended";
  if (document.body.dataset.link === state) return;
  document.body.dataset.link = state;
  $("link").dataset.state = state;
  $("link").textContent = linkWords[state];
}

const close = listen({
  reset() { now = picture = undefined; seconds = []; events = []; axis.reset(); $("fix").hidden = true; soon(); },
  session(v) { session = v; if (v.ended) close(); soon(); },
  second(v) { now = v; seconds.push(v); if (seconds.length > mostSeconds) seconds.shift(); soon(); },
  picture(v) { picture = v; soon(); },
  event(v) { events.push(v); if (events.length > 200) events.shift(); soon(); },
  fix(v) {
    $("fix").hidden = false;
    $("fixtext").textContent = v.offset_s === null ? `No fix: ${v.reason}.`
      : `${offsetText(v.offset_s).join(" ")}, 95 % interval ${v.ci95_s.map((x) => offsetText(x).join(" ")).join(" to ")}${v.at ? `, at ${clockTime(v.at)} UTC` : ""}${v.verdict === "fix" ? "" : `. Not to be trusted: ${v.reason}`}.`;
  },
}, setLink);

// act sends an action and says what came of it.
async function act(action, done) {
  $("said").textContent = (await send(action)) || done;
}
const on = (id, event, run) => $(id).addEventListener(event, (e) => { if (event === "submit") e.preventDefault(); run(e); });

on("closer", "click", () => axis.zoom(-1));
on("wider", "click", () => axis.zoom(1));
on("auto", "click", () => axis.zoom(0));
on("adjusted", "click", () => act({ do: "adjusted" }, "marked"));
on("startstop", "click", () => act({ do: session.measuring ? "stop" : "start" }, session.measuring ? "fix ended" : "fix begun"));
on("noteform", "submit", async () => { await act({ do: "note", text: $("note").value }, "written down"); $("note").value = ""; });
on("tolform", "submit", () => {
  const value = Number($("tolerance").value.replace(",", ".")) * { ms: 1e-3, us: 1e-6, ns: 1e-9 }[$("tolunit").value];
  document.activeElement.blur();
  act({ do: "tolerance", value }, `tolerance ${short(value)}`);
});
on("stationform", "submit", () => { document.activeElement.blur(); act({ do: "station", text: $("station").value }, "measuring afresh"); });
on("player", "submit", () => {});
on("play", "click", () => act({ do: session.playback.playing ? "pause" : "play" }, ""));
on("place", "change", () => act({ do: "seek", value: Number($("place").value) }, ""));
on("speed", "change", () => act({ do: "speed", value: Number($("speed").value) }, ""));
new ResizeObserver(soon).observe($("past"));
