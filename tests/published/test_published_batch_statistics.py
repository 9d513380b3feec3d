"""Charts of means, capability with its interval, trend test and rules of runs against published figures.

Piston rings (25 samples of 5 diameters, mm) and their figures: Montgomery, Introduction to Statistical
Quality Control, chapter on X-bar and R charts. Data: C but for the eleventh value, 73.988 from memory where
the stored copy of the data prints 73.998 and misses the book's mean and range of that sample (74.008, 0.036).
Centre and limits: M, sure; the book works with figures rounded to a thousandth, hence the tolerance.
"""

import math

import numpy as np
import pytest
from scipy import stats

from steadyram.cycles.charts import Capability, capability, capability_interval, means_chart
from steadyram.cycles.trends import RULES, mann_kendall, rule_hits, sen_slope
from steadyram.errors import BadInput

RINGS = [
    30, 2, 19, -8, 8, -5, -8, 1, 11, 4, -12, 24, 21, 5, 2, 2, -4, -7, 15, 9, -8, 7, 15, -11, 14,
    9, -6, -3, -15, -7, -5, 6, -6, 0, 5, -15, 3, -7, 15, -12, 8, -5, 9, 5, 4, -2, 0, -10, 7, -5,
    -6, -2, -6, -5, -10, 4, 0, 7, 0, -4, -17, 2, -2, -3, 12, 6, -33, -6, 0, -16, 12, 14, -2, -1, 7,
    0, -16, 5, -2, -4, -6, 12, -14, 5, 7, 6, 10, 18, 3, 0, -16, 2, 3, 5, -3, 0, 10, 13, 20, 3,
    -18, 1, 15, 5, -4, 4, -1, -10, 6, 9, 10, -11, -10, 9, 14, 15, 8, -7, 0, 10, -18, -16, -5, 17, 13,
]  # fmt: skip


def rings():
    return [74.0 + value / 1000 for value in RINGS]


def test_means_and_ranges():
    found = means_chart(rings(), 5)
    assert len(found.means) == 25
    assert found.centre == pytest.approx(74.001, abs=5e-4)
    assert found.mean_range == pytest.approx(0.023, abs=5e-4)
    assert (found.upper, found.lower) == pytest.approx((74.014, 73.988), abs=1e-3)
    assert (found.range_upper, found.range_lower) == pytest.approx((0.049, 0.0), abs=1e-3)
    assert found.outside == found.ranges_outside == ()
    assert (found.means[2], found.ranges[2]) == pytest.approx((74.008, 0.036), abs=5e-4)


def test_capability_of_the_rings_with_its_interval():
    # As process.capability of the R package qcc prints them for mean 74.00118, sd 0.009785, n 125 (M, sure; R).
    found = capability(74.00118, 0.009785, 73.95, 74.05)
    assert (found.cp, found.cpl, found.cpu, found.cpk) == pytest.approx(
        (1.703, 1.743, 1.663, 1.663), abs=6e-4
    )
    interval = capability_interval(found, 125)
    assert interval.cp == pytest.approx((1.491, 1.915), abs=6e-4)
    assert interval.cpk == pytest.approx((1.448, 1.878), abs=6e-4)


def test_textbook_intervals():
    # Same book, chapter on capability: n 20, s 1.75, limits 38 and 62: 1.57 <= Cp <= 3.01;
    # n 20, Cpk 1.33: 0.88 <= Cpk <= 1.78 (M, sure; R).
    found = capability(50, 1.75, 38, 62)
    assert found.cp == pytest.approx(2.29, abs=5e-3)
    assert capability_interval(found, 20).cp == pytest.approx((1.57, 3.01), abs=6e-3)  # from a rounded Cp
    assert capability_interval(Capability(1.33, 1.33, 1.33, 1.33, 0.0), 20).cpk == pytest.approx(
        (0.88, 1.78), abs=5e-3
    )


def test_the_intervals_cover_as_often_as_they_say():
    # 2000 samples of 40 with true Cp 4/3 and Cpk 1.0; 95 % of 2000 has a standard error of 0.5 %.
    draw = np.random.default_rng(5).normal(1.0, 1.0, (2000, 40))
    cp = cpk = 0
    for sample in draw:
        found = capability(sample.mean(), sample.std(ddof=1), -4.0, 4.0)
        interval = capability_interval(found, 40)
        cp += interval.cp[0] <= 4 / 3 <= interval.cp[1]
        cpk += interval.cpk[0] <= 1.0 <= interval.cpk[1]
    assert cp / 2000 == pytest.approx(0.95, abs=0.015)
    assert cpk / 2000 == pytest.approx(0.95, abs=0.02)


def test_trend_of_a_hundred_rising_values():
    # The check values of the Python package pymannkendall (name from memory): S 4950, variance 112750, z 14.7387 (C).
    found = mann_kendall(range(1, 101))
    assert (found.s, found.variance, found.tau, found.slope) == (4950, 112750.0, 1.0, 1.0)
    assert found.z == pytest.approx(14.73869998208331, rel=1e-12)
    assert found.p < 1e-40


def test_trend_with_ties_against_an_independent_library():
    values = np.random.default_rng(3).integers(0, 12, 80) + np.arange(80) // 20
    found = mann_kendall(values.tolist())
    tau_b = stats.kendalltau(np.arange(80), values)
    _, ties = np.unique(values, return_counts=True)
    pairs = 80 * 79 / 2
    assert found.s == pytest.approx(
        tau_b.statistic * math.sqrt(pairs * (pairs - (ties * (ties - 1) / 2).sum())), abs=1e-6
    )
    # The library leaves the continuity correction out: take it back for the comparison.
    assert 2 * stats.norm.sf(abs(found.s) / math.sqrt(found.variance)) == pytest.approx(
        stats.kendalltau(np.arange(80), values, method="asymptotic").pvalue, rel=1e-9
    )
    assert found.slope == pytest.approx(stats.theilslopes(values).slope)


def test_no_trend_is_seldom_called_one():
    draw = np.random.default_rng(11).normal(size=(2000, 30))
    false = sum(mann_kendall(row).p < 0.05 for row in draw)
    assert false / 2000 == pytest.approx(0.05, abs=0.015)


def test_the_slope_of_a_long_series_is_that_of_its_blocks():
    x = 0.003 * np.arange(10_000) + np.random.default_rng(2).normal(size=10_000)
    assert sen_slope(x) == pytest.approx(0.003, rel=0.01)


@pytest.mark.parametrize(
    ("rules", "points"), [((1,), 370.4), ((1, 2, 3, 4), 91.75)], ids=["three sigmas", "four rules"]
)
def test_false_alarms_come_as_seldom_as_published(rules, points):
    # Run length until the first false alarm, known centre and sigma: 371 and 91.75 (NIST e-Handbook 6.3.2: C).
    rng = np.random.default_rng(8)
    lengths = []
    for _ in range(2000):
        values = rng.normal(size=4000)
        hits = rule_hits(values, 0.0, 1.0, rules)
        lengths.append(hits[0].index + 1 if hits else 4000)
    mean, error = np.mean(lengths), np.std(lengths) / math.sqrt(len(lengths))
    assert abs(mean - points) < 3.5 * error


@pytest.mark.parametrize(
    ("rule", "values", "at"),
    [
        (1, [0, 3.1, 0], [1]),
        (2, [2.1, 0, 2.1, -2.1], [2]),
        (2, [2.1, -2.1, 0], []),
        (3, [1.1, 1.1, 0, 1.1, 1.1, 0.5], [4]),
        (4, [0.1] * 8, [7]),
        (4, [0.1] * 7 + [-0.1] * 7, []),
        (5, [0, 0.1, 0.2, 0.3, 0.4, 0.5], [5]),
        (5, [0.5, 0.4, 0.3, 0.2, 0.1, 0.1, 0.0], []),
        (6, [0, 0.1] * 7, [13]),
        (6, [0, 0.1] * 6 + [0], []),
    ],
)
def test_each_rule_on_its_own(rule, values, at):
    assert [hit.index for hit in rule_hits(values, 0.0, 1.0, [rule])] == at
    assert RULES[rule]


@pytest.mark.parametrize("wrong", [lambda: mann_kendall([1, 2, 3]), lambda: rule_hits([1.0], 0.0, 0.0),
                                   lambda: rule_hits([1.0], 0.0, 1.0, [9]), lambda: means_chart([1.0] * 9, 5),
                                   lambda: capability_interval(Capability(1, 1, 1, 1, 0), 1)])  # fmt: skip
def test_what_cannot_be_worked_out_is_refused(wrong):
    with pytest.raises(BadInput):
        wrong()
