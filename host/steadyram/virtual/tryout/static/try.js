"use strict";
// Draws what the press tells and sends what hands and feet do. The firmware decides; nothing here does.
const $ = (id) => document.getElementById(id);
const NS = "http://www.w3.org/2000/svg";
const STALE_MS = 3000;
const PRESS = { top: 120, mm: 5.4, bed: 352, part: 46 };
let shop = null, now = null, socket = null, seen = 0, step = 0, told = "";

// ------------------------------------------------------------------ the line to the press
function connect() {
  socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/try-hands`);
  socket.addEventListener("message", (event) => {
    seen = Date.now();
    const content = JSON.parse(event.data);
    if (content.kind === "shop") begin(content); else { now = content; show(); }
  });
  socket.addEventListener("close", () => { socket = null; age(); setTimeout(connect, 1000); });
}
function act(what, value = null) {
  if (socket && socket.readyState === WebSocket.OPEN) socket.send(JSON.stringify({ act: what, value }));
}
function age() {
  const old = !socket || Date.now() - seen > STALE_MS;
  $("stale").hidden = !old;
  if (old) $("stale").textContent = "No news from the simulated press. What is drawn here is old; connecting again.";
}

// ------------------------------------------------------------------ what can be touched
function begin(content) {
  shop = content;
  const parts = shop.parts.map((part) => button(part.name[0].toUpperCase() + part.name.slice(1), () => load(part.job)));
  parts[0].append(small("key N: another of the same"));
  $("parts").replaceChildren(...parts, button("Nothing", () => load(0)));
  $("faults").replaceChildren(
    ...Object.entries(shop.faults).map(([name, words]) => {
      const made = button(words[0].toUpperCase() + words.slice(1), () =>
        now && now.faults.includes(name) ? act("mend") : act("fault", name));
      made.dataset.fault = name;
      made.setAttribute("aria-pressed", "false");
      return made;
    }),
    button("Mend everything", () => act("mend")),
  );
}
function small(text) { const made = document.createElement("small"); made.textContent = text; return made; }
function button(text, click) {
  const made = document.createElement("button");
  made.type = "button"; made.textContent = text;
  made.addEventListener("click", click);
  return made;
}
function load(job) {
  if (now && !now.clear) { say("Raise the ram first: the part can be changed at the top only."); return; }
  act("load", job);
}
function hold(what, down) {
  for (const each of document.querySelectorAll(`[data-hold=${what}]`)) each.classList.toggle("down", down);
  act(what, down);
}
for (const each of document.querySelectorAll("[data-hold]")) {
  const what = each.dataset.hold;
  each.addEventListener("pointerdown", (event) => { each.setPointerCapture(event.pointerId); hold(what, true); });
  for (const end of ["pointerup", "pointercancel", "lostpointercapture"])
    each.addEventListener(end, () => { if (each.classList.contains("down")) hold(what, false); });
}
for (const each of document.querySelectorAll("[data-turn]"))
  each.addEventListener("click", () => act("turn", Number(each.dataset.turn)));
$("cutoff").addEventListener("click", () => act("cutoff", !now?.cutoff));
$("latch").addEventListener("click", () => act("latch", !now?.latch));
$("estop").addEventListener("click", () => act("estop", !now?.estop));

const KEYS = { " ": "extend", r: "retract", Enter: "knob" };
const down = new Set();
addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  const held = KEYS[key];
  // A focused button keeps Enter and the space bar for itself only where it is no pedal or knob.
  if (held) { event.preventDefault(); if (!down.has(held)) { down.add(held); hold(held, true); } return; }
  if (event.repeat) return;
  const once = { c: () => act("cutoff", !now?.cutoff), l: () => act("latch", !now?.latch), e: () => act("estop", !now?.estop),
    n: () => load(now?.part?.job || shop.parts[0].job), ArrowLeft: () => act("turn", -1), ArrowRight: () => act("turn", 1) }[key];
  if (once) { event.preventDefault(); once(); }
});
addEventListener("keyup", (event) => {
  const held = KEYS[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  if (held && down.delete(held)) { event.preventDefault(); hold(held, false); }
});
// Whoever turns to another window takes feet and hands along.
addEventListener("blur", () => { for (const held of ["extend", "retract", "knob"]) { down.delete(held); hold(held, false); } });

// ------------------------------------------------------------------ what is seen
function show() {
  draw(); display(); words(); sounds();
  toggle($("cutoff"), now.cutoff, now.cutoff ? "on" : "off");
  toggle($("latch"), now.latch, now.latch ? "latched" : "momentary");
  $("estop").setAttribute("aria-pressed", String(now.estop));
  $("lamp").classList.toggle("on", now.outputs.lamp);
  $("lamp").setAttribute("aria-label", now.outputs.lamp ? "Lamp on" : "Lamp off");
  for (const each of document.querySelectorAll("[data-fault]"))
    each.setAttribute("aria-pressed", String(now.faults.includes(each.dataset.fault)));
  for (const each of $("parts").children) each.setAttribute("aria-disabled", String(!now.clear));
  hints();
}
function toggle(node, on, text) { node.setAttribute("aria-pressed", String(on)); node.querySelector("b").textContent = text; }
function shape(name, attributes, text) {
  const made = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  return made;
}
function draw() {
  const svg = $("press"), ram = 1000 * now.ram_m, part = now.part;
  const gap = part ? 1000 * part.gap_m : 40;
  // The bed is drawn where this part would be met; a millimetre of pressing is drawn four times as long.
  const scale = Math.min(PRESS.mm, (PRESS.bed - PRESS.top - PRESS.part) / gap);
  const pressed = part ? 4000 * part.pressed_m : 0;
  const nose = PRESS.top + Math.min(ram, gap) * scale + Math.min(pressed, PRESS.part - 8);
  const face = PRESS.top + gap * scale;
  const height = Math.max(8, PRESS.part - pressed), wide = 74 + (PRESS.part - height) * 0.7;
  const body = [
    shape("rect", { class: "frame", x: 22, y: 20, width: 24, height: 366 }), shape("rect", { class: "frame", x: 254, y: 20, width: 24, height: 366 }),
    shape("rect", { class: "frame", x: 22, y: 20, width: 256, height: 26 }),
    shape("path", { class: "flow" + (now.outputs.extend || now.outputs.slow ? " on" : ""), d: "M 46 70 H 112" }),
    shape("path", { class: "flow" + (now.outputs.retract ? " on" : ""), d: "M 254 92 H 188" }),
    shape("rect", { class: "cylinder", x: 112, y: 46, width: 76, height: 56 }),
    shape("rect", { class: "ram", x: 130, y: 98, width: 40, height: Math.max(4, nose - 98) }),
    shape("rect", { class: "bed", x: 46, y: face + PRESS.part, width: 208, height: Math.max(20, 386 - face - PRESS.part) }),
  ];
  if (part) body.push(shape("rect", { class: `part ${part.verdict.replace(" ", "-")}`, x: 150 - wide / 2, y: face + PRESS.part - height, width: wide, height, rx: 4 }));
  body.push(shape("text", { x: 178, y: 122 }, force(now.force_N)));
  body.push(shape("text", { class: "small", x: 178, y: 138 }, "true force"));
  body.push(shape("text", { class: "small", x: 48, y: 122 }, `ram ${ram.toFixed(1)} mm`));
  svg.replaceChildren(...body);
  svg.setAttribute("aria-label", `Ram ${ram.toFixed(0)} mm down, ${force(now.force_N)}, ${part ? part.name : "no part"}`);
}
function display() {
  const text = now.display, drawn = text.startsWith("picture ");
  $("display").hidden = !drawn; $("lines").hidden = drawn;
  if (!drawn) { $("lines").textContent = text; return; }
  if (text === told) return;
  told = text;
  const paint = $("display").getContext("2d"), image = paint.createImageData(128, 64);
  for (let page = 0; page < 8; page++) for (let x = 0; x < 128; x++) {
    const bits = parseInt(text.substr(8 + 2 * (page * 128 + x), 2), 16);
    for (let bit = 0; bit < 8; bit++) {
      const at = 4 * ((page * 8 + bit) * 128 + x), lit = bits >> bit & 1;
      image.data.set(lit ? [170, 220, 255, 255] : [12, 18, 26, 255], at);
    }
  }
  paint.putImageData(image, 0, 0);
}
function say(text, look = "") { if ($("said").textContent !== text) $("said").textContent = text; $("said").className = look; }
function words() {
  const part = now.part, kind = shop?.parts.find((each) => each.job === part?.job);
  $("part-words").textContent = kind ? `On the bed: ${kind.words}. It comes out right from ${force(kind.low_N)} to ${force(kind.high_N)}.` : "The bed is empty.";
  if (now.trouble) say(now.trouble, "ruined");
  else if (part?.verdict === "ruined") say(`Ruined: the ${part.name} has seen ${force(now.peak_N)}.`, "ruined");
  else if (part?.verdict === "good" && now.state === "done") say(`Good: the ${part.name} has seen ${force(now.peak_N)}.`, "good");
  else if (part?.verdict === "new" && now.clear) say("");
}
// Three figures or whole ones, in the user's unit; a force below a hundredth of it is nothing that a press is set to.
function force(force_N) {
  const unit = shop?.unit ?? { name: "N", per_N: 1 }, value = unit.per_N * force_N;
  return `${value.toFixed(Math.max(0, 2 - Math.floor(Math.log10(Math.max(value, 1)))))} ${unit.name}`;
}

// ------------------------------------------------------------------ first steps
const STEPS = [
  ["Hold Press, or the space bar, until the ram stops", () => now.part?.verdict === "good" && now.state === "done"],
  ["Let go, then hold Raise, or R, until the ram is up", () => now.clear && now.part?.verdict !== "new" && !now.pedals.extend],
  ["New part (N), and press it: faster this time", () => now.part?.verdict === "good" && now.state === "done"],
  ["Raise it, new part, cutoff off (C), press", () => now.part?.verdict === "ruined"],
  ["Cutoff on (C), break the transducer wire, press", () => now.faults.includes("sensor-open") && now.fault !== null],
  ["Mend everything, feet off, push the knob (Enter) for a second", () => now.faults.length === 0 && now.fault === null && now.cutoff],
  ["Read the trace on the page; turn the knob to another force", () => false],
];
function hints() {
  if (step < STEPS.length && STEPS[step][1]()) step += 1;
  const text = `${step + 1} of ${STEPS.length}: ${STEPS[Math.min(step, STEPS.length - 1)][0]}`;
  if ($("hint").textContent !== text) $("hint").textContent = text;
}

// ------------------------------------------------------------------ sound, if wanted
let audio = null, hum = null, beep = null, clicked = "";
function voice(frequency, type, level) {
  const tone = audio.createOscillator(), gain = audio.createGain();
  tone.type = type; tone.frequency.value = frequency; gain.gain.value = 0;
  tone.connect(gain).connect(audio.destination); tone.start();
  return (on) => gain.gain.setTargetAtTime(on ? level : 0, audio.currentTime, 0.02);
}
$("sound").addEventListener("change", () => {
  if ($("sound").checked && !audio) {
    audio = new AudioContext();
    hum = voice(96, "sawtooth", 0.03); beep = voice(2300, "square", 0.03);
  }
  if (audio) $("sound").checked ? audio.resume() : audio.suspend();
});
function sounds() {
  if (!audio) return;
  hum(now.outputs.extend || now.outputs.retract || now.outputs.slow);
  beep(now.outputs.buzzer);
  const relays = `${now.outputs.extend}${now.outputs.retract}${now.outputs.slow}`;
  if (relays !== clicked) { clicked = relays; const click = voice(1200, "triangle", 0.08); click(true); setTimeout(() => click(false), 12); }
}

setInterval(age, 500);
connect();
