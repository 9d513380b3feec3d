"""The forces of a calibration as levels: error q, repeatability b, reversibility v by run (ISO 7500-1).

v is formed within one run, at the force of its rising point: 100 (error going up less error coming down) / force, the
error coming down between that run's own falling points by a straight line. Definitions from memory. Errors are those
of the device's own integer polynomial.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from steadyram.late import np
from steadyram.metrology.curve import Curve
from steadyram.metrology.device_poly import device_force
from steadyram.metrology.grouping import rising_levels
from steadyram.metrology.record import CalibrationRecord

# How far beyond its ends a falling branch is taken to go on, as a part of the largest force (own rule).
NEAR_PART = 0.05


def indication_error(indicated: float, true: float) -> float:
    """q in per cent: 100 (Fi - F) / F."""
    return 100.0 * (indicated - true) / true


@dataclass(frozen=True)
class LevelErrors:
    """One force: mean of its rising points (N), relative errors (per cent) by run.

    v_by_run: reversibility of the runs that came down through this force; empty with a gauge, whose falling force is
    its pressure with the friction that is assumed.
    """

    force_N: float
    q_by_run: tuple[float, ...]
    v_by_run: tuple[float, ...]

    @property
    def q_percent(self) -> float:
        """Mean error over the runs."""
        return float(np.mean(self.q_by_run))

    @property
    def b_percent(self) -> float | None:
        """Largest less smallest error of the runs, None for one run."""
        return max(self.q_by_run) - min(self.q_by_run) if len(self.q_by_run) > 1 else None

    @property
    def v_percent(self) -> float | None:
        """The run's reversibility of largest size, None where no run came down through this force."""
        return max(self.v_by_run, key=abs) if self.v_by_run else None


def level_errors(record: CalibrationRecord, curve: Curve) -> tuple[LevelErrors, ...]:
    """Return the levels of a record above zero force, lowest first."""
    force = {i: float(record.force_N(p)) for i, p in enumerate(record.points)}
    indicated = dict(
        zip(
            force,
            device_force(curve.device.fields, [p.counts for p in record.points]).tolist(),
            strict=True,
        )
    )
    groups = [g for g in rising_levels(record, curve.rising) if np.mean([force[i] for i in g]) > 0.0]
    top = max(force[i] for i in curve.rising)
    falling: dict[int, list[tuple[float, float]]] = {}
    for i, point in enumerate(record.points):
        # A gauge's falling force is its pressure with the friction that is assumed: no measurement of reversibility.
        if point.direction == "falling" and record.header.reference.kind != "gauge":
            falling.setdefault(point.run, []).append((force[i], indicated[i] - force[i]))
    return tuple(
        LevelErrors(
            float(np.mean([force[i] for i in group])),
            tuple(indication_error(indicated[i], force[i]) for i in group),
            tuple(
                v
                for i in group
                if (v := _reversibility(force[i], indicated[i], falling.get(record.points[i].run, ()), top))
                is not None
            ),
        )
        for group in groups
    )


def _reversibility(
    force: float, indicated: float, falling: Sequence[tuple[float, float]], top: float
) -> float | None:
    """Return v of one run at a rising point, per cent; None where the run did not come down through its force.

    falling: force and error of that run's falling points; top: largest force of the calibration; newtons.
    """
    branch = np.asarray(sorted(falling))
    if not len(branch):
        return None
    # Beyond the branch's ends its error changes little; the ram comes down in steps of a part of the range.
    if not branch[0, 0] - NEAR_PART * force <= force <= branch[-1, 0] + NEAR_PART * top:
        return None
    down = float(np.interp(force, branch[:, 0], branch[:, 1]))
    return 100.0 * (indicated - force - down) / force
