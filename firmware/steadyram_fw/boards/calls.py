"""The control step's way to time, contacts and pins by the interpreter's calls: for every chip but the RP2040."""

import time

from .. import tables as T
from .shared import (
    DUE,
    LATE,
    LATE_US,
    LONGEST,
    MEAN16,
    OUTPUT,
    QUARTERS,
    SETTLED,
    SLOW_US,
    STEPS,
    TURN,
    TURNS,
    contacts,
)


def core_mv(machine):
    """Not known."""
    return -1


class Port:
    """Contacts, knob, alive pin and the valves' keeper of one board."""

    def __init__(self, machine, pins, converter, keeper):
        self.counts = converter.counts
        self.resting = converter.resting if getattr(converter, "rests", True) else None
        self._inputs, (self._knob_a, self._knob_b), self.alive = contacts(machine, pins)
        self._keeper = keeper

    def read_levels(self, cells, turns):
        """The input word; follows the knob."""
        word = 0
        for mask, pin in self._inputs:
            if pin() == 0:
                word |= mask
        now = self._knob_a() << 1 | self._knob_b()
        before = cells[TURN]
        if now != before:
            turn = turns[(before & 3) << 2 | now]
            cells[TURN] = now
            if turn == 1:
                cells[QUARTERS] += 1
            elif turn == 2:
                cells[QUARTERS] -= 1
        return word

    def feed_keeper(self, valves):
        """Give the keeper the valves' bits. Does not wait: a full queue drops them."""
        keeper = self._keeper
        pio = keeper.pio
        if pio.tx_fifo() < 4:
            pio.put(keeper.WORD | valves if valves else keeper.OFF)


def step_of(board, app, port):
    """Return the timer's callback: one control step. Callbacks that come in a bunch after a pause count once.

    What it works with are defaults of its arguments: a closure over more than four things allocates at every call.
    """

    def step(
        _timer,
        board=board,
        core=app.core,
        cells=board.cells,
        us=time.ticks_us,
        between=time.ticks_diff,
        after=time.ticks_add,
        counts=port.counts,
        resting=port.resting,
        levels=port.read_levels,
        turns=TURNS,
        feeding=port.feed_keeper if board._keeper is not None else None,
        alive=port.alive,
    ):
        if board.crashed:
            return
        try:
            now = us()
            due = cells[DUE]
            late = between(now, due)
            if late < 1000:
                if late < -500:
                    return
                cells[DUE] = after(due, 1000)
            else:
                board._catch_up(late)
            reading = counts()
            out = cells[OUTPUT]
            quiet = out & (T.OUT_EXTEND | T.OUT_RETRACT | T.OUT_SLOW) == 0
            if resting is not None:
                resting(quiet)
            if late > LATE_US and not quiet:
                core.raise_fault(T.FAULT_STEP_OVERRUN)
            word = board._tick(reading, levels(cells, turns))
            if word != out:
                board.drive(word)
            elif feeding is not None and not quiet:
                feeding(word & (T.OUT_EXTEND | T.OUT_RETRACT | T.OUT_SLOW))
            steps = cells[STEPS]
            if alive is not None:
                alive(steps & 1)
            cells[STEPS] = (steps + 1) & 0x3FFFFFFF
            if steps < SETTLED:
                return
            if late > cells[LATE] and not quiet:
                cells[LATE] = late
            took = between(us(), now)
            if took > cells[LONGEST]:
                cells[LONGEST] = took
            mean16 = cells[MEAN16]
            mean16 += took - (mean16 >> 4)
            cells[MEAN16] = mean16
            if mean16 > (SLOW_US << 4) + 15 and quiet:
                core.raise_fault(T.FAULT_STEP_OVERRUN)
        except BaseException:
            board.crash()

    return step
