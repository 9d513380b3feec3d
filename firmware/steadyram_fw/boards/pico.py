"""Pico-class boards: RP2040 and RP2350.

The control step runs in a hard timer interrupt. The choices:
  a soft callback    waits for collections and for any long call in C, milliseconds each: too late for a valve
  the second core    shares one heap without a guard on objects, is locked out by flash writes all the same,
                     and would need every exchange with the foreground to be guarded
  a hard interrupt   is late only while flash is written, which happens only while nothing is energised; it
                     may not allocate, and the core never does (proved with the heap locked)
The RP2040 is run at 200 MHz, for which the core's voltage is raised first and read back; where it does not read back,
the clock stays. The RP2350 keeps the clock that it is specified for.
"""

import binascii
import os
import sys

from .. import tables as T
from . import pins_pico as pins
from .converter import Internal
from .serial_link import SerialLink
from .wired import Wired, safe_outputs

CLOCK_HZ = 200000000
_LARGE_BLOCKS = 400  # blocks of 4 KiB: a board with this many has room for the long log
_SMALL_LOG = (160, 14, 24)


class Pico(Wired):
    def place_reader(self, kind):
        machine = self._machine
        if kind == T.POSITION_KIND_POTENTIOMETER:
            from .place import Wiper

            return Wiper(machine.ADC(machine.Pin(pins.PLACE_WIPER[1])), pins.PLACE_OVERSAMPLE)
        from .quadrature import Quadrature

        pin = machine.Pin
        pin(pins.PLACE_B[1], pin.IN, pin.PULL_UP)
        return Quadrature(pin(pins.PLACE_A[1], pin.IN, pin.PULL_UP))

    def maintenance(self):
        """Restart into the interpreter; main.py sees the mark and does not start the firmware."""
        self.stop()
        leave_mark(self.root)
        self._machine.reset()


def leave_mark(root):
    """Tell main.py not to start the firmware next time."""
    with open(root.rstrip("/") + "/steadyram.stay", "w") as file:
        file.write("1")


def make(machine=None, root="/", link=None, external=None, chip=None):
    """The board; outputs go low before anything else. `external`: True or False overrides what answers."""
    if machine is None:
        import machine
    outputs = safe_outputs(machine, pins)
    chip = chip or getattr(sys.implementation, "_machine", "")
    ways = None
    if "RP2040" in chip:
        from . import registers

        if machine.freq() < CLOCK_HZ and registers.raise_core(machine):
            machine.freq(CLOCK_HZ)
        if registers.works():
            ways = registers
    converter = external_converter(machine, pins) if external is None or external else None
    if converter is None:
        converter = Internal(
            machine.ADC(machine.Pin(pins.ADC_SIGNAL[1])),
            machine.ADC(machine.Pin(pins.ADC_SUPPLY[1])),
            pins.OVERSAMPLE,
        )
    board = Pico(
        machine,
        pins,
        outputs,
        converter,
        link or SerialLink(),
        screen_of(machine, pins),
        str(binascii.hexlify(machine.unique_id()), "ascii"),
        "pico",
        root,
        hard=True,
        keeper=keeper_of(pins),
        ways=ways,
    )
    if blocks_of(root) < _LARGE_BLOCKS:
        board.log_shape = _SMALL_LOG  # type: ignore[attr-defined]
    return board


def keeper_of(pins):
    """The valves' keeper; None where there is no PIO (a stand-in for the board)."""
    try:
        from .valve_keeper import Keeper
    except ImportError:
        return None
    return Keeper(pins.OUTPUTS[0][1])


def blocks_of(root):
    """Size of the file system in blocks of 4 KiB."""
    stat = os.statvfs(root)
    return stat[1] * stat[2] // 4096


def bus(machine, pins):
    """The converters' bus."""
    pin = machine.Pin
    return machine.I2C(pins.ADC_BUS, scl=pin(pins.ADC_SCL[1]), sda=pin(pins.ADC_SDA[1]), freq=400000)


def external_converter(machine, pins):
    """The converter on the bus if one answers, else None."""
    from .converter import SIXTEEN_BIT, External

    pin = machine.Pin
    i2c = bus(machine, pins)
    gpio = pins.ADC_READY[1]
    ready = pin(gpio, pin.IN, pin.PULL_UP if gpio < 34 else None)
    try:
        return External(i2c, ready, SIXTEEN_BIT)
    except OSError:
        return None


def screen_of(machine, pins):
    """The display; it may be missing and it may come later."""
    from .screen import Screen

    pin = machine.Pin
    i2c = machine.I2C(
        pins.SCREEN_BUS, scl=pin(pins.SCREEN_SCL[1]), sda=pin(pins.SCREEN_SDA[1]), freq=400000, timeout=10000
    )
    return Screen(i2c)
