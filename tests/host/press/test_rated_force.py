"""What a press is rated for: the lowest of relief, sensor, frame and cutout; over-force between it and the switch."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from tests.host.press.test_sizing import run

from steadyram.nameplate import nameplate_settings
from steadyram.press.pressfile import PressFile, build_press, read_press_tables
from steadyram.press.sizing import size_press
from steadyram.press.sizing_advice import advice, alternatives

FILE = Path(__file__).parents[2] / "presses" / "workshop-20.toml"
# 4 inches of bore at 3300 psi less 0.6 kN of friction: the force by hand.
RELIEF_N = math.pi / 4 * 0.1016**2 * 3300 * 6894.757293168 - 600


def press_with(**tables: dict[str, Any]) -> PressFile:
    known = read_press_tables(FILE)
    for name, keys in tables.items():
        known[name] = known.get(name, {}) | keys
    return build_press(known, "test")


def test_relief_rates_a_press_whose_frame_is_not_told():
    press = press_with()
    assert press.capacity_N == pytest.approx(RELIEF_N, rel=1e-6)
    assert press.bounded_by == "the relief valve"


def advised(press: PressFile) -> str:
    return " ".join(
        advice(press, size_press(press, 50e3, 0.05), alternatives(press, 50e3, 0.05), "kN", "MPa")
    )


def test_weak_frame_rates_the_press_and_relief_is_told_to_be_turned_down():
    press = press_with(frame={"rated": "100 kN"})
    assert (press.capacity_N, size_press(press, 50e3, 0.05).capacity_set_by) == (
        100e3,
        "the frame's rated force",
    )
    assert nameplate_settings(press)["capacity_n"] == 100_000
    assert f"{100 * (RELIEF_N / 100e3 - 1):.0f} % more than the frame" in advised(press)
    assert "12.4 MPa" in advised(press)  # (100 kN + 0.6 kN) / 81.07 cm2
    assert "rated for" not in advised(press_with())


def test_with_a_cutout_the_firmware_is_the_first():
    press = press_with(cutout={"pressure": "20.4 MPa"})
    values = nameplate_settings(press)
    switch_N = 20.4e6 * press.cylinder.area_m2 - 600
    assert values["cutout_fitted"] == 1
    assert values["capacity_n"] < values["overforce_n"] < switch_N
    # No job at capacity opens it: sensor and calibration 3 %, overshoot 2 %, the switch's own 1 %.
    assert (values["capacity_n"] + 600) * 1.03 * 1.02 * 1.01 == pytest.approx(switch_N + 600, rel=0.002)


def test_size_says_what_bounds_the_press_and_what_would_reach_the_force(capsys):
    code, out, _ = run(capsys, "size", "--press", FILE, "--unit", "kN")
    assert code == 0
    assert "set by the relief valve (the press file does not say what the frame is rated for" in " ".join(
        out.split()
    )
    code, _, error = run(capsys, "size", "--press", FILE, "--largest", "250 kN")
    assert code == 2
    bore_mm = 1e3 * math.sqrt(4 * 250.6e3 / (math.pi * 3300 * 6894.757293168))
    assert f"a bore of {bore_mm:.0f} mm at this relief" in error
