"""The boards against a `machine` that enforces the published signatures."""

import ast
from pathlib import Path

import pytest
from stub_machine import Stubs, make_machine

from steadyram_fw import tables as T
from steadyram_fw.boards import (
    MODULES,
    esp32,
    pico,
    pins_esp32,
    pins_pico,
    registers,
    shared,
    this_board,
    wired,
)

BOARDS = {"pico": (pico, pins_pico), "esp32": (esp32, pins_esp32)}


class Link:
    def read(self):
        return None

    def write(self, data):
        pass


class Core:
    fault = 0
    supply = -1

    def note_supply(self, reading):
        self.supply = reading

    def raise_fault(self, number):
        self.fault = number


class Clock:
    ticks = 0

    def tick(self):
        self.ticks += 1


class App:
    """Stands for the application: says what it saw, wants what it is told."""

    def __init__(self):
        self.core, self.clock = Core(), Clock()
        self.seen, self.want, self.polls, self.stop_after = [], 0, 0, None

    def tick(self, counts, inputs):
        self.seen.append((counts, inputs))
        self.clock.tick()
        if isinstance(self.want, Exception):
            raise self.want
        return self.want

    def poll(self):
        self.polls += 1
        if self.stop_after is not None and self.polls > self.stop_after:
            raise KeyError("foreground dies")
        return False

    def at_rest(self):
        return True


def made(name, tmp_path, **options):
    module, pins = BOARDS[name]
    machine = make_machine(hard_timers=name == "pico", converter=name == "esp32", **options)
    return module.make(machine, str(tmp_path), Link()), machine, pins


def ticked(board, app, fake_time, steps=1, apart_us=1000):
    for _ in range(steps):
        fake_time.us += apart_us
        board._timer.callback(board._timer)


@pytest.fixture(params=sorted(BOARDS))
def name(request):
    return request.param


def test_outputs_go_low_before_anything_else(name, tmp_path):
    _, machine, pins = made(name, tmp_path)
    first = machine.log[: len(pins.OUTPUTS)]
    assert first == [("pin", gpio, machine.Pin.OUT, 0) for _, gpio, _ in pins.OUTPUTS]


def test_every_bit_of_the_definition_has_a_pin_and_no_pin_two_uses(name):
    pins = BOARDS[name][1]
    inputs = [bit for bits, _, _ in pins.INPUTS for bit in bits]
    inputs += [] if pins.CUTOUT is None else pins.CUTOUT[0]
    # Where no pin is left, the cutout's monitor is in series with the emergency stop's.
    inputs += ["cutout_ok"] if pins.CUTOUT is None else []
    assert sorted(inputs) == sorted(n[3:].lower() for n in dir(T) if n.startswith("IN_"))
    assert [n for n, _, _ in pins.OUTPUTS] == ["extend", "retract", "slow", "lamp", "buzzer"]
    rows = [*pins.INPUTS, *pins.KNOB, *pins.OUTPUTS, pins.ADC_SDA, pins.ADC_SCL, pins.ADC_READY]
    rows += [pins.CUTOUT] if pins.CUTOUT else []
    rows += [row for row in (pins.ALIVE, pins.ADC_SIGNAL, pins.ADC_SUPPLY) if row]
    rows += [pins.SCREEN_SDA, pins.SCREEN_SCL]
    # A potentiometer or an encoder: these two may share a pin with each other.
    either = ([row for row in (pins.PLACE_WIPER, pins.PLACE_READY) if row], [pins.PLACE_A, pins.PLACE_B])
    power = [number for _, number in (*pins.POWER, *pins.PLACE_POWER)]
    for sensor in either:
        for place in (1, 2):
            used = [row[place] for row in rows + sensor] + (power if place == 2 else [])
            assert len(used) == len(set(used))


def test_header_of_the_pico_is_counted_right():
    """GPIO 0 to 22 run round the header with a ground at 3, 8, 13, 18, 23, 28; 26 and up follow pin 30.

    The layout of the Pico's 40-pin header, from memory of its public pinout.
    """
    left = [pin for pin in range(1, 21) if pin not in (3, 8, 13, 18)]
    right = [pin for pin in range(21, 30) if pin not in (23, 28)]
    header = dict(zip(range(16), left, strict=True))
    header |= dict(zip(range(16, 23), right, strict=True))
    header |= {26: 31, 27: 32, 28: 34}
    pins = pins_pico
    for row in [
        *pins.INPUTS,
        pins.CUTOUT,
        *pins.KNOB,
        *pins.OUTPUTS,
        pins.ALIVE,
        pins.ADC_SIGNAL,
        pins.ADC_SUPPLY,
    ]:
        assert header[row[1]] == row[2], row
    for row in (pins.PLACE_WIPER, pins.PLACE_A, pins.PLACE_B):
        assert header[row[1]] == row[2], row
    for row in (pins.ADC_SDA, pins.ADC_SCL, pins.ADC_READY, pins.SCREEN_SDA, pins.SCREEN_SCL):
        assert header[row[1]] == row[2], row
    # I2C0 may sit on GPIO 0/1, I2C1 on 14/15 (data on even, clock on odd; blocks alternate in pairs)
    assert (pins.SCREEN_SDA[1] // 2) % 2 == pins.SCREEN_BUS
    assert (pins.ADC_SDA[1] // 2) % 2 == pins.ADC_BUS


def test_contacts_become_bits_and_bits_become_outputs(name, tmp_path, fake_time):
    board, machine, pins = made(name, tmp_path)
    assert board.levels() == 0, "open wires: pedals released, cutoff off, emergency stop pushed"
    for bits, gpio, _ in [*pins.INPUTS, *([pins.CUTOUT] if pins.CUTOUT else [])]:
        machine.pins[gpio].level = 0
        assert board.levels() == sum(getattr(T, "IN_" + bit.upper()) for bit in bits)
        machine.pins[gpio].level = 1
    for output, gpio, _ in pins.OUTPUTS:
        board.drive(getattr(T, "OUT_" + output.upper()))
        assert [p[1] for p in pins.OUTPUTS if machine.pins[p[1]].level] == [gpio]
    board.all_off()
    assert not any(machine.pins[gpio].level for _, gpio, _ in pins.OUTPUTS)


def test_timer_steps_once_a_millisecond_and_counts_what_it_lost(name, tmp_path, fake_time):
    board, machine, _ = made(name, tmp_path)
    app = App()
    board.start(app)
    timer = machine.timers[0]
    assert (timer.period, bool(timer.hard)) == (1, name == "pico")
    ticked(board, app, fake_time, 200)
    assert len(app.seen) == app.clock.ticks == 200
    fake_time.us += 50_000  # flash was written; then the callbacks come in a bunch
    for _ in range(50):
        board._timer.callback(board._timer)
    ticked(board, app, fake_time, 10)
    assert app.clock.ticks == 260, "the clock keeps up"
    assert len(app.seen) < 215, "the core takes no step twice"
    assert app.core.fault == 0, "nothing was energised"


def test_late_step_with_a_valve_energised_is_a_fault(name, tmp_path, fake_time):
    board, _, _ = made(name, tmp_path)
    app = App()
    board.start(app)
    app.want = T.OUT_EXTEND
    ticked(board, app, fake_time, 300)
    ticked(board, app, fake_time, 1, 3500)
    assert app.core.fault == 0
    ticked(board, app, fake_time, 1, 1000 + shared.LATE_US + 600)
    assert app.core.fault == T.FAULT_STEP_OVERRUN
    assert board.late_us >= shared.LATE_US


def test_board_that_is_too_slow_says_so_before_a_stroke(name, tmp_path, fake_time):
    board, _, _ = made(name, tmp_path)
    app = App()
    board.start(app)
    real = app.tick

    def slow(counts, inputs):
        fake_time.us += slow.us
        return real(counts, inputs)

    board._tick = slow
    slow.us = shared.SLOW_US - 50
    ticked(board, app, fake_time, 400, 1000 - slow.us)
    assert app.core.fault == 0
    assert board.step_us == slow.us
    slow.us = shared.SLOW_US + 50
    ticked(board, app, fake_time, 400, 1000 - slow.us)
    assert app.core.fault == T.FAULT_STEP_OVERRUN


def test_exception_in_the_step_drops_everything_and_starves_the_watchdog(name, tmp_path, fake_time):
    board, machine, pins = made(name, tmp_path)
    app = App()
    board.start(app)
    app.want = T.OUT_EXTEND | T.OUT_LAMP
    ticked(board, app, fake_time, 5)
    assert machine.pins[pins.OUTPUTS[0][1]].level == 1
    app.want = MemoryError()
    ticked(board, app, fake_time)
    assert not any(machine.pins[gpio].level for _, gpio, _ in pins.OUTPUTS)
    app.want = T.OUT_EXTEND
    ticked(board, app, fake_time, 5)
    assert machine.pins[pins.OUTPUTS[0][1]].level == 0, "it does not come back by itself"
    with pytest.raises(RuntimeError, match="control step failed"):
        board.run(App())


def test_watchdog_is_fed_only_while_steps_are_made(name, tmp_path, fake_time):
    board, machine, pins = made(name, tmp_path)
    if board.converter.internal:
        machine.readings[pins.ADC_SUPPLY[1]] = 51000
    app = App()
    app.stop_after = 30
    moving = True

    def poll():
        if moving and app.polls < 20:
            ticked(board, app, fake_time)
        return App.poll(app)

    app.poll = poll
    with pytest.raises(KeyError):
        board.run(app)
    assert machine.dogs[0].timeout == wired.WATCHDOG_MS
    assert machine.dogs[0].fed == 21, "once at the start, once a step, not when the timer stood still"
    assert not machine.timers[0].on
    if board.converter.internal:
        # Which code a reading stands for follows from the supply.
        assert 0 < app.core.supply <= 51000
    else:
        assert app.core.supply == -1


def test_dying_foreground_leaves_outputs_off(name, tmp_path, fake_time):
    board, machine, pins = made(name, tmp_path)
    app = App()
    app.stop_after = 3
    app.want = T.OUT_EXTEND

    def poll():
        ticked(board, app, fake_time)
        return App.poll(app)

    app.poll = poll
    with pytest.raises(KeyError):
        board.run(app)
    assert not any(machine.pins[gpio].level for _, gpio, _ in pins.OUTPUTS)


def test_healthy_is_told_once(name, tmp_path, fake_time, monkeypatch):
    monkeypatch.setattr(wired, "HEALTHY_MS", 10)
    board, _, _ = made(name, tmp_path)
    app, told = App(), []
    app.stop_after = 40

    def poll():
        ticked(board, app, fake_time)
        return App.poll(app)

    app.poll = poll
    with pytest.raises(KeyError):
        board.run(app, lambda: told.append(board.steps))
    assert told == [11], "the steps of one round of the foreground later"


def test_knob_counts_detents_both_ways_and_ignores_bounce(name, tmp_path, fake_time):
    board, machine, pins = made(name, tmp_path)
    board.start(App())
    a, b = (machine.pins[gpio] for _, gpio, _ in pins.KNOB)
    forward = ((0, 1), (0, 0), (1, 0), (1, 1))

    def go(levels):
        a.level, b.level = levels
        ticked(board, None, fake_time)

    for _ in range(3):
        for levels in forward:
            go(levels)
    first = board.knob()
    assert abs(first) == 3
    assert board.knob() == 0
    for levels in ((1, 0), (1, 1)) * 20:  # a bouncing contact
        go(levels)
    assert board.knob() == 0
    for levels in ((1, 0), (0, 0), (0, 1), (1, 1)) * 2:
        go(levels)
    assert board.knob() == -2 * first // 3


def test_maintenance_leaves_a_mark_and_restarts_with_outputs_off(name, tmp_path, fake_time):
    board, machine, pins = made(name, tmp_path)
    board.start(App())
    board.drive(T.OUT_LAMP)
    board.maintenance()
    assert (tmp_path / "steadyram.stay").exists()
    assert machine.log[-1] == ("reset",)
    assert not any(machine.pins[gpio].level for _, gpio, _ in pins.OUTPUTS)
    assert not machine.timers[0].on


def test_board_without_display_runs(name, tmp_path, fake_time):
    board, _, _ = made(name, tmp_path, screen=False)
    assert not board.screen.fitted
    board.screen.begin()
    assert board.screen.send() is False


def test_picture_goes_out_in_pieces(name, tmp_path):
    board, machine, _ = made(name, tmp_path)
    board.screen.begin()
    machine.log.clear()
    while board.screen.send():
        pass
    pieces = [size for what, size in machine.log if what == "picture"]
    assert sum(size - 1 for size in pieces) == 1024
    assert max(pieces) <= 65


VOLTAGE = 0x40064000


@pytest.mark.parametrize(
    ("chip", "before", "after", "core_mv"),
    [
        ("Pico with RP2040", 125, 200, 1150),
        ("Pico with RP2040", 250, 250, 1100),
        ("Pico 2 with RP2350", 150, 150, 1100),
    ],
)
def test_only_the_rp2040_is_sped_up_and_its_core_voltage_raised_first(tmp_path, chip, before, after, core_mv):
    machine = make_machine()
    machine.hz = before * 1_000_000
    pico.make(machine, str(tmp_path), Link(), chip=chip)
    assert machine.hz == after * 1_000_000
    assert registers.core_mv(machine) == core_mv


@pytest.mark.parametrize("told", [0x10B1, 0x00C1])
def test_clock_stays_where_the_voltage_does_not_read_back(tmp_path, told):
    """Not taken by the regulator, or taken and not there."""

    class Deaf(dict):
        def __setitem__(self, address, value):
            pass

    machine = make_machine()
    machine.mem32 = Deaf({VOLTAGE: told})
    pico.make(machine, str(tmp_path), Link(), chip="Pico with RP2040")
    assert machine.hz == 125_000_000


@pytest.mark.parametrize(
    ("machine_name", "module"),
    [
        ("Raspberry Pi Pico with RP2040", "pico"),
        ("Raspberry Pi Pico2 with RP2350", "pico"),
        ("Generic ESP32 module with ESP32", "esp32"),
    ],
)
def test_board_file_is_found_by_the_machines_name(machine_name, module):
    assert next(m for word, m in MODULES if word in machine_name) == module
    with pytest.raises(RuntimeError, match="no board file"):
        this_board("a toaster")


def test_boards_call_nothing_that_the_stubs_lack():
    """Every `machine.X` and `pin.X` constant in the board files is in the stubs."""
    stubs = Stubs()
    known = {key.split(".")[0] for key in stubs.signatures}
    folder = Path(wired.__file__).parent
    for path in folder.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if (
                isinstance(node, ast.Attribute)
                and ast.unparse(node.value) in ("machine", "self._machine")
                and node.attr not in ("pins",)
            ):
                assert node.attr in known, f"{path.name}: machine.{node.attr}"
