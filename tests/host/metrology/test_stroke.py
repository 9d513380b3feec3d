"""The uncertainty of a stroke's force: its lines by hand, what is unknown, and a small part of the coverage study."""

import json
import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from tests.campaign.stroke_coverage import Drawn, judge
from tests.host.cycles.samples import identity
from tests.host.metrology.calibration_samples import record
from tests.host.metrology.test_calibration_cli import journal_of, run

from steadyram.config import preferences
from steadyram.cycles.store import CycleStore
from steadyram.errors import BadInput
from steadyram.link.records import SettingsState
from steadyram.metrology.analyse import analyse
from steadyram.metrology.monte_carlo import MonteCarloCheck
from steadyram.metrology.stroke import StrokeScatter, both_figures, scatter_of, stroke_budget, stroke_stated
from steadyram.report.uncertainty import measured_of, uncertainty_facts
from steadyram.units import show


def moved(offsets, noise=1.0, runs=3):
    """A record whose runs are shifted by whole counts."""
    base = record(noise=noise, runs=runs)
    points = [p.model_copy(update={"counts": p.counts + offsets[p.run - 1]}) for p in base.points]
    return analyse(base.model_copy(update={"points": tuple(points)}), "x", monte_carlo=False)


def test_lines_of_a_stroke_by_hand():
    found = moved((-15, 0, 15))
    budget = stroke_budget(found, 100e3, StrokeScatter(80.0, 60.0))
    lines = {c.name: c for c in budget.components}
    assert lines["zero wander of a stroke"].u == 80.0
    assert lines["friction of a stroke"].u == 60.0
    assert lines["zero and friction of the runs"].u == pytest.approx(math.hypot(80.0, 60.0) / math.sqrt(3))
    assert "run to run" not in lines
    # 18 points, 2 coefficients, 3 run means: 14 degrees of freedom less one that the constant shares.
    assert lines["repeatability of a reading"].dof == 14
    assert budget.combined == pytest.approx(math.sqrt(sum(c.u**2 for c in budget.components)))


def test_what_the_runs_scatter_in_stays_out_of_the_scatter_within_a_run():
    still, shifted = moved((0, 0, 0)), moved((-15, 0, 15))
    count = shifted.curve.slope_N_per_count(0.2)
    a, b = still.run_scatter, shifted.run_scatter
    assert b.within_N == pytest.approx(a.within_N, rel=0.05)
    assert b.of_means_N == pytest.approx(15 * count, rel=0.05)
    assert b.means_dof == 2
    assert a.of_means_N < 2 * count


def test_without_measured_scatter_three_runs_tell_it_and_one_does_not():
    three = stroke_budget(moved((-15, 0, 15)), 100e3, StrokeScatter())
    names = {c.name: c for c in three.components}
    line = names["zero and friction of a stroke, from the runs"]
    assert line.dof == 2
    # Of one stroke and of the mean of three: s sqrt(1 + 1/3), s of 15 counts.
    count = moved((-15, 0, 15)).curve.slope_N_per_count(0.2)
    assert line.u == pytest.approx(15 * count * math.sqrt(4 / 3), rel=0.05)
    assert three.coverage_factor > 2.0
    one = moved((0,), runs=1)
    assert stroke_budget(one, 100e3, StrokeScatter()) is None
    assert stroke_budget(one, 100e3, StrokeScatter(80.0, 60.0)) is not None
    assert stroke_budget(one, 100e3, StrokeScatter(80.0, None)) is None
    assert "one stroke: unknown" in both_figures(one, 100e3, StrokeScatter(), "kN")
    assert "outside the calibrated range" in both_figures(one, 1e3, StrokeScatter(), "kN")


def test_a_stroke_is_stated_no_better_than_the_calibration():
    # Runs that differ by more than the scatter said: re-seating, say. Its mean's uncertainty stays in the stroke's.
    found = moved((-15, 0, 15))
    quiet = stroke_budget(found, 100e3, StrokeScatter(5.0, 5.0))
    line = {c.name: c for c in quiet.components}["run to run beyond zero and friction"]
    assert line.u == pytest.approx(math.sqrt((found.run_scatter.of_means_N**2 - 50.0) / 3))
    assert line.dof == 2
    loud = stroke_budget(found, 100e3, StrokeScatter(500.0, 5.0))
    assert "run to run beyond zero and friction" not in {c.name for c in loud.components}
    for scatter in (StrokeScatter(0.0, 0.0), StrokeScatter(5.0, 5.0), StrokeScatter()):
        for force in (30e3, 100e3, 140e3):
            stated = stroke_stated(found, force, scatter)
            assert stated.expanded_N >= found.stated_at(force).expanded_N


def test_a_stroke_is_no_better_than_a_calibration_that_monte_carlo_widened():
    found = analyse(record(noise=30.0), "x", monte_carlo=False)
    level = found.levels[0]
    plain = stroke_stated(found, level.force_N, StrokeScatter())
    wide = 3.0 * plain.expanded_N
    wider = MonteCarloCheck(level.force_N, wide, 0.0, 0.0, 1.0, False)
    widened = replace(found, levels=(replace(level, monte_carlo=wider), *found.levels[1:]))
    assert widened.stated_at(level.force_N).expanded_N == pytest.approx(wide)
    assert stroke_stated(widened, level.force_N, StrokeScatter()).expanded_N == pytest.approx(wide)


def test_a_run_is_moved_by_a_force_whatever_weights_its_points_have():
    # Weights as the guided procedure gives them, in proportion to the force: the run's shift is the same everywhere.
    base = record(noise=1.0)
    shift = {1: -15.0, 2: 0.0, 3: 15.0}
    points = tuple(
        p.model_copy(update={"counts": p.counts + shift[p.run], "u_reference": 5.0 + 1e-3 * p.reference})
        for p in base.points
    )
    found = analyse(base.model_copy(update={"points": points}), "x", monte_carlo=False)
    assert found.curve.method == "weighted least squares"
    count = found.curve.slope_N_per_count(0.2)
    assert found.run_scatter.of_means_N == pytest.approx(15.0 * count, rel=0.1)


def test_minus_one_in_the_settings_is_unknown_and_not_zero():
    assert scatter_of({"zero_wander_n": -1, "friction_scatter_n": 40}) == StrokeScatter(None, 40.0)
    assert scatter_of({}) == StrokeScatter()
    assert scatter_of({"zero_wander_n": 0, "friction_scatter_n": 0}).known


def test_both_figures_are_printed(tmp_path, capsys):
    path = journal_of(tmp_path / "cal.jsonl", runs=1, noise=1.0)
    code, out, _ = run(capsys, "calibration", "analyse", path, "--json")
    assert code == 0
    assert json.loads(out)["levels"][0]["stroke_budget"] is None
    scatter = ("--zero-wander", "80 N", "--friction-scatter", "60 N")
    code, out, _ = run(capsys, "calibration", "analyse", path, "--json", *scatter)
    level = json.loads(out)["levels"][0]
    assert level["stroke_budget"]["expanded_N"] > level["budget"]["expanded_N"]
    code, _, err = run(capsys, "calibration", "analyse", path, "--zero-wander", "80 N")
    assert code == 2
    assert "both" in err


def test_own_wide_codes_keep_both_ends_and_are_that_wide():
    chain = Drawn(np.random.default_rng(1))
    chain.bits, chain.wide = 12, 8.0
    codes = [int(chain.coded(v)) for v in np.arange(0.0, 4096.0, 0.05)]
    assert (codes[0], codes[-1]) == (0, 4095)
    assert all(b - a in (0, 1) for a, b in pairwise(codes))
    for code in (511, 1535, 2559, 3583):
        assert codes.count(code) * 0.05 == pytest.approx(8.0, abs=0.11)


@pytest.mark.parametrize("model", ["s_shape", "hysteresis_loops", "wide_codes", "zero_wander"])
def test_a_small_part_of_the_coverage_study(model):
    found = judge(model, 15, 7)
    # 15 presses: the standard error of a coverage is some five per cent.
    assert found["calibration_coverage"] >= 0.86
    assert found["stroke_coverage"] >= 0.86
    assert found["stroke_wider_than_needed"] < 2.0


def test_a_report_shows_both_figures_at_each_setpoint(tmp_path):
    path = journal_of(tmp_path / "cal.jsonl", noise=1.0)
    measured = {"zero_wander_n": 80, "friction_scatter_n": 60}
    told = uncertainty_facts(path, [(1, None, 5)], measured, [50e3, 100e3, 50e3])
    assert list(told) == [
        f"uncertainty at {show(f, 'newton', preferences().force_unit)}" for f in (50e3, 100e3)
    ]
    assert all("calibration ±" in line and "one stroke ±" in line for line in told.values())
    assert "--calibration" in next(iter(uncertainty_facts(None, [], {}, [50e3]).values()))
    with pytest.raises(BadInput, match="of calibration 1, and the records ran on 4"):
        uncertainty_facts(path, [(4, None, 5)], {}, [50e3])


def test_what_strokes_scatter_by_is_read_from_the_measured_set_that_was_pulled_last(tmp_path):
    with CycleStore(tmp_path / "c.db") as store:
        store.see_device(identity("p"), 1)
        assert measured_of(store, "p") == {}
        store.add_snapshot("p", SettingsState("settings", 1, "S", {"zero_wander_n": 1}), 1)
        for gen, wander in ((1, 40), (2, 80)):
            told = {"zero_wander_n": wander, "friction_scatter_n": 60}
            store.add_snapshot("p", SettingsState("measured", gen, f"M{gen}", told), gen)
        assert scatter_of(measured_of(store, "p")) == StrokeScatter(80.0, 60.0)
