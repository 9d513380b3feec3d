"""The rod side: a slow feed against a shut rod side, a tandem centre, a fixed restrictor.

Closed form of a free ram whose rod side is shut: the rod side's oil is a spring K Ar^2/Vr against the ram, the cap
side's stores oil by its own compliance; the oil let in is the sum of both. With work under the ram and a restrictor the
equations are integrated by SciPy.
"""

from __future__ import annotations

import math

import pytest
from plant_setup import AREA, FRICTION, LOW, SLOW, plant_of, run
from scipy.integrate import solve_ivp

from steadyram.virtual.work import Part

ROD_AREA = AREA - math.pi / 4 * (2 * 0.0254) ** 2
CAP = 0.8e-3 / 1.2e9
ROD_N_PER_M = 1.2e9 * ROD_AREA**2 / 0.5e-3


def slow_feed(seconds: float, gap: float = 0.12, **changes: object) -> tuple[float, float, float]:
    """Feed slowly from the middle of the stroke; return travel (m), cap pressure (Pa) and force on the work (N)."""
    plant = plant_of(work__gap="140 mm", **changes)
    plant.load_part(Part((), 150e6, gap))
    plant.command(True, False, False)
    run(plant, 0.3)
    plant.command(False, False, False)
    run(plant, 0.2)
    start = plant.position_m
    plant.command(False, False, True)
    run(plant, 0.038 + seconds)
    return plant.position_m - start, plant.pressure_Pa, plant.force_N


def test_a_shut_rod_side_holds_a_free_ram_and_the_reading_shows_force() -> None:
    changes = {"circuit__centre": "closed", "circuit__rod_volume": "0.5 L"}
    travel, pressure, force = slow_feed(2.0, **changes)
    oil = 2.0 * SLOW
    expected = oil / (AREA + CAP * ROD_N_PER_M / AREA)
    assert travel == pytest.approx(expected, rel=1e-6)
    assert pressure == pytest.approx((ROD_N_PER_M * expected + FRICTION) / AREA, rel=1e-6)
    # Nothing is under the ram, and the transducer shows tens of kilonewtons.
    assert force == 0.0
    assert pressure * AREA > 20_000


def test_a_floating_centre_lets_the_ram_move() -> None:
    travel, pressure, _ = slow_feed(2.0)
    assert travel == pytest.approx(2.0 * SLOW / AREA, rel=1e-9)
    assert pressure == pytest.approx(FRICTION / AREA, rel=1e-9)


def test_a_tandem_centre_leaves_the_slow_feed_without_pressure() -> None:
    travel, pressure, _ = slow_feed(2.0, circuit__centre="tandem", circuit__rod_volume="0.5 L")
    assert travel == 0.0
    assert pressure == pytest.approx(FRICTION / AREA, rel=1e-9)


def test_a_shut_rod_side_with_work_and_a_restrictor_agrees_with_the_equations_integrated() -> None:
    plant = plant_of(work__gap="140 mm", circuit__centre="closed", circuit__rod_volume="0.5 L",
                     circuit__slow_control="restrictor")  # fmt: skip
    plant.load_part(Part((), 20e6, 0.0030))
    plant.command(True, False, False)
    run(plant, 0.2)
    plant.command(False, False, False)
    run(plant, 0.2)
    x0 = plant.position_m
    relief = 3300 * 6894.757293168
    stiff = 1 / (1 / 20e6 + 1 / 200e6)

    def rhs(t: float, y: list[float]) -> list[float]:
        # Quasi-static: cap pressure from the oil let in less the ram's travel; the ram rests where forces balance.
        oil = y[0]
        low, high = 0.0, 0.01
        for _ in range(60):
            dx = 0.5 * (low + high)
            force = max(0.0, x0 + dx - 0.0030) * stiff + ROD_N_PER_M * dx
            low, high = (dx, high) if AREA * dx + CAP * force / AREA < oil else (low, dx)
        pressure = (force + FRICTION) / AREA
        return [SLOW * math.sqrt(max(0.0, 1 - pressure / relief))]

    assert x0 < 0.0030
    solved = solve_ivp(rhs, (0, 3.0), [0.0], rtol=1e-8, atol=1e-15)
    plant.command(False, False, True)
    run(plant, 0.038 + 3.0)
    rod = ROD_N_PER_M * (plant.position_m - x0)
    oil = AREA * (plant.position_m - x0) + CAP * (plant.force_N + rod) / AREA
    assert oil == pytest.approx(float(solved.y[0, -1]), rel=1e-4)
    assert plant.pressure_Pa == pytest.approx((plant.force_N + rod + FRICTION) / AREA, rel=1e-6)
    assert plant.force_N > 1000


def test_full_feed_lets_the_rod_side_go_and_no_oil_is_lost() -> None:
    plant = plant_of(work__gap="140 mm", circuit__centre="closed", circuit__rod_volume="0.5 L")
    plant.load_part(Part((), 150e6, 0.12))
    plant.command(True, False, False)
    run(plant, 0.3)
    plant.command(False, False, False)
    run(plant, 0.2)
    plant.command(False, False, True)
    run(plant, 1.0)
    plant.command(False, False, False)
    run(plant, 0.2)
    before = plant.u + CAP * plant.rod_N / AREA
    assert plant.rod_N > 10_000
    plant.command(True, False, False)
    run(plant, 0.020)
    plant.command(False, False, False)
    run(plant, 0.2)
    assert plant.rod_N == 0.0
    # Open after 38 ms, shut 33 ms after the end of a pulse of 20 ms.
    assert plant.u - before == pytest.approx(0.015 * LOW, rel=1e-6)
    assert plant.pressure_Pa == pytest.approx(FRICTION / AREA, rel=1e-9)


def test_a_shut_rod_side_stalls_at_the_relief_valve() -> None:
    _, pressure, force = slow_feed(30.0, circuit__centre="closed", circuit__rod_volume="0.5 L")
    assert pressure == pytest.approx(3300 * 6894.757293168, rel=1e-6)
    assert force == 0.0
