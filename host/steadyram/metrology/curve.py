"""The curve through the rising points: which polynomial, by which fit, with which covariance.

Fitting is by least squares; with an uncertainty given at each point it is weighted, and with one on both
axes it is orthogonal distance regression. The abscissa is u = (counts - zero) / 65536.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal, TypeAlias

from steadyram.errors import BadInput
from steadyram.late import np, scipy
from steadyram.metrology.both_axes import fit_both_axes
from steadyram.metrology.device_poly import (
    DevicePolynomial,
    device_force,
    fit_device_polynomial,
    round_for_device,
)
from steadyram.metrology.exact_fit import PolynomialFit, fit_polynomial
from steadyram.metrology.grouping import rising_levels
from steadyram.metrology.measurement import Newton, measurement_of
from steadyram.metrology.record import CalibrationRecord

if TYPE_CHECKING:
    from numpy.typing import NDArray

Array: TypeAlias = "NDArray[np.float64]"

Method = Literal["least squares", "weighted least squares", "orthogonal distance regression"]
NEXT_POWER_P = 0.01


@dataclass(frozen=True)
class Curve:
    """The fitted rising branch; newtons and counts.

    coefficients: of u, with their covariance; residual_sd: newtons, or of the stated uncertainties where the
    fit is weighted; dof: points less coefficients; point_sd_N: standard deviation of each point; rising:
    indices of the points that were fitted, in the record.
    """

    degree: int
    method: Method
    device: DevicePolynomial
    coefficients: tuple[float, ...]
    covariance: Array
    residual_sd: float
    dof: int
    point_sd_N: Array
    u_points: Array
    rising: tuple[int, ...]

    def value(self, u: Array | float) -> Array:
        """Force (N) at an abscissa."""
        return np.asarray(np.polynomial.polynomial.polyval(u, self.coefficients), dtype=np.float64)

    @cached_property
    def rounding_N(self) -> float:
        """Largest difference (N) that the device's integers make at the points."""
        shown = device_force(self.device.fields, self.device.counts)
        return float(np.abs(shown - self.value(self.u_points)).max())

    def standard_uncertainty(self, u: float) -> float:
        """Standard uncertainty (N) of the curve itself at an abscissa; JCGM 100:2008, equation (13)."""
        powers = np.asarray([u**k for k in range(self.degree + 1)])
        return float(np.sqrt(max(0.0, float(powers @ self.covariance @ powers))))

    def slope_N_per_count(self, u: float) -> float:
        """Newtons a count at an abscissa."""
        return float(sum(k * c * u ** (k - 1) for k, c in enumerate(self.coefficients) if k)) / 65536.0

    def scatter_N(self, u: float) -> float:
        """Standard deviation (N) of one reading near an abscissa."""
        order = np.argsort(self.u_points)
        return float(np.interp(u, self.u_points[order], self.point_sd_N[order]))

    def u_of_force(self, force_N: float) -> float:
        """Abscissa at which the curve gives a force; by bisection, in plain floats: a study asks it a million times."""
        low, high = float(self.u_points.min()) - 0.2, float(self.u_points.max()) + 0.2
        first, *others = [float(c) for c in reversed(self.coefficients)]
        for _ in range(80):
            middle = (low + high) / 2
            value = first
            for coefficient in others:
                value = value * middle + coefficient
            if value < force_N:
                low = middle
            else:
                high = middle
        return (low + high) / 2


def resolution_variance_N2(record: CalibrationRecord, runs: int) -> float:
    """Return the variance (N^2) that the reference's resolution gives a polynomial's term.

    A reference that is read in the same coarse steps errs alike in every run at a force, so the runs do not average
    it: as seen by the scatter of single points it counts once for each run.
    """
    lines = measurement_of(record.header).components(Newton(0.0))
    return runs * sum(line.u**2 for line in lines if line.name == "reference resolution")


def choose_degree(u: Array, force: Array, levels: int, highest: int = 3, floor_N2: float = 0.0) -> int:
    """Return the lowest degree that no higher one improves on significantly (F test at 1 %, two levels to spare).

    Every higher degree is tried, not the next one alone: an S-shaped error has no quadratic part, so a search that
    stopped at the first power without effect would leave its cubic part to the scatter.
    levels: different forces in the points; floor_N2: the variance that a term is held against at least (N^2). Source
    of the test: textbook (extra sum of squares of nested models).
    """
    most = min(highest, levels - 3, len(u) - 3)
    fits = {
        d: fit_polynomial([float(v) for v in u], [float(v) for v in force], d)
        for d in range(1, max(1, most) + 1)
    }
    degree = 1
    while any(_improves(fits[degree], fits[d], floor_N2) for d in range(degree + 1, most + 1)):
        degree += 1
    return degree


def _improves(lower: PolynomialFit, higher: PolynomialFit, floor_N2: float) -> bool:
    """True when the higher degree's terms together remove more than chance does at 1 %."""
    terms = lower.dof - higher.dof
    term_N2 = (lower.residual_ss - higher.residual_ss) / terms
    scatter_N2 = max(higher.residual_ss / higher.dof, floor_N2)
    if scatter_N2 <= 0.0:
        return term_N2 > 0.0
    ratio = term_N2 / scatter_N2
    return float(scipy.special.fdtrc(terms, higher.dof, max(0.0, ratio))) < NEXT_POWER_P


def fit_curve(record: CalibrationRecord, where: str, degree: int | None) -> Curve:
    """Fit the rising branch of a record that passed `refuse_nonsense`.

    degree: 1 to 3, None chooses. Raises BadInput when the points do not carry the degree.
    """
    points = record.points
    rising = tuple(i for i, p in enumerate(points) if p.direction == "rising")
    force = np.asarray([record.force_N(points[i]) for i in rising])
    counts = np.asarray([points[i].counts for i in rising])
    zero = round(record.header.zero_counts)
    u = (counts - zero) / 65536.0
    runs = len({points[i].run for i in rising})
    levels = len(rising_levels(record, rising))
    chosen = (
        choose_degree(u, force, levels, floor_N2=resolution_variance_N2(record, runs))
        if degree is None
        else degree
    )
    if len(rising) <= chosen + 1 or levels <= chosen + 1:
        raise BadInput(
            f"{where}: {levels} different rising forces do not carry a degree of {chosen}; take more points or "
            "a lower degree."
        )
    dof = len(force) - chosen - 1
    stated = _stated_uncertainties(record, rising)
    if stated is None:
        device = fit_device_polynomial(force, counts, zero, chosen)
        return _by_least_squares("least squares", device, chosen, dof, np.ones(len(force)), u, rising)
    u_x = np.asarray([points[i].counts_sd for i in rising]) / 65536.0
    if not (u_x > 0.0).all():
        device = fit_device_polynomial(force, counts, zero, chosen, weights=[float(w) for w in stated**-2.0])
        return _by_least_squares("weighted least squares", device, chosen, dof, stated, u, rising)
    both = fit_both_axes(u, force, u_x, stated, chosen)
    slope = np.polynomial.polynomial.polyval(u, np.polynomial.polynomial.polyder(both.coefficients))
    return Curve(
        degree=chosen,
        method="orthogonal distance regression",
        device=round_for_device(both.coefficients, force, counts, zero, 0.0),
        coefficients=both.coefficients,
        covariance=both.covariance,
        residual_sd=both.residual_sd,
        dof=dof,
        point_sd_N=np.maximum(both.residual_sd * np.sqrt(stated**2 + (slope * u_x) ** 2), 1e-6),
        u_points=u,
        rising=rising,
    )


def _stated_uncertainties(record: CalibrationRecord, rising: Sequence[int]) -> Array | None:
    """Standard uncertainty (N) of each rising point as it was stated, None unless all have one."""
    stated = [record.points[i].u_reference for i in rising]
    if any(s is None for s in stated):
        return None
    gauge = record.header.reference.kind == "gauge"
    to_force = record.header.area_m2 if gauge else 1.0
    return np.asarray([float(s) * to_force for s in stated if s is not None])


def _by_least_squares(
    method: Method,
    device: DevicePolynomial,
    degree: int,
    dof: int,
    relative_sd: Array,
    u: Array,
    rising: tuple[int, ...],
) -> Curve:
    fit = device.fit
    assert fit is not None
    return Curve(
        degree=degree,
        method=method,
        device=device,
        coefficients=fit.coefficients,
        covariance=np.asarray(fit.covariance),
        residual_sd=fit.residual_sd,
        dof=dof,
        point_sd_N=np.maximum(fit.residual_sd * relative_sd, 1e-6),
        u_points=u,
        rising=rising,
    )
