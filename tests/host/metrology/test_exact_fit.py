"""Exact least squares: against NumPy where that is well conditioned, against itself where it is not."""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from steadyram.errors import BadInput
from steadyram.metrology.exact_fit import fit_polynomial

POINTS = st.lists(
    st.tuples(st.integers(-1000, 1000), st.integers(-10_000, 10_000), st.integers(1, 50)),
    min_size=6,
    max_size=25,
)


@settings(deadline=None)
@given(POINTS, st.integers(1, 3))
def test_agrees_with_numpy(points, degree):
    x, y, w = (np.asarray(column, dtype=float) for column in zip(*points, strict=True))
    if len(set(x)) < degree + 1 or np.ptp(x) < 20:
        return
    scaled = x / 1000.0
    found = fit_polynomial([float(v) for v in scaled], [float(v) for v in y], degree, [float(v) for v in w])
    design = np.vander(scaled, degree + 1, increasing=True)
    root = np.sqrt(w)[:, None]
    condition = np.linalg.cond(design * root)
    if condition > 1e5:
        return
    expected = np.linalg.lstsq(design * root, y * root[:, 0], rcond=None)[0]
    assert found.coefficients == pytest.approx(
        expected, rel=1e-9, abs=1e-12 * condition * max(1, np.abs(y).max())
    )
    residual = y - design @ expected
    assert found.residual_ss == pytest.approx(float((w * residual**2).sum()), rel=1e-7, abs=1e-6)


@given(POINTS)
def test_weights_are_repetitions(points):
    x, y, w = zip(*points, strict=True)
    if len(set(x)) < 2:
        return
    weighted = fit_polynomial(x, y, 1, w)
    repeated = fit_polynomial(
        [a for a, _, k in points for _ in range(k)], [b for _, b, k in points for _ in range(k)], 1
    )
    assert weighted.coefficients == repeated.coefficients
    assert weighted.residual_ss == repeated.residual_ss


def test_conditioning_does_not_exist():
    # A cubic over a sliver of loads near a meganewton: hopeless for normal equations in binary.
    truth = [Fraction(3), Fraction(-7, 10**6), Fraction(11, 10**12), Fraction(-13, 10**18)]
    x = [Fraction(10**6) + Fraction(k, 1000) for k in range(9)]
    y = [sum((b * v**j for j, b in enumerate(truth)), Fraction(0)) for v in x]
    found = fit_polynomial(x, y, 3)
    assert found.coefficients == tuple(float(b) for b in truth)
    assert found.residual_sd == 0.0
    assert found.f_statistic is None
    # The same line far from the origin keeps its prediction's uncertainty.
    noise = [Fraction((-1) ** k, 100) for k in range(9)]
    line = fit_polynomial(x, noise, 1)
    near = fit_polynomial([v - 10**6 for v in x], noise, 1)
    assert line.residual_sd == near.residual_sd
    assert math.isclose(near.value(0.004), line.value(1e6 + 0.004), abs_tol=1e-6)


def test_constant_reading_and_huge_numbers():
    flat = fit_polynomial([0, 1, 2, 3], [5, 5, 5, 5], 1)
    assert (flat.coefficients, flat.r_squared) == ((5.0, 0.0), 1.0)
    with pytest.raises(BadInput, match="too large"):
        fit_polynomial([10**200, 2, 3, 4, 5], [10**250, 2, 3, 4, 6], 3)
    with pytest.raises(BadInput, match="different reference"):
        fit_polynomial([1, 1, 2, 2], [1, 2, 3, 4], 2)
