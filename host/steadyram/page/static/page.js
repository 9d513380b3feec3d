"use strict";
// Shows what the server tells and sends what the person asks for. Nothing here decides anything about the press.
const $ = (id) => document.getElementById(id);
const now = {
  hello: null, view: null, rows: [], band: null, teaching: 0, trace: null, live: null, stroke: null, socket: null,
  next: 1, seen: 0, away: false, liveAt: 0, stale: false, chosen: null,
};
const MARKS = { calm: "●", moving: "▼", good: "✓", warn: "!", alarm: "✕" };

// ------------------------------------------------------------------ figures
function decimals() {
  const set = (now.view?.press?.setpoint_N || 10000) * (now.hello?.per_N || 1);
  return Math.max(0, Math.min(3, 3 - Math.floor(Math.log10(Math.max(set, 1e-6)))));
}
function number(force_N) { return (force_N * now.hello.per_N).toFixed(decimals()); }
function force(force_N) { return `${number(force_N)} ${now.hello.unit}`; }
function deepness(metres) { return `${(1000 * metres).toFixed(3)} mm`; }
function millimetres(metres) { return `${(1000 * metres).toFixed(2)} mm`; }
// What a job stops on: force, depth with the force as its limit, or whichever comes first.
function goal(job) {
  if (job.stop_on === 'force') return force(job.setpoint_N);
  return job.stop_on === 'depth' ? `${millimetres(job.depth_m)} deep, at most ${force(job.setpoint_N)}`
    : `${force(job.setpoint_N)} or ${millimetres(job.depth_m)} deep, whichever comes first`;
}
function clock(unix) {
  return unix ? new Date(unix * 1000).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" }) : "";
}
function put(node, text) { if (node.textContent !== text) node.textContent = text; }
function make(name, attributes = {}, ...children) {
  const node = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key === "click") node.addEventListener("click", value);
    else if (value !== null && value !== undefined) node.setAttribute(key, value);
  }
  node.append(...children);
  return node;
}

// ------------------------------------------------------------------ the line to the server
// How old the newest reading may be, in milliseconds: while the ram works, and at rest. The server sends something at
// least twice a second, so a line that is silent for longer than SILENT_MS is given up and opened anew.
const AGE_MS = { moving: 500, rest: 2000 };
const SILENT_MS = 1500;
const MOVING = new Set(["advance", "settle", "nudge", "dwell", "return"]);
function connect() {
  const socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/live`);
  now.socket = socket;
  now.seen = performance.now();
  socket.addEventListener("message", (event) => {
    if (now.socket !== socket) return;
    now.seen = performance.now();
    const told = JSON.parse(event.data);
    (TAKE[told.kind] || (() => {}))(told);
  });
  socket.addEventListener("open", () => { if (now.socket === socket) { now.seen = performance.now(); showLink(); } });
  socket.addEventListener("close", () => drop(socket));
}
// A socket whose line swallows everything takes long to close: it is left behind at once.
function drop(socket) {
  if (now.socket !== socket) return;
  now.socket = null;
  socket.close();
  look();
  setTimeout(connect, 1000);
}
function connected() { return Boolean(now.socket) && now.socket.readyState === WebSocket.OPEN; }
// What is shown is of this moment only where the page, its server and the press have all just been heard.
function look() {
  Frozen.alive();
  if (now.socket && performance.now() - now.seen > (connected() ? SILENT_MS : 6000)) { drop(now.socket); return; }
  const limit = MOVING.has(now.live?.state) ? AGE_MS.moving : AGE_MS.rest;
  const stale = !connected() || (now.view?.link === "connected" && performance.now() - now.liveAt > limit);
  if (stale === now.stale && !stale) return;
  now.stale = stale;
  if (now.view) showView(); else showLink();
}
setInterval(look, 100);
function order(content) {
  if (!now.socket || now.socket.readyState !== WebSocket.OPEN) { toast("This page has lost the computer by the press; nothing was changed."); return; }
  const id = now.next++;
  now.socket.send(JSON.stringify({ id, ...content }));
}
let toastTimer = 0;
function toast(text) {
  if (!text) return;
  $("toast").textContent = text;
  clearTimeout(toastTimer);
  toastTimer = setTimeout(() => { $("toast").textContent = ""; }, 9000);
}

const TAKE = {
  hello(told) {
    now.hello = told;
    document.querySelectorAll(".unit").forEach((node) => put(node, told.unit));
    put($("caution"), told.caution);
    fillUnits();
  },
  view(told) { now.view = told; showView(); },
  results(told) { now.rows = told.rows; showRows(); },
  band(told) { now.band = told.band; now.teaching = told.teaching; showChart(); showRows(); },
  stroke() { now.stroke = []; now.trace = null; showChart(); },
  points(told) { if (!now.trace || told.points.length) { now.stroke = now.stroke || []; if (!now.stroke.length) now.stroke = told.points; showChart(); } },
  live(told) {
    now.live = told;
    now.liveAt = performance.now();
    if (now.stale) look();
    Sound.follow(told.state);
    if (told.t_s !== null && told.force_N !== null && now.stroke) { now.stroke.push([told.t_s, told.force_N]); showChart(); }
    showForce();
  },
  trace(told) {
    now.trace = told;
    now.stroke = null;
    showChart();
  },
  bends(told) { Bend.lists = told.lists; if (now.view) Bend.setup(now.view); },
  answer(told) {
    toast(told.text);
    // A trace that this tablet asked for; the next stroke takes its place.
    if (told.trace && !now.stroke) { now.trace = told.trace; showChart(); }
  },
};

// ------------------------------------------------------------------ the press
function showLink() {
  const view = now.view, note = $("link-note");
  let text = "";
  if (!connected()) text = "This page has lost the computer by the press and keeps trying. What is shown is old.";
  else if (view && view.link === "halted") text = `${view.link_words} ${view.trouble}`;
  const old = Boolean(text) || now.stale || Boolean(view && view.link !== "connected");
  note.hidden = !text;
  put(note, text);
  document.body.classList.toggle("old", old);
}
function showView() {
  const view = now.view, press = view.press;
  showLink();
  const away = view.link !== "connected";
  const lost = away || now.stale;
  const age = Math.round((performance.now() - now.liveAt) / 1000);
  const since = away ? `No connection to the press since ${clock(view.since_unix)}`
    : connected() ? `No reading from the press for ${Math.max(1, age)} s` : "No connection to the computer by the press";
  const strip = $("strip");
  if (press) {
    const look = lost ? "warn" : press.look;
    strip.dataset.look = look;
    put($("mark"), lost ? "?" : MARKS[look]);
    put($("headline"), lost ? since : press.headline);
    // The whole box is read out, so that a fault comes with what it is and what to do about it.
    $("state-box").setAttribute("role", look === "alarm" ? "alert" : "status");
    put($("detail"), lost ? "" : press.detail);
    put($("remedy"), away ? view.link_words : lost ? "What is shown is old. Treat the press as loaded and moving." : press.remedy);
    document.title = `${lost ? "no reading" : press.headline} · steadyram`;
    put($("setpoint"), press.setpoint_N ? force(press.setpoint_N) : "none");
    const job = view.jobs.find((each) => each.slot === press.job);
    put($("job"), job ? job.name : press.job ? `number ${press.job}` : "none chosen");
    $("depth-row").hidden = !(job && job.stop_on !== 'force');
    if (job && job.stop_on !== 'force') put($("depth"), `${press.travel_m === null || lost ? "–" : millimetres(press.travel_m)} of ${millimetres(job.depth_m)}`);
    showModes(press, job);
    showHandling(press.handling);
    const over = press.batch ? press.count - press.batch : -1;
    put($("count"), !press.batch ? `${press.count} parts`
      : over < 0 ? `${press.count} of ${press.batch} parts`
      : over === 0 ? `Batch done: ${press.count} of ${press.batch} parts`
      : `Batch done, and ${over} more: ${press.count} of ${press.batch} parts`);
    $("batch-next").hidden = over < 0;
    $("batch").max = press.batch || 1;
    $("batch").value = press.batch ? Math.min(press.count, press.batch) : 0;
    $("batch").hidden = !press.batch;
  }
  const calibration = view.calibration;
  if (calibration) {
    put($("calibration"), calibration.words);
    put($("calibration-words"), calibration.words);
    for (const node of [$("calibration")])
      if (calibration.look === "calm") delete node.dataset.look; else node.dataset.look = calibration.look;
  }
  showForce();
  showSetup();
  showGuide();
  showChart();
}
function showModes(press, job) {
  const modes = [];
  if (press.unknown_words) modes.push([press.unknown_words, "alarm"]);
  if (press.armed_left_s) modes.push([`VALVE TEST ARMED, up to ${force(press.armed_N)}, ${Math.ceil(press.armed_left_s)} s left`, "alarm"]);
  modes.push(press.cutoff ? ["Cutoff on", null] : ["CUTOFF OFF", "alarm"]);
  if (press.threshold) modes.push(["PLAIN THRESHOLD: parts go over the set force", "warn"]);
  modes.push(press.latched ? ["RETURN LATCHED: the ram goes on up with the pedal released", "warn"] : ["Return while held", null]);
  if (!press.estop_ok) modes.push(["Emergency stop pressed", "alarm"]);
  if (job && job.handling) modes.push(["Handling: slow, not counted", "warn"]);
  if (job && job.unproven) modes.push(["First part not proven", "warn"]);
  modes.push([press.top ? "Ram at the top" : "Ram down", null]);
  const text = modes.map((each) => each.join()).join(";");
  if ($("modes").dataset.text === text) return;
  $("modes").dataset.text = text;
  $("modes").replaceChildren(...modes.map(([words, look]) => make("li", { "data-look": look }, words)));
}
function showHandling(handling) {
  $("handling").hidden = !handling;
  if (!handling) return;
  if ($("handling-list").childElementCount !== handling.checklist.length)
    $("handling-list").replaceChildren(...handling.checklist.map((words) => make("li", {}, words)));
  put($("handling-ceiling"), !handling.ceiling_N ? "No ceiling on force is set: the press will refuse."
    : `The press ends the stroke below ${force(handling.ceiling_N)}; with the cutoff OFF nothing does. Handling: the ram stops with either pedal, whatever the return selector says.`);
}
function showForce() {
  const view = now.view;
  if (!view || !view.press || !now.hello) return;
  const live = now.live || view.press, set = view.press.setpoint_N;
  if (view.link !== "connected" || now.stale || !connected()) {
    // An old force must never pass for the one under the ram.
    put($("force"), "–");
    put($("strip-force"), "");
    Far.show("–", "");
    $("fill").style.width = "0";
    return;
  }
  const known = live.force_N !== null;
  const text = known ? number(live.force_N) : "– – –";
  put($("force"), text);
  put($("strip-force"), known ? `${text} ${now.hello.unit}` : (view.press.unknown_words || "Force not known").split(/[:,]/)[0]);
  Far.show(known ? text : "---", [$("job").textContent, set ? `set ${force(set)}` : "", $("count").textContent].filter(Boolean).join(" · "));
  put($("peak"), live.peak_N ? force(live.peak_N) : "–");
  put($("peak-name"), now.stroke ? "Highest, this stroke" : "Highest, last stroke");
  const full = (set || view.capacity_N || 1) * 1.25;
  $("fill").style.width = `${Math.max(0, Math.min(100, (100 * live.force_N) / full))}%`;
  $("fill").classList.toggle("over", Boolean(set) && live.force_N > set * 1.02);
  $("tick").hidden = !set;
}
let chartDue = false;
function showChart() {
  if (chartDue) return;
  chartDue = true;
  requestAnimationFrame(() => { chartDue = false; drawChart(); });
}
function drawChart() {
  if (!now.hello || $("press").hidden) return;
  const live = Boolean(now.stroke);
  const trace = now.trace;
  const points = live ? now.stroke : trace ? trace.force_N.map((f, i) => [(i + 1) * trace.dt_s, f]) : [];
  const set = now.view?.press?.setpoint_N || 0;
  Chart.draw($("chart"), { points, band: now.band, setpoint_N: set, per_N: now.hello.per_N, unit: now.hello.unit, live, text: force });
  $("chart").dataset.seq = !live && trace ? trace.seq : "";
  $("chart").dataset.points = points.length;
  const band = now.band ? ` Shaded: where ${now.teaching} good parts lay.` : "";
  let words = "No stroke yet.";
  if (live) words = `As it happens.${band}`;
  else if (trace) {
    // The mean of what was held may lie a newton above the highest short mean of the stroke.
    // The record's figures, not the trace's: one highest force for one stroke, wherever it is shown.
    const row = now.rows.find((each) => each.seq === trace.seq);
    words = `${row ? `Part ${row.count} (record ${trace.seq})` : `Record ${trace.seq}`}, as the press logged it${
      row ? `: highest ${force(Math.max(row.peak_N, row.settled_N))}, held ${force(row.settled_N)}` : ""}.${band}`;
  }
  put($("trace-words"), words);
  put($("trace-title"), live ? "Trace, pressing now" : "Trace of the last stroke");
}

// ------------------------------------------------------------------ parts
let rowsShown = "";
function showRows() {
  if (!now.hello) return;
  put($("learned"), now.band ? `Compared with ${now.teaching} good parts of this job.`
    : "Parts are compared with good ones as soon as eight learned parts of this job are there.");
  // Drawn anew only when they changed: a button that goes away under a finger is not pressed.
  const text = JSON.stringify([now.rows, now.hello.unit, decimals()]);
  if (rowsShown === text) return;
  rowsShown = text;
  $("pips").replaceChildren(...now.rows.slice().reverse().map((row) =>
    make("li", { "data-look": row.look, title: `Part ${row.count}: ${row.stop}`, "aria-label": `Part ${row.count}: ${row.stop}` }, MARKS[row.look])));
  $("rows").replaceChildren(...now.rows.map(part));
}
function part(row) {
  const off = row.setpoint_N ? (100 * (row.settled_N - row.setpoint_N)) / row.setpoint_N : 0;
  // What ended a part is its figure; a stroke that was to end at a depth shows both.
  const deep = row.target_m !== null && row.landed_by !== "force";
  const under = 1000 * (row.depth_m - row.target_m);
  const words = [...row.marks, ...(row.fault ? [row.fault] : []), ...row.signature];
  // Pressed once more, the word that counts is taken back.
  const say = (verdict) => () => row.said === verdict ? askBack(row) : verdict === "good" ? order({ do: "word", seq: row.seq, verdict }) : askWhy(row.seq);
  return make("li", { class: "card part", "data-seq": row.seq },
    make("span", { class: "pip", "data-look": row.look, "aria-hidden": "true" }, MARKS[row.look]),
    make("div", {}, make("b", {}, `Part ${row.count}`), make("div", { class: "quiet" }, [`record ${row.seq}`, clock(row.at_unix)].filter(Boolean).join(", "))),
    make("div", {}, make("b", {}, deep ? deepness(row.depth_m) : force(row.settled_N)), make("div", {}, row.stop),
      make("div", { class: "quiet" }, deep ? `${Math.abs(under).toFixed(3)} mm ${under >= 0 ? "past" : "short of"} the set depth, ${force(row.settled_N)}` : row.setpoint_N ? `${Math.abs(off).toFixed(1)}\u00a0% ${off >= 0 ? "above" : "below"} the set force` : "")),
    make("div", { class: "marks" }, words.length ? words.join("; ") : row.judged ? "curve like the good parts'" : ""),
    make("div", { class: "row" },
      make("button", { type: "button", class: "act", "aria-label": `Show the trace of record ${row.seq}`, click: () => { order({ do: "trace", seq: row.seq }); go("press"); } }, "Trace"),
      make("button", { type: "button", class: "act", "aria-pressed": String(row.said === "good"), "aria-label": `Part ${row.count} is good`, click: say("good") }, "Good"),
      make("button", { type: "button", class: "act bad", "aria-pressed": String(row.said === "bad"), "aria-label": `Part ${row.count} is bad`, click: say("bad") }, "Bad")));
}
const WHYS = ["missing hardware", "double part", "wrong sheet", "loose", "cracked or crushed", "other"];
const BACK = ["wrong button", "wrong part", "measured again", "other reason"];
// One of some reasons; the last one where none is chosen.
function askOne(text, yes, reasons, act) {
  let chosen = reasons[reasons.length - 1];
  const buttons = reasons.map((reason) => make("button", { type: "button", class: "act", "aria-pressed": "false", click: (event) => {
    chosen = reason;
    for (const each of buttons) each.classList.toggle("main", each === event.currentTarget), each.setAttribute("aria-pressed", String(each === event.currentTarget));
  } }, reason));
  ask(text, yes, () => act(chosen), buttons);
}
function askWhy(seq) {
  askOne(`What is wrong with the part of record ${seq}?`, "It is bad", WHYS, (why) => order({ do: "word", seq, verdict: "bad", why }));
}
function askBack(row) {
  askOne(`Withdraw the word “${row.said}” on the part of record ${row.seq}? It stays in the store with the reason. Why?`, "Withdraw it", BACK,
    (why) => order({ do: "take-back", seq: row.seq, why }));
}

// ------------------------------------------------------------------ set up
function open() { return (now.view?.press?.changes_left_s || 0) > 0 && now.view.link === "connected"; }
function change(button, act) {
  button.addEventListener("click", () => open() ? act() : toast("Changes are closed. Hold the enable button at the panel until it says that changes are open."));
}
function showSetup() {
  const view = now.view, press = view.press;
  if (!press) return;
  const left = Math.ceil(press.changes_left_s);
  const notice = $("changes");
  notice.dataset.look = open() ? "good" : "warn";
  put(notice, open() ? `Changes are open for about ${left >= 60 ? `${Math.round(left / 60)} min` : "a minute"} more; the panel's enable button closes them.`
    : "Changes are closed. To change anything, hold the enable button at the panel until it says that changes are open. The ram moves only by the pedals.");
  const text = JSON.stringify([view.jobs, press.job, open(), now.rows[0]?.seq, press.state === "ready"]);
  if ($("setup").dataset.text !== text) {
    $("setup").dataset.text = text;
    $("jobs").replaceChildren(...view.jobs.map((job) => {
      const button = make("button", { type: "button", class: `act change${job.slot === press.job ? " main" : ""}`, "aria-pressed": String(job.slot === press.job) },
        `${job.slot === press.job ? "✓ " : ""}${job.name}: ${goal(job)}`);
      change(button, () => ask(`Use the job “${job.name}” (${goal(job)})?`, "Use it", () => order({ do: "use", job: job.slot })));
      return button;
    }));
    showFirst(view, press);
  }
  Bend.setup(view);
  document.querySelectorAll(".change").forEach((button) => button.setAttribute("aria-disabled", String(!open())));
}
function showFirst(view, press) {
  const box = $("first"), job = view.jobs.find((each) => each.slot === press.job);
  if (!job) { box.replaceChildren(make("p", {}, "Choose a job first.")); return; }
  const row = now.rows.find((each) => each.job === press.job && each.settled_N > 0 && each.stop !== "commissioning");
  const steps = make("p", { class: "quiet" }, job.unproven
    ? "The set force of this job is an estimate. Press one part, take it out and look at it. Too loose: raise the figure below, make it the set force and press another part. Right: make its force the set force."
    : "This job is proven. To set it anew: press one part, look at it, and make its force the set force.");
  box.replaceChildren(steps);
  // What this person sees: the press refuses where somebody else changed it before they answer.
  const seen = { job: job.slot, jobs_gen: view.jobs_gen };
  if (job.stop_on === 'depth') {
    // Its set force is the limit: the force of a good part made the limit would end the next one before its depth.
    put(steps, job.unproven ? "This job stops on depth; its force is only a limit. Press one part, take it out and look at it. Not right: push the job with another depth."
      : "This job stops on depth and is proven. Another depth is pushed with the jobs file.");
    if (job.unproven && row) {
      const right = make("button", { type: "button", class: "act change main" }, "This part is right: the job is proven");
      change(right, () => ask(`Call “${job.name}” (${goal(job)}) proven?`, "It is proven", () => order({ do: "teach", setpoint_N: job.setpoint_N, ...seen })));
      box.append(right);
    }
    return;
  }
  if (!row) { box.append(make("p", {}, "No part of this job has been pressed yet.")); return; }
  // What somebody chose stays chosen when this is drawn anew: the press says much while they look at the part.
  const chosen = `${press.job} ${job.setpoint_N} ${row.seq}`;
  let taken = box.dataset.chosen === chosen ? Number(box.dataset.taken) : row.settled_N;
  const shown = make("b", {}, force(taken));
  const step = Math.max(1, Math.round(job.setpoint_N * 0.01));
  const move = (by) => () => {
    const most = Math.min(job.tool_limit_N || Infinity, view.capacity_N || Infinity);
    taken = Math.max(1, Math.min(most, taken + by)); put(shown, force(taken));
    box.dataset.chosen = chosen; box.dataset.taken = taken;
  };
  const take = make("button", { type: "button", class: "act change main" }, "This force is right: make it the set force");
  change(take, () => ask(`Make ${force(taken)} the set force of “${job.name}” and call it proven?`, "Make it the set force", () => order({ do: "teach", setpoint_N: taken, ...seen })));
  box.append(make("p", {}, `The newest part (record ${row.seq}) was held at `, shown, "."),
    make("div", { class: "row" }, make("button", { type: "button", class: "act nudge", click: move(-step) }, "− 1 %"), make("button", { type: "button", class: "act nudge", click: move(step) }, "+ 1 %")),
    take);
}
function fillUnits() {
  const select = document.querySelector("#calibrate [name=unit]"), kind = document.querySelector("#calibrate [name=kind]");
  const fill = () => {
    const units = kind.value === "gauge" ? ["bar", "psi", "MPa"] : [now.hello.unit, ...["kN", "N", "lbf", "tonf"].filter((u) => u !== now.hello.unit)];
    select.replaceChildren(...units.map((unit) => make("option", { value: unit }, unit)));
  };
  kind.onchange = fill;
  fill();
}

// ------------------------------------------------------------------ guided procedures
const STOP_WORDS = {
  Calibration: ["Stop the calibration", "Stop the calibration? The one in force stays in force."],
  Bending: ["Stop bending", "Stop bending? The record has every stroke made, and can be gone on with."],
};
function showGuide() {
  const guide = now.view.guide;
  const was = !$("guide").hidden;
  $("guide").hidden = !guide;
  if (!guide) { now.away = false; if (was) go("setup"); return; }
  // Somebody may look at the other pages meanwhile; Set up leads back.
  if (now.away) { $("guide").hidden = true; return; }
  if (!was) go("guide");
  put($("guide-title"), guide.title);
  put($("stop-guide"), STOP_WORDS[guide.title][0]);
  Bend.step(guide.shown);
  $("guide-progress").max = guide.of || 1;
  $("guide-progress").value = guide.done;
  $("guide-progress").hidden = !guide.of;
  put($("guide-step"), guide.of ? `Step ${guide.done} of ${guide.of} done` : "");
  const said = $("said");
  if (said.dataset.text !== guide.said.join("\n")) {
    said.dataset.text = guide.said.join("\n");
    const last = guide.said.findLastIndex((text) => text.startsWith("Done: "));
    said.replaceChildren(...guide.said.map((text, i) => make("li", { class: i <= last ? "past" : null }, text)));
  }
  const asks = Boolean(guide.question);
  $("answer").hidden = !asks;
  // The newest thing to do is the largest: the question where there is one, else the last thing said.
  $("guide").classList.toggle("asks", asks);
  $("guide").classList.toggle("bending", Boolean(guide.shown));
  if (asks && $("answer").dataset.number !== String(guide.number)) {
    $("answer").dataset.number = guide.number;
    put($("question"), guide.question);
    const typed = Boolean(guide.typed) || (!guide.choices.length && /reads?,|read,/.test(guide.question));
    $("reply").hidden = $("keys").hidden = !typed;
    $("reply").value = "";
    // Where answers have their own buttons, the one that goes on stands first.
    const submit = document.querySelector("#answer button[type=submit]");
    submit.hidden = !typed && guide.choices.length > 0;
    $("choices").replaceChildren(...guide.choices.map((each, i) => make("button", { type: "button", class: `act${i || typed ? "" : " main"}`,
      click: () => order({ do: "answer", number: guide.number, text: each.answer }) }, each.words)));
    (typed ? $("reply") : submit.hidden ? $("choices").firstElementChild : submit).focus({ preventScroll: Boolean(guide.shown) });
    if (guide.shown) scrollTo(0, 0);
  }
}
function keys() {
  for (const key of ["1", "2", "3", "4", "5", "6", "7", "8", "9", "0", ".", "⌫"])
    $("keys").append(make("button", { type: "button", class: "act", "aria-label": key === "⌫" ? "Delete" : key, click: () => {
      const reply = $("reply");
      reply.value = key === "⌫" ? reply.value.slice(0, -1) : reply.value + key;
    } }, key));
}

// ------------------------------------------------------------------ moving about
function go(view) {
  const guided = Boolean(now.view?.guide);
  if (guided && view === "setup") view = "guide";
  now.away = guided && view !== "guide";
  for (const name of ["press", "parts", "setup"]) $(name).hidden = name !== view;
  document.querySelectorAll(".tab[data-view]").forEach((tab) => {
    if (tab.dataset.view === (view === "guide" ? "setup" : view)) tab.setAttribute("aria-current", "page"); else tab.removeAttribute("aria-current");
  });
  $("strip-force").hidden = view === "press";
  if (view !== "guide" && now.view?.guide) $("guide").hidden = true;
  if (view === "guide") $("guide").hidden = false;
  showChart();
}
function ask(text, yes, act, more = []) {
  put($("ask-text"), text);
  $("ask-more").replaceChildren(...more);
  put($("ask-yes"), yes);
  $("ask-yes").onclick = () => { $("ask").close(); act(); };
  $("ask").showModal();
}

document.querySelectorAll(".tab[data-view]").forEach((tab) => tab.addEventListener("click", () => go(tab.dataset.view)));
$("far-open").addEventListener("click", () => Far.open());
$("far-close").addEventListener("click", () => Far.close());
$("far-sound").addEventListener("click", () => Sound.turn($("far-sound").getAttribute("aria-pressed") !== "true"));
addEventListener("keydown", (event) => { if (event.key === "Escape") Far.close(); });
// Escape leaves the full screen without a key event of its own.
document.addEventListener("fullscreenchange", () => { if (!document.fullscreenElement) Far.close(); });
document.addEventListener("visibilitychange", () => { if (Far.shown && !document.hidden) Far.keepOn(); });
$("ask-no").addEventListener("click", () => $("ask").close());
change($("recount"), () => ask("Count this batch from zero?", "Count from zero", () => order({ do: "recount" })));
$("calibrate").addEventListener("submit", (event) => {
  event.preventDefault();
  const form = Object.fromEntries(new FormData(event.target));
  form.expanded_percent = Number(String(form.expanded_percent).replace(",", "."));
  const begin = () => order({ do: "calibrate", ...form });
  if (open()) begin(); else toast("Changes are closed. Hold the enable button at the panel until it says that changes are open.");
});
$("answer").addEventListener("submit", (event) => {
  event.preventDefault();
  if (!$("reply").hidden && $("choices").childElementCount && !$("reply").value.trim()) { toast("Type the figure, or choose the button beside it."); $("reply").focus(); return; }
  order({ do: "answer", number: Number($("answer").dataset.number), text: $("reply").hidden ? "" : $("reply").value });
});
$("stop-guide").addEventListener("click", () => ask(STOP_WORDS[$("guide-title").textContent][1], "Stop it", () => order({ do: "stop" })));
addEventListener("resize", () => { showChart(); Far.fit(); });
keys();
Frozen.begin();
Bend.begin();
go("press");
connect();
