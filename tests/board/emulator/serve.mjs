// node serve.mjs RP2040JS BOOTROM OPTIONS: an emulated board that answers one JSON line to each JSON line.
//
// OPTIONS: {"pins": {"inputs": [[mask, gpio], ...], "outputs": [gpio, ...], "knob": [a, b], "alive": gpio},
//           "flash": path, "cache": null or [clocks, cycles]}. The flash file is read at the start and written by "save".
// Requests, each {"do": ...}:
//   ticks    {"words": [counts, inputs, place, ...], "link": base64, "knob": steps}: a millisecond each triple, until
//            an output changes or bytes come -> {"ticks", "outputs", "link"}
//   free     {"ms": n, "link": base64}: time passes with the levels as they are; back early when bytes have come
//   levels   {"inputs": word, "counts": n, "place": n}
//   steps    {"on": bool}: begin to note control steps, or give those noted and stop:
//            [us, cycles, us taken, cache misses, outputs before, outputs after, counts]
//   mask     {"irq": n}: take an interrupt away;  cut {"after": n}: power goes in the n-th flash program from now
//   edges    {}: changes of the outputs since last asked, [us, word]
//   state, save, reset
// Every answer has "us", the chip's time, "resets", "gone" (the power went in a flash write).
import { readFileSync, writeFileSync } from "node:fs";
import { createInterface } from "node:readline";
import { pathToFileURL } from "node:url";
import { Chip } from "./chip.mjs";

const [maker, rom, options] = process.argv.slice(2);
const { pins, flash, cache } = JSON.parse(options);
const { bootromB1 } = await import(pathToFileURL(rom).href);
const module = await import(pathToFileURL(maker).href);
Chip.OUTPUTS = pins.outputs;
Chip.ALIVE = pins.alive;
const image = new Uint8Array(2 * 1024 * 1024).fill(0xff);
image.set(readFileSync(flash));
const chip = new Chip(module, bootromB1, image, { cache });

const now = { inputs: 0, counts: 0, place: 0 };
let quarter = 0; // the knob's place, in changes of level
let turn = 0; // changes still to come
const KNOB = [3, 2, 0, 1]; // levels (a, b) of a turn forward, as in the firmware's table
let edges = [];
let word = 0;
// Where in the plant's milliseconds the control steps begin: early, so that one that switches a valve ends in the same
// millisecond. On a real press the two are not related, which is worth up to a millisecond of the oil's flow; here it is
// fixed once the steps are regular.
const STEP_BEGINS_NS = 0.2e6;
const REGULAR = 100;
let phase = 0;

function connect() {
  const { mcu } = chip;
  mcu.adc.onADCRead = (channel) => {
    mcu.adc.currentChannel = channel;
    mcu.adc.channelValues[channel] = channel === 0 ? now.counts >> 4 : channel === 1 ? 4095 : now.place >> 4;
    mcu.adc.sampleAlarm.schedule(2000);
  };
  for (let gpio = 0; gpio < 30; gpio++) mcu.gpio[gpio].setInputValue(true);
  // A pin that is driven reads as it is driven.
  for (const gpio of pins.outputs) mcu.gpio[gpio].setInputValue(false);
  for (const gpio of pins.outputs)
    mcu.gpio[gpio].addListener((level) => {
      mcu.gpio[gpio].setInputValue(level === 1);
      const next = chip.outputs();
      if (next !== word) edges.push([Math.round(chip.now() / 1000), next]);
      word = next;
    });
  const wanted = chip.steps;
  chip.steps = wanted || []; // to have the begin of a step noted
  let seen = 0;
  const stop = mcu.gpio[pins.alive].addListener(() => {
    if (++seen < REGULAR) return;
    phase = (chip.begun[0] - STEP_BEGINS_NS) % 1e6;
    chip.steps = wanted;
    stop();
  });
  levels();
}

function levels() {
  const { gpio } = chip.mcu;
  for (const [mask, pin] of pins.inputs) gpio[pin].setInputValue((now.inputs & mask) === 0);
  const lines = KNOB[quarter & 3];
  gpio[pins.knob[0]].setInputValue((lines & 2) !== 0);
  gpio[pins.knob[1]].setInputValue((lines & 1) !== 0);
  chip.counts = now.counts;
}

chip.wire = connect;
connect();

function taken() {
  const bytes = Buffer.from(chip.fromBoard).toString("base64");
  chip.fromBoard.length = 0;
  return bytes;
}

let tick = Math.round(chip.now() / 1e6); // milliseconds given so far
const orders = {
  ticks({ words, link, knob }) {
    chip.toBoard.push(...Buffer.from(link, "base64"));
    turn += 4 * knob;
    const before = word;
    let ran = 0;
    while (ran * 3 < words.length) {
      [now.counts, now.inputs, now.place] = words.slice(3 * ran, 3 * ran + 3);
      if (turn) {
        quarter += Math.sign(turn);
        turn -= Math.sign(turn);
      }
      levels();
      ran++;
      tick++;
      chip.run(tick * 1e6 + phase);
      if (chip.powerGone || chip.outputs() !== before || chip.fromBoard.length) break;
    }
    word = chip.outputs();
    return { ticks: ran, outputs: word, link: taken() };
  },
  free({ ms, link }) {
    chip.toBoard.push(...Buffer.from(link || "", "base64"));
    chip.run(chip.now() + ms * 1e6, () => chip.fromBoard.length > 0);
    tick = Math.ceil((chip.now() - phase) / 1e6);
    return { link: taken() };
  },
  levels(order) {
    Object.assign(now, order);
    levels();
    return {};
  },
  steps({ on }) {
    const steps = chip.steps || [];
    chip.steps = on ? [] : null;
    return { steps };
  },
  mask({ irq }) {
    chip.core.enabledInterrupts &= ~(1 << irq);
    return {};
  },
  cut({ after }) {
    chip.cutAfter = after;
    return {};
  },
  edges() {
    const since = edges;
    edges = [];
    return { edges: since };
  },
  state() {
    return {
      outputs: chip.outputs(),
      hz: Math.round(1e9 / chip.cycleNs),
      topHz: chip.topHz,
      vsel: chip.vsel,
      volts: chip.volts,
      divider: chip.flashDivider,
      erased: chip.erased,
      programmed: chip.programmed,
      connected: chip.connected,
    };
  },
  save() {
    writeFileSync(flash, chip.flash);
    return {};
  },
  reset() {
    chip.reset();
    return {};
  },
};

for await (const line of createInterface({ input: process.stdin })) {
  const order = JSON.parse(line);
  const answer = orders[order.do](order);
  answer.us = Math.round(chip.now() / 1000);
  answer.resets = chip.resets;
  answer.gone = chip.powerGone;
  process.stdout.write(JSON.stringify(answer) + "\n");
}
