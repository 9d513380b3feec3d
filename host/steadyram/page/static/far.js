"use strict";
// The big view: the force as large as the screen allows, to be read from three metres; sounds for done and fault; the
// screen kept on and whole where the browser allows it (a page that comes over plain http from another computer may not
// keep the screen on).
const Far = {
  lock: null,
  get shown() { return document.body.classList.contains("far"); },

  open() {
    document.body.classList.add("far");
    $("far").hidden = false;
    document.documentElement.requestFullscreen?.().catch(() => {});
    this.keepOn();
    this.fit();
    $("far-close").focus();
  },
  close() {
    if (!this.shown) return;
    document.body.classList.remove("far");
    $("far").hidden = true;
    if (document.fullscreenElement) document.exitFullscreen().catch(() => {});
    this.lock?.release().catch(() => {});
    this.lock = null;
    showChart();
    $("far-open").focus();
  },
  keepOn() {
    navigator.wakeLock?.request("screen").then((lock) => { this.lock = lock; }).catch(() => {});
  },
  // As large as width and height allow, measured once at a known size, so that any font fits.
  fit() {
    if (!this.shown) return;
    const line = $("far-force"), room = $("far").getBoundingClientRect();
    line.style.fontSize = "100px";
    const words = $("far-words").offsetHeight + $("far-close").offsetHeight + 48;
    const scale = Math.min((room.width - 24) / line.scrollWidth, (room.height - words) / line.offsetHeight);
    line.style.fontSize = `${Math.max(30, Math.floor(100 * scale))}px`;
  },
  show(digits, words) {
    if (!this.shown) return;
    const grew = $("far-digits").textContent.length !== digits.length || $("far-words").textContent !== words;
    put($("far-digits"), digits);
    put($("far-words"), words);
    if (grew) this.fit();
  },
};

// Frequencies in hertz and times in seconds; done rises, a fault is low and comes three times.
const Sound = {
  TONES: { done: [[660, 0, 0.14], [880, 0.16, 0.22]], fault: [[220, 0, 0.25], [220, 0.4, 0.25], [220, 0.8, 0.25]] },
  audio: null,
  state: "",
  played: [],

  turn(on) {
    if (on && !this.audio) this.audio = new AudioContext();
    if (this.audio) on ? this.audio.resume() : this.audio.suspend();
    const button = $("far-sound");
    button.setAttribute("aria-pressed", String(on));
    put(button, on ? "Sound: on" : "Sound: off");
    if (on) this.play("done");
  },
  // Called with every live state; the first one seen makes no sound.
  follow(state) {
    if (this.state && state !== this.state && this.TONES[state]) this.play(state);
    this.state = state;
  },
  play(name) {
    if ($("far-sound").getAttribute("aria-pressed") !== "true") return;
    this.played.push(name);
    for (const [hertz, from_s, long_s] of this.TONES[name]) {
      const tone = this.audio.createOscillator(), gain = this.audio.createGain(), at = this.audio.currentTime + from_s;
      tone.frequency.value = hertz;
      gain.gain.setValueAtTime(0.3, at);
      gain.gain.setTargetAtTime(0, at + long_s * 0.7, long_s / 8);
      tone.connect(gain).connect(this.audio.destination);
      tone.start(at);
      tone.stop(at + long_s);
    }
  },
};

// A script that hangs changes nothing on the screen any more: the notice is an animation that the browser runs beside
// the script, and the script sets it back ten times a second.
const Frozen = {
  AFTER_MS: 700,
  notice: null,
  begin() {
    this.notice = $("frozen").animate([{ opacity: 0 }, { opacity: 1 }],
      { duration: 1, delay: this.AFTER_MS, fill: "both" });
  },
  alive() { if (this.notice) this.notice.currentTime = 0; },
};
