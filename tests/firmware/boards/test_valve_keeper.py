"""The state machine on the valves' outputs, instruction by instruction, and who feeds it."""

import pytest
from stub_machine import make_machine
from test_boards import App, Link, ticked

from steadyram_fw import tables as T
from steadyram_fw.boards import pico, pins_pico

VALVES = T.OUT_EXTEND | T.OUT_RETRACT | T.OUT_SLOW


@pytest.fixture
def keeper(rp2):
    from steadyram_fw.boards import valve_keeper

    made = valve_keeper.Keeper(pins_pico.OUTPUTS[0][1])
    made.pio.run(50)
    return made


def cycles(keeper, ms):
    return round(ms * keeper.pio.freq / 1000)


def test_bits_of_the_output_word_are_the_pins_in_their_order():
    assert [T.OUT_EXTEND, T.OUT_RETRACT, T.OUT_SLOW] == [1, 2, 4]
    first = pins_pico.OUTPUTS[0][1]
    assert [gpio for _, gpio, _ in pins_pico.OUTPUTS[:3]] == [first, first + 1, first + 2]


@pytest.mark.parametrize("valves", range(8))
def test_a_word_turns_its_valves_on_at_once_and_off_when_no_other_follows(keeper, valves):
    sm = keeper.pio
    assert sm.outputs == 0
    sm.put(keeper.WORD | valves)
    sm.run(cycles(keeper, 0.1))
    assert sm.outputs == valves
    sm.run(cycles(keeper, 0.95 * keeper.HOLD_MS))
    assert sm.outputs == valves
    sm.run(cycles(keeper, 0.1 * keeper.HOLD_MS))
    assert sm.outputs == 0
    sm.put(keeper.WORD | valves)
    sm.run(cycles(keeper, 0.1))
    assert sm.outputs == valves, "it takes the next word from then on"


def test_fed_every_millisecond_it_holds_and_changes_with_the_word(keeper):
    sm = keeper.pio
    for ms in range(200):
        sm.put(keeper.WORD | (T.OUT_EXTEND if ms < 100 else T.OUT_SLOW))
        sm.run(cycles(keeper, 1))
        assert sm.outputs == (T.OUT_EXTEND if ms < 100 else T.OUT_SLOW)
    sm.put(keeper.OFF)
    sm.run(cycles(keeper, 0.1))
    assert sm.outputs == 0


def test_late_step_that_is_allowed_does_not_reach_the_time_it_holds(keeper):
    from steadyram_fw.boards.shared import LATE_US

    assert 1.5 * LATE_US < 1000 * keeper.HOLD_MS < 15_000


@pytest.fixture
def board(rp2, tmp_path, fake_time):
    machine = make_machine()
    board = pico.make(machine, str(tmp_path), Link())
    app = App()
    board.start(app)
    return board, app, rp2.machines[0], machine


def go(board, app, sm, fake_time, ms):
    for _ in range(ms):
        ticked(board, app, fake_time)
        sm.run(250)


def test_steps_feed_it_and_it_ends_a_feed_without_them(board, fake_time):
    board, app, sm, machine = board
    go(board, app, sm, fake_time, 5)
    assert sm.outputs == 0
    app.want = T.OUT_EXTEND | T.OUT_LAMP
    go(board, app, sm, fake_time, 50)
    assert sm.outputs == T.OUT_EXTEND
    lamp = pins_pico.OUTPUTS[3][1]
    assert machine.pins[lamp].level == 1
    sm.run(250 * 12)
    assert sm.outputs == 0, "no step came for 12 ms"
    app.want = T.OUT_LAMP
    go(board, app, sm, fake_time, 2)
    assert (sm.outputs, machine.pins[lamp].level) == (0, 1)


def test_failing_step_turns_the_valves_off_at_once(board, fake_time):
    board, app, sm, _ = board
    app.want = T.OUT_RETRACT
    go(board, app, sm, fake_time, 5)
    app.want = MemoryError()
    ticked(board, app, fake_time)
    sm.run(25)
    assert (sm.outputs, board.crashed) == (0, True)


def test_stopped_board_takes_the_pins_back_low(board, fake_time):
    board, app, sm, machine = board
    app.want = VALVES
    go(board, app, sm, fake_time, 5)
    board.stop()
    assert not sm.on
    for _, gpio, _ in pins_pico.OUTPUTS:
        assert (machine.pins[gpio].mode, machine.pins[gpio].level) == (machine.Pin.OUT, 0)
