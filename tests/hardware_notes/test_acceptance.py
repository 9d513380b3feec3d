"""Step 13 of commissioning: a sound press passes with 99 %, by the normal distribution (SciPy)."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from scipy.stats import norm

PAGE = (Path(__file__).parents[2] / "hardware_notes" / "commissioning.md").read_text(encoding="utf-8")
STROKES = 10
BAND = float(norm.ppf(0.975))  # the ± of `steadyram size`, in standard deviations


def passes(factor: float, scatter: float = 1.0) -> float:
    """Probability that all strokes lie within `factor` bands, of a press with `scatter` times its due scatter."""
    return float((2 * norm.cdf(factor * BAND / scatter) - 1) ** STROKES)


def factor_of_the_page() -> float:
    found = re.search(r"all ten within \*\*([\d.]+) times\*\* the ± that `steadyram size` shows", PAGE)
    assert found
    return float(found[1])


def test_a_sound_press_passes_with_99_per_cent_and_the_limit_is_no_wider_than_that_asks():
    assert passes(factor_of_the_page()) >= 0.99
    assert passes(factor_of_the_page() - 0.05) < 0.99


def test_the_figures_beside_it_are_calculated():
    assert passes(1.0) == pytest.approx(0.60, abs=0.005)
    needed = float(norm.ppf(0.5 + 0.99 ** (1 / STROKES) / 2))
    assert (round(needed, 2), round(needed / BAND, 2)) == (3.29, 1.68)
    for scatter, told in (
        (2.0, "twice as much as it should passes with {} %"),
        (3.0, "three times as much with {} %"),
    ):
        assert told.format(round(100 * passes(factor_of_the_page(), scatter))) in PAGE.replace("\n", " ")
