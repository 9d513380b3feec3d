"""What the runs of a calibration scatter in: within a run, and from run to run (analysis of variance, one way).

Each run is a stroke of its own, with its own zero and friction, and often with its own seat of the reference. Zero and
friction move a whole run by a force, a seat by a part of the force; neither averages over its points. Both are
estimated, and at each force the larger of the two is taken (own rule): the gain is larger at the top, the force at the
bottom. Kept apart, the scatter within a run is that of a reading, and the mean of the runs is known to the
standard deviation of their means over the root of their number, whether or not they differ significantly: with few
runs no test would tell (textbook).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from steadyram.late import np
from steadyram.metrology.curve import Curve
from steadyram.metrology.record import CalibrationRecord


@dataclass(frozen=True)
class RunScatter:
    """Standard deviations (N) within a run and of the runs' means, with their degrees of freedom.

    of_gains: standard deviation of the runs' gains, a part of the force; part: of the scatter of all points, what is
    left within a run. With one run means and gains tell nothing: 0.
    """

    runs: int
    within_N: float
    within_dof: int
    of_means_N: float
    of_gains: float
    means_dof: int
    part: float

    def between_N(self, force_N: float) -> float:
        """Standard deviation (N) from run to run at a force: of their means or by their gains, the larger."""
        return max(self.of_means_N, self.of_gains * force_N)

    def mean_N(self, force_N: float) -> float:
        """Standard uncertainty (N) of the mean of the runs at a force."""
        return self.between_N(force_N) / math.sqrt(self.runs)

    def told(self, force_N: float) -> str:
        """Return which of the two is taken at a force, in words."""
        if self.of_gains * force_N > self.of_means_N:
            return (
                f"standard deviation of the runs' gains, {100.0 * self.of_gains:.4g} % of the force, over the root of "
                f"{self.runs} (more than that of their means)"
            )
        return f"standard deviation of the runs' means, {self.of_means_N:.4g} N, over the root of {self.runs}"


def run_scatter(record: CalibrationRecord, curve: Curve) -> RunScatter:
    """Split the residuals of the rising points into runs."""
    residual = curve.device.force_N - curve.value(curve.u_points)
    run = np.asarray([record.points[i].run for i in curve.rising])
    labels = np.unique(run)
    count = len(labels)
    # A run is moved by a force, whatever weights its points have in the fit; within it they scatter by their own
    # standard deviations, whose mean turns the part that is left into newtons.
    scale = float(np.mean(curve.point_sd_N))
    if count == 1 or len(residual) - curve.degree - count < 1:
        return RunScatter(count, scale, curve.dof, 0.0, 0.0, 1, 1.0)
    means = np.asarray([residual[run == label].mean() for label in labels])
    # Gain of a run: its least-squares line of residual over force, through zero (textbook).
    force = curve.device.force_N
    gains = np.asarray(
        [(residual * force)[run == label].sum() / (force[run == label] ** 2).sum() for label in labels]
    )
    dof = len(residual) - curve.degree - count
    left = (residual - means[np.searchsorted(labels, run)]) / curve.point_sd_N
    within = math.sqrt(float((left**2).sum()) / dof)
    return RunScatter(
        count,
        within * scale,
        dof,
        float(np.std(means, ddof=1)),
        float(np.std(gains, ddof=1)),
        count - 1,
        within,
    )
