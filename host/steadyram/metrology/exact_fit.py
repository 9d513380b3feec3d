"""Polynomial least squares in exact rational arithmetic.

Calibration data are decimal numbers of a few digits, spread over any range: the normal equations of
a cubic in newtons are badly conditioned in binary floating point. Here every sum is an exact
fraction, so conditioning does not exist: the only rounding is the last one, to a float.

Source of the formulas: any text on linear regression, for example Draper and Smith, *Applied
Regression Analysis* (from memory); checked against NIST StRD (Norris, Pontius).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from steadyram.errors import BadInput

Number = Fraction | float | int

DEGREES: dict[str, int] = {"line": 1, "quadratic": 2, "cubic": 3}


@dataclass(frozen=True)
class PolynomialFit:
    """A least-squares polynomial `y = b0 + b1 x + ...`.

    coefficients, standard_errors: one a power, units of y over x to that power; covariance: their
    matrix, already scaled by the residual variance; residual_sd: units of y (of sqrt(weight) times
    y when weighted); residuals: y minus the fit, one a point; dof: degrees of freedom.
    """

    degree: int
    coefficients: tuple[float, ...]
    standard_errors: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    residual_sd: float
    residual_ss: float
    regression_ss: float
    r_squared: float
    f_statistic: float | None
    dof: int
    residuals: tuple[float, ...]

    def value(self, x: float) -> float:
        """The fitted curve at x (Horner)."""
        total = 0.0
        for b in reversed(self.coefficients):
            total = total * x + b
        return total

    def standard_uncertainty(self, x: float, origin: float = 0.0) -> float:
        """Standard uncertainty of the curve at x, covariance included.

        origin: what was subtracted from x before fitting (GUM H.3 fits about t0).
        Source: JCGM 100:2008, equation (13), linear in the coefficients.
        """
        powers = [(x - origin) ** j for j in range(self.degree + 1)]
        variance = sum(
            self.covariance[i][j] * powers[i] * powers[j]
            for i in range(self.degree + 1)
            for j in range(self.degree + 1)
        )
        return math.sqrt(max(0.0, variance))


def _invert(a: list[list[Fraction]]) -> list[list[Fraction]]:
    """Invert a small symmetric positive matrix exactly (Gauss-Jordan); ZeroDivisionError if singular."""
    n = len(a)
    rows = [list(a[i]) + [Fraction(int(i == j)) for j in range(n)] for i in range(n)]
    for column in range(n):
        pivot = next((r for r in range(column, n) if rows[r][column] != 0), None)
        if pivot is None:
            raise ZeroDivisionError
        rows[column], rows[pivot] = rows[pivot], rows[column]
        scale = rows[column][column]
        rows[column] = [v / scale for v in rows[column]]
        for r in range(n):
            factor = rows[r][column]
            if r != column and factor != 0:
                rows[r] = [v - factor * p for v, p in zip(rows[r], rows[column], strict=True)]
    return [row[n:] for row in rows]


def fit_polynomial(
    x: Sequence[Number], y: Sequence[Number], degree: int, weights: Sequence[Number] | None = None
) -> PolynomialFit:
    """Fit `y` as a polynomial of `x` by (weighted) least squares, exactly.

    x, y, weights: equally long; fractions, floats or ints, finite; weights are 1/sigma squared.
    Standard errors are scaled by the residual standard deviation.
    Raises BadInput when there are too few distinct x, or no point beyond the number of coefficients.
    """
    n, p = len(x), degree + 1
    distinct = len(set(x))
    if distinct < p:
        raise BadInput(
            f"a polynomial of degree {degree} needs at least {p} different reference values and the "
            f"data have {distinct}: {'the reference never moves; ' if distinct == 1 else ''}add points."
        )
    if n <= p:
        raise BadInput(
            f"a polynomial of degree {degree} through {n} points leaves nothing to judge it by; "
            f"give at least {p + 1} points."
        )
    # Integers on common denominators: the sums stay exact and cheap, the scales are undone at the end.
    ix, dx = _integers(x)
    iy, dy = _integers(y)
    iw, dw = ([1] * n, 1) if weights is None else _integers(weights)
    moments = [0] * (2 * degree + 1)
    cross = [0] * p
    square = 0
    for xi, yi, wi in zip(ix, iy, iw, strict=True):
        term = wi
        for k in range(2 * degree + 1):
            moments[k] += term
            if k < p:
                cross[k] += term * yi
            term *= xi
        square += wi * yi * yi
    try:
        inverse = _invert([[Fraction(moments[i + j]) for j in range(p)] for i in range(p)])
    except ZeroDivisionError:
        raise BadInput("the points do not determine the polynomial; add references.") from None
    beta = [sum((inverse[i][j] * cross[j] for j in range(p)), Fraction(0)) for i in range(p)]
    unit = Fraction(1, dy * dy * dw)
    residual_ss = unit * (square - sum(b * c for b, c in zip(beta, cross, strict=True)))
    total_ss = unit * (square - Fraction(cross[0] ** 2, moments[0]))
    common = math.lcm(*(b.denominator for b in beta))
    whole = [int(b * common) for b in beta]
    try:
        residuals = tuple(_residual(xi, yi, whole, common, dy) for xi, yi in zip(ix, iy, strict=True))
        scale = [Fraction(dx) ** j for j in range(p)]
        scaled = [b * s / dy for b, s in zip(beta, scale, strict=True)]
        spread = [[inverse[i][j] * scale[i] * scale[j] * dw for j in range(p)] for i in range(p)]
        return _rounded(degree, n - p, scaled, spread, residuals, residual_ss, total_ss)
    except OverflowError:
        raise BadInput("the numbers are too large to fit; choose a larger unit.") from None


def _integers(values: Sequence[Number]) -> tuple[list[int], int]:
    """The values times their common denominator, and that denominator."""
    exact = [Fraction(v) for v in values]
    common = math.lcm(*(v.denominator for v in exact))
    return [v.numerator * (common // v.denominator) for v in exact], common


def _residual(x: int, y: int, whole: list[int], common: int, dy: int) -> float:
    """y less the fit, rounded once."""
    fitted = 0
    for b in reversed(whole):
        fitted = fitted * x + b
    return (y * common - fitted) / (common * dy)


def _rounded(
    degree: int,
    dof: int,
    beta: list[Fraction],
    spread: list[list[Fraction]],
    residuals: tuple[float, ...],
    residual_ss: Fraction,
    total_ss: Fraction,
) -> PolynomialFit:
    """Round the exact results to floats, once; spread: inverse of the normal matrix."""
    p = degree + 1
    variance = residual_ss / dof
    covariance = tuple(tuple(float(variance * spread[i][j]) for j in range(p)) for i in range(p))
    regression_ss = total_ss - residual_ss
    return PolynomialFit(
        degree=degree,
        coefficients=tuple(float(b) for b in beta),
        standard_errors=tuple(math.sqrt(covariance[j][j]) for j in range(p)),
        covariance=covariance,
        residual_sd=math.sqrt(variance),
        residual_ss=float(residual_ss),
        regression_ss=float(regression_ss),
        r_squared=float(1 - residual_ss / total_ss) if total_ss else 1.0,
        f_statistic=float(regression_ss / degree / variance) if variance else None,
        dof=dof,
        residuals=residuals,
    )
