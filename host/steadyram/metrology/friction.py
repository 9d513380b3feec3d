"""Seal friction told apart from the transducer's own hysteresis, when a load cell is the reference.

At one reading the force under the ram is area times pressure less friction going up, plus friction
coming down: the gap is twice the friction, the same at every force. A transducer's hysteresis makes
a gap that vanishes at both ends of the loop. Both are fitted together:

    F_falling - F_rising = 2 F_s - h 4 z (1 - z),   z = F / F_max

A gauge error is common to both directions and cancels. A transducer with a plain dead band (the same
gap at every force) cannot be told from friction this way. (Own model; statics.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
# Just after the reversal the seal has not turned round yet: those points lie between the branches.
REVERSAL_PART = 0.95


@dataclass(frozen=True)
class Friction:
    """friction_N with its standard uncertainty; hysteresis_N: largest of the transducer's own loop."""

    friction_N: float
    u_friction_N: float
    hysteresis_N: float
    u_hysteresis_N: float
    points: int

    @property
    def significant(self) -> bool:
        """True when the friction is more than two standard uncertainties above zero."""
        return self.friction_N > 2.0 * self.u_friction_N and self.friction_N > 0.0


def tell_apart(
    falling_force: Array, rising_force_at_reading: Array, force_max: float, curve_covariance: Array
) -> Friction | None:
    """Fit the gap; None with fewer than four usable falling points.

    falling_force: reference force of each falling point; rising_force_at_reading: what the rising
    curve gives for the same reading; force_max: of the calibration (all N); curve_covariance: of the
    rising curve at the falling points (N^2), whose error is common to them and so does not average.
    """
    used = falling_force < REVERSAL_PART * force_max
    if used.sum() < 4:
        return None
    gap = (falling_force - rising_force_at_reading)[used]
    z = falling_force[used] / force_max
    design = np.stack([np.full_like(z, 2.0), -4.0 * z * (1.0 - z)], axis=1)
    solution, _, rank, _ = np.linalg.lstsq(design, gap, rcond=None)
    if rank < 2:
        return None
    dof = len(gap) - 2
    variance = float(((gap - design @ solution) ** 2).sum()) / dof
    solver = np.linalg.pinv(design)
    shared = curve_covariance[np.ix_(used, used)]
    covariance = variance * np.linalg.inv(design.T @ design) + solver @ shared @ solver.T
    return Friction(
        float(solution[0]),
        math.sqrt(covariance[0, 0]),
        float(solution[1]),
        math.sqrt(covariance[1, 1]),
        len(gap),
    )
