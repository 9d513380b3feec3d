// An RP2040 on a Pico-class board, instruction by instruction: what rp2040js gives, and around it what it leaves
// out: flash that the chip's ROM can write, PIO on the chip's own clock, a watchdog that resets, USB that waits
// for the reader, the core voltage, and (if wanted) a model of the flash cache. Time is nanoseconds of the chip.

const WINDOW = 0x10000000; // where flash is seen
const WINDOW_END = 0x11000000;
const TIMER_CALLBACKS = 16 + 3; // exception number of the alarm that MicroPython's timers share
const ROM_TABLE = 0x14; // halfword: where the ROM keeps its table of functions
const ERASE_SECTOR_NS = 45e6; // typical of the flash chips used, from memory of their data sheets
const PROGRAM_PAGE_NS = 0.7e6;
const VSEL_1V10 = 0xb;
const RESET = new Error("the chip resets");

// 16 KiB, two ways, eight bytes a line (RP2040 data sheet, section on the flash cache); that the older line goes,
// and what a miss costs, are assumptions: `clocksPerMiss` flash clocks and `more` cycles.
class FlashCache {
  constructor(clocksPerMiss, more) {
    this.lines = new Int32Array(2 * 1024).fill(-1); // tag of set s: [2 s], the newer one; [2 s + 1]
    this.clocksPerMiss = clocksPerMiss;
    this.more = more;
    this.misses = 0;
    this.owed = 0;
    this.divider = 4;
  }
  look(address) {
    const line = (address & 0xffffff) >> 3;
    const at = (line & 1023) * 2;
    const tag = line >> 10;
    const lines = this.lines;
    if (lines[at] === tag) return;
    if (lines[at + 1] !== tag) {
      this.misses++;
      this.owed += this.clocksPerMiss * this.divider + this.more;
    }
    lines[at + 1] = lines[at];
    lines[at] = tag;
  }
  forget() {
    this.lines.fill(-1);
  }
}

// A register block that remembers what was written and answers with one word.
class Cell {
  constructor(word, written = () => {}) {
    this.word = word;
    this.written = written;
  }
  readUint32() {
    return this.word >>> 0;
  }
  writeUint32(offset, value) {
    this.written(offset, value >>> 0);
  }
  writeUint32Atomic(offset, value) {
    this.writeUint32(offset & 0xfff, value);
  }
}

export class Chip {
  // maker: rp2040js; bootrom: its words; flash: bytes of the whole flash, kept over resets.
  // cache: null or [flash clocks a miss, cycles more].
  constructor(maker, bootrom, flash, { cache = null } = {}) {
    this.maker = maker;
    this.bootrom = bootrom;
    this.flash = flash;
    this.cacheShape = cache;
    this.before = 0; // nanoseconds before the last reset
    this.resets = 0;
    this.toBoard = [];
    this.fromBoard = [];
    this.volts = []; // every voltage asked for, as [ns, code of VSEL]
    this.topHz = 0;
    this.erased = this.programmed = 0;
    this.cutAfter = -1; // flash programs until the power goes in the middle of one; -1: never
    this.powerGone = false;
    this.steps = null; // an array to have every control step noted
    this.wire = () => {}; // called after every reset, to connect pins
    this.boot();
  }

  boot() {
    const { maker } = this;
    const clock = new maker.Simulator().clock;
    const mcu = new maker.RP2040(clock);
    this.clock = clock;
    this.mcu = mcu;
    this.core = mcu.core;
    mcu.logger = new maker.ConsoleLogger(maker.LogLevel.Error, false);
    mcu.loadBootrom(this.bootrom);
    mcu.flash.set(this.flash);
    this.flash = mcu.flash.subarray(0, this.flash.length);
    this.cycleNs = 8;
    this.pioOwed = [new Float64Array(4), new Float64Array(4)];
    this.pioBusy = false;
    mcu.addClockListener((hz) => {
      this.cycleNs = 1e9 / hz;
      if (hz > this.topHz) this.topHz = hz;
    });
    this.fillGaps();
    this.findRom();
    this.cache = null;
    if (this.cacheShape) this.attachCache();
    this.plugUsb();
    this.inCallback = false;
    this.core.PC = WINDOW;
    this.wire(this);
  }

  // Blocks that the package has not, or has as stubs.
  fillGaps() {
    const { mcu } = this;
    const blocks = mcu.peripherals;
    this.vsel = VSEL_1V10;
    blocks[0x40060] = new Cell(0); // ring oscillator
    blocks[0x40018] = new Cell(0); // flash pins
    blocks[0x4006c] = new Cell(1); // platform: a chip
    const regulator = new Cell(0x1000 | (VSEL_1V10 << 4) | 1, (offset, value) => {
      if (offset !== 0) return;
      this.vsel = (value >> 4) & 15;
      regulator.word = 0x1000 | (value & 0xf1);
      this.volts.push([this.now(), this.vsel]);
    });
    blocks[0x40064] = regulator;
    blocks[0x40058].onWatchdogTrigger = () => {
      this.resetting = true;
      throw RESET; // the package's alarm would fire again at once
    };
    for (const pio of mcu.pio) {
      pio.run = () => {
        this.pioBusy = true;
      };
    }
  }

  findRom() {
    const half = (at) => (this.mcu.bootrom[at >> 2] >>> (at & 2 ? 16 : 0)) & 0xffff;
    this.calls = new Map();
    for (let at = half(ROM_TABLE); half(at); at += 4) {
      const name = String.fromCharCode(half(at) & 255, half(at) >> 8);
      if (["RE", "RP", "FC", "IF", "EX", "CX"].includes(name)) this.calls.set(half(at + 2) & ~1, name);
    }
  }

  attachCache() {
    const { mcu } = this;
    const cache = (this.cache = new FlashCache(...this.cacheShape));
    for (const name of ["readUint8", "readUint16", "readUint32"]) {
      const plain = mcu[name].bind(mcu);
      mcu[name] = (address) => {
        if (address >= WINDOW && address < WINDOW_END) cache.look(address);
        return plain(address);
      };
    }
    const serial = mcu.peripherals[0x18000]; // the flash's interface; its divider is at 0x14
    const plain = serial.writeUint32.bind(serial);
    serial.writeUint32 = (offset, value) => {
      plain(offset, value);
      if (offset === 0x14 && value > 0) cache.divider = value;
    };
  }

  get flashDivider() {
    const value = this.mcu.peripherals[0x18000].readUint32(0x14);
    return value > 0 ? value : 0;
  }

  plugUsb() {
    const { mcu } = this;
    const usb = new this.maker.USBCDC(mcu.usbCtrl);
    this.usb = usb;
    this.connected = false;
    this.room = 0;
    usb.onDeviceConnected = () => {
      this.connected = true;
    };
    usb.onSerialData = (bytes) => this.fromBoard.push(...bytes);
    // A read that nothing is there for is refused on a real bus until there is; the package would end it empty.
    mcu.usbCtrl.onEndpointRead = (endpoint, size) => {
      if (endpoint !== usb.outEndpoint) return;
      this.room = size;
      this.pass();
    };
  }

  pass() {
    if (!this.room || !this.toBoard.length) return;
    const some = this.toBoard.splice(0, Math.min(this.room, 64));
    this.room = 0;
    this.mcu.usbCtrl.endpointReadDone(this.usb.outEndpoint, Uint8Array.from(some));
  }

  now() {
    return this.before + this.clock.nanos;
  }

  // The ROM's flash functions, done at once and with their time.
  romCall(name) {
    const { core, mcu } = this;
    const [at, from, size] = core.registers;
    if (name === "RE") {
      mcu.flash.fill(0xff, at, at + from);
      this.erased += from / 4096;
      this.wait((from / 4096) * ERASE_SECTOR_NS);
    } else if (name === "RP") {
      for (let page = 0; page < size; page += 256) {
        const half = this.cutAfter === 0 ? 128 : 256;
        for (let i = page; i < page + half; i++) mcu.flash[at + i] &= mcu.readUint8(from + i);
        this.programmed++;
        if (this.cutAfter === 0) {
          this.powerGone = true;
          break;
        }
        if (this.cutAfter > 0) this.cutAfter--;
      }
      this.wait((size / 256) * PROGRAM_PAGE_NS);
    } else if (name === "FC" && this.cache) this.cache.forget();
    core.PC = core.LR & ~1;
  }

  wait(ns) {
    this.core.cycles += Math.round(ns / this.cycleNs);
    this.clock.tick(ns);
  }

  // PIO for `cycles` of the system clock. A machine faster than `PIO_LEAST` cycles an instruction is taken slower,
  // or it would take all of the computer's time.
  runPio(cycles) {
    for (let block = 0; block < 2; block++) {
      const pio = this.mcu.pio[block];
      if (pio.stopped) continue;
      const owed = this.pioOwed[block];
      let ran = false;
      for (let n = 0; n < 4; n++) {
        const machine = pio.machines[n];
        if (!machine.enabled) continue;
        const each = Math.max(Chip.PIO_LEAST, machine.clockDivInt + machine.clockDivFrac / 256 || 65536);
        owed[n] += cycles;
        while (owed[n] >= each) {
          owed[n] -= each;
          if (machine.waiting) machine.checkWait();
          if (machine.waiting) {
            owed[n] = 0;
            break;
          }
          machine.step();
          ran = true;
        }
      }
      if (ran) pio.checkChangedPins();
    }
  }

  // Run until the chip's time is `until` (ns). True when it got there, false when `stop()` was true or power went.
  run(until, stop = null) {
    // In the time since the last reset: a sum with `before` may round to just less than `until` for ever.
    while (this.clock.nanos < until - this.before) {
      this.pass();
      const slice = Math.min(until - this.before, this.clock.nanos + 20000);
      try {
        this.slice(slice);
      } catch (error) {
        if (error !== RESET) throw error;
      }
      if (this.resetting) this.reset();
      if (this.powerGone) return false;
      if (stop !== null && stop()) return false;
    }
    return true;
  }

  reset() {
    this.resetting = false;
    this.before += this.clock.nanos;
    this.resets++;
    this.boot();
  }

  slice(end) {
    const { core, clock, cache, mcu } = this;
    const registers = core.registers;
    const began = clock.nanos;
    while (clock.nanos < end) {
      if (core.waiting) {
        const next = clock.nextAlarm ? Math.min(clock.nextAlarm.nanos, end) : end;
        const ns = Math.max(next - clock.nanos, 0);
        core.cycles += Math.round(ns / this.cycleNs);
        clock.tick(ns);
        if (core.interruptsUpdated && core.checkForInterrupts()) core.waiting = false;
        continue;
      }
      if (registers[15] < 0x4000) {
        const name = this.calls.get(registers[15]);
        if (name !== undefined) {
          this.romCall(name);
          if (this.powerGone) return;
          continue;
        }
      }
      let cycles = core.executeInstruction();
      if (cache !== null && cache.owed) {
        cycles += cache.owed;
        core.cycles += cache.owed;
        cache.owed = 0;
      }
      clock.tick(cycles * this.cycleNs);
      if (this.steps !== null && (core.IPSR === TIMER_CALLBACKS) !== this.inCallback) this.noteCallback(cycles);
      if (this.resetting) return;
    }
    if (this.pioBusy) this.runPio((clock.nanos - began) / this.cycleNs);
  }

  // One line for each callback that made a step (the alive pin changed): see `steps` in serve.mjs.
  noteCallback(cycles) {
    const { core, mcu, cache } = this;
    this.inCallback = !this.inCallback;
    const alive = (mcu.sio.gpioValue >>> Chip.ALIVE) & 1;
    if (this.inCallback) {
      this.begun = [this.now(), core.cycles - cycles, alive, cache ? cache.misses : 0, this.outputs(), this.counts];
      return;
    }
    const [ns, at, was, misses, outputs, counts] = this.begun;
    if (was === alive) return;
    this.steps.push([
      Math.round(ns / 1000),
      core.cycles - at,
      Math.round((this.now() - ns) / 10) / 100,
      cache ? cache.misses - misses : 0,
      outputs,
      this.outputs(),
      counts,
    ]);
  }

  // Levels of the output pins as bits, the first one lowest.
  outputs() {
    let word = 0;
    for (let i = 0; i < Chip.OUTPUTS.length; i++) {
      const pin = this.mcu.gpio[Chip.OUTPUTS[i]];
      if (pin.outputEnable && pin.outputValue) word |= 1 << i;
    }
    return word;
  }
}

Chip.PIO_LEAST = 125;
Chip.OUTPUTS = [];
Chip.ALIVE = 21;
