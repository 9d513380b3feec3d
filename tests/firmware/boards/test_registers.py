"""The register functions on arrays that stand for the chip's blocks; on the chip itself they run in tests/board."""

from array import array
from types import SimpleNamespace

import pytest
from stub_machine import make_machine

from steadyram_fw import tables as T
from steadyram_fw.boards import pins_pico, registers
from steadyram_fw.boards.converter import Internal
from steadyram_fw.boards.shared import DUE, LATE, LEN, NOW, OUTPUT, QUARTERS, STEPS, SUPPLY16, TURN, TURNS

PERIOD = 1 << 30


@pytest.fixture
def cells():
    return array("i", [0] * LEN)


@pytest.mark.parametrize("due", [5000, PERIOD - 200, PERIOD - 1])
@pytest.mark.parametrize("late", [-600, -500, 0, 300, 999, 1000, 5000])
def test_lateness_is_right_over_the_wrap_and_only_a_step_in_time_moves_on(cells, due, late):
    cells[DUE] = due
    timer = [0] * 11
    timer[10] = (due + late) % PERIOD + 3 * PERIOD  # the chip's own count goes on to 2**32
    assert registers.begin(timer, cells) == late
    assert cells[DUE] == ((due + 1000) % PERIOD if -500 <= late < 1000 else due)
    assert cells[NOW] == (0 if late < -500 else (due + late) % PERIOD)


def port():
    machine = make_machine()
    converter = Internal(SimpleNamespace(read_u16=lambda: 30000), SimpleNamespace(read_u16=lambda: 60000), 4)
    return registers.Port(machine, pins_pico, converter, None), machine


def test_each_contact_gives_its_bits_and_open_wires_none(cells):
    made, _ = port()
    cells[TURN] = 3
    everything = (1 << 30) - 1
    assert registers.look([0, everything], cells, made.words, TURNS, made.places) == 0
    for names, gpio, _ in pins_pico.INPUTS:
        sio = [0, everything & ~(1 << gpio)]
        wanted = sum(getattr(T, "IN_" + name.upper()) for name in names)
        assert registers.look(sio, cells, made.words, TURNS, made.places) == wanted
    assert cells[QUARTERS] == 0


def test_knob_turns_both_ways(cells):
    made, _ = port()
    cells[TURN] = 3
    a, b = (gpio for _, gpio, _ in pins_pico.KNOB)
    assert b == a + 1

    def turn(*levels):
        for at_a, at_b in levels:
            registers.look([0, at_a << a | at_b << b], cells, made.words, TURNS, made.places)
        return cells[QUARTERS]

    forward = turn((0, 1), (0, 0), (1, 0), (1, 1))
    assert abs(forward) == 4
    assert turn((1, 0), (0, 0), (0, 1), (1, 1)) == 0


class Converter(list):
    """Answers a conversion at once: input 0 the signal's codes in turn, input 1 the supply's code."""

    def __init__(self, codes, supply):
        super().__init__([0x100, 0])
        self.codes, self.supply = list(codes), supply

    def __setitem__(self, place, word):
        assert word & 0x5 == 0x5, "switched on and started"
        list.__setitem__(self, 0, word | 0x100)
        list.__setitem__(self, 1, self.supply if word >> 12 else self.codes.pop(0))


@pytest.mark.parametrize("codes", [(0, 0, 0, 0), (2048, 2049, 2047, 2050), (4095,) * 4, (410, 411, 409, 410)])
@pytest.mark.parametrize("supply", [900, 1100, 3600, 4095])
def test_reading_is_what_the_interpreters_way_gives(cells, codes, supply):
    def u16(code):
        return code << 4 | code >> 8

    turns = iter(codes)
    other = Internal(
        SimpleNamespace(read_u16=lambda: u16(next(turns))),
        SimpleNamespace(read_u16=lambda: u16(supply)),
        4,
    )
    cells[SUPPLY16] = other.supply16
    assert registers.sample(Converter(codes, supply), cells) == other.counts()


def test_end_counts_times_and_turns_the_alive_pin(cells):
    timer, sio = [0] * 11, [0] * 8
    cells[STEPS], cells[NOW], cells[OUTPUT] = 200, 1000, T.OUT_EXTEND
    timer[10] = 1250
    assert registers.end(timer, sio, cells, 40) == 250
    assert (cells[STEPS], cells[LATE], sio[7]) == (201, 40, 1 << pins_pico.ALIVE[1])
    cells[OUTPUT] = T.OUT_LAMP
    registers.end(timer, sio, cells, 900)
    assert cells[LATE] == 40, "nothing was energised"


def test_first_reading_is_over_the_supply_as_it_is(cells):
    made, _ = port()
    board = SimpleNamespace(_keeper=None, cells=cells)
    registers.step_of(board, SimpleNamespace(core=None), made)
    assert cells[SUPPLY16] == 16 * 60000


def test_words_without_machine_code_do_not_reach_the_chip():
    assert registers.works() is False
