"""The distance of a part by several figures together: its rate of false alarms, its shrinking, and what it finds."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from steadyram.cycles.together import FALSE_ALARMS, distance_limit, distances, learn_together, shrunk


def test_correlations_are_shrunk_as_published() -> None:
    values = np.random.default_rng(71).normal(size=(9, 3)) @ np.array([[1, 0.8, 0], [0, 0.6, 0.3], [0, 0, 1]])
    scaled = (values - values.mean(axis=0)) / values.std(axis=0, ddof=1)
    n = len(values)
    # Schaefer and Strimmer 2005, table 1, target D on correlations, by loops: sum of variances over sum of squares.
    above = below = 0.0
    for i, j in itertools.permutations(range(3), 2):
        w = scaled[:, i] * scaled[:, j]
        above += n / (n - 1) ** 3 * float(((w - w.mean()) ** 2).sum())
        below += float(np.corrcoef(values[:, i], values[:, j])[0, 1]) ** 2
    wanted = (1.0 - min(1.0, above / below)) * np.corrcoef(values.T)
    np.fill_diagonal(wanted, 1.0)
    assert shrunk(scaled[None])[0] == pytest.approx(wanted, abs=1e-12)


@pytest.mark.parametrize("figures", [2, 3])
def test_with_many_parts_the_limit_is_that_of_chi_squared(figures: int) -> None:
    wanted = math.sqrt(stats.chi2.ppf(1.0 - FALSE_ALARMS, figures))
    assert distance_limit(120, figures) == pytest.approx(wanted, rel=0.1)


@pytest.mark.parametrize("correlation", [-0.9, 0.0, 0.5, 0.9])
@pytest.mark.parametrize("parts", [8, 29])
def test_good_parts_are_beyond_it_as_seldom_as_stated(parts: int, correlation: float) -> None:
    together = np.array([[1.0, correlation, 0.0], [correlation, 1.0, 0.0], [0.0, 0.0, 1.0]])
    found = distances(np.random.default_rng(8128), parts, np.linalg.cholesky(together), 15_000)
    beyond = float(np.mean(found > distance_limit(parts, 3)))
    # Shrinking costs up to so much where figures hang together; 15,000 draws tell the rate to a seventh.
    assert beyond < 2.0 * FALSE_ALARMS
    assert correlation != 0.0 or beyond == pytest.approx(FALSE_ALARMS, rel=0.6)


def test_a_part_that_no_figure_alone_shows_is_far_by_all_together() -> None:
    draw = np.random.default_rng(4)
    columns = {name: list(draw.normal(size=25)) for name in ("contact_s", "half_s", "landing_N")}
    known = learn_together(columns, dict.fromkeys(columns, 0.1))
    assert known is not None
    off = dict(zip(columns, (2.9, -2.9, 2.9), strict=True))
    assert known.distance(off) > known.limit
    assert known.distance({**off, "half_s": 0.0, "landing_N": 0.0}) < known.limit
    # What is not known does not count, and fewer figures have a nearer limit.
    assert math.isnan(known.share({}))
    assert known.share({"contact_s": 6.0}) > 1.0 > known.share({"contact_s": 1.0})
    assert known.share({"contact_s": 3.2}) > known.share({"contact_s": 3.2, "half_s": 0.0, "landing_N": 0.0})


def test_too_few_parts_or_figures_teach_nothing() -> None:
    columns = {"contact_s": [1.0] * 7, "half_s": [2.0] * 7}
    floors = {"contact_s": 0.1, "half_s": 0.1}
    assert learn_together(columns, floors) is None
    assert learn_together({"contact_s": [1.0] * 9}, floors) is None
    # Parts that are all alike are judged by the smallest deviation that is believed.
    alike = learn_together({name: [1.0] * 9 for name in floors}, floors)
    assert alike is not None
    assert alike.spread == (0.1, 0.1)
    assert alike.distance({"contact_s": 0.1, "half_s": 0.0}) == pytest.approx(1.0 / math.sqrt(1.0 + 1.0 / 9))
