"""The integer polynomial: same integers as the firmware, honest residuals, refusals."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from steadyram.errors import BadInput
from steadyram.link.definition import definition
from steadyram.metrology.device_poly import evaluate_device, fit_device_polynomial, line_for_device, mulq
from steadyram_fw.core.fixed import mulq as device_mulq
from steadyram_fw.core.sense import Sense

COEFFICIENT = st.integers(-4_194_303, 4_194_303)


@given(COEFFICIENT, st.integers(-65535, 65535))
def test_mulq_is_the_firmwares(a, x):
    assert mulq(a, x) == device_mulq(a, x)
    assert abs(mulq(a, x) - a * x / 65536) <= 0.5


@given(
    st.integers(-1_000_000, 1_000_000),
    st.integers(0, 2_000_000),
    st.integers(-60_000, 60_000),
    st.integers(-60_000, 60_000),
    st.integers(0, 65535),
    st.integers(0, 65535),
)
def test_evaluation_is_the_firmwares(c0, c1, c2, c3, zero, counts):
    sense = Sense()
    sense.set_polynomial(c0, c1, c2, c3)
    fields = {"zero_counts": zero, "c0_n": c0, "c1_n": c1, "c2_n": c2, "c3_n": c3}
    assert evaluate_device(fields, counts) == sense.force_of(counts - zero)


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_known_polynomial_comes_back(degree):
    zero, truth = 6554, [-600.0, 345_000.0, 2_500.0, -900.0][: degree + 1]
    counts = np.linspace(10_000, 50_000, 9)
    u = (counts - zero) / 65536
    force = np.polynomial.polynomial.polyval(u, truth)
    found = fit_device_polynomial(force, counts, zero, degree)
    got = [found.fields[f"c{k}_n"] for k in range(degree + 1)]
    assert got == [round(t) for t in truth]
    # Rounding of coefficients and of each product: at most half a newton a step.
    assert np.abs(found.residual_N).max() <= 2.0
    assert found.fields["max_counts"] == 50_000


def test_residual_is_that_of_the_integers():
    force, counts = [10_000.0, 50_000.0, 90_000.4, 140_000.0], [9_000.0, 17_000.0, 25_000.0, 35_000.0]
    found = fit_device_polynomial(force, counts, 6_554, 1, friction_N=612.4)
    told = [evaluate_device(found.fields, int(c)) - f for f, c in zip(force, counts, strict=True)]
    assert found.residual_N.tolist() == told
    assert found.fields["friction_n"] == 612


def test_fields_are_the_definitions():
    fields = line_for_device([(1e4, 9e3), (5e4, 1.7e4), (9e4, 2.5e4)], 6554)
    known = {f.name: f for f in definition().calibration}
    for name, value in fields.items():
        assert known[name].minimum <= value <= known[name].maximum


@pytest.mark.parametrize(
    ("force", "counts", "word"),
    [
        ([1e4, 2e4, 3e4], [9e3, 9e3, 9e3], "never moves"),
        ([1e4, 2e4], [9e3, 1e4], "judge"),
        ([3e4, 2e4, 1e4], [9e3, 1e4, 1.1e4], "rise"),
        ([1e4, 2e4, float("nan")], [9e3, 1e4, 1.1e4], "finite"),
        ([1e4, 2e4, 3e4], [9e3, 1e4, 7e4], "65535"),
        ([1e7, 2e7, 3e7], [9e3, 9.1e3, 9.2e3], "do not fit the device"),
        ([1e4, 2e4, 3e4], [9e3, 1e4], "one mean reading"),
    ],
)
def test_refusals(force, counts, word):
    with pytest.raises(BadInput, match=word):
        fit_device_polynomial(force, counts, 6554)
