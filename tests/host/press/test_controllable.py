"""What a setpoint can be held to where the shortest pulse, the plateau or a wide code stands in the way."""

from __future__ import annotations

from typing import Any

import pytest

from steadyram.press.controllable import (
    controllable_setpoint_N,
    plateau_N,
    shortest_pulse_s,
    spoilt_setpoints_N,
)
from steadyram.press.pressfile import PressFile, build_press, read_press_tables
from steadyram.press.sizing import size_press, smallest_setpoint_N
from steadyram.press.sizing_advice import advice, alternatives
from steadyram.virtual.default_press import default_press


def press_with(**changes: Any) -> PressFile:
    """The default press with `table__key` set."""
    tables = read_press_tables(default_press())
    for key, value in changes.items():
        table, name = key.split("__")
        tables[table][name] = value
    return build_press(tables, "test")


def valve(**changes: Any) -> PressFile:
    plain = {
        "valve__relay_delay": "8 ms", "valve__open_delay": "30 ms", "valve__close_delay": "25 ms",
        "valve__pull_in": 0.0, "valve__slew": "0 ms", "valve__overlap": "0 %",
    }  # fmt: skip
    return press_with(**(plain | {f"valve__{key}": value for key, value in changes.items()}))


@pytest.mark.parametrize(
    ("changes", "expected_ms"),
    [
        # By hand: width + close - open - overlap * slew, width at least the pull-in in whole milliseconds.
        ({}, 0.0),
        ({"close_delay": "45 ms"}, 15.0),
        ({"pull_in": 0.7}, 6 + 25 - 30),
        ({"pull_in": 0.7, "close_delay": "45 ms", "slew": "10 ms", "overlap": "20 %"}, 6 + 15 - 2),
    ],
)
def test_the_shortest_pulse_is_what_relay_and_spool_leave(
    changes: dict[str, Any], expected_ms: float
) -> None:
    assert 1000 * shortest_pulse_s(valve(**changes)) == pytest.approx(expected_ms, abs=1e-9)


def test_a_valve_that_closes_late_raises_the_setpoint_that_is_promised() -> None:
    late = valve(close_delay="60 ms")
    plain, counted = smallest_setpoint_N(late, 0.05), controllable_setpoint_N(late, 0.05)
    assert plain is not None
    assert counted is None or counted > 1.2 * plain
    at_once = valve()
    assert controllable_setpoint_N(at_once, 0.05) == pytest.approx(smallest_setpoint_N(at_once, 0.05))


def test_setpoints_on_wide_codes_are_told_and_the_external_converter_advised() -> None:
    chip = press_with(adc__bits=12, adc__wide_codes=40)
    ranges = spoilt_setpoints_N(chip, 0.05)
    assert ranges
    assert spoilt_setpoints_N(press_with(adc__bits=16, adc__wide_codes=1), 0.05) == []
    at = (ranges[0][0] + ranges[0][1]) / 2
    lines = advice(chip, size_press(chip, at, 0.05), alternatives(chip, at, 0.05))
    assert any("external 16-bit converter" in line for line in lines)


def test_a_setpoint_on_the_plateau_is_told() -> None:
    press = press_with(work__kind="clinch", work__plateau="20 kN", work__scatter="4 %")
    low, high = plateau_N(press) or (0.0, 0.0)
    assert (low, high) == (pytest.approx(20e3 * (1 - 0.0784)), pytest.approx(22e3 * 1.0784))
    on = advice(press, size_press(press, 21e3, 0.05), alternatives(press, 21e3, 0.05))
    above = advice(press, size_press(press, 60e3, 0.05), alternatives(press, 60e3, 0.05))
    assert any("plateau" in line for line in on)
    assert not any("plateau" in line for line in above)
