"""A `machine` that takes only calls which the published stubs of MicroPython allow.

Signatures are read from the installed stubs, never typed here: a call that no overload takes raises
TypeError, and a method that the stubs lack cannot be faked.
"""

import ast
import importlib.metadata
import inspect
from pathlib import Path


def stub_file(distribution="micropython-rp2-stubs"):
    for file in importlib.metadata.files(distribution) or ():
        if str(file) == "machine.pyi":
            return Path(str(file.locate()))
    raise FileNotFoundError(f"{distribution} has no machine.pyi")


def _signature(function, bound):
    arguments = function.args
    kinds = inspect.Parameter
    out = []
    positional = arguments.posonlyargs + arguments.args
    first_default = len(positional) - len(arguments.defaults)
    for i, argument in enumerate(positional):
        kind = kinds.POSITIONAL_ONLY if i < len(arguments.posonlyargs) else kinds.POSITIONAL_OR_KEYWORD
        default = kinds.empty if i < first_default else None
        out.append(kinds(argument.arg, kind, default=default))
    if arguments.vararg:
        out.append(kinds(arguments.vararg.arg, kinds.VAR_POSITIONAL))
    for argument, default in zip(arguments.kwonlyargs, arguments.kw_defaults, strict=True):
        out.append(kinds(argument.arg, kinds.KEYWORD_ONLY, default=kinds.empty if default is None else None))
    if arguments.kwarg:
        out.append(kinds(arguments.kwarg.arg, kinds.VAR_KEYWORD))
    return inspect.Signature(out[1:] if bound else out)


class Stubs:
    """Signatures of `machine`: name or Class.method -> overloads."""

    def __init__(self, path=None):
        tree = ast.parse((path or stub_file()).read_text())
        self.signatures = {}
        self.constants = set()
        for node in tree.body:
            if isinstance(node, ast.FunctionDef):
                self.signatures.setdefault(node.name, []).append(_signature(node, False))
            elif isinstance(node, ast.AnnAssign):
                self.signatures.setdefault(node.target.id, [])
            elif isinstance(node, ast.ClassDef):
                for item in node.body:
                    if isinstance(item, ast.FunctionDef):
                        key = f"{node.name}.{item.name}"
                        self.signatures.setdefault(key, []).append(_signature(item, True))
                    elif isinstance(item, ast.AnnAssign):
                        self.constants.add(f"{node.name}.{item.target.id}")

    def check(self, name, args, kwargs):
        overloads = self.signatures.get(name)
        if not overloads:
            raise AttributeError(f"the stubs have no machine.{name}")
        problem = None
        for signature in overloads:
            try:
                signature.bind(*args, **kwargs)
                return
            except TypeError as error:
                problem = error
        raise TypeError(f"machine.{name}: {problem}")


def make_machine(*, hard_timers=True, converter=False, screen=True, pins_in_use=None, second=False):
    """A fake chip. `hard_timers` False: as on the ESP32; `converter`: one answers at 0x48 on any bus, `second`:
    another at 0x49."""
    stubs = Stubs()

    def checked(name, function):
        def call(*args, **kwargs):
            stubs.check(name, args[1:] if "." in name else args, kwargs)
            return function(*args, **kwargs)

        return call

    class Machine:
        pass

    machine = Machine()
    machine.pins = {}
    machine.log = []
    machine.timers = []
    machine.dogs = []
    machine.hz = 125_000_000
    machine.mem32 = {0x40064000: 0x10B1}  # the core's voltage: 1.10 V, there
    machine.registers = {1: b"\0\0"}
    machine.second_registers = {1: b"\0\0"}
    machine.second_inputs = {0x4000: 0, 0x5000: 0}
    machine.readings = {}  # of the chip's own converter, by GPIO
    machine.inputs = {0x4000: 0, 0x5000: 0}  # what the converter reads, by input
    machine.bus_fails = False

    class Pin:
        OUT, IN, PULL_UP = 1, 0, 1

        def __init__(self, gpio, mode=-1, pull=-1, *, value=None):
            if mode == Pin.IN and gpio >= 34 and pull == Pin.PULL_UP and not hard_timers:
                raise ValueError("no pull-up on this pin")
            self.gpio = gpio
            self.mode = mode
            self.level = value if value is not None else (1 if pull == Pin.PULL_UP else 0)
            machine.pins[gpio] = self
            machine.log.append(("pin", gpio, mode, value))

        def __call__(self, *value):
            if not value:
                return self.level
            if self.mode != Pin.OUT:
                raise ValueError("not an output")
            self.level = value[0]
            machine.log.append(("set", self.gpio, value[0]))
            return None

    class ADC:
        def __init__(self, pin):
            self.pin = pin

        def read_u16(self):
            reading = machine.readings.get(self.pin.gpio, 0)
            return next(reading) if hasattr(reading, "__next__") else reading

    def chip(address):
        """(registers, inputs) of what answers."""
        if converter and address == 0x48 and not machine.bus_fails:
            return machine.registers, machine.inputs
        if second and address == 0x49 and not machine.bus_fails:
            return machine.second_registers, machine.second_inputs
        raise OSError(5)

    class I2C:
        def __init__(self, bus, *, scl, sda, freq=400000, timeout=50000):
            self.bus = bus
            self.written = []

        def writeto_mem(self, address, register, data):
            chip(address)[0][register] = bytes(data)

        def readfrom_mem_into(self, address, register, buffer):
            registers, inputs = chip(address)
            select = int.from_bytes(registers[1], "big") & 0x7000
            buffer[:] = inputs[select].to_bytes(2, "big")

        def writeto(self, address, data):
            if not screen:
                raise OSError(19)
            machine.log.append(("screen", bytes(data)))
            return len(data)

        def writevto(self, address, vector):
            if not screen:
                raise OSError(19)
            machine.log.append(("picture", sum(len(part) for part in vector)))
            return 0

    class Timer:
        PERIODIC, ONE_SHOT = 1, 0

        def __init__(self, number, *, mode=1, period=None, callback=None, hard=None):
            if hard and not hard_timers:
                raise ValueError("hard timers are not there")
            self.period, self.callback, self.hard, self.on = period, callback, hard, True
            machine.timers.append(self)

        def deinit(self):
            self.on = False

    class WDT:
        def __init__(self, *, id=0, timeout=5000):
            if timeout > 8388:
                raise ValueError("watchdog timeout")
            self.timeout, self.fed = timeout, 0
            machine.dogs.append(self)

        def feed(self):
            self.fed += 1

    for kind in (Pin, ADC, I2C, Timer, WDT):
        for name, member in list(vars(kind).items()):
            if callable(member):
                key = f"{kind.__name__}.{name}"
                if key not in stubs.signatures:
                    raise AttributeError(f"the stubs have no machine.{key}")
                setattr(kind, name, checked(key, member))
            elif name.isupper() and f"{kind.__name__}.{name}" not in stubs.constants:
                raise AttributeError(f"the stubs have no machine.{kind.__name__}.{name}")
        setattr(machine, kind.__name__, kind)

    def freq(*hz):
        if hz:
            machine.hz = hz[0]
        return machine.hz

    for name, function in (
        ("freq", freq),
        ("idle", lambda: machine.log.append(("idle",))),
        ("reset", lambda: machine.log.append(("reset",))),
        ("unique_id", lambda: b"\x01\x02\x03\x04"),
    ):
        setattr(machine, name, checked(name, function))
    return machine
