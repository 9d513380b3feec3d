"""A press whose sensor gives force: capacity, sensitivity and amplifier make the nameplate, friction is not seen."""

from __future__ import annotations

from pathlib import Path

import pytest

from steadyram.errors import BadInput
from steadyram.press.pressfile import build_press, read_press, read_press_tables
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import set_up

PRESS = Path(__file__).parents[3] / "hardware_notes" / "presses" / "frame-gauges.toml"


def test_full_reading_is_capacity_times_amplifier_over_sensitivity():
    press = read_press(PRESS)
    # By hand: 178 kN gives 0.37 mV/V, the amplifier is full at 0.5 mV/V.
    assert press.force_sensor.full_N == pytest.approx(240_540.5, rel=1e-6)
    assert press.transducer.range * press.cylinder.area_m2 == pytest.approx(240_540.5, rel=1e-6)


def test_a_press_file_names_one_measuring_range():
    tables = read_press_tables(PRESS)
    with pytest.raises(BadInput, match="remove one of them"):
        build_press(tables | {"transducer": tables["transducer"] | {"range": "25 MPa"}}, "press.toml")
    with pytest.raises(BadInput, match=r"transducer\.range is missing"):
        build_press({key: each for key, each in tables.items() if key != "force_sensor"}, "press.toml")


def test_the_device_shows_the_works_force_and_no_pressure():
    with VirtualPress(PRESS, seed=31, runtime="cpython") as press:
        device = set_up(press, 60_000.0)
        press.load_part()
        press.operator.press_extend()
        assert press.run_until(lambda each: each.plant.force_N > 20_000.0, 20.0)
        press.operator.release_extend()
        press.run(0.5)
        reading = device.now()
        assert reading.pressure_Pa is None
        # Nonlinearity 0.5 %, hysteresis 0.3 %, zero 0.1 % of 240 kN.
        assert reading.force_N == pytest.approx(press.plant.force_N, abs=0.009 * 240_540)
