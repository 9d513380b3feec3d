"""From the transducer to counts: both converters are ratiometric and give 0..65535 of the supply.

A ratiometric transducer follows its supply, so what counts is signal over supply. Signal and supply reach the
converter through equal dividers; the dividers' ratio and the converter's own reference then cancel.
`counts()` runs in the control step: integers, nothing allocated.
"""

from array import array

_SUPPLY_LEAST = 16384  # a quarter of the scale: below it the supply is lost and 0 is reported


class Internal:
    """The chip's own converter: the mean of a few pairs of readings.

    Readings are never taken singly: the spread of neighbouring readings smooths the uneven code widths of
    these converters a little. That does not make twelve bits sixteen; `counts_step` stays 16.
    """

    rests = False  # nothing to do between strokes
    internal = True

    def __init__(self, signal, supply, oversample):
        self._signal = signal.read_u16
        self._supply = supply.read_u16
        self._n = oversample
        self.supply16 = 0  # supply, followed slowly, times 16
        for _ in range(16):
            self.supply16 += self._supply()

    def counts(self):
        signal = self._signal
        n = self._n
        total = signal()
        for _ in range(n - 1):
            total += signal()
        mean = self.supply16
        mean += self._supply() - (mean >> 4)
        self.supply16 = mean
        # ratio(), in place
        supply = mean >> 4
        if supply < _SUPPLY_LEAST:
            return 0
        value = (total // n << 14) // (supply >> 2)
        return 65535 if value > 65535 else value

    def resting(self, quiet):
        """Nothing to do between strokes."""


def ratio(signal, supply):
    """65536 * signal / supply for 16-bit numbers, within 31 bits."""
    if supply < _SUPPLY_LEAST:
        return 0
    value = (signal << 14) // (supply >> 2)
    return 65535 if value > 65535 else value


# The registers of a widespread kind of 16-bit I2C converter, as its public description gives them:
# one register with the last conversion, one for the configuration, two limits that turn the alert pin into a
# data-ready pin when the upper one's top bit is set and the lower one's is clear. Another kind, another table.
SIXTEEN_BIT = {
    "address": 0x48,
    "conversion": 0,
    "config": 1,
    "setup": ((2, 0x0000), (3, 0x8000)),
    # continuous, full scale 4.096 V, 860 samples a second, ready pin after every conversion
    "signal": 0x4000 | 0x0200 | 0x00E0,  # input 0 against ground
    "supply": 0x5000 | 0x0200 | 0x00E0,  # input 1 against ground
    "settle_ms": 4,  # two conversions and a little after a change of input
    "rest_ms": 250,  # how often the supply is looked at between strokes
}


class External:
    """A 16-bit converter on I2C with a data-ready pin (low = a new conversion is there).

    It is slower than the control step, so a step without new data uses the reading before. The supply is read
    between strokes only: the converter has one input at a time. A bus error gives 0, which the core takes as
    a transducer below its range.
    """

    internal = False

    def __init__(self, i2c, ready, chip=SIXTEEN_BIT):
        self.i2c = i2c
        self._ready = ready
        self._address = chip["address"]
        self._conversion = chip["conversion"]
        self._config = chip["config"]
        self._settle_ms = chip["settle_ms"]
        self._rest_ms = chip["rest_ms"]
        self._two = bytearray(2)
        self._signal_word = _word(chip["signal"])
        self._supply_word = _word(chip["supply"])
        self._values = array("i", [0, 0])  # last signal and supply, 15 bits
        self._wait = 0
        self._on_supply = False
        self._want_supply = False
        self._age = 0
        self.silent = 0  # steps since the last conversion
        for register, value in chip["setup"]:
            i2c.writeto_mem(self._address, register, _word(value))
        self._select(True)

    def _select(self, supply):
        self.i2c.writeto_mem(self._address, self._config, self._supply_word if supply else self._signal_word)
        self._on_supply = supply
        self._wait = self._settle_ms

    def counts(self):
        values = self._values
        try:
            if self._wait:
                self._wait -= 1
            elif self._ready() == 0:
                two = self._two
                self.i2c.readfrom_mem_into(self._address, self._conversion, two)
                value = two[0] << 8 | two[1]
                if value > 32767:
                    value = 0  # below ground: an offset around zero
                self.silent = 0
                if self._on_supply:
                    values[1] = value
                    self._select(False)
                else:
                    values[0] = value
                    if self._want_supply:
                        self._want_supply = False
                        self._select(True)
            else:
                self.silent += 1
        except OSError:
            self.silent = 1000
        if self.silent > 20:
            return 0
        return ratio(values[0] << 1, values[1] << 1)

    def resting(self, quiet):
        """Called once a step; `quiet`: nothing is energised, so the supply may be looked at now and then."""
        if not quiet:
            self._want_supply = False
            return
        self._age += 1
        if self._age >= self._rest_ms:
            self._age = 0
            self._want_supply = True


def _word(value):
    return bytes((value >> 8, value & 255))
