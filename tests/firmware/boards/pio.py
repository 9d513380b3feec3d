"""A stand-in for `rp2`: takes PIO programs as MicroPython's assembler does, and runs the instructions they use.

What each instruction does is from memory of the chip's public description: `out` and `mov` as there, `push` drops the
word where the FIFO is full and clears the input register either way, a decrement jumps if the register was not zero
before. An instruction that is not here cannot be assembled.
"""

import types

from stub_machine import Stubs, stub_file

WORD = 0xFFFFFFFF
FIFO = 4
ROOM = 32  # instructions in one PIO block


class Program:
    """Instructions as (name, arguments), labels as places, and where it wraps."""

    def __init__(self, out_right):
        self.out_right = out_right
        self.code = []
        self.labels = {}
        self.start = 0
        self.end = None


def assemble(*, out_shiftdir=0, out_init=(), set_init=()):
    assert not any(out_init + set_init), "outputs begin low in this stand-in"

    def of(function):
        program = Program(out_shiftdir == 1)

        def add(name):
            return lambda *arguments: program.code.append((name, arguments))

        def target():
            program.start = len(program.code)

        def wrap():
            program.end = len(program.code) - 1

        names = {name: name for name in ("x", "y", "isr", "osr", "pins", "null", "noblock", "block")}
        names |= {name: name for name in ("x_not_y", "not_x", "not_y", "x_dec", "y_dec")}
        names |= {name: add(name) for name in ("mov", "out", "push", "pull", "set", "jmp")}
        names["invert"] = lambda what: "~" + what
        names["label"] = lambda name: program.labels.__setitem__(name, len(program.code))
        names["wrap_target"], names["wrap"] = target, wrap
        # As on the board, the function sees these names and nothing else.
        types.FunctionType(function.__code__, names)()
        assert len(program.code) <= ROOM
        return program

    return of


class StateMachine:
    """One cycle an instruction. `lines` is asked for the level of all pins, shifted to `in_base`."""

    def __init__(self, number, program, *, freq=-1, in_base=None, out_base=None, set_base=None):
        self.number = number
        self.program = program
        self.freq = freq
        self.pin = in_base
        self.out = (out_base, set_base)
        self.queue = []
        self.outputs = 0
        self.on = False
        self.r = {"x": 0, "y": 0, "isr": 0, "osr": 0}
        self.at = 0
        self.fifo = []
        self.lines = 0
        self.cycles = 0

    def active(self, value=None):
        if value is not None:
            self.on = bool(value)
        return self.on

    def tx_fifo(self):
        return len(self.queue)

    def put(self, value, shift=0):
        assert len(self.queue) < FIFO, "it would wait in the control step"
        self.queue.append(value & WORD)

    def rx_fifo(self):
        return len(self.fifo)

    def get(self, buffer=None, shift=0):
        for i in range(len(buffer)):
            assert self.fifo, "it would wait in the control step"
            buffer[i] = self.fifo.pop(0) & 0xFFFF
        if self.on:
            self.run(60)  # a call takes longer than that
        return buffer

    def run(self, cycles):
        for _ in range(cycles):
            self.one()

    def value(self, source):
        if source.startswith("~"):
            return ~self.value(source[1:]) & WORD
        return {"pins": self.lines, "null": 0, **self.r}[source]

    def one(self):
        name, arguments = self.program.code[self.at]
        nxt = self.program.start if self.at == self.program.end else (self.at + 1) % len(self.program.code)
        r = self.r
        if name == "mov":
            r[arguments[0]] = self.value(arguments[1])
        elif name == "out":
            to, bits = arguments
            assert self.program.out_right
            low, r["osr"] = r["osr"] & ((1 << bits) - 1), r["osr"] >> bits
            if to == "pins":
                self.outputs = low
            elif to != "null":
                r[to] = low
        elif name == "set":
            to, value = arguments
            if to == "pins":
                self.outputs = value
            else:
                r[to] = value
        elif name == "pull":
            if self.queue:
                r["osr"] = self.queue.pop(0)
            elif arguments == ("block",):
                nxt = self.at
            else:
                r["osr"] = r["x"]
        elif name == "push":
            assert arguments == ("noblock",)
            if len(self.fifo) < FIFO:
                self.fifo.append(r["isr"])
            r["isr"] = 0
        else:
            assert name == "jmp"
            condition, label = arguments if len(arguments) == 2 else ("always", arguments[0])
            go = {
                "always": True,
                "x_not_y": r["x"] != r["y"],
                "not_x": r["x"] == 0,
                "not_y": r["y"] == 0,
                "x_dec": r["x"] != 0,
                "y_dec": r["y"] != 0,
            }[condition]
            if condition in ("x_dec", "y_dec"):
                r[condition[0]] = (r[condition[0]] - 1) & WORD
            if go:
                nxt = self.program.labels[label]
        self.at = nxt
        self.cycles += 1


def module():
    """What `import rp2` gives; calls that the published stubs do not allow raise."""
    stubs = Stubs(stub_file().parent / "rp2" / "__init__.pyi")
    made = types.ModuleType("rp2")
    made.machines = []

    class Checked(StateMachine):
        def __init__(self, *args, **kwargs):
            stubs.check("StateMachine.__init__", args, kwargs)
            super().__init__(*args, **kwargs)
            made.machines.append(self)

        def active(self, *args):
            stubs.check("StateMachine.active", args, {})
            return super().active(*args)

        def tx_fifo(self, *args):
            stubs.check("StateMachine.tx_fifo", args, {})
            return super().tx_fifo(*args)

        def put(self, *args):
            stubs.check("StateMachine.put", args, {})
            return super().put(*args)

        def rx_fifo(self, *args):
            stubs.check("StateMachine.rx_fifo", args, {})
            return super().rx_fifo(*args)

        def get(self, *args):
            stubs.check("StateMachine.get", args, {})
            return super().get(*args)

    def asm_pio(**options):
        stubs.check("asm_pio", (), options)
        return assemble(**options)

    class PIO:
        SHIFT_LEFT, SHIFT_RIGHT = 0, 1
        OUT_LOW = 0

    for name in ("SHIFT_LEFT", "SHIFT_RIGHT", "OUT_LOW"):
        assert f"PIO.{name}" in stubs.constants
    made.StateMachine, made.asm_pio, made.PIO = Checked, asm_pio, PIO
    return made
