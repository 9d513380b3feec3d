"""Where the ram is, as a reading of 0..65535: a potentiometer's wiper, or an encoder's count, which wraps.

Which one is read, if any, is a setting (`position_kind`). A reader stands in the control step where the app's tick
stands without one: its tick(counts, word) reads and calls `then(counts, word, place)`, since one call more costs as
much as the reading itself. Integers, nothing allocated. A reader that gets nothing from its sensor gives 0 (a
potentiometer) or stands still (an encoder); the core tells both from a ram that rests.

The choice of converter for a potentiometer:
  the pressure's 16-bit converter   has one input at a time: every look at the wiper would cost two conversions of
                                    the pressure, 2.3 ms, in which the valve has to be told to close. Not that one.
  the Pico's own converter          its reference is the potentiometer's supply, so the reading is a ratio by
                                    itself; twelve uneven bits, which means of many readings smooth. Taken there.
  the ESP32's own converter         bends near both ends, where calibration would have to follow: there it is a
                                    second converter of the 16-bit kind, at the next address of the same bus.
"""

_RANGE = 32000  # where the pulse counter goes back to zero, up and down
_HALF = 16000


class Wiper:
    """The chip's own converter on the wiper of a potentiometer that hangs on the converter's reference."""

    def __init__(self, adc, oversample):
        self._read = adc.read_u16
        self._n = oversample
        self.then = None

    def tick(self, counts, word):
        read = self._read
        n = self._n
        total = read()
        for _ in range(n - 1):
            total += read()
        return self.then(counts, word, total // n)


class Converted:
    """A converter of its own (converter.External) on the wiper; its supply is looked at while nothing is energised."""

    def __init__(self, converter, quiet):
        self._counts = converter.counts
        self._resting = converter.resting
        self._quiet = quiet
        self.then = None

    def tick(self, counts, word):
        self._resting(self._quiet())
        return self.then(counts, word, self._counts())


class Pulses:
    """The ESP32's pulse counter, counting all four edges. It goes back to zero at its limits, up as down.

    That is seen from the difference to the last reading, so up to 16000 edges may come between two steps; the
    filter lets pulses of half a microsecond and more through.
    """

    def __init__(self, kind, a, b):
        counter = kind(0, min=-_RANGE, max=_RANGE)
        counter.init(
            channel=0,
            pin=a,
            rising=kind.INCREMENT,
            falling=kind.DECREMENT,
            mode_pin=b,
            mode_low=kind.REVERSE,
        )
        counter.init(
            channel=1,
            pin=b,
            rising=kind.DECREMENT,
            falling=kind.INCREMENT,
            mode_pin=a,
            mode_low=kind.REVERSE,
        )
        counter.init(filter=40)
        counter.start()
        self._value = counter.value
        self._last = counter.value()
        self._count = 0
        self.then = None

    def tick(self, counts, word):
        now = self._value()
        moved = now - self._last
        self._last = now
        if moved > _HALF:
            moved -= _RANGE
        elif moved < -_HALF:
            moved += _RANGE
        count = (self._count + moved) & 0xFFFF
        self._count = count
        return self.then(counts, word, count)


class Nothing:
    """A sensor that could not be set up: it reads 0."""

    def __init__(self):
        self.then = None

    def tick(self, counts, word):
        return self.then(counts, word, 0)
