"""What boards with pins have in common: contacts to bits, bits to outputs, the millisecond, the watchdog.

The control step runs in a timer callback, everything else in the foreground. Each step: read the converter
and the contacts, ask the core, set the outputs. The callback allocates nothing.

What happens when something goes wrong:
  an exception in the step        outputs off at once, nothing more is energised, the watchdog resets the chip
  the step takes too long         fault `step-overrun` before a stroke can be made: the board is too slow
  the step comes late             if a valve is energised and the step is LATE_US late: fault `step-overrun`
  the foreground hangs or dies    outputs off if it raised; the watchdog is no longer fed
  reset, boot, a pulled plug      pins float; the drivers' pull-downs keep the valves closed
"""

import gc
import time

from .. import tables as T

LATE_US = 3000
SLOW_US = 850  # mean of a step beyond which too little of the millisecond is left for all else
WATCHDOG_MS = 4000
HEALTHY_MS = 5000
_VALVES = T.OUT_EXTEND | T.OUT_RETRACT | T.OUT_SLOW
# steps of the knob by (levels before, levels now), four bits: 0 none or bounce, 1 forward, 2 backward
_TURN = bytes((0, 1, 2, 0, 2, 0, 0, 1, 1, 0, 0, 2, 0, 2, 1, 0))
_QUARTERS = 4  # changes of level a detent


def safe_outputs(machine, pins):
    """Every output pin low; the first thing that a board does."""
    out = []
    for name, gpio, _ in pins.OUTPUTS:
        out.append((getattr(T, "OUT_" + name.upper()), machine.Pin(gpio, machine.Pin.OUT, value=0)))
    return out


class Wired:
    """A board made of its parts. `outputs` from safe_outputs(); `hard`: the timer's callback interrupts."""

    def __init__(self, machine, pins, outputs, converter, link, screen, uid, name, root="/", hard=False):
        self.name = name
        self.uid = uid
        self.root = root
        self.screen = screen
        self._machine = machine
        self._outputs = tuple(outputs)
        self._out = 0
        pin = machine.Pin
        self._inputs = tuple(
            [
                (_mask(names), pin(gpio, pin.IN, pin.PULL_UP if gpio < 34 else None))
                for names, gpio, _ in pins.INPUTS
            ]
        )
        self._knob_a, self._knob_b = [
            pin(gpio, pin.IN, pin.PULL_UP if gpio < 34 else None) for _, gpio, _ in pins.KNOB
        ]
        self._alive = pin(pins.ALIVE[1], pin.OUT, value=0) if pins.ALIVE else None
        self._turn = 3
        self._quarters = 0
        self._told = 0
        self.converter = converter
        self._counts = None
        self._resting = None
        self._us = None
        self._between = None
        self._after = None
        self._link = link
        self._hard = hard
        self._timer = None
        self._on_timer = self._step  # a bound method made here, since making one allocates
        self._app = None
        self._tick = None
        self._kind = 0
        self._reader = None
        self._due = 0
        self.steps = 0
        self.late_us = 0  # worst so far
        self.step_us = 0  # longest step so far
        self._mean16 = 0  # mean time of a step, sixteenths of a microsecond
        self.crashed = False

    # ------------------------------------------------------------ what the app asks of a board
    def link_read(self):
        return self._link.read()

    def link_write(self, data):
        self._link.write(data)

    def knob(self):
        now = self._quarters // _QUARTERS
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
        return self._out & _VALVES == 0

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
        word = 0
        for mask, pin in self._inputs:
            if pin() == 0:
                word |= mask
        return word

    def drive(self, word):
        """Bring the outputs to `word`; pins that need not change are not touched."""
        changed = word ^ self._out
        if changed:
            for mask, pin in self._outputs:
                if changed & mask:
                    pin(1 if word & mask else 0)
            self._out = word

    def all_off(self):
        """Every output off, whatever it was thought to be."""
        for _, pin in self._outputs:
            pin(0)
        self._out = 0

    def _knob_step(self, now):
        """The knob's two contacts have changed."""
        turn = _TURN[(self._turn & 3) << 2 | now]
        self._turn = now
        if turn == 1:
            self._quarters += 1
        elif turn == 2:
            self._quarters -= 1

    def _step(self, _timer):
        """One control step. Callbacks that come in a bunch after a pause count once."""
        if self.crashed:
            return
        try:
            now = self._us()
            due = self._due
            late = self._between(now, due)
            if late < 1000:
                if late < -500:
                    return
                self._due = self._after(due, 1000)
            else:
                self._catch_up(late)
            counts = self._counts()
            out = self._out
            quiet = out & _VALVES == 0
            if self._resting is not None:
                self._resting(quiet)
            if late > LATE_US and not quiet:
                self._app.core.raise_fault(T.FAULT_STEP_OVERRUN)
            word = 0
            for mask, pin in self._inputs:
                if pin() == 0:
                    word |= mask
            word = self._tick(counts, word)
            if word != out:
                self.drive(word)
            turn = self._knob_a() << 1 | self._knob_b()
            if turn != self._turn:
                self._knob_step(turn)
            steps = self.steps
            if self._alive is not None:
                self._alive(steps & 1)
            self.steps = (steps + 1) & 0x3FFFFFFF
            if steps >= 100:
                if late > self.late_us and self._out & _VALVES:
                    self.late_us = late
                took = self._between(self._us(), now)
                if took > self.step_us:
                    self.step_us = took
                mean16 = self._mean16
                mean16 += took - (mean16 >> 4)
                self._mean16 = mean16
                if mean16 > (SLOW_US << 4) + 15 and quiet:
                    self._app.core.raise_fault(T.FAULT_STEP_OVERRUN)
        except BaseException:
            # the interpreter would only switch the timer off and leave the valves as they are
            self.crashed = True
            self.all_off()

    def _catch_up(self, late):
        """Steps were lost: the clock goes on without them, the core takes none twice."""
        lost = late // 1000
        for _ in range(lost if lost < 2000 else 2000):
            self._app.clock.tick()
        self._due = self._after(self._due, 1000 * (lost + 1))

    def start(self, app):
        """Begin stepping."""
        self._app = app
        # What the step calls, found once: a method costs as much to find as to run.
        self._join()
        self._counts = self.converter.counts
        self._resting = self.converter.resting if getattr(self.converter, "rests", True) else None
        self._us = time.ticks_us
        self._between = time.ticks_diff
        self._after = time.ticks_add
        gc.collect()
        self._due = time.ticks_add(time.ticks_us(), 1000)
        self._timer = self._make_timer()

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


def _mask(names):
    mask = 0
    for name in names:
        mask |= getattr(T, "IN_" + name.upper())
    return mask
