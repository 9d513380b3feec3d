"""Bent work of a press file: keys and refusals, the plant's draws, the angle that is left, and a trial of it."""

from __future__ import annotations

import copy
import json
import math
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from steadyram.errors import BadInput
from steadyram.press.pressfile import build_press, read_press, read_press_tables
from steadyram.press.strip_materials import STRIP_MATERIALS
from steadyram.virtual.bend import strip_of
from steadyram.virtual.plant import Plant
from steadyram.virtual.trial import run_trial

ROOT = Path(__file__).parents[3]
PRESS = ROOT / "tests/host/bending/bend-20.toml"


def with_work(**changes):
    tables = copy.deepcopy(read_press_tables(PRESS))
    for key, value in changes.items():
        if value is None:
            del tables["work"][key]
        else:
            tables["work"][key] = value
    return tables


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"material": None}, "material is missing"),
        ({"material": "mild-stel"}, "did you mean mild-steel"),
        ({"material": "wood"}, "choose one of"),
        ({"thickness": None}, "thickness is missing"),
        ({"opening": "8 mm"}, "half the opening"),
        ({"die_angle": "170 deg"}, "die_angle"),
        ({"coil_scatter": "80 %"}, "coil_scatter"),
        ({"thicknes": "3 mm"}, "did you mean work.thickness"),
        ({"kind": "clinch"}, "stiffness is missing"),
    ],
)
def test_what_is_wrong_is_named(changes, words):
    with pytest.raises(BadInput, match=words):
        build_press(with_work(**changes), "press")


def test_a_sheet_is_as_stiff_as_a_beam_and_as_the_strip_at_first_touch():
    work = read_press(PRESS).work
    strip = strip_of(work)
    # The strip's reaction leans with the shoulder's friction, and its legs are a little shorter than half the opening.
    assert work.stiffness_N_m == pytest.approx(strip.elastic_N_m, rel=0.35)


def test_parts_scatter_about_a_coil_that_scatters_from_press_to_press():
    press = read_press(PRESS)
    nominal = STRIP_MATERIALS["mild-steel"].yield_Pa
    coils = []
    for seed in range(40):
        plant = Plant(press, seed)
        parts = []
        for _ in range(4):
            plant.next_part()
            parts.append(plant.strip.material.yield_Pa / nominal)
        coils.append(np.mean(parts))
        assert np.ptp(parts) < 0.07
    assert 0.88 < min(coils) < 0.93
    assert 1.07 < max(coils) < 1.12


def test_the_same_seed_cuts_the_same_sheets():
    one, two = (Plant(read_press(PRESS), 5) for _ in range(2))
    one.next_part()
    two.next_part()
    assert one.part == two.part


def pressed(plant, depth_m):
    """Ram run down until the punch has been that deep, then sent up again."""
    plant.command(True, False, False)
    while plant.released_angle_rad() < plant.strip.released_at(depth_m):
        plant.step()
    plant.command(False, False, False)
    for _ in range(200):
        plant.step()
    bent = plant.released_angle_rad()
    plant.command(False, True, False)
    while plant.u > 0:
        plant.step()
    return bent


def test_the_angle_is_that_of_the_deepest_travel_and_stays():
    plant = Plant(read_press(PRESS), 3)
    assert plant.released_angle_rad() == 0.0
    bent = pressed(plant, 4e-3)
    assert plant.strip.released_at(4e-3) < bent < plant.strip.released_at(5e-3)
    assert plant.released_angle_rad() == bent
    # Struck again less deep it keeps its angle, deeper it gains.
    assert pressed(plant, 4e-3) == bent
    assert pressed(plant, 6e-3) > bent
    plant.next_part()
    assert plant.released_angle_rad() == 0.0


def test_no_sheet_no_angle():
    plant = Plant(read_press(ROOT / "tests/presses/depth-20.toml"))
    assert plant.released_angle_rad() is None


def test_a_trial_tells_the_angle():
    found = run_trial(PRESS, 0.0, 2, seed=1, runtime="cpython", stop_on="depth", target_m=28.6e-3)
    jsonschema.validate(found, json.loads((ROOT / "protocol/schemas/trial.schema.json").read_text()))
    strip = strip_of(read_press(PRESS).work)
    for row in found["cycles"]:
        assert row["stop"] == "depth"
        # 20 mm of gap; the frame gives 0.2 mm under some 40 kN.
        about = 180 - math.degrees(strip.released_at(row["depth_m"] - 20e-3 - row["settled_N"] / 200e6))
        assert row["angle_deg"] == pytest.approx(about, abs=1.5)
