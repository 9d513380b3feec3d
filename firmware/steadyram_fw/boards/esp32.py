"""ESP32 boards.

Timer callbacks here are soft: the interpreter runs them between two bytecodes of the foreground, after a
collection and after any long call in C. So the foreground does its work in small pieces while a stroke is
live, the heap is collected between strokes, and a step that comes more than 3 ms late with a valve energised
latches `step-overrun`. Where a choice is open, a Pico-class board is the better one for this job.
"""

import binascii

from .. import tables as T
from . import pins_esp32 as pins
from .pico import bus, external_converter, leave_mark, screen_of
from .serial_link import SerialLink
from .wired import Wired, safe_outputs


class Esp32(Wired):
    def place_reader(self, kind):
        from .place import Converted, Nothing, Pulses

        machine = self._machine
        pin = machine.Pin
        if kind == T.POSITION_KIND_ENCODER:
            import esp32

            a = pin(pins.PLACE_A[1], pin.IN, None)
            return Pulses(esp32.PCNT, a, pin(pins.PLACE_B[1], pin.IN, pin.PULL_UP))
        from .converter import SIXTEEN_BIT, External

        chip = dict(SIXTEEN_BIT)
        chip["address"] = pins.PLACE_ADDRESS
        ready = pin(pins.PLACE_READY[1], pin.IN, None)
        try:
            return Converted(External(self.converter.i2c or bus(machine, pins), ready, chip), self.quiet)
        except OSError:
            return Nothing()

    def maintenance(self):
        """Restart into the interpreter; main.py sees the mark and does not start the firmware."""
        self.stop()
        leave_mark(self.root)
        self._machine.reset()


class _Missing:
    """No converter answered: the reading is 0, which the core reports as a transducer below its range."""

    i2c = None

    def counts(self):
        return 0

    def resting(self, quiet):
        pass


def make(machine=None, root="/", link=None):
    """The board; outputs go low before anything else."""
    if machine is None:
        import machine
    outputs = safe_outputs(machine, pins)
    return Esp32(
        machine,
        pins,
        outputs,
        external_converter(machine, pins) or _Missing(),
        link or SerialLink(),
        screen_of(machine, pins),
        str(binascii.hexlify(machine.unique_id()), "ascii"),
        "esp32",
        root,
    )
