"""Seal friction told apart from the transducer's own hysteresis, when a load cell is the reference.

At one reading the force under the ram is area times pressure less friction going up, plus friction
coming down: the gap is twice the friction, the same at every force. A transducer's hysteresis makes
a gap that vanishes at both ends of the loop. Both are fitted together:

    F_falling - F_rising = 2 F_s - h 4 z (1 - z),   z = F / F_max

A gauge error is common to both directions and cancels. A transducer with a plain dead band (the same
gap at every force) cannot be told from friction this way. (Own model; statics.)

One run is not enough for that: its branches share one stroke's zero and friction, and what the gap scatters by from
stroke to stroke is not seen. Half the gap is then stated as a whole, friction and hysteresis together.
With more runs the scatter is that of whole runs, not of points: the points of a run are moved together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from steadyram.late import np, scipy

if TYPE_CHECKING:
    from numpy.typing import NDArray

Array: TypeAlias = "NDArray[np.float64]"

# Just after the reversal the seal has not turned round yet: those points lie between the branches.
REVERSAL_PART = 0.95


@dataclass(frozen=True)
class Friction:
    """friction_N with its standard uncertainty; hysteresis_N: largest of the sensor's own loop.

    dof: degrees of freedom of both uncertainties; separated: False where one run tells only half the gap, friction and
    hysteresis together, which then stands in friction_N (hysteresis_N is None).
    """

    friction_N: float
    u_friction_N: float
    hysteresis_N: float | None
    u_hysteresis_N: float | None
    points: int
    dof: int
    separated: bool

    @property
    def coverage_factor(self) -> float:
        """Factor for 95 % by the degrees of freedom (Student's t, JCGM 100:2008, G.3)."""
        return float(scipy.special.stdtrit(self.dof, 0.975))

    @property
    def significant(self) -> bool:
        """True when the friction is more than two standard uncertainties above zero."""
        return self.friction_N > 2.0 * self.u_friction_N and self.friction_N > 0.0


def tell_apart(
    falling_force: Array,
    rising_force_at_reading: Array,
    force_max: float,
    curve_covariance: Array,
    runs: Sequence[int],
) -> Friction | None:
    """Fit the gap; None with fewer than four usable falling points.

    falling_force: reference force of each falling point; rising_force_at_reading: what the rising
    curve gives for the same reading; force_max: of the calibration (all N); curve_covariance: of the
    rising curve at the falling points (N^2), whose error is common to them and so does not average; runs: the run of
    each falling point.
    """
    used = falling_force < REVERSAL_PART * force_max
    if used.sum() < 4:
        return None
    gap = (falling_force - rising_force_at_reading)[used]
    shared = curve_covariance[np.ix_(used, used)]
    labels = np.asarray(runs)[used]
    if len(np.unique(labels)) == 1:
        return _together(gap, shared)
    z = falling_force[used] / force_max
    design = np.stack([np.full_like(z, 2.0), -4.0 * z * (1.0 - z)], axis=1)
    solution, _, rank, _ = np.linalg.lstsq(design, gap, rcond=None)
    if rank < 2:
        return None
    left = gap - design @ solution
    solver = np.linalg.pinv(design)
    # Points of one run are moved together: the larger of the scatter of points and that of whole runs.
    by_point = float((left**2).sum()) / (len(gap) - 2) * np.linalg.inv(design.T @ design)
    moved = np.stack([solver[:, labels == run] @ left[labels == run] for run in np.unique(labels)])
    count = len(moved)
    by_run = moved.T @ moved * count / (count - 1)
    of_runs = bool(by_run[0, 0] > by_point[0, 0])
    covariance = (by_run if of_runs else by_point) + solver @ shared @ solver.T
    return Friction(
        float(solution[0]),
        math.sqrt(covariance[0, 0]),
        float(solution[1]),
        math.sqrt(max(covariance[1, 1], by_point[1, 1])),
        len(gap),
        count - 1 if of_runs else len(gap) - 2,
        True,
    )


def _together(gap: Array, shared: Array) -> Friction:
    """Half the gap of one run; its spread over the forces, which holds the hysteresis, is not averaged."""
    half = gap / 2.0
    mean = np.full(len(gap), 0.5 / len(gap))
    u = math.sqrt(float(np.var(half, ddof=1)) + float(mean @ shared @ mean))
    return Friction(float(half.mean()), u, None, None, len(gap), len(gap) - 1, False)
