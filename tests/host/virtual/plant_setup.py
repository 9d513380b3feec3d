"""A quiet plant for tests of one part of its physics at a time."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable
from typing import Any

from steadyram.press.pressfile import PressFile, build_press
from steadyram.virtual.default_press import default_press
from steadyram.virtual.plant import Plant
from steadyram.virtual.work import Part

AREA = math.pi / 4 * (4 * 0.0254) ** 2
LOW = 7e-3 / 60
HIGH = 2e-3 / 60
SLOW = 0.4e-3 / 60
COMPLIANCE = 0.8e-3 / 1.2e9
FRICTION = 600.0
RANGE = 5000 * 6894.757293168

QUIET: dict[str, Any] = {
    "valve.jitter": "0 ms",
    "valve.leak_down": "0 1/s",
    "transducer.noise": "0 %",
    "transducer.gain_error": "0 %",
    "transducer.zero_error": "0 psi",
    "work.kind": "dead-stop",
    "work.gap": "20 mm",
    "adc.bits": 16,
}
# The unkind keys of the built-in press, off.
OFF: dict[str, Any] = {
    "valve.pull_in": 0.0,
    "valve.slew": "0 ms",
    "valve.overlap": "0 %",
    "valve.warm_up": "0 %",
    "adc.wide_codes": 1,
    "transducer.switching_spike": "0 %",
    "transducer.line_frequency": None,
    "transducer.line_drop": "0 bar",
    "transducer.zero_wander": "0 %",
    "pump.ripple": "0 %",
    "pump.flow_scatter": "0 %",
    "cylinder.breakaway": 1.0,
    "cylinder.friction_scatter": "0 %",
    "work.gap_scatter": "0 mm",
}


def press_of(**changes: Any) -> PressFile:
    """Return the built-in press, quiet and kind, with keys changed (table__key=...; None takes a key out)."""
    tables = tomllib.loads(default_press().read_text())
    for key, value in {**QUIET, **OFF, **{k.replace("__", "."): v for k, v in changes.items()}}.items():
        table, name = key.split(".")
        tables.setdefault(table, {})
        if value is None:
            tables[table].pop(name, None)
        else:
            tables[table][name] = value
    return build_press(tables, "test")


def plant_of(seed: int = 0, **changes: Any) -> Plant:
    """Return the plant of `press_of`."""
    return Plant(press_of(**changes), seed)


def at_stop(seed: int = 0, force_N: float = 20_000.0, **changes: Any) -> Plant:
    """Return a plant that was fed against a dead stop up to a force and stands still, every valve shut."""
    plant = plant_of(seed, **changes)
    plant.load_part(Part((), 150e6, 0.0005))
    plant.command(True, False, False)
    step_until(plant, lambda: plant.force_N > force_N)
    plant.command(False, False, False)
    run(plant, 0.3)
    return plant


def run(plant: Plant, seconds: float) -> list[int]:
    """Step for a time; return the counts."""
    return [plant.step() for _ in range(round(seconds * 1000))]


def step_until(plant: Plant, condition: Callable[[], bool], most: int = 20_000) -> None:
    """Step until a condition holds."""
    for _ in range(most):
        if condition():
            return
        plant.step()
    raise AssertionError("the plant did not get there")


def pulse(plant: Plant, width_ms: int, settle_s: float = 0.3) -> float:
    """Energise full feed for a time; return the oil that went in, m3."""
    before = plant.u - plant.deficit
    plant.command(True, False, False)
    run(plant, width_ms / 1000)
    plant.command(False, False, False)
    run(plant, settle_s)
    return plant.u - plant.deficit - before
