"""A press file without the unkind keys behaves as it did before there were any: pinned plant sessions.

A session is commands at fixed times, through approach, work, pulses, hold and return of two parts. What the
converter gave and where the force and the ram were are hashed. The figures were taken from the plant as it was
before the unkind keys came.
"""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path
from typing import Any

import pytest

from steadyram.press.pressfile import build_press
from steadyram.virtual.plant import Plant

PRESSES = Path(__file__).parents[2] / "presses"

UNKIND = {
    "valve": ("pull_in", "slew", "overlap", "warm_up", "warm_up_time"),
    "adc": ("wide_codes",),
    "transducer": (
        "switching_spike",
        "line_frequency",
        "line_damping",
        "line_drop",
        "zero_wander",
    ),
    "pump": ("ripple", "ripple_frequency", "flow_scatter"),
    "cylinder": ("breakaway", "friction_scatter"),
    "work": ("gap_scatter",),
}

PINNED = {
    "bench-4-fine": "2b35bbf888a2e123",
    "bench-4": "0a18986ab3b5c900",
    "depth-20": "6fa8a1090ce547f9",
    "depth-30": "e1aca972e278b736",
    "die-20": "913b6b7dea75cd12",
    "fit-20": "1db753d0aeab836a",
    "frame-30": "6126fea1400ef0c6",
    "frame-50-slow": "adb378257a1aa4b3",
    "frame-50": "023ddbd6b2cc9648",
    "hand-12": "72735177efb605de",
    "slowclose-20": "5d36e45c19e875a4",
    "slowvalve-20": "ee4d0a2cffb05779",
    "soft-20": "14c173ed2507cd76",
    "stiff-20": "911f5556b10b382f",
    "stop-20": "1a67c03cd5a00371",
    "workshop-20-fine": "38924a8cb9a1e932",
    "workshop-20-slow": "05dc7fcc74ae118e",
    "workshop-20": "e6c5d260da490253",
}


def kind_tables(name: str) -> dict[str, Any]:
    """Return the tables of a shipped press file with every unkind key taken out."""
    tables = tomllib.loads((PRESSES / f"{name}.toml").read_text())
    for table, keys in UNKIND.items():
        for key in keys:
            tables[table].pop(key, None)
    return tables


def session(plant: Plant) -> str:
    """Press, pulse, hold and return two parts; return the digest of what came out."""
    seen = hashlib.sha256()
    for _ in range(2):
        plant.next_part()
        feeding, began = True, plant.step_index
        goal = 0.2 * plant.press.capacity_N
        plant.command(True, False, False)
        while feeding:
            seen.update(plant.step().to_bytes(2, "little") + plant.place().to_bytes(2, "little"))
            feeding = plant.force_N < goal and plant.step_index < began + 6000
        for width, pause, slow in (
            (0, 150, 0),
            (25, 120, 0),
            (4, 90, 1),
            (3, 80, 0),
            (40, 300, 1),
            (12, 60, 0),
        ):
            if width:
                plant.command(not slow, False, bool(slow))
            for _ in range(width):
                seen.update(plant.step().to_bytes(2, "little"))
            plant.command(False, False, False)
            for _ in range(pause):
                seen.update(plant.step().to_bytes(2, "little"))
            seen.update(f"{plant.force_N:.3f} {1e6 * plant.position_m:.3f} {plant.peak_N:.3f}".encode())
        plant.command(False, True, False)
        for _ in range(8000):
            seen.update(plant.step().to_bytes(2, "little"))
            if plant.at_top:
                break
        plant.command(False, False, False)
        for _ in range(100):
            seen.update(plant.step().to_bytes(2, "little"))
        seen.update(f"{plant.step_index} {1e6 * plant.position_m:.3f} {plant.pressure_Pa:.1f}".encode())
    return seen.hexdigest()[:16]


@pytest.mark.parametrize("name", sorted(PINNED))
def test_a_kind_press_file_gives_the_pinned_bytes(name: str) -> None:
    assert session(Plant(build_press(kind_tables(name), name), seed=3)) == PINNED[name]


@pytest.mark.parametrize("name", sorted(PINNED))
def test_an_unkind_press_file_has_every_unkind_key_and_is_otherwise_the_same(name: str) -> None:
    tables = tomllib.loads((PRESSES / "unkind" / f"{name}.toml").read_text())
    absent = {"adc.wide_codes"} | (
        {"pump.ripple", "pump.ripple_frequency"} if "strokes" in tables["pump"] else set()
    )
    for table, keys in UNKIND.items():
        for key in keys:
            assert key in tables[table] or f"{table}.{key}" in absent
            tables[table].pop(key, None)
    assert tables == kind_tables(name)


def test_the_unkind_keys_change_the_pinned_bytes() -> None:
    tables = tomllib.loads((PRESSES / "unkind" / "workshop-20.toml").read_text())
    assert session(Plant(build_press(tables, "unkind"), seed=3)) != PINNED["workshop-20"]
