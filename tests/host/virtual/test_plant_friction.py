"""Breakaway and running friction, and what differs from stroke to stroke.

Checked against closed forms of a ram without mass and, for the slip itself, against a ram with mass and a little
damping integrated by SciPy: where it comes to rest must be where the plant puts it at once.
"""

from __future__ import annotations

import statistics

import pytest
from plant_setup import AREA, COMPLIANCE, FRICTION, LOW, at_stop, plant_of, pulse, run, step_until
from scipy.integrate import solve_ivp

from steadyram.virtual.work import Part


def test_a_ram_at_rest_holds_until_breakaway_then_slips_by_what_it_held_back() -> None:
    plant = at_stop(cylinder__breakaway=1.6, pump__changeover=None, pump__flow_high_stage=None)
    force, pressure = plant.force_N, plant.pressure_Pa
    plant.command(True, False, False)
    step_until(plant, lambda: plant.force_N > force)
    # The pressure that broke it away, to within one step's rise at shut-off.
    excess = 0.6 * FRICTION / AREA
    slip_m3 = COMPLIANCE * excess
    reached = plant.u - slip_m3
    assert plant.force_N > force + plant._end_slope * slip_m3
    assert plant.force_N < force + plant._end_slope * (slip_m3 + LOW * 0.001)
    assert reached > 0
    assert plant.pressure_Pa == pytest.approx((plant.force_N + FRICTION) / AREA, rel=1e-12)
    assert plant.pressure_Pa > pressure


def test_a_pulse_too_small_to_break_away_shows_in_the_pressure_and_not_in_the_force() -> None:
    plant = at_stop(cylinder__breakaway=1.6, pump__flow_low_stage="0.05 L/min", pump__changeover=None,
                    pump__flow_high_stage=None)  # fmt: skip
    force, pressure = plant.force_N, plant.pressure_Pa
    oil = pulse(plant, 10)
    assert oil == pytest.approx(5e-3 * 0.05e-3 / 60, rel=1e-6)
    assert plant.force_N == force
    assert plant.pressure_Pa - pressure == pytest.approx(oil / COMPLIANCE, rel=1e-6)


def test_no_more_than_breakaway_is_ever_held_back_and_no_oil_is_lost() -> None:
    plant = at_stop(cylinder__breakaway=2.0, pump__changeover=None, pump__flow_high_stage=None)
    begin = plant.u - plant.deficit
    total = 0.0
    for width in (6, 7, 6, 9, 20, 6):
        total += pulse(plant, width)
        assert -plant.deficit <= COMPLIANCE * FRICTION / AREA * (1 + 1e-9)
    # A pulse of w lets in w - 5 ms of flow.
    assert total == pytest.approx(LOW * 1e-3 * (1 + 2 + 1 + 4 + 15 + 1), rel=1e-9)
    assert plant.u - plant.deficit - begin == pytest.approx(total, rel=1e-12)


def test_the_slip_ends_where_a_ram_with_mass_comes_to_rest() -> None:
    plant = at_stop(cylinder__breakaway=1.8, pump__changeover=None, pump__flow_high_stage=None)
    k = 1 / (1 / 150e6 + 1 / 200e6)  # work and frame
    x0 = plant.force_N / k
    p0 = plant.pressure_Pa
    mass, damping = 30.0, 2e5

    def rhs(t: float, y: list[float]) -> list[float]:
        x, v, p = y
        push = p * AREA - k * x
        sticks = v <= 0 and push <= 1.8 * FRICTION * (1 + 1e-9)
        a = 0.0 if sticks else (push - FRICTION - damping * v) / mass
        return [0.0 if sticks else v, a, ((LOW if 0.038 <= t < 0.0415 else 0.0) - (0.0 if sticks else AREA * v)) / COMPLIANCE]  # noqa: E501  # fmt: skip

    solved = solve_ivp(rhs, (0, 0.06), [x0, 0.0, p0], max_step=2e-6 * 5, rtol=1e-8, atol=1e-12)
    # Oil for 3.5 ms of flow: open after 38 ms, shut 33 ms after 8.5 ms.
    plant.extend.close_s += 0.0005
    pulse(plant, 8, 0.1)
    # Overshoot of the ram with mass is what its damping leaves: a few per cent of the slip.
    slip_N = plant._end_slope * COMPLIANCE * 0.8 * FRICTION / AREA
    assert plant.force_N == pytest.approx(solved.y[0, -1] * k, abs=0.05 * slip_N)


def test_pressure_has_to_fall_further_to_break_the_ram_away_upwards() -> None:
    kind, sticky = at_stop(), at_stop(cylinder__breakaway=1.6)
    falls = []
    for plant in (kind, sticky):
        force, pressure = plant.force_N, plant.pressure_Pa
        plant.command(False, True, False)
        lowest = pressure
        while plant.force_N >= force:
            lowest = plant.pressure_Pa
            plant.step()
        falls.append((pressure - lowest) * AREA)
    step_N = kind.return_flow * 0.001 / COMPLIANCE * AREA
    assert 2 * FRICTION - step_N <= falls[0] <= 2 * FRICTION
    assert 2.6 * FRICTION - step_N <= falls[1] <= 2.6 * FRICTION


def test_leak_takes_what_a_resting_ram_holds_above_running_friction_first() -> None:
    plant = at_stop(cylinder__breakaway=2.0, valve__leak_down="1 %/s", pump__flow_low_stage="0.05 L/min",
                    pump__changeover=None, pump__flow_high_stage=None)  # fmt: skip
    pulse(plant, 20, 0.1)
    assert plant.deficit < 0
    force, pressure = plant.force_N, plant.pressure_Pa
    run(plant, 0.2)
    assert plant.force_N == force
    assert plant.pressure_Pa == pytest.approx(pressure * (1 - 0.002), rel=1e-4)
    run(plant, 60)
    assert plant.pressure_Pa == pytest.approx((plant.force_N + FRICTION) / AREA, rel=1e-9)
    assert plant.force_N < force


def strokes(count: int, **changes: object) -> list[tuple[float, float, float]]:
    """Return friction, low-stage flow and zero share of each of several strokes, and check that they act."""
    plant = plant_of(5, work__gap="1 mm", **changes)
    seen = []
    for _ in range(count):
        plant.load_part(Part((), 150e6, 0.001))
        plant.command(True, False, False)
        step_until(plant, lambda: plant.u > 0.0 and not plant.extend.pending)
        begin = plant.u
        run(plant, 0.02)
        flow = (plant.u - begin) / 0.02
        step_until(plant, lambda: plant.force_N > 8000)
        plant.command(False, False, False)
        run(plant, 0.2)
        friction = plant.pressure_Pa * AREA - plant.force_N
        plant.command(False, True, False)
        step_until(plant, lambda: plant.at_top)
        plant.command(False, False, False)
        run(plant, 0.2)
        zero = plant.step() / 65536
        seen.append((friction, flow, (zero - 0.1) / 0.8))
    return seen


def test_friction_flow_and_zero_differ_from_stroke_to_stroke_by_their_scatter() -> None:
    found = strokes(120, cylinder__friction_scatter="10 %", pump__flow_scatter="2 %",
                    transducer__zero_wander="0.2 %")  # fmt: skip
    friction, flow, zero = (list(column) for column in zip(*found, strict=True))
    # 120 draws: a standard deviation is met within 6.5 %, a mean within 9 % of it (one standard error each).
    assert statistics.mean(friction) == pytest.approx(FRICTION, rel=0.03)
    assert statistics.stdev(friction) == pytest.approx(0.1 * FRICTION, rel=0.2)
    assert statistics.mean(flow) == pytest.approx(LOW, rel=0.006)
    assert statistics.stdev(flow) == pytest.approx(0.02 * LOW, rel=0.2)
    assert abs(statistics.mean(zero)) < 0.0006
    assert statistics.stdev(zero) == pytest.approx(0.002, rel=0.2)


def test_without_scatter_every_stroke_is_the_same() -> None:
    friction, flow, zero = zip(*strokes(3), strict=True)
    assert max(friction) - min(friction) < 1e-6
    assert max(flow) - min(flow) < 1e-12
    assert len(set(zero)) == 1


def test_the_gap_of_each_part_is_scattered() -> None:
    plant = plant_of(3, work__gap="8 mm", work__gap_scatter="1 mm")
    gaps = []
    for _ in range(300):
        plant.next_part()
        gaps.append(plant.part.gap_m)
    assert statistics.mean(gaps) == pytest.approx(0.008, abs=2e-4)
    assert statistics.stdev(gaps) == pytest.approx(0.001, rel=0.13)
    assert min(gaps) >= 0.0008


def test_a_step_taken_again_after_a_rewind_is_the_same() -> None:
    plant = plant_of(4, work__gap="1 mm", cylinder__breakaway=1.7, cylinder__friction_scatter="15 %",
                     pump__flow_scatter="2 %", pump__ripple="4 %", valve__slew="10 ms", valve__overlap="20 %",
                     valve__jitter="1 ms", transducer__noise="0.1 %", transducer__line_frequency="40 Hz",
                     transducer__switching_spike="1 %", transducer__zero_wander="0.1 %",
                     transducer__line_drop="3 bar", adc__wide_codes=8)  # fmt: skip
    plant.next_part()
    for commands in (
        (True, False, False),
        (False, False, False),
        (True, False, True),
        (False, True, False),
    ) * 2:
        plant.command(*commands)
        for _ in range(30):
            kept = plant.snapshot()
            ahead = [plant.step() for _ in range(11)]
            plant.restore(kept)
            assert [plant.step() for _ in range(11)] == ahead
