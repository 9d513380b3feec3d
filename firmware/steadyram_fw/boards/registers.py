"""The control step's way to time, contacts, converter and pins by an RP2040's own registers.

The interpreter's calls for these took as long as the control step itself (hardware_notes/memory_and_time.md). The
functions on top work on a register block by its address and on arrays, in machine words; calls.py has the same for
other chips. Addresses and bits are those of the RP2040's data sheet; tests/board runs them on the emulated chip.
"""

import time
from array import array

from .. import tables as T
from .shared import (
    DUE,
    LATE,
    LATE_US,
    LEN,
    LONGEST,
    MEAN16,
    NOW,
    OUTPUT,
    QUARTERS,
    SETTLED,
    SLOW_US,
    STEPS,
    SUPPLY16,
    TURN,
    TURNS,
    contacts,
)

TIMER_AT = 0x40054000  # word 10: the lower half of the microseconds since power-up
SIO_AT = 0xD0000000  # word 1: levels of the pins; word 7: a bit set here turns an output round
ADC_AT = 0x4004C000  # word 0: control and state; word 1: the last conversion
VREG_AT = 0x40064000  # bits 4 to 7: voltage; bit 12: it is there
CHOSEN_MV = 1150


def begin(timer, c):
    """Note when the step began; return how late it is, microseconds, and make the next one due if it is one."""
    now = timer[10] & 0x3FFFFFFF
    due = c[DUE]
    late = ((now - due + 0x20000000) & 0x3FFFFFFF) - 0x20000000
    if late >= -500:
        c[NOW] = now
        if late < 1000:
            c[DUE] = (due + 1000) & 0x3FFFFFFF
    return late


def look(sio, c, words, turns, places):
    """Return the input word of the contacts, and follow the knob.

    words: input word by the levels of the contacts' pins, which are neighbours; turns: see wired.py;
    places: (first contact's GPIO, mask of the contacts' levels, the knob's first GPIO, the cutout's GPIO and its bit of
    the word, which is 0 without one); the knob's second is the next.
    """
    levels = sio[1]
    knob = levels >> places[2]
    now = (knob & 1) << 1 | (knob >> 1 & 1)
    before = c[TURN]
    if now != before:
        turn = turns[(before & 3) << 2 | now]
        c[TURN] = now
        if turn == 1:
            c[QUARTERS] += 1
        elif turn == 2:
            c[QUARTERS] -= 1
    word = int(words[(levels >> places[0]) & places[1]])
    if levels >> places[3] & 1 == 0:
        word |= places[4]
    return word


def sample(adc, c):
    """Return the reading, 0..65535 of the supply: the mean of four conversions of input 0 over input 1, the supply.

    What `converter.Internal.counts` does, in machine words.
    """
    total = 0
    n = 0
    while n < 4:
        adc[0] = 0x5
        while adc[0] & 0x100 == 0:
            pass
        code = adc[1]
        total += code << 4 | code >> 8
        n += 1
    adc[0] = 0x1005
    while adc[0] & 0x100 == 0:
        pass
    code = adc[1]
    mean = c[SUPPLY16]
    mean += (code << 4 | code >> 8) - (mean >> 4)
    c[SUPPLY16] = mean
    volts = mean >> 4
    if volts < 16384:
        return 0
    value = ((total >> 2) << 14) // (volts >> 2)
    if value > 65535:
        value = 65535
    return value


def end(timer, sio, c, late):
    """Turn the alive pin round, count and time the step; return a step's mean time, sixteenths of a microsecond."""
    sio[7] = 0x200000
    steps = c[STEPS]
    c[STEPS] = (steps + 1) & 0x3FFFFFFF
    if steps < SETTLED:
        return 0
    took = ((timer[10] & 0x3FFFFFFF) - c[NOW]) & 0x3FFFFFFF
    if took > c[LONGEST]:
        c[LONGEST] = took
    if late > c[LATE]:
        if c[OUTPUT] & (T.OUT_EXTEND | T.OUT_RETRACT | T.OUT_SLOW):
            c[LATE] = late
    mean16 = c[MEAN16]
    mean16 += took - (mean16 >> 4)
    c[MEAN16] = mean16
    return mean16


def feed_fifo(fifo, word):
    """Give the valves' keeper its next word. Does not wait: a full queue drops it."""
    fifo[0] = word
    return 0


def works():
    """Return True where these functions reach the registers, which takes a build with machine code."""
    try:
        return begin(TIMER_AT, array("i", [0] * LEN)) < 0x40000000
    except TypeError:
        return False


def core_mv(machine):
    """Return the core's voltage as set, millivolts."""
    # RP2040 data sheet: 0b0110 is 850 mV, each step 50 mV
    return 850 + 50 * ((machine.mem32[VREG_AT] >> 4 & 15) - 6)


def raise_core(machine):
    """Raise the core's voltage to what the chip's maker asks for at 200 MHz; return True when it reads back so.

    MicroPython changes the clock alone. The maker's own start-up code sets 1.15 V above 133 MHz and waits 1 ms.
    """
    if core_mv(machine) < CHOSEN_MV:
        code = (CHOSEN_MV - 850) // 50 + 6
        machine.mem32[VREG_AT] = (machine.mem32[VREG_AT] & ~0xF0) | code << 4
        time.sleep_ms(1)
    return core_mv(machine) >= CHOSEN_MV and machine.mem32[VREG_AT] >> 12 & 1 == 1


class Port:
    """Contacts, knob, alive pin and the valves' keeper of one board."""

    def __init__(self, machine, pins, converter, keeper):
        first = pins.INPUTS[0][1]
        wired, _, _ = contacts(machine, pins)
        inputs = wired[: len(pins.INPUTS)]
        words = array("H", [0] * (1 << len(inputs)))
        for levels in range(len(words)):
            for place, (mask, _) in enumerate(inputs):
                if not levels >> place & 1:
                    words[levels] |= mask
        self.words = words
        cutout = (0, 0) if pins.CUTOUT is None else (pins.CUTOUT[1], wired[-1][0])
        self.places = array("i", [first, len(words) - 1, pins.KNOB[0][1], cutout[0], cutout[1]])
        self.internal = converter.internal
        self.supply16 = converter.supply16 if converter.internal else 0
        self.counts = converter.counts
        self.resting = converter.resting
        self._keeper = keeper

    def read_levels(self, cells, turns):
        """The input word; follows the knob."""
        return look(SIO_AT, cells, self.words, turns, self.places)

    def feed_keeper(self, valves):
        """Give the keeper the valves' bits."""
        keeper = self._keeper
        feed_fifo(keeper.FIFO, keeper.WORD | valves if valves else keeper.OFF)


def step_of(board, app, port):
    """Return the timer's callback: one control step. Callbacks that come in a bunch after a pause count once.

    What it works with are defaults of its arguments: a closure over more than four things allocates at every call.
    """
    keeper = board._keeper
    # Otherwise the first readings would be taken over a supply that rises from nothing.
    board.cells[SUPPLY16] = port.supply16

    def step(
        _timer,
        board=board,
        core=app.core,
        cells=board.cells,
        timer=TIMER_AT,
        sio=SIO_AT,
        adc=ADC_AT if port.internal else None,
        counts=port.counts,
        resting=port.resting,
        words=port.words,
        places=port.places,
        turns=TURNS,
        fifo=keeper.FIFO if keeper else 0,
        keep=keeper.WORD if keeper else 0,
        begin=begin,
        sample=sample,
        look=look,
        end=end,
        feed=feed_fifo,
    ):
        if board.crashed:
            return
        try:
            late = begin(timer, cells)
            if late < -500:
                return
            if late >= 1000:
                board._catch_up(late)
            out = cells[OUTPUT]
            valves = out & (T.OUT_EXTEND | T.OUT_RETRACT | T.OUT_SLOW)
            if adc is not None:
                reading = sample(adc, cells)
            else:
                reading = counts()
                resting(valves == 0)
            if valves and late > LATE_US:
                core.raise_fault(T.FAULT_STEP_OVERRUN)
            word = board._tick(reading, look(sio, cells, words, turns, places))
            if word != out:
                board.drive(word)
            elif valves and keep:
                feed(fifo, keep | valves)
            if end(timer, sio, cells, late) > (SLOW_US << 4) + 15 and not valves:
                core.raise_fault(T.FAULT_STEP_OVERRUN)
        except BaseException:
            board.crash()

    return step
