"""GUM example H.3 (JCGM 100:2008, Annex H.3): straight calibration line with covariance.

Status C (data and results read in the manual of the library GTC, table H.6 in that of the R package
errors), R; the residual s is from memory (sure), recomputed.
"""

import math
from decimal import Decimal
from fractions import Fraction

import pytest

from steadyram.metrology.budget import Component, combine
from steadyram.metrology.exact_fit import fit_polynomial

T = [
    "21.521",
    "22.012",
    "22.512",
    "23.003",
    "23.507",
    "23.999",
    "24.513",
    "25.002",
    "25.503",
    "26.010",
    "26.511",
]
B = [
    "-0.171",
    "-0.169",
    "-0.166",
    "-0.159",
    "-0.164",
    "-0.165",
    "-0.156",
    "-0.157",
    "-0.159",
    "-0.161",
    "-0.160",
]


@pytest.fixture(scope="module")
def line():
    t = [Fraction(Decimal(v)) - 20 for v in T]
    return fit_polynomial(t, [Fraction(Decimal(v)) for v in B], 1)


def test_coefficients(line):
    y1, y2 = line.coefficients
    s1, s2 = line.standard_errors
    assert y1 == pytest.approx(-0.17120379, abs=1e-8)
    assert y2 == pytest.approx(0.0021826977, abs=1e-9)
    assert s1 == pytest.approx(0.0028775978, abs=1e-9)
    assert s2 == pytest.approx(0.00066793877, abs=1e-10)
    assert line.covariance[0][1] / (s1 * s2) == pytest.approx(-0.9304296, abs=1e-7)
    assert line.residual_sd == pytest.approx(0.003497564, abs=1e-9)
    assert line.dof == 9


def test_to_the_printed_digits(line):
    y1, y2 = line.coefficients
    s1, s2 = line.standard_errors
    assert (f"{y1:.4f}", f"{s1:.4f}") == ("-0.1712", "0.0029")
    assert (f"{y2:.5f}", f"{s2:.5f}") == ("0.00218", "0.00067")
    assert f"{line.covariance[0][1] / (s1 * s2):.3f}" == "-0.930"
    assert f"{line.residual_sd:.4f}" == "0.0035"
    assert f"{line.value(10.0):.4f}" == "-0.1494"
    assert f"{line.standard_uncertainty(10.0):.4f}" == "0.0041"


def test_prediction_keeps_the_covariance(line):
    assert line.value(10.0) == pytest.approx(-0.14937681, abs=1e-8)
    assert line.standard_uncertainty(30.0, origin=20.0) == pytest.approx(0.0041385958, abs=1e-9)
    dropped = math.hypot(line.standard_errors[0], 10 * line.standard_errors[1])
    assert dropped == pytest.approx(0.0072729, abs=1e-6)  # the trap: what leaving the covariance out gives


def test_same_line_from_uncentred_temperatures(line):
    # Fitting in t itself is far worse conditioned; exact arithmetic does not care.
    raw = fit_polynomial([Fraction(Decimal(v)) for v in T], [Fraction(Decimal(v)) for v in B], 1)
    assert raw.value(30.0) == pytest.approx(line.value(10.0), rel=1e-12)
    assert raw.standard_uncertainty(30.0) == pytest.approx(line.standard_uncertainty(10.0), rel=1e-9)


def test_effective_degrees_of_freedom():
    # GUM H.1 end gauge (from memory, fairly): u_c 32 nm, components 25/18, 9.7/25.6, 2.9/50, 16.6/2;
    # nu_eff 16, t 99 % = 2.92, U99 = 93 nm.
    parts = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
    budget = combine([Component(str(k), u, "B", dof) for k, (u, dof) in enumerate(parts)], level=0.99)
    assert round(budget.combined) == 32
    assert math.floor(budget.effective_dof) == 16
    assert round(budget.coverage_factor, 2) == 2.92
    assert round(budget.expanded) == pytest.approx(93, abs=1)
