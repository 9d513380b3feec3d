"""Decision rules, verification, drift, the daily check, the gauge study's edges."""

from datetime import UTC, datetime

import numpy as np
import pytest
from tests.host.metrology.calibration_samples import AREA, counts_of, header, record

from steadyram.errors import BadInput
from steadyram.metrology.analyse import analyse
from steadyram.metrology.daily import daily_check
from steadyram.metrology.decision import decide, overall
from steadyram.metrology.drift import compare
from steadyram.metrology.gauge_rr import study
from steadyram.metrology.header import Point, Reference
from steadyram.metrology.verify import verify


@pytest.mark.parametrize(
    ("error", "rule", "verdict"),
    [
        (0.7, "guard-band", "pass"),
        (0.7000001, "guard-band", "undecided"),
        (-1.3, "guard-band", "undecided"),
        (1.3000001, "guard-band", "fail"),
        (1.0, "simple", "pass"),
        (1.0000001, "simple", "fail"),
    ],
)
def test_rules(error, rule, verdict):
    assert decide(error, 1.0, 0.3, rule) == verdict


def test_simple_acceptance_needs_a_good_enough_reference():
    assert decide(0.0, 1.0, 1 / 3, "simple") == "pass"
    assert decide(0.0, 1.0, 0.34, "simple") == "undecided"
    assert overall(["pass", "undecided"]) == "undecided"
    assert overall(["pass", "undecided", "fail"]) == "fail"
    assert overall([]) == "undecided"
    with pytest.raises(BadInput):
        decide(0.0, 0.0, 0.1, "simple")


def test_verification():
    done = analyse(record(), "x", monte_carlo=False)
    forces = [30e3, 60e3, 120e3]
    good = [counts_of(f) for f in forces]

    def judge(counts, limit):
        points = [Point(reference=f, counts=c) for f, c in zip(forces, counts, strict=True)]
        return verify(done, points, limit, "guard-band")

    assert judge(good, 0.01).verdict == "pass"
    assert judge(good, 0.001).verdict == "undecided"
    assert judge([c + 200 for c in good], 0.01).verdict == "fail"
    with pytest.raises(BadInput):
        verify(done, [Point(reference=0.0, counts=6600.0)], 0.01, "simple")


@pytest.mark.parametrize(("force", "fits"), [(24.9e3, False), (25e3, True), (150e3, True), (150.1e3, False)])
def test_a_point_outside_the_calibrated_range_is_not_judged(force, fits):
    done = analyse(record(), "x", monte_carlo=False)  # 25 to 150 kN
    points = [Point(reference=60e3, counts=counts_of(60e3)), Point(reference=force, counts=counts_of(force))]
    if fits:
        assert len(verify(done, points, 0.01, "guard-band").points) == 2
        return
    with pytest.raises(BadInput, match="outside the calibrated range"):
        verify(done, points, 0.01, "guard-band")


def test_drift_as_found_and_as_left():
    old = analyse(record(noise=1.0), "x", monte_carlo=False)
    later = header(made=datetime(2027, 1, 2, tzinfo=UTC))
    # Gain has risen by 0.8 % in a year: the old polynomial now shows 0.8 % too much.
    new = analyse(record(noise=1.0, seed=2, head=later, gain=1.015 * 1.008), "y", monte_carlo=False)
    done = compare(old, new, 0.01)
    assert done.days == 365
    for level in done.levels:
        assert level.change_percent == pytest.approx(0.8, abs=0.1)
        assert abs(level.as_left_N) < 40.0
    assert done.significant
    assert done.as_found_within
    # Half of 1 % is used up in about 0.5/0.8 of a year.
    assert done.interval_days == pytest.approx(365 * 0.5 / 0.8, rel=0.1)
    assert not compare(old, new, 0.005).as_found_within
    with pytest.raises(BadInput, match="not later"):
        compare(new, old)
    other = header(made=datetime(2027, 1, 2, tzinfo=UTC), transducer={"what": "t", "serial": "T2"})
    with pytest.raises(BadInput, match="not of the same transducer"):
        compare(old, analyse(record(head=other), "z", monte_carlo=False))


def test_no_drift_keeps_the_interval():
    old = analyse(record(noise=1.0), "x", monte_carlo=False)
    later = header(made=datetime(2027, 1, 2, tzinfo=UTC))
    done = compare(old, analyse(record(noise=1.0, seed=5, head=later), "y", monte_carlo=False))
    assert not done.significant
    assert done.interval_days == 365
    assert done.worst_percent_per_year is None
    assert "no trend" in done.trend


@pytest.mark.parametrize("gain", [1.015, 1.015 * 1.008])
def test_two_calibrations_minutes_apart_make_no_trend(gain):
    old = analyse(record(noise=1.0), "x", monte_carlo=False)
    later = header(made=datetime(2026, 1, 2, 0, 9, tzinfo=UTC))
    done = compare(old, analyse(record(noise=1.0, seed=2, head=later, gain=gain), "y", monte_carlo=False))
    assert done.worst_percent_per_year is None
    assert done.interval_days == 365
    assert done.significant == (gain > 1.02)
    assert ("too short a span" in done.trend) == done.significant


def test_daily_check():
    done = analyse(record(), "x", monte_carlo=False)
    gauge = Reference(kind="gauge", what="g", serial="1", class_percent=1.6, range=5000 * 6894.757)
    pressure, counts = 100.6e3 / AREA, counts_of(100e3)

    def check(pressure_Pa, zero):
        return daily_check(done, gauge, pressure_Pa, counts, zero)

    same = check(pressure, 6600)
    assert same.passed
    assert same.difference_Pa == pytest.approx(0.0, abs=0.2e5)
    assert not check(pressure * 1.06, 6600).passed
    assert not check(pressure, 8000).passed
    # A zero that moved by 940 counts, 5 kN, is a quarter of the smallest calibrated force.
    assert not check(pressure, 7540).passed
    assert same.smallest_N == done.levels[0].force_N
    # U of the calibration there, with a converter step in either zero and the fluctuation at rest.
    step_N = AREA * 5000 * 6894.757 / (0.8 * 65536 * 1.015) * 16 / 6**0.5
    assert same.zero_allowed_N == pytest.approx(
        (done.levels[0].budget.expanded ** 2 + (1.96 * step_N) ** 2) ** 0.5, rel=0.03
    )
    assert same.zero_allowed_counts * AREA * 5000 * 6894.757 / (0.8 * 65536 * 1.015) == pytest.approx(
        same.zero_allowed_N, rel=0.01
    )
    # By the smallest setpoint in use, and no more than a twentieth of it.
    small = daily_check(done, gauge, pressure, counts, 6600, smallest_N=1000.0)
    assert small.zero_allowed_N == 50.0
    with pytest.raises(BadInput, match="quarter"):
        check(1e5, 6600)


def test_gauge_study_edges():
    perfect = np.repeat(np.arange(5.0)[:, None, None], 2, axis=1).repeat(2, axis=2)
    assert study(perfect).grr == 0.0
    # Operators that differ by a constant show up as reproducibility, not as repeatability.
    rng = np.random.default_rng(0)
    biased = perfect + np.array([0.0, 1.0])[None, :, None] + rng.normal(0, 0.01, perfect.shape)
    found = study(biased, tolerance=12.0)
    assert found.reproducibility == pytest.approx(2**-0.5, rel=0.05)
    assert found.repeatability < 0.02
    assert found.percent_tolerance == pytest.approx(100 * 6 * found.grr / 12.0)
    for wrong in (perfect[:1], perfect[:, :1], perfect[:, :, :1], np.full((2, 2, 2), np.nan)):
        with pytest.raises(BadInput):
            study(wrong)
