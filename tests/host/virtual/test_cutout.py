"""The independent pressure cutout: bounds what software cannot, and tells the firmware that it opened."""

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
        # acknowledged open: a feed is refused at once, the return lets the pressure off
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
        assert press.plant.force_N == 0.0
        assert press.reset_cutout()
        press.run(0.3)
        assert state(press)[1] == ""


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
