"""Analysis of calibrations with known answers."""

import math
from dataclasses import replace

import numpy as np
import pytest
from tests.host.metrology.calibration_samples import AREA, ZERO, counts_of, header, record

from steadyram.errors import BadInput
from steadyram.metrology.analyse import analyse
from steadyram.metrology.both_axes import fit_both_axes
from steadyram.metrology.budget import Component, combine
from steadyram.metrology.curve import choose_degree, fit_curve
from steadyram.metrology.header import Point
from steadyram.metrology.lines import WITHIN
from steadyram.metrology.monte_carlo import MonteCarloCheck, check_budget, numerical_tolerance
from steadyram.metrology.outliers import outlying
from steadyram.metrology.record import CalibrationRecord


def test_pearsons_data_with_yorks_weights():
    # The classic line with errors on both axes (Pearson 1901, York 1966): slope -0.480533407, intercept
    # 5.47991022, chi-square 11.8663531, 8 degrees of freedom. From memory (sure); in many papers.
    x = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
    wx = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
    wy = np.array([1.0, 1.8, 4.0, 8.0, 20, 20, 70, 70, 100, 500])
    found = fit_both_axes(x, y, wx**-0.5, wy**-0.5, 1)
    assert found.coefficients == pytest.approx([5.47991022, -0.480533407], rel=1e-7)
    assert found.residual_sd**2 * 8 == pytest.approx(11.8663531, rel=1e-7)


def test_line_friction_and_hysteresis_come_back():
    found = analyse(record(noise=1.0, hysteresis=0.001), "x")
    assert found.degree == 1
    assert found.device.fields["c0_n"] == pytest.approx(-600, abs=25)
    assert found.friction is not None
    assert found.friction.friction_N == pytest.approx(600, abs=4 * found.friction.u_friction_N)
    # Hysteresis of 0.1 % of range is 0.001 * A * range / gain newtons at mid-loop.
    assert found.friction.hysteresis_N == pytest.approx(0.001 * AREA * 5000 * 6894.757 / 1.015, rel=0.15)
    assert found.device.fields["friction_n"] == round(found.friction.friction_N)
    assert found.e4_ok
    assert found.iso_class == 1.0
    # Twice 600 N of friction less the loop, over the rising force at the same reading: class 3.
    loop = found.friction.hysteresis_N * 4 / 6 * 5 / 6
    assert found.levels[0].v_percent == pytest.approx(100 * (1200 - loop) / (25e3 - 1200 + loop), abs=0.15)
    assert found.iso_class_with_v == 3.0


def test_no_friction_is_claimed_where_there_is_none():
    found = analyse(record(noise=2.0, friction=0.0), "x")
    assert found.device.fields["friction_n"] == 0
    assert found.friction is not None
    assert not found.friction.significant


def test_gauge_cannot_see_friction():
    head = header(
        reference={"what": "g", "serial": "1", "kind": "gauge", "expanded_percent": 0.25},
        assumed_friction_N=600.0,
        assumed_friction_u_N=200.0,
    )
    points = []
    for run in (1, 2, 3):
        for k in range(1, 7):
            force = 25e3 * k
            points.append(
                Point(
                    run=run, reference=(force + 600.0) / AREA, counts=counts_of(force) + 3 * math.sin(k * run)
                )
            )
    found = analyse(CalibrationRecord(header=head, points=tuple(points)), "x")
    assert found.device.fields["c0_n"] == pytest.approx(-600, abs=20)
    names = {c.name: c.u for c in found.levels[0].budget.components}
    assert names["assumed friction"] == 200.0
    assert names["piston area"] == pytest.approx(25.6, rel=0.01)  # 0.1 % of the force on the piston
    assert any("cannot see seal friction" in note for note in found.notes)


def test_quadratic_is_chosen_when_it_is_there():
    assert analyse(record(noise=1.0, quadratic=0.01), "x").degree == 2
    assert analyse(record(noise=1.0), "x").degree == 1
    with pytest.raises(BadInput, match="do not carry"):
        analyse(record(levels=3, runs=1), "x", 2)


def test_an_s_shaped_error_gets_its_cubic_though_a_quadratic_would_not_help():
    # Odd about the middle of the points: no quadratic part, so the next power alone shows nothing.
    levels, top = 8, 150e3
    points = []
    for run in (1, 2, 3):
        for k in range(1, levels + 1):
            v = (2 * k - levels - 1) / (levels - 1)  # -1 to 1 over the levels
            counts = counts_of(top * k / levels) + 60.0 * (v**3 - 0.6 * v) + math.sin(5.0 * k * run)
            points.append(Point(run=run, reference=top * k / levels, counts=counts))
    found = analyse(CalibrationRecord(header=header(), points=tuple(points)), "x", monte_carlo=False)
    assert found.degree == 3
    # The cubic was some 20 counts of 6 N; what is left is the scatter of 0.7 counts.
    assert found.curve.residual_sd < 10.0


def test_five_forces_that_nobody_hits_twice_are_five_and_carry_no_cubic():
    points = []
    for run in (1, 2, 3):
        for k in range(1, 6):
            force = 30e3 * k * (1.0 + 0.004 * (run - 2))
            counts = counts_of(force) + 60.0 * math.sin(1.3 * k) + math.sin(7.0 * k * run)
            points.append(Point(run=run, reference=force, counts=counts))
    taken = CalibrationRecord(header=header(), points=tuple(points))
    assert analyse(taken, "x", monte_carlo=False).degree < 3
    with pytest.raises(BadInput, match="5 different rising forces do not carry a degree of 4"):
        fit_curve(taken, "x", 4)


def test_exact_points_on_a_parabola_are_a_parabola():
    u = np.arange(1.0, 9.0) / 16.0
    assert choose_degree(u, 64.0 + 32.0 * u, 8) == 1
    assert choose_degree(u, 64.0 + 32.0 * u + 16.0 * u**2, 8) == 2


def test_budget_agrees_with_monte_carlo():
    found = analyse(record(), "x")
    for level in found.levels:
        assert level.monte_carlo is not None
        assert level.monte_carlo.expanded_N == pytest.approx(level.budget.expanded, rel=0.06)


def test_lines_of_one_estimate_are_one_term_of_the_effective_degrees_of_freedom():
    # By hand: 3, 4 and 5 N; variances 9 + 16 = 25 with 4 degrees of freedom, 25 known well: 50^2 / (25^2 / 4) = 16.
    lines = [Component("a", 3.0, "A", 4.0, "t"), Component("b", 4.0, "A", 4.0, "t"), Component("c", 5.0, "B")]
    shared = [replace(line, estimate="s") for line in lines[:2]]
    assert combine([*shared, lines[2]]).effective_dof == pytest.approx(16.0)
    # Apart they would be 50^2 / (81 / 4 + 256 / 4).
    assert combine(lines).effective_dof == pytest.approx(2500.0 / (337.0 / 4.0))
    assert combine([*shared, lines[2]]).combined == combine(lines).combined
    # And the analysis names them so: repeatability and curve of one run have its scatter's freedom together.
    budget = analyse(record(runs=1, noise=20.0), "x", monte_carlo=False).levels[0].budget
    within = [c for c in budget.components if c.estimate]
    assert [c.name for c in within] == ["repeatability of a reading", "curve"]
    together = sum(c.u**2 for c in within)
    assert budget.effective_dof == pytest.approx(budget.combined**4 / (together**2 / within[0].dof))


def test_monte_carlo_draws_one_standard_deviation_for_the_lines_of_one_estimate():
    # Curve and repeatability of equal size, 4 degrees of freedom, nothing else: t by 4, 2.776 (tables), times root 2.
    points, scatter = np.array([0.1, 0.2, 0.3]), np.full(3, 100.0)
    curve = 100.0 / math.sqrt(3.0)  # in the middle of three points
    lines = [
        Component(name, curve, "A", 4.0, "t", "", WITHIN) for name in ("repeatability of a reading", "curve")
    ]
    rng = np.random.default_rng(20261128)
    check = check_budget(combine(lines), 1.0, 0.2, points, scatter, 1, 4, rng)
    assert check.expanded_N == pytest.approx(2.776 * math.sqrt(2.0) * curve, rel=0.015)
    assert check.expanded_N == pytest.approx(combine(lines).expanded, rel=0.015)
    # Far out, two standard deviations drawn apart would give about a sixth less: t by 4 at 99.9 % is 8.610 (tables).
    far = check_budget(combine(lines, 0.999), 1.0, 0.2, points, scatter, 1, 4, rng)
    assert far.expanded_N == pytest.approx(8.610 * math.sqrt(2.0) * curve, rel=0.08)


@pytest.mark.parametrize("agrees", [True, False])
def test_the_wider_of_budget_and_monte_carlo_is_stated_and_u_has_no_step_at_a_hundred_newtons(agrees):
    level = analyse(record(), "x", monte_carlo=False).levels[0]
    plain = level.budget.expanded
    assert level.expanded_N == plain
    for part in (0.8, 1.19):
        check = MonteCarloCheck(level.force_N, part * plain, -part * plain, part * plain, 1.0, agrees)
        assert replace(level, monte_carlo=check).expanded_N == pytest.approx(max(1.0, part) * plain)


def test_the_interval_of_a_single_normal_line_is_the_budgets():
    # No scatter of the points to speak of, so 1.96 standard uncertainties; 19 % more is not agreement at any u.
    for u in (99.0, 101.0):
        budget = combine([Component("a", u, "B")])
        points = np.array([0.1, 0.2, 0.3])
        scatter = np.full(3, 1e-9)
        check = check_budget(budget, 1.0, 0.2, points, scatter, 1, 4, np.random.default_rng(20261128))
        assert check.expanded_N == pytest.approx(1.96 * u, rel=0.01)
        assert check.tolerance_N < 0.1 * 1.96 * u
        off = replace(budget, expanded=budget.expanded / 1.19)
        far = check_budget(off, 1.0, 0.2, points, scatter, 1, 4, np.random.default_rng(20261128))
        assert not far.agrees


def test_outlier_is_reported_and_kept():
    base = record(noise=2.0)
    points = list(base.points)
    points[2] = points[2].model_copy(update={"counts": points[2].counts + 60})
    rows = tuple(range(2, len(points) + 2))
    found = analyse(base.model_copy(update={"points": tuple(points), "rows": rows}), "x")
    assert found.outliers == ("row 4",)
    assert len(found.device.force_N) == 18
    assert outlying(np.arange(10.0), np.zeros(10), 1) == []


def test_stated_uncertainties_weight_the_fit():
    base = record(noise=2.0)
    weighted = [p.model_copy(update={"u_reference": 0.001 * p.reference}) for p in base.points]
    found = analyse(base.model_copy(update={"points": tuple(weighted)}), "x")
    assert found.curve.method == "weighted least squares"
    both = [p.model_copy(update={"counts_sd": 2.0}) for p in weighted]
    distances = analyse(base.model_copy(update={"points": tuple(both)}), "x")
    assert distances.curve.method == "orthogonal distance regression"
    assert distances.device.fields["c1_n"] == pytest.approx(found.device.fields["c1_n"], rel=1e-3)
    # Relative weights trust the low points more, so their uncertainty shrinks and the high ones' grows.
    plain = analyse(base, "x")
    assert found.levels[0].budget.expanded < plain.levels[0].budget.expanded
    assert found.levels[-1].budget.expanded > plain.levels[0].budget.expanded


def test_runs_that_differ_widen_the_budget():
    base = record(noise=1.0)
    shifted = [p.model_copy(update={"counts": p.counts + 15 * (p.run - 2)}) for p in base.points]
    found = analyse(base.model_copy(update={"points": tuple(shifted)}), "x")
    assert found.run_scatter.mean_N(80e3) > 20.0
    assert "run to run" in {c.name for c in found.levels[0].budget.components}
    assert analyse(base, "x").run_scatter.mean_N(80e3) < 5.0
    assert analyse(record(runs=1), "x", monte_carlo=False).run_scatter.mean_N(80e3) == 0.0


def test_a_cell_that_is_seated_anew_makes_a_part_of_the_force_and_a_zero_a_force():
    def line_at(made) -> dict[float, float]:
        base = record(noise=0.0)
        points = [p.model_copy(update={"counts": p.counts + made(p)}) for p in base.points]
        found = analyse(base.model_copy(update={"points": tuple(points)}), "x", 1, monte_carlo=False)
        (low,), (top,) = (
            [c for c in level.budget.components if c.name == "run to run"]
            for level in (found.levels[0], found.levels[-1])
        )
        count = found.curve.slope_N_per_count(0.2)
        assert ("gains" in top.basis, "gains" in low.basis) == (True, False)
        return {"low": low.u / count, "top": top.u / count}

    # Gains of -0.1, 0 and 0.1 %: their standard deviation is 0.1 % of the force, over the root of 3; by counts above
    # zero without friction's. At the bottom the runs' means, 0.1 % of the mean force, 3.5 of 6 levels.
    zero = counts_of(0.0, friction=0.0)
    steps = counts_of(150e3, friction=0.0) - zero
    seat = line_at(lambda p: 0.001 * (p.run - 2) * (p.counts - zero))
    assert seat["top"] == pytest.approx(0.001 * steps / math.sqrt(3.0), rel=0.02)
    assert seat["low"] == pytest.approx(0.001 * steps * 3.5 / 6.0 / math.sqrt(3.0), rel=0.02)
    # A zero of -15, 0, 15 counts: that force at the bottom; at the top its gain by six levels, 6 x 21 / 91 of it.
    moved = line_at(lambda p: 15.0 * (p.run - 2))
    assert moved["low"] == pytest.approx(15.0 / math.sqrt(3.0), rel=0.02)
    assert moved["top"] == pytest.approx(15.0 * 6.0 * 21.0 / 91.0 / math.sqrt(3.0), rel=0.02)


def test_reading_at_rest_gives_the_zero_error():
    found = analyse(record(head=header(zero_counts_after=ZERO + 100)), "x")
    assert found.zero_error_percent == pytest.approx(100 * 100 * 5.25 / 150e3, rel=0.01)
    assert found.iso_class is None  # 0.35 % of the largest force is outside class 3's 0.3 %


def test_combine_and_tolerance():
    budget = combine([Component("a", 3.0, "A", 4.0), Component("b", 4.0, "B")])
    assert budget.combined == 5.0
    assert budget.effective_dof == pytest.approx(5.0**4 / (3.0**4 / 4.0))
    assert budget.coverage_factor == pytest.approx(2.042, abs=5e-4)  # t, 30 degrees of freedom (tables)
    # By hand: half a unit of the second digit; 99.6 has the two digits 1.0.
    given = (35.0, 0.0951, 9.7, 99.4, 99.6, 101.0, 0.013)
    assert [numerical_tolerance(u) for u in given] == pytest.approx([0.5, 5e-4, 0.05, 0.5, 5.0, 5.0, 5e-4])
