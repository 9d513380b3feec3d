"""What is hard-wired: the cutout bounds what software cannot and says that it opened; stop, pedal and motor."""

from pathlib import Path

import pytest

from steadyram.press.pressfile import read_press_tables
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import set_up
from steadyram_fw import tables as T

PRESS = Path(__file__).parents[2] / "presses" / "workshop-20.toml"
SET_PA = 12e6


def pressed(with_cutout, seed=3):
    """A press whose extend relay welds in a stroke to 20 kN; (press, highest true pressure)."""
    raw = read_press_tables(PRESS)
    if with_cutout:
        raw["cutout"] = {"pressure": "12 MPa", "repeatability": "1 %", "delay": "15 ms"}
    press = VirtualPress(raw, seed, "cpython")
    set_up(press, 20_000.0, settings={"cutout_fitted": int(with_cutout)})
    press.inject("relay-welded")
    press.operator.press_extend()
    highest = 0.0
    for _ in range(300):
        press.run(0.01)
        highest = max(highest, press.plant.pressure_Pa)
    return press, highest


def state(press):
    core = press.core_state()
    return T.STATE_NAMES[core.state], T.FAULT_NAMES[core.fault]


def test_a_welded_relay_is_bounded_and_named():
    press, highest = pressed(True)
    with press:
        # 12 MPa and 1 %, then 15 ms of switch and relay and the valve's closing at the flow of the moment
        rate = (1e-9 + press.plant.flow_high) / press.plant.oil_compliance
        v = press.plant.press.valve
        late_s = 0.015 + 2 * (v.relay_delay + v.close_delay)
        assert SET_PA < highest < 1.01 * SET_PA + rate * late_s
        assert highest < 0.9 * press.plant.press.pump.relief
        assert press.cutout.open
        assert not press.plant.extend.commanded
        assert state(press)[0] == "fault"
        # whichever came first; the contact is looked at in every state
        press.operator.release_all()
        press.clear_faults()
        press.run(1.0)
        press.operator.tap_ack()
        press.run(1.0)
        assert state(press) in (("fault", "cutout-open"), ("ready", ""))
        press.operator.tap_ack()
        press.run(1.0)
        # acknowledged open: a feed is refused at once, and the return has no oil, as the motor was dropped, too
        assert not press.reset_cutout()  # the held pressure keeps the switch open
        held = press.plant.force_N
        press.operator.press_extend()
        press.run(0.2)
        press.operator.release_all()
        assert state(press) == ("fault", "cutout-open")
        assert press.plant.force_N <= held
        press.run(0.6)
        press.operator.tap_ack()
        press.run(0.6)
        press.operator.press_retract()
        press.run(2.0)
        press.operator.release_all()
        assert press.plant.force_N > 0.95 * held
        assert not press.reset_cutout()
        assert state(press) == ("fault", "no-fall")
        # the way out that the notes tell: release valve by hand, reset, motor, and then the return
        where = press.plant.u
        press.operator.open_release()
        press.run(3.0)
        press.operator.shut_release()
        assert press.plant.force_N < 0.01 * held
        assert (
            press.plant.u > 0.6 * where
        )  # it takes the force away; what comes up is the spring of oil and frame
        assert press.reset_cutout()
        press.run(0.3)
        press.operator.tap_ack()
        press.run(0.6)
        assert state(press)[1] == ""
        press.operator.press_retract()
        press.run_until(lambda p: p.plant.at_top, 8.0)
        assert press.plant.at_top


def test_a_cutout_that_leaves_the_motor_running_leaves_the_return_alive():
    raw = read_press_tables(PRESS)
    raw["circuit"] = {"stop_drops_motor": False}
    raw["cutout"] = {"pressure": "12 MPa"}
    with VirtualPress(raw, 3, "cpython") as press:
        set_up(press, 20_000.0, settings={"cutout_fitted": 1})
        press.inject("relay-welded")
        press.operator.press_extend()
        press.run(3.0)
        assert press.cutout.open
        press.operator.release_all()
        press.clear_faults()
        press.run(1.0)
        press.operator.tap_ack()
        press.run(1.0)
        press.operator.press_retract()
        press.run(2.0)
        assert press.plant.force_N == 0.0


@pytest.mark.parametrize(("drops", "most"), [(True, 1.02), (False, 1.5)])
def test_the_stop_ends_a_stroke_past_a_stuck_spool_where_it_drops_the_motor(drops, most):
    raw = read_press_tables(PRESS)
    raw["circuit"] = {"stop_drops_motor": drops}
    with VirtualPress(raw, 3, "cpython") as press:
        set_up(press, 20_000.0)
        press.inject("valve-stuck-open")
        press.operator.press_extend()
        assert press.run_until(lambda p: p.plant.force_N > 10_000.0, 10.0)
        press.operator.push_estop()
        press.run(0.1)  # the motor has run down
        at_stop = press.plant.force_N
        press.run(1.0)
        if drops:
            assert press.plant.force_N <= most * at_stop
        else:
            assert press.plant.force_N > most * at_stop


@pytest.mark.parametrize("wired", [True, False])
def test_a_short_at_the_pedals_contact_starts_nothing_past_its_second_block(wired):
    """Core to screen reads as a pedal newly pressed; the block in the coils' supply is open all the same."""
    raw = read_press_tables(PRESS)
    raw["circuit"] = {"pedal_in_supply": wired}
    with VirtualPress(raw, 3, "cpython") as press:
        set_up(press, 20_000.0)
        press.run(0.5)
        press.inject("pedal-stuck")
        press.run(3.0)
        assert bool(press.plant.peak_N > 0.0) != wired
        assert press.plant.extend.commanded is False or not wired


def test_foot_off_ends_a_stroke_with_a_welded_relay_where_the_pedal_is_in_the_supply():
    raw = read_press_tables(PRESS)
    raw["circuit"] = {"pedal_in_supply": True}
    with VirtualPress(raw, 3, "cpython") as press:
        set_up(press, 20_000.0)
        press.inject("relay-welded")
        press.operator.press_extend()
        assert press.run_until(lambda p: p.plant.force_N > 10_000.0, 10.0)
        press.operator.release_all()
        press.run(0.2)
        held = press.plant.force_N
        press.run(1.0)
        assert press.plant.force_N <= held


def test_without_it_the_relief_valve_is_the_only_bound():
    press, highest = pressed(False)
    with press:
        assert highest > 0.95 * press.plant.press.pump.relief


def test_healthy_strokes_do_not_trip_it():
    raw = read_press_tables(PRESS)
    raw["cutout"] = {"pressure": "12 MPa"}
    with VirtualPress(raw, 4, "cpython") as press:
        set_up(press, 20_000.0)
        press.operator.press_extend()
        press.run(4.0)
        assert not press.cutout.open
        assert state(press)[1] == ""


@pytest.mark.parametrize("fitted", [0, 1])
def test_an_open_wire_is_a_fault_only_where_one_is_fitted(fitted):
    with VirtualPress(PRESS, 4, "cpython") as press:
        set_up(press, 20_000.0, settings={"cutout_fitted": fitted})
        press.run(0.5)
        assert state(press)[1] == ("cutout-open" if fitted else "")
