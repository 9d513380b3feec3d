"""Polynomial fit with uncertainty on both axes (orthogonal distance regression, ODRPACK).

The library is the one SciPy names as the successor of `scipy.odr`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from steadyram.errors import BadInput
from steadyram.late import np
from steadyram.metrology.exact_fit import fit_polynomial

if TYPE_CHECKING:
    from numpy.typing import NDArray

Array: TypeAlias = "NDArray[np.float64]"


@dataclass(frozen=True)
class BothAxesFit:
    """Coefficients of y = b0 + b1 x + ... with their covariance, scaled by the residual variance."""

    coefficients: tuple[float, ...]
    covariance: Array
    residual_sd: float
    dof: int


def fit_both_axes(x: Array, y: Array, u_x: Array, u_y: Array, degree: int) -> BothAxesFit:
    """Fit y as a polynomial of x, standard uncertainties `u_x` and `u_y` one a point.

    residual_sd is in units of the stated uncertainties: near 1 when they are honest. Raises
    BadInput when an uncertainty is not positive or the fit does not converge.
    """
    from odrpack import odr_fit  # here, not above: it is seldom needed and slow to load

    if (u_x <= 0).any() or (u_y <= 0).any():
        raise BadInput("a fit with uncertainty on both axes needs every uncertainty above zero.")
    start = fit_polynomial(list(map(float, x)), list(map(float, y)), degree)
    # Scaled to order one on both axes, so that the solver's relative steps mean something.
    sx, sy = float(np.abs(x).max()), float(np.abs(y).max())
    beta0 = [b * sx**k / sy for k, b in enumerate(start.coefficients)]

    def curve(xs: Array, beta: Array) -> Array:
        return np.asarray(np.polynomial.polynomial.polyval(xs, beta), dtype=np.float64)

    def d_beta(xs: Array, beta: Array) -> Array:
        return np.stack([xs**k for k in range(degree + 1)])

    def d_x(xs: Array, beta: Array) -> Array:
        slope = np.polynomial.polynomial.polyder(beta)
        return np.asarray(np.polynomial.polynomial.polyval(xs, slope), dtype=np.float64)

    result = odr_fit(
        curve,
        x / sx,
        y / sy,
        np.asarray(beta0),
        weight_x=(sx / u_x) ** 2,
        weight_y=(sy / u_y) ** 2,
        jac_beta=d_beta,
        jac_x=d_x,
        maxit=500,
        sstol=1e-14,
        partol=1e-14,
    )
    if not result.success:
        raise BadInput("the fit with uncertainty on both axes does not converge; check the uncertainties.")
    scale = np.asarray([sy / sx**k for k in range(degree + 1)])
    dof = len(x) - degree - 1
    variance = float(result.res_var)
    return BothAxesFit(
        tuple(float(b) for b in result.beta * scale),
        np.asarray(result.cov_beta) * variance * np.outer(scale, scale),
        float(np.sqrt(variance)),
        dof,
    )
