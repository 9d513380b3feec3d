# mypy: ignore-errors
"""Run by MicroPython under callgrind: the timer's callback around the control step, so many times.

argv: times, what: `around` = everything but Controller.step, which a call in C stands for; `wiper`, `encoder`,
`pulses` = the same with a reader of the ram's position; `rest` = a core at rest; `travel` = the same with a ram
position input. Pins and converter are calls in C that do nothing, as a board's are
short. The heap is locked, as in a hard interrupt.
"""

import gc
import io
import sys
import time
from array import array

from micropython import heap_lock, heap_unlock
from steadyram_fw import tables as T
from steadyram_fw.app import App
from steadyram_fw.boards import calls
from steadyram_fw.boards import pins_pico as pins
from steadyram_fw.boards.converter import Internal
from steadyram_fw.boards.place import Pulses, Wiper
from steadyram_fw.boards.shared import DUE, MEAN16
from steadyram_fw.boards.wired import Wired
from steadyram_fw.core.controller import Controller
from steadyram_fw.services.access import Access
from steadyram_fw.services.clock import Clock

READING = 30000
AROUND = ("around", "wiper", "encoder", "pulses")


class Pin:
    IN = OUT = PULL_UP = 1

    def __call__(self, *_, **__):
        return gc.isenabled


class Machine:
    Pin = Pin()


class Reading:
    """A converter's channel."""

    read_u16 = gc.threshold


FOUR = io.BytesIO(b"four")
FOUR.seek(4)


class Counted:
    """A PIO state machine, or a pulse counter, whose calls are ones in C."""

    INCREMENT = DECREMENT = REVERSE = SHIFT_RIGHT = 1

    def __init__(self, *_, **__):
        self.active = abs
        self.rx_fifo = self.value = FOUR.tell
        self.get = len

    def init(self, **_):
        pass

    def start(self):
        pass


class Rp2:
    StateMachine = PIO = Counted

    @staticmethod
    def asm_pio(**_):
        return lambda function: function


def reader(what):
    if what == "wiper":
        return Wiper(Reading, pins.PLACE_OVERSAMPLE)
    if what == "pulses":
        return Pulses(Counted, None, None)
    sys.modules["rp2"] = Rp2
    from steadyram_fw.boards.quadrature import Quadrature

    return Quadrature(None)


class NoCore:
    def __init__(self):
        self.step = max
        # A computer that is busy may take the processor away for longer than a step may take on a board.
        self.raise_fault = abs
        self.inputs = T.IN_ESTOP_OK
        self.armed_ms = 0
        self.live = False
        self.record_ready = False


class Frame(App):
    def __init__(self, core):
        self.core = core
        self.clock = Clock()
        self.access = Access()
        self.inputs = self.raw = self.place = self.silent_ms = 0
        self.outputs = 0
        self._still = False
        self._ended_s = -1
        self._ended_ms = 0


def core_of(what):
    if what in AROUND:
        return NoCore()
    core = Controller()
    if what == "travel":
        settings = array("i", [row[3] for row in T.SETTINGS])
        settings[T.S_POSITION_KIND] = 1
        core.configure(settings)
        cal = array("i", [row[3] for row in T.CALIBRATION])
        cal[T.C_ZERO_COUNTS], cal[T.C_C1_N], cal[T.C_MAX_COUNTS] = 6554, 338450, 58982
        cal[T.C_POSITION_UM_64K] = 200000
        core.calibrate(cal)
    inputs = T.IN_ESTOP_OK | T.IN_CUTOFF | T.IN_TOP
    for i in range(400):
        core.step(6554 + (i * 7) % 16, inputs, READING)
    return core


def main(times, what):
    gc.threshold(READING)
    core = core_of(what)
    if what not in AROUND:
        step = core.step
        inputs = T.IN_ESTOP_OK | T.IN_CUTOFF | T.IN_TOP
        heap_lock()
        for _ in range(times):
            step(6554, inputs, READING)
        heap_unlock()
        print(core.state, core.travel.fitted)
        return
    app = Frame(core)
    converter = Internal(Reading, Reading, pins.OVERSAMPLE)
    board = Wired(Machine, pins, [], converter, None, None, "u", "pico", hard=True)
    board.drive = abs
    board._port.alive = abs
    board._app = app
    if what != "around":
        board._reader = reader(what)
    board._join()
    step = calls.step_of(board, app, board._port)
    cells = board.cells
    heap_lock()
    for _ in range(times):
        cells[DUE] = time.ticks_us()
        # under callgrind every step is slow: not what is looked at here
        cells[MEAN16] = 0
        step(None)
    heap_unlock()
    if board.crashed or board.steps != times:
        raise SystemExit("the callback failed")


main(int(sys.argv[1]), sys.argv[2])
