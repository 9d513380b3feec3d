"""Places in the array that a board's foreground, its control step and its ways to the pins share."""

from .. import tables as T

DUE = 0  # when the step is due, microseconds that wrap at 2**30
NOW = 1  # when the newest one began
OUTPUT = 2  # the output word
STEPS = 3  # steps made, wraps at 2**30
MEAN16 = 4  # mean time of a step, sixteenths of a microsecond
LONGEST = 5  # longest step, microseconds
LATE = 6  # how late a step was at most with a valve energised, microseconds
PAUSE = 7  # how late a step was at most at rest, where flash is written, microseconds
TURN = 8  # levels of the knob's two contacts
QUARTERS = 9  # their changes, forward counted up
SUPPLY16 = 10  # the converter's supply, followed slowly, times 16
LEN = 11
LATE_US = 3000  # a step that is later than that with a valve energised is a fault
SLOW_US = 850  # mean of a step beyond which too little of the millisecond is left for all else
# The knob by (levels before, levels now), four bits: 0 none or bounce, 1 forward, 2 backward.
TURNS = bytes((0, 1, 2, 0, 2, 0, 0, 1, 1, 0, 0, 2, 0, 2, 1, 0))
SETTLED = 100  # steps after a start that are not judged


def _mask_of(names):
    """Bits of the input word that a contact stands for."""
    mask = 0
    for name in names:
        mask |= getattr(T, "IN_" + name.upper())
    return mask


def contacts(machine, pins):
    """Set the contacts' and the knob's pins up; return ((mask, pin), ...), (knob's two pins), the alive pin or None."""
    pin = machine.Pin

    def pulled_up(gpio):
        return pin(gpio, pin.IN, pin.PULL_UP if gpio < 34 else None)

    wired = pins.INPUTS if pins.CUTOUT is None else pins.INPUTS + (pins.CUTOUT,)
    inputs = tuple([(_mask_of(names), pulled_up(gpio)) for names, gpio, _ in wired])
    knob = [pulled_up(gpio) for _, gpio, _ in pins.KNOB]
    return inputs, knob, pin(pins.ALIVE[1], pin.OUT, value=0) if pins.ALIVE else None
