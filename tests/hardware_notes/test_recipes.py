"""Every recipe's press file goes the way of a real installation: size, commissioning, first part, batch.

A part ends with the ram back at the top: a return that does not come is a fault of its cycle.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from steadyram.press.pressfile import read_press
from steadyram.press.sizing import size_press
from steadyram.virtual.trial import run_trial

PRESSES = Path(__file__).parents[2] / "hardware_notes" / "presses"

# A setpoint that the recipe's user would have, newtons, and how far from it a part may land.
RECIPES = {
    "air-jack-load-cell": (60_000.0, 0.05),
    "air-over-oil": (25_000.0, 0.05),
    "bottle-jack-lamp": (56_000.0, 0.08),
    "frame-gauges": (60_000.0, 0.05),
    "hand-pump": (25_000.0, 0.05),
    "hand-pump-70mpa": (60_000.0, 0.02),
    "open-centre": (60_000.0, 0.08),
    "shared-12v": (60_000.0, 0.05),
    "two-stage": (60_000.0, 0.05),
    "two-stage-slow": (60_000.0, 0.05),
}
# A person who watches the lamp is no valve that could be characterised: a plain threshold.
BY_HAND = {"bottle-jack-lamp"}
# The air jack's parts go on coming up as first ones; the recipe says so, the cause is not found.
NOT_LEARNED = {"air-jack-load-cell", *BY_HAND}


def test_every_press_file_is_tried():
    assert set(RECIPES) == {path.stem for path in PRESSES.glob("*.toml")}


@pytest.mark.parametrize("name", RECIPES)
def test_a_recipe_is_sized_commissioned_and_lands(name):
    path = PRESSES / f"{name}.toml"
    setpoint_N, share = RECIPES[name]
    press = read_press(path)
    sized = size_press(press, setpoint_N)
    assert sized.smallest_setpoint_N is not None
    assert sized.smallest_setpoint_N < setpoint_N < sized.capacity_N
    # The trial calibrates against the load cell under the ram and characterises on the block before its first part.
    cutoff = "threshold" if name in BY_HAND else "learned"
    told = run_trial(path, setpoint_N, 3, seed=4711, runtime="cpython", cutoff=cutoff)
    assert told["faults"] == []
    # An open centre holds nothing to close in from: its first part ends short of the setpoint, as the page says.
    parts = told["cycles"] if press.valve.load_holding else told["cycles"][1:]
    assert all(each["peak_N"] < (1.0 + share) * setpoint_N for each in told["cycles"])
    assert [each["stop"] for each in parts] == ["setpoint"] * len(parts)
    if name not in NOT_LEARNED:
        assert "first" in told["cycles"][0]["flags"]
        assert "learned" in told["cycles"][-1]["flags"]
    for each in parts:
        assert each["peak_N"] == pytest.approx(setpoint_N, rel=share)
        # A quarter of a second later the circuit holds what it pressed, or has let go of it, as it is drawn.
        if press.valve.load_holding:
            assert each["settled_N"] > 0.97 * each["peak_N"]
        else:
            assert each["settled_N"] < 0.05 * each["peak_N"]
