"""What boards with pins have in common: contacts to bits, bits to outputs, the millisecond, the watchdog.

The control step runs in a timer callback, everything else in the foreground. Each step: read the converter
and the contacts, ask the core, set the outputs. The callback allocates nothing. How it gets at time, contacts and
pins is the board's matter: by registers (registers.py) or by the interpreter's calls (calls.py).

What happens when something goes wrong:
  an exception in the step        outputs off at once, nothing more is energised, the watchdog resets the chip
  no step comes any more          valves off within 10 ms where a board has a keeper for them (valve_keeper.py);
                                  then, or without one, the watchdog resets the chip within 4 s
  the step takes too long         fault `step-overrun` before a stroke can be made: the board is too slow
  the step comes late             if a valve is energised and the step is LATE_US late: fault `step-overrun`
  the foreground hangs or dies    outputs off if it raised; the watchdog is no longer fed
  reset, boot, a pulled plug      pins float; the drivers' pull-downs keep the valves closed
"""

import gc
import sys
import time
from array import array

from .. import tables as T
from .shared import DUE, LATE, LEN, LONGEST, MEAN16, OUTPUT, PAUSE, QUARTERS, STEPS, SUPPLY16, TURN, TURNS

WATCHDOG_MS = 4000
HEALTHY_MS = 5000
_VALVES = T.OUT_EXTEND | T.OUT_RETRACT | T.OUT_SLOW
_QUARTERS = 4  # changes of level a detent


def safe_outputs(machine, pins):
    """Every output pin low; the first thing that a board does."""
    out = []
    for name, gpio, _ in pins.OUTPUTS:
        out.append((getattr(T, "OUT_" + name.upper()), machine.Pin(gpio, machine.Pin.OUT, value=0)))
    return out


class Wired:
    """A board made of its parts.

    outputs: from safe_outputs(); hard: the timer's callback interrupts; keeper: of the valves (valve_keeper.py), None
    without; ways: the module that the step works with, registers or (None) calls.
    """

    build = ""  # folder of the version that runs, as the loader says
    left = ""  # folder of an update that did not come up

    def __init__(
        self,
        machine,
        pins,
        outputs,
        converter,
        link,
        screen,
        uid,
        name,
        root="/",
        hard=False,
        keeper=None,
        ways=None,
    ):
        self.name = name
        self.uid = uid
        self.root = root
        self.screen = screen
        self._machine = machine
        self._pins = pins
        self._keeper = keeper
        # The keeper has the valves' pins, these are the others.
        self._outputs = tuple([row for row in outputs if keeper is None or not row[0] & _VALVES])
        self._all = tuple(outputs)
        self.cells = array("i", [0] * LEN)
        self.cells[TURN] = 3
        self._told = 0
        self.converter = converter
        if ways is None:
            from . import calls as ways
        self._ways = ways
        self._port = ways.Port(machine, pins, converter, keeper)
        self._link = link
        self._hard = hard
        self._timer = None
        self._app = None
        self._tick = None
        self._kind = 0
        self._reader = None
        self.crashed = False

    # ------------------------------------------------------------ what the app asks of a board
    def link_read(self):
        return self._link.read()

    def link_write(self, data):
        self._link.write(data)

    def knob(self):
        now = self.cells[QUARTERS] // _QUARTERS
        steps = now - self._told
        self._told = now
        return steps

    def show(self, lines):
        """Text is for boards without a display; this one is drawn on."""

    def idle(self):
        self._machine.idle()

    def position(self, kind):
        """Read the ram's position from now on: 0 not at all, 1 a potentiometer, 2 an encoder. Called at rest."""
        if kind == self._kind:
            return
        self._kind = kind
        self._reader = self.place_reader(kind) if kind else None
        self._join()

    def place_reader(self, kind):
        """What reads this kind of sensor in a step; None where the board has no place for it."""
        return None

    def quiet(self):
        """True while no valve is energised."""
        return self.cells[OUTPUT] & _VALVES == 0

    @property
    def steps(self):
        """Steps made."""
        return self.cells[STEPS]

    @property
    def step_us(self):
        """The longest step so far."""
        return self.cells[LONGEST]

    @property
    def late_us(self):
        """How late a step was at most with a valve energised."""
        return self.cells[LATE]

    def told(self, at_rest):
        """What a self-test asks, by the keys of the protocol's verb `board`. At rest the heap is collected first."""
        cells = self.cells
        if at_rest:
            gc.collect()
        return {
            "interp": "%d.%d.%d" % tuple(sys.implementation.version[:3]),
            "clock_hz": self._machine.freq(),
            "core_mv": self._ways.core_mv(self._machine),
            "steps": cells[STEPS],
            "step_us": cells[MEAN16] >> 4,
            "longest_us": cells[LONGEST],
            "late_us": cells[LATE],
            "pause_us": cells[PAUSE],
            "keeper_ms": self._keeper.HOLD_MS if self._keeper else -1,
            "outputs": cells[OUTPUT],
            "read_back": self._read_back(),
            "heap_free": gc.mem_free(),
            "heap_used": gc.mem_alloc(),
        }

    def _read_back(self):
        """The output word that the pins show."""
        word = 0
        for mask, pin in self._all:
            if pin():
                word |= mask
        return word

    def _join(self):
        """What a step calls: without a sensor the app itself, so that none costs nothing."""
        app = self._app
        if app is None:
            return
        reader = self._reader
        if reader is None:
            self._tick = app.tick
        else:
            # In this order: a step may come in between.
            reader.then = app.tick
            self._tick = reader.tick

    # ------------------------------------------------------------ the millisecond
    def levels(self):
        """The input word from the contacts as they are now."""
        return self._port.read_levels(self.cells, TURNS)

    def drive(self, word):
        """Bring the outputs to `word`; pins that need not change are not touched."""
        cells = self.cells
        changed = word ^ cells[OUTPUT]
        if changed:
            for mask, pin in self._outputs:
                if changed & mask:
                    pin(1 if word & mask else 0)
            cells[OUTPUT] = word
        if self._keeper is not None:
            self._port.feed_keeper(word & _VALVES)

    def all_off(self):
        """Every output off, whatever it was thought to be."""
        if self._keeper is not None:
            self._port.feed_keeper(0)
        for _, pin in self._outputs:
            pin(0)
        self.cells[OUTPUT] = 0

    def _catch_up(self, late):
        """Steps were lost: the clock goes on without them, the core takes none twice."""
        lost = late // 1000
        cells = self.cells
        if late > cells[PAUSE] and self.quiet():
            cells[PAUSE] = late
        for _ in range(lost if lost < 2000 else 2000):
            self._app.clock.tick()
        cells[DUE] = (cells[DUE] + 1000 * (lost + 1)) & 0x3FFFFFFF

    def start(self, app):
        """Begin stepping."""
        self._app = app
        # What the step calls, found once: a method costs as much to find as to run.
        self._join()
        self._on_timer = self._ways.step_of(self, app, self._port)
        gc.collect()
        self.cells[DUE] = time.ticks_add(time.ticks_us(), 1000)
        self._timer = self._make_timer()

    def crash(self):
        """The step failed: the interpreter would only switch the timer off and leave the valves as they are."""
        self.crashed = True
        self.all_off()

    def _make_timer(self):
        timer = self._machine.Timer
        if self._hard:
            return timer(-1, mode=timer.PERIODIC, period=1, callback=self._on_timer, hard=True)
        return timer(0, mode=timer.PERIODIC, period=1, callback=self._on_timer)

    def stop(self):
        """End stepping with every output off."""
        if self._timer is not None:
            self._timer.deinit()
        self.all_off()
        if self._keeper is not None:
            self._keeper.let_go(self._machine, self._pins)

    def run(self, app, healthy=None):
        """Take over. `healthy()` is called once after HEALTHY_MS: the loader then trusts this version."""
        watchdog = None
        fed = -1
        try:
            self.start(app)
            watchdog = self._machine.WDT(timeout=WATCHDOG_MS)
            while not self.crashed:
                steps = self.steps
                if steps != fed:
                    # fed from both: steps were made and the foreground came round
                    watchdog.feed()
                    fed = steps
                    if self.converter.internal:
                        # Followed slowly by either way to the pins, 16 times a reading of 16 bits.
                        app.core.note_supply((self.cells[SUPPLY16] or self.converter.supply16) >> 4)
                busy = app.poll()
                if self.screen is not None and self.screen.send():
                    busy = True
                if healthy is not None and steps >= HEALTHY_MS and app.at_rest():
                    healthy()
                    healthy = None
                if not busy:
                    self.idle()
            raise RuntimeError("the control step failed")
        finally:
            self.stop()
