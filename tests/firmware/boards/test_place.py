"""The ram's position: potentiometer and encoder on both boards, the PIO program instruction by instruction."""

import ast
import itertools
import os
import random
import sys
import types
from pathlib import Path

import pio
import pytest
from stub_machine import make_machine
from test_boards import App, Link, ticked
from tests.micropython import runtimes

from steadyram_fw import tables as T
from steadyram_fw.boards import esp32, pico, pins_esp32, pins_pico
from steadyram_fw.boards.place import _RANGE, Converted, Pulses, Wiper
from steadyram_fw.boards.wired import Wired

# The two lines in the order of a ram that moves one way: (A, B) as bits 0 and 1.
GRAY = (0b00, 0b10, 0b11, 0b01)


def read(reader):
    """What it reads now."""
    reader.then = lambda counts, word, place: place
    return reader.tick(0, 0)


@pytest.fixture
def encoder(rp2):
    """(reader, state machine) after its first looks with both lines low."""
    from steadyram_fw.boards.quadrature import Quadrature

    reader = Quadrature(make_machine().Pin(12))
    counter = rp2.machines[0]
    counter.run(100)
    return reader, counter


def signed(difference):
    return (difference + 32768 & 0xFFFF) - 32768


class TestProgram:
    def test_fits_beside_others_and_looks_often_enough(self, encoder):
        _, counter = encoder
        assert len(counter.program.code) == 24
        # From one look (mov osr, pins) to the next, whatever the lines do.
        worst = 0
        rng = random.Random(5)
        last = None
        for _ in range(20000):
            counter.lines = rng.randrange(4)
            if counter.program.code[counter.at] == ("mov", ("osr", "pins")):
                if last is not None:
                    worst = max(worst, counter.cycles - last)
                last = counter.cycles
            counter.run(1)
        assert worst <= 20

    def test_counts_every_edge_both_ways(self, encoder):
        reader, counter = encoder
        first = read(reader)
        at = 0
        for way, edges in ((1, 1000), (-1, 2500), (1, 7)):
            before = read(reader)
            for _ in range(edges):
                at = (at + way) % 4
                counter.lines = GRAY[at]
                counter.run(20)
            assert signed(read(reader) - before) == way * edges
        assert signed(read(reader) - first) == 1000 - 2500 + 7

    def test_bounce_ends_where_it_was(self, encoder):
        reader, counter = encoder
        counter.lines = GRAY[1]
        counter.run(40)
        first = read(reader)
        rng = random.Random(2)
        for line in (1, 2):
            for _ in range(500):
                counter.lines = GRAY[1] ^ (line if rng.random() < 0.5 else 0)
                counter.run(rng.randrange(1, 40))
            counter.lines = GRAY[1]
            counter.run(40)
            assert read(reader) == first

    def test_other_pins_are_not_looked_at(self, encoder):
        reader, counter = encoder
        first = read(reader)
        for other in range(200):
            counter.lines = other << 2
            counter.run(13)
        assert read(reader) == first

    def test_wraps_at_sixteen_bits_without_a_step(self, encoder):
        reader, counter = encoder
        seen = [read(reader)]
        for i in range(1, 66000):
            counter.lines = GRAY[-i % 4]
            counter.run(20)
            if i % 1000 == 0:
                seen.append(read(reader))
        steps = {signed(b - a) for a, b in itertools.pairwise(seen)}
        assert steps == {-1000}
        assert max(seen) > 60000

    def test_reading_is_from_now_not_from_the_last_step(self, encoder):
        reader, counter = encoder
        before = read(reader)
        counter.run(500)
        for i in range(1, 9):
            counter.lines = GRAY[i % 4]
            counter.run(20)
        assert signed(read(reader) - before) == 8

    def test_program_that_stands_still_does_not_hold_the_step_up(self, encoder):
        reader, counter = encoder
        before = read(reader)
        counter.active(0)
        counter.fifo.clear()
        assert [read(reader) for _ in range(5)] == [before] * 5
        counter.fifo.extend([7, 7, 7, 7])
        assert read(reader) == 7
        assert read(reader) == 7


class Counter:
    """The ESP32's pulse counter: back to zero at either limit; keywords and constants as in the stubs."""

    KEYWORDS = ()

    def __init__(self, number, **options):
        self.min, self.max = options["min"], options["max"]
        self.channels, self.filter, self.on, self.at = {}, 0, False, 0

    def init(self, **options):
        assert set(options) <= set(self.KEYWORDS), options
        if "channel" in options:
            self.channels[options["channel"]] = options
        self.filter = options.get("filter", self.filter)

    def start(self):
        self.on = True

    def value(self):
        return self.at

    def edge(self, levels, line):
        """Line 0 = A or 1 = B has changed; `levels` are those after it."""
        channel = next(c for c in self.channels.values() if c["pin"].line == line)
        action = channel["rising" if levels[line] else "falling"]
        way = {0: 0, self.INCREMENT: 1, self.DECREMENT: -1}[action]
        if not levels[channel["mode_pin"].line] and channel["mode_low"] == self.REVERSE:
            way = -way
        self.at += way
        if self.at in (self.min, self.max):
            self.at = 0


def stub_of_pcnt():
    path = Path(__file__).parents[3] / ".ci" / "typings-esp32" / "esp32.pyi"
    if not path.exists():
        if os.environ.get("STEADYRAM_REQUIRE_RUNTIMES"):
            pytest.fail("the ESP32's stubs are missing")
        pytest.skip("the ESP32's stubs are not installed")
    return next(
        node
        for node in ast.parse(path.read_text()).body
        if isinstance(node, ast.ClassDef) and node.name == "PCNT"
    )


@pytest.fixture
def pcnt():
    """The counter's class with the constants of the stubs, and the keywords that their text names."""
    stub = stub_of_pcnt()
    names = {n.target.id: ast.literal_eval(n.value) for n in stub.body if isinstance(n, ast.AnnAssign)}
    methods = {n.name: n for n in stub.body if isinstance(n, ast.FunctionDef)}
    assert {"init", "start", "value"} <= set(methods)
    text = ast.get_docstring(methods["init"])
    words = ("channel", "pin", "rising", "falling", "mode_pin", "mode_low", "filter", "min", "max", "value")
    return type(
        "Counter", (Counter,), {**names, "KEYWORDS": [word for word in words if f"``{word}``" in text]}
    )


class Line:
    def __init__(self, line):
        self.line = line


def pulses(pcnt):
    made = []

    def kind(number, **options):
        made.append(pcnt(number, **options))
        return made[-1]

    for name in ("INCREMENT", "DECREMENT", "REVERSE"):
        setattr(kind, name, getattr(pcnt, name))
    return Pulses(kind, Line(0), Line(1)), made[0]


def test_pulse_counter_counts_all_edges_through_its_limits(pcnt):
    reader, counter = pulses(pcnt)
    assert counter.on
    assert 0 < counter.filter < 1024
    at, edges, seen = 0, 0, [read(reader)]
    for way, count in ((1, 3 * _RANGE + 17), (-1, 5 * _RANGE)):
        for i in range(count):
            before = GRAY[at]
            at = (at + way) % 4
            line = 0 if (GRAY[at] ^ before) & 1 else 1
            counter.edge((GRAY[at] & 1, GRAY[at] >> 1), line)
            edges += way
            if i % 997 == 0:
                seen.append(read(reader))
                assert abs(signed(seen[-1] - seen[-2])) <= 2 * 997
        # The same way as on the other board: the same calibration holds for both.
        assert read(reader) == edges & 0xFFFF


def test_both_boards_count_the_same_way(pcnt, encoder):
    reader, counter = encoder
    other, hardware = pulses(pcnt)
    first = read(reader)
    for i in range(1, 41):
        counter.lines = GRAY[i % 4]
        counter.run(20)
        line = 0 if (GRAY[i % 4] ^ GRAY[(i - 1) % 4]) & 1 else 1
        hardware.edge((GRAY[i % 4] & 1, GRAY[i % 4] >> 1), line)
    assert signed(read(reader) - first) == signed(read(other)) == 40


def made(name, tmp_path, **options):
    module = {"pico": pico, "esp32": esp32}[name]
    machine = make_machine(hard_timers=name == "pico", converter=name == "esp32", **options)
    return module.make(machine, str(tmp_path), Link()), machine


class Placed(App):
    """Takes what the board reads of the position, too."""

    def tick(self, counts, inputs, place=None):
        self.seen_place = place
        return App.tick(self, counts, inputs)


@pytest.mark.parametrize("name", ["pico", "esp32"])
def test_without_a_sensor_the_step_is_the_one_it_was(name, tmp_path, fake_time):
    board, machine = made(name, tmp_path)
    board.position(0)
    app = Placed()
    board.start(app)
    assert board._tick == app.tick
    ticked(board, app, fake_time, 3)
    assert app.seen_place is None
    pins = {"pico": pins_pico, "esp32": pins_esp32}[name]
    unused = {row[1] for row in (pins.PLACE_WIPER, pins.PLACE_A, pins.PLACE_B) if row}
    assert not unused & set(machine.pins), "no pin of a sensor is touched"


def test_wiper_is_the_mean_of_its_readings(tmp_path, fake_time):
    board, machine = made("pico", tmp_path)
    machine.readings = {pins_pico.PLACE_WIPER[1]: itertools.cycle((30000, 30064))}
    app = Placed()
    board.position(1)
    board.start(app)
    ticked(board, app, fake_time, 5)
    assert app.seen_place == 30032
    board.position(0)
    app.seen_place = None
    ticked(board, app, fake_time)
    assert app.seen_place is None
    assert read(Wiper(types.SimpleNamespace(read_u16=lambda: 65535), 4)) == 65535


def test_encoder_reaches_the_app_and_may_come_while_it_runs(rp2, tmp_path, fake_time):
    board, machine = made("pico", tmp_path)
    app = Placed()
    board.start(app)
    ticked(board, app, fake_time, 2)
    assert app.seen_place is None
    board.position(2)
    keeper, counter = rp2.machines
    assert len(keeper.program.code) + len(counter.program.code) > pio.ROOM, "each has a block of its own"
    assert keeper.number // 4 != counter.number // 4
    assert (counter.pin.gpio, counter.on) == (pins_pico.PLACE_A[1], True)
    assert pins_pico.PLACE_B[1] == pins_pico.PLACE_A[1] + 1
    for row in (pins_pico.PLACE_A, pins_pico.PLACE_B):
        assert machine.pins[row[1]].mode == machine.Pin.IN
    counter.run(100)
    ticked(board, app, fake_time)
    before = app.seen_place
    for i in (1, 2, 3):
        counter.lines = GRAY[i]
        counter.run(20)
    ticked(board, app, fake_time)
    assert signed(app.seen_place - before) == 3
    board.position(2)
    assert len(rp2.machines) == 2, "the same setting again changes nothing"


def test_second_converter_of_the_esp32(tmp_path, fake_time):
    board, machine = made("esp32", tmp_path, second=True)
    machine.inputs = {0x4000: 3000, 0x5000: 24000}
    machine.second_inputs = {0x4000: 9000, 0x5000: 24000}
    app = Placed()
    board.position(1)
    for pin in (pins_esp32.PLACE_READY, pins_esp32.ADC_READY):
        machine.pins[pin[1]].level = 0
    board.start(app)
    ticked(board, app, fake_time, 60)
    assert app.seen_place == 24576
    assert app.seen[-1][0] == 8192, "the pressure's own reading is what it was"
    # The supply is followed while nothing is energised, and only then.
    app.want = T.OUT_EXTEND
    ticked(board, app, fake_time, 10)
    machine.second_inputs[0x5000] = 20000
    ticked(board, app, fake_time, 600)
    assert app.seen_place == 24576
    app.want = 0
    ticked(board, app, fake_time, 600)
    assert app.seen_place == pytest.approx(9000 / 20000 * 65536, abs=2)
    machine.bus_fails = True
    ticked(board, app, fake_time, 2)
    assert app.seen_place == 0


def test_second_converter_that_does_not_answer_reads_as_nothing(tmp_path, fake_time):
    board, _ = made("esp32", tmp_path)
    app = Placed()
    board.position(1)
    board.start(app)
    ticked(board, app, fake_time, 3)
    assert app.seen_place == 0
    assert app.core.fault == 0, "the core, not the board, judges it"


def test_encoder_of_the_esp32(pcnt, tmp_path, fake_time, monkeypatch):
    made_counters = []

    class Kept(pcnt):
        def __init__(self, *args, **options):
            super().__init__(*args, **options)
            made_counters.append(self)

    monkeypatch.setitem(sys.modules, "esp32", types.SimpleNamespace(PCNT=Kept))
    board, _ = made("esp32", tmp_path)
    app = Placed()
    board.position(2)
    board.start(app)
    counter = made_counters[0]
    assert [counter.channels[i]["pin"].gpio for i in (0, 1)] == [pins_esp32.PLACE_A[1], pins_esp32.PLACE_B[1]]
    counter.at = 12
    ticked(board, app, fake_time)
    assert app.seen_place == 12


def test_board_without_a_place_for_a_sensor_goes_on(fake_time, tmp_path):
    board, _ = made("pico", tmp_path)
    board.place_reader = types.MethodType(Wired.place_reader, board)
    board.position(1)
    app = Placed()
    board.start(app)
    ticked(board, app, fake_time)
    assert app.seen_place is None


def test_app_tells_the_board_what_the_settings_say(tmp_path):
    from bench import Bench, settings_puts

    told = []
    bench = Bench(str(tmp_path))
    bench.board.position = told.append
    bench.enable()
    bench.push("settings", settings_puts())
    assert told == [0]
    bench.push("settings", settings_puts(position_kind=2))
    assert told[-1] == 2


def test_converted_asks_whether_all_is_quiet():
    calls = []
    chip = types.SimpleNamespace(counts=lambda: 77, resting=calls.append)
    assert read(Converted(chip, lambda: True)) == 77
    assert calls == [True]


@pytest.mark.parametrize("what", ["around", "wiper", "encoder", "pulses"])
def test_callback_allocates_nothing_on_real_micropython(what):
    """The callback with each reader, heap locked, from the plain sources."""
    program = runtimes.micropython()
    script = Path(__file__).parents[2] / "benchmarks" / "callback_calls.py"
    firmware = Path(__file__).parents[3] / "firmware"
    # It raises, and so ends with an error, if a step fails or is lost.
    assert runtimes.run([str(program), str(script), "300", what], path=f"{firmware}:.frozen") == []
