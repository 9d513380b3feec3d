"""Relay pull-in, a spool that slews with overlap, cold oil: against closed forms.

Closed form of the slewing spool: its opening is a ramp of constant speed, so the oil of one pulse is the area under a
trapezoid or a triangle, less what the overlap keeps shut.
"""

from __future__ import annotations

import math

import pytest
from plant_setup import HIGH, LOW, at_stop, plant_of, pulse, run
from scipy.integrate import solve_ivp

from steadyram.virtual.plant import Plant
from steadyram.virtual.work import Part


def free(**changes: object) -> Plant:
    """Return a plant whose ram is half way down and meets nothing."""
    plant = plant_of(**changes)
    plant.load_part(Part((), 1e9, 0.15))
    plant.command(True, False, False)
    run(plant, 0.2)
    plant.command(False, False, False)
    run(plant, 0.3)
    return plant


@pytest.mark.parametrize(("width_ms", "moves"), [(3, False), (5, False), (6, True), (9, True)])
def test_a_relay_let_go_before_its_pull_in_moves_nothing(width_ms: int, moves: bool) -> None:
    # 0.7 of 8 ms is 5.6 ms; the valve closes 5 ms sooner than it opens, so 12 ms would let in 7 ms of flow.
    plant = free(valve__pull_in=0.7, valve__open_delay="25 ms")
    assert (pulse(plant, width_ms) > 0) is moves


def test_without_pull_in_the_shortest_pulse_counts() -> None:
    assert pulse(free(valve__open_delay="25 ms"), 3) == pytest.approx(3e-3 * LOW, rel=1e-9)


def test_a_pulse_that_fails_to_pull_in_keeps_an_earlier_closing() -> None:
    plant = free(valve__pull_in=1.0, valve__open_delay="10 ms")
    plant.command(True, False, False)
    run(plant, 0.1)
    u0 = plant.u
    plant.command(False, False, False)
    run(plant, 0.005)
    plant.command(True, False, False)  # would overtake the closing that is under way
    run(plant, 0.004)
    plant.command(False, False, False)
    run(plant, 0.3)
    # Relay 8 ms and spool 25 ms after the first release.
    assert plant.u - u0 == pytest.approx(33e-3 * LOW, rel=1e-9)


def slewed_oil(stay_s: float, slew_s: float, overlap: float) -> float:
    """Return the oil, in seconds of full flow, of a spool sent open and back after `stay_s`."""
    if stay_s >= slew_s:
        return stay_s - overlap * slew_s
    past = stay_s / slew_s - overlap
    return slew_s * past**2 / (1 - overlap) if past > 0 else 0.0


@pytest.mark.parametrize("width_ms", [6, 7, 9, 12, 16, 40])
@pytest.mark.parametrize(("slew_ms", "overlap"), [(10, 0.15), (20, 0.25), (5, 0.0)])
def test_a_slewing_spool_lets_in_the_area_under_its_ramps(
    width_ms: int, slew_ms: int, overlap: float
) -> None:
    plant = free(valve__slew=f"{slew_ms} ms", valve__overlap=f"{100 * overlap} %")
    # Opens after 38 ms, closes after 33: the spool is sent open for 5 ms less than the pulse.
    expected = LOW * slewed_oil((width_ms - 5) / 1000, slew_ms / 1000, overlap)
    assert pulse(plant, width_ms) == pytest.approx(expected, rel=1e-9, abs=1e-16)


def test_a_slewing_spool_agrees_with_the_equations_integrated() -> None:
    plant = at_stop(valve__slew="12 ms", valve__overlap="20 %", pump__changeover=None,
                    pump__flow_high_stage=None)  # fmt: skip
    force0, slope = plant.force_N, plant._end_slope

    def rhs(t: float, y: list[float]) -> list[float]:
        travel = y[0]
        sent = 0.038 <= t < 0.058  # 25 ms pulse: open at 38, closed at 25 + 33
        speed = (1 / 0.012 if travel < 1 else 0.0) if sent else (-1 / 0.012 if travel > 0 else 0.0)
        return [speed, slope * LOW * max(0.0, (travel - 0.2) / 0.8)]

    solved = solve_ivp(rhs, (0, 0.1), [0.0, force0], max_step=2e-5)
    pulse(plant, 25, 0.1)
    assert plant.force_N == pytest.approx(solved.y[1, -1], abs=2e-3 * (plant.force_N - force0))
    assert plant.force_N > force0 + 1000


def test_slow_and_full_feed_together_pass_no_more_than_the_pump() -> None:
    plant = free(valve__slew="10 ms")
    u0 = plant.u
    plant.command(True, False, True)
    run(plant, 0.148)
    plant.command(False, False, False)
    run(plant, 0.3)
    # Both open along one ramp: g = min(1, s + 0.4/7 s); it is full when s = 1/(1 + 0.4/7).
    ratio = 0.4 / 7
    full_at = 0.010 / (1 + ratio)
    expected = LOW * (0.148 - 0.005 - 0.010 + 2 * (0.010 - full_at / 2))
    assert plant.u - u0 == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("at_s", "factor"), [(0.0, 1.5), (300.0, 1 + 0.5 / math.e)])
def test_cold_oil_slows_opening_and_closing(at_s: float, factor: float) -> None:
    plant = plant_of(valve__warm_up="50 %", valve__warm_up_time="300 s")
    plant.step_index = round(at_s * 1000)
    plant.command(True, False, False)
    assert plant.extend.pending[-1][0] - at_s == pytest.approx(0.008 + 0.030 * factor, rel=1e-9)
    run(plant, 0.2)
    begin, now = plant.u, plant.time_s
    plant.command(False, False, False)
    run(plant, 0.2)
    later = 1 + 0.5 * math.exp(-now / 300)
    assert plant.u - begin == pytest.approx(LOW * (0.008 + 0.025 * later), rel=1e-9)


def test_a_changed_warm_up_begins_when_it_is_changed() -> None:
    plant = plant_of(valve__warm_up="0 %")
    plant.step_index = 1_000_000
    plant.set_press(plant.press.model_copy(
        update={"valve": plant.press.valve.model_copy(update={"warm_up": 1.0})}
    ))  # fmt: skip
    plant.command(True, False, False)
    assert plant.extend.pending[-1][0] - 1000.0 == pytest.approx(0.008 + 0.060, rel=1e-9)


def test_the_changeover_is_met_exactly_inside_a_slewing_interval() -> None:
    plant = plant_of(valve__slew="20 ms", pump__changeover="700 psi")
    plant.load_part(Part((), 150e6, 0.02))
    plant.command(True, False, False)
    while plant.force_N < plant.changeover_N:
        before = plant.force_N
        plant.step()
    # The step that met it is a mixture of both flows, no more.
    low, high = (plant._end_slope * q * 0.001 for q in (LOW, HIGH))
    rise = plant.force_N - before
    assert high * (1 - 1e-9) <= rise <= low * (1 + 1e-9)
