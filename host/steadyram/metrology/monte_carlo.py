"""Monte Carlo propagation of a calibration's uncertainty (JCGM 101:2008), as a check on the GUM budget.

The same inputs as the budget, drawn instead of linearised: the points are scattered and fitted
again, the reference's error is one draw for the whole calibration, unknown scatter is drawn with
its own degrees of freedom. Endpoints are compared as JCGM 101, clause 8, does: to half a unit of
the second significant digit of the standard uncertainty, since U is printed with two.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from steadyram.late import np
from steadyram.metrology.budget import Budget, Component
from steadyram.metrology.lines import WITHIN

if TYPE_CHECKING:
    from numpy.typing import NDArray

Array: TypeAlias = "NDArray[np.float64]"

# The half width of the interval has a standard error of some 0.2 % then (order statistics of a normal value).
TRIALS = 200_000


@dataclass(frozen=True)
class MonteCarloCheck:
    """At one force: half width of the 95 % interval (N), its ends, and whether it agrees with the budget."""

    force_N: float
    expanded_N: float
    low_N: float
    high_N: float
    tolerance_N: float
    agrees: bool


def _draw(component: Component, trials: int, rng: np.random.Generator) -> Array:
    if component.shape == "rectangular":
        half = component.u * math.sqrt(3.0)
        return rng.uniform(-half, half, trials)
    if component.shape == "triangular":
        half = component.u * math.sqrt(6.0)
        return rng.triangular(-half, 0.0, half, trials)
    if component.shape == "t" and math.isfinite(component.dof) and component.dof > 0:
        return component.u * rng.standard_t(component.dof, trials)
    return rng.normal(0.0, component.u, trials)


def numerical_tolerance(u: float) -> float:
    """JCGM 101, 7.9.2 with two significant digits: half a unit of the second digit that u is stated to."""
    if u <= 0.0:
        return 0.0
    exponent = math.floor(math.log10(u)) - 1
    # 0.996 has the two digits 1.0, so its second digit is the tenth.
    if round(u / 10.0**exponent) == 100:
        exponent += 1
    return 0.5 * 10.0**exponent


def check_budget(
    budget: Budget,
    force_N: float,
    u_at: float,
    u_points: Array,
    sd_points: Array,
    degree: int,
    dof: int,
    rng: np.random.Generator,
    trials: int = TRIALS,
) -> MonteCarloCheck:
    """Propagate one budget by Monte Carlo.

    u_at: abscissa of the value; u_points, sd_points: abscissae of the calibration points and the
    standard deviation of each (N, estimated with `dof`); the component named "curve" is replaced
    by refitting scattered points, all others are drawn by their shape. Lines of the curve's own estimate have one
    drawn standard deviation with it.
    """
    design = np.vander(u_points, degree + 1, increasing=True)
    weighted = design / sd_points[:, None]
    solver = np.linalg.pinv(weighted)
    row = np.asarray([u_at**k for k in range(degree + 1)]) @ solver
    scale = np.sqrt(dof / rng.chisquare(dof, trials))
    # The refitted curve is linear in the points' scatter: its error at one abscissa is one normal value.
    total = rng.normal(0.0, float(np.linalg.norm(row)), trials) * scale
    for component in budget.components:
        if component.name == "curve":
            continue
        if component.estimate == WITHIN:
            total = total + rng.normal(0.0, component.u, trials) * scale
        else:
            total = total + _draw(component, trials, rng)
    tail = (1.0 - budget.level) / 2
    low, high = (float(v) for v in np.quantile(total, [tail, 1.0 - tail]))
    tolerance = numerical_tolerance(budget.combined)
    agrees = abs(-budget.expanded - low) <= tolerance and abs(budget.expanded - high) <= tolerance
    return MonteCarloCheck(force_N, (high - low) / 2, low, high, tolerance, agrees)
