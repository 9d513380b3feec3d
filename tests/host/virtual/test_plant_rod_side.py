"""A hanging load, its counterbalance valve and the rod side's relief, by closed forms; each drawn circuit with them."""

from __future__ import annotations

import math
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from plant_setup import AREA, FRICTION, plant_of, run, step_until

from steadyram.press.parts_list import known_values
from steadyram.press.pressfile import build_press
from steadyram.press.sizing_parts import Wiring
from steadyram.virtual.plant import Plant
from steadyram.virtual.work import Part

PRESSES = Path(__file__).parents[3] / "hardware_notes" / "presses"
ROD_AREA = AREA - math.pi / 4 * (2 * 0.0254) ** 2
BED_N = 1500.0
SET_PA = 1.3 * BED_N / ROD_AREA
HUNG: dict[str, Any] = {"circuit__hanging_load": f"{BED_N} N"}
CARRIED: dict[str, Any] = {**HUNG, "circuit__counterbalance": f"{SET_PA} Pa"}


def down_a_little(**changes: Any) -> Plant:
    """Return a plant whose ram hangs in mid-stroke, every valve shut."""
    plant = plant_of(work__gap="140 mm", **changes)
    plant.load_part(Part((), 150e6, 0.12))
    plant.command(True, False, False)
    run(plant, 0.3)
    plant.command(False, False, False)
    run(plant, 0.1)
    return plant


def test_a_load_that_nothing_carries_comes_down_to_the_work_and_lies_on_it() -> None:
    plant = down_a_little(**HUNG)
    before = plant.position_m
    run(plant, 0.2)
    assert plant.position_m - before == pytest.approx(0.2 * 0.1, rel=1e-6)
    run(plant, 3.0)
    assert plant.force_N == pytest.approx(BED_N - FRICTION, rel=1e-6)
    assert plant.pressure_Pa == 0.0


def test_a_load_below_the_seals_friction_stays_up_by_itself() -> None:
    plant = down_a_little(circuit__hanging_load="500 N")
    before = plant.position_m
    run(plant, 2.0)
    assert plant.position_m == before


@pytest.mark.parametrize("share", [1.3, 0.5])
def test_a_counterbalance_valve_carries_what_it_is_set_for(share: float) -> None:
    # Seal friction carries 600 N of the 1500: at half the load's own pressure valve and seal carry 1350.
    setting = share * BED_N / ROD_AREA
    plant = down_a_little(**HUNG, circuit__counterbalance=f"{setting} Pa")
    before = plant.position_m
    run(plant, 2.0)
    carried = FRICTION + setting * ROD_AREA >= BED_N
    assert (plant.position_m == before) == carried == (share > 1.0)


def test_pressure_in_free_travel_and_on_the_work_is_the_valves_closed_form() -> None:
    plant = plant_of(work__gap="140 mm", **CARRIED)
    plant.load_part(Part((), 150e6, 0.02))
    plant.command(True, False, False)
    run(plant, 0.5)
    assert plant.force_N == 0.0
    # p A + W = Fs + (setting - 3 p) A_rod
    free = (FRICTION - BED_N + SET_PA * ROD_AREA) / (AREA + 3.0 * ROD_AREA)
    assert plant.pressure_Pa == pytest.approx(free, rel=1e-9)
    step_until(plant, lambda: plant.force_N > 30_000)
    assert plant.pressure_Pa == pytest.approx((plant.force_N + FRICTION - BED_N) / AREA, rel=1e-9)
    plant.command(False, False, False)
    run(plant, 0.3)
    held = plant.force_N
    run(plant, 1.0)
    assert plant.force_N == held


def test_the_relief_lets_the_load_press_as_well() -> None:
    plant = plant_of(**CARRIED)
    plant.load_part(Part((), 150e6, 0.001))
    plant.command(True, False, False)
    run(plant, 6.0)
    relief = 3300 * 6894.757293168
    assert plant.force_N == pytest.approx(relief * AREA - FRICTION + BED_N, rel=1e-9)
    assert plant.pressure_Pa == pytest.approx(relief, rel=1e-9)


def test_a_return_raises_a_load_only_as_far_as_the_relief_reaches() -> None:
    relief = 3300 * 6894.757293168
    for load, up in ((0.9 * relief * ROD_AREA, True), (1.1 * relief * ROD_AREA, False)):
        plant = down_a_little(circuit__hanging_load=f"{load} N", circuit__counterbalance="30 MPa")
        before = plant.position_m
        plant.command(False, True, False)
        run(plant, 0.5)
        assert (plant.position_m < before) == up


def test_a_shut_outlet_brings_the_rod_side_to_the_ratio_of_the_areas_or_to_its_relief() -> None:
    relief = 3300 * 6894.757293168
    shut = {"circuit__rod_outlet_shut": True, "circuit__rod_volume": "0.5 L"}
    plant = plant_of(work__gap="140 mm", **shut)
    plant.load_part(Part((), 150e6, 0.12))
    plant.command(True, False, False)
    run(plant, 5.0)
    # 4 in over 2 in: the annulus is three quarters of the piston.
    assert plant.rod_N / ROD_AREA == pytest.approx((relief - FRICTION / AREA) * 4 / 3, rel=1e-6)
    assert plant.pressure_Pa == pytest.approx(relief, rel=1e-6)
    guarded = plant_of(work__gap="140 mm", circuit__rod_relief="10 MPa", **shut)
    guarded.load_part(Part((), 150e6, 0.12))
    guarded.command(True, False, False)
    run(guarded, 5.0)
    assert guarded.rod_N / ROD_AREA == pytest.approx(10e6, rel=1e-9)
    # The ram goes on to its work; the transducer shows the rod side's force, with nothing or little under it.
    assert guarded.position_m > 2.0 * plant.position_m


DRAWN = ("two-stage", "two-stage-slow", "open-centre", "shared-12v", "frame-gauges",
         "hand-pump", "hand-pump-70mpa", "air-over-oil", "air-jack-load-cell")  # fmt: skip


def drawn(name: str, bed_N: float) -> Plant:
    """Return the plant of a recipe, quiet; with a bed on a ram that oil returns, carried as its list says."""
    tables = tomllib.loads((PRESSES / f"{name}.toml").read_text(encoding="utf-8"))
    tables["valve"]["leak_down"] = "0 %/s"
    press = build_press(tables, name)
    if bed_N:
        known = known_values(press, Wiring())
        setting = float(known["press.counter_mpa_kn"]) * bed_N / 1e3
        tables["circuit"] |= {
            "hanging_load": f"{bed_N} N",
            "counterbalance": f"{setting} MPa",
            "rod_relief": f"{known['press.thermal_mpa']} MPa",
        }
        press = build_press(tables, name)
    return Plant(press, 20)


# A spring returns the ram of the others: no oil, and no counterbalance valve, on their rod side.
DOUBLE = [name for name in DRAWN if re.match("two|open|shared|frame", name)]


@pytest.mark.parametrize(("name", "bed_N"), [*((n, 0.0) for n in DRAWN), *((n, BED_N) for n in DOUBLE)])
def test_each_drawn_circuit_moves_presses_holds_and_returns(name: str, bed_N: float) -> None:
    plant = drawn(name, bed_N)
    press = plant.press
    feed = (False, False, True) if press.valve.slow_feed is not None else (True, False, False)
    plant.load_part(Part((), 100e6, 0.010))
    plant.command(True, False, False)
    step_until(plant, lambda: plant.position_m > 0.006)
    plant.command(False, False, False)
    run(plant, 0.3)
    resting = plant.position_m
    run(plant, 1.0)
    assert plant.position_m == pytest.approx(resting, abs=1e-9)
    assert plant.force_N == 0.0
    plant.command(*feed)
    step_until(plant, lambda: plant.force_N > 20_000, 90_000)
    plant.command(False, False, False)
    run(plant, 0.5)
    held = plant.force_N
    run(plant, 1.0)
    if press.valve.load_holding:
        assert held > 20_000
        assert plant.force_N == pytest.approx(held, rel=1e-9)
    else:
        assert plant.force_N == 0.0
    plant.command(False, True, False)
    step_until(plant, lambda: plant.at_top)
    plant.command(False, False, False)
    run(plant, 0.5)
    assert plant.at_top


@pytest.mark.parametrize("name", DOUBLE)
def test_without_its_counterbalance_valve_each_drawn_circuit_lets_a_bed_fall(name: str) -> None:
    plant = drawn(name, BED_N)
    tables = plant.press.model_copy(
        update={"circuit": plant.press.circuit.model_copy(update={"counterbalance": None})}
    )
    plant.set_press(tables)
    plant.load_part(Part((), 100e6, 0.050))
    plant.command(True, False, False)
    step_until(plant, lambda: plant.position_m > 0.006)
    plant.command(False, False, False)
    run(plant, 0.6)
    assert plant.position_m > 0.045
