"""The one-minute check: the device's reading against the press's own mechanical gauge.

It looks for a broken chain, it does not calibrate. Gauge and device are compared as forces, by the same
measurement model as every calibration; where the calibration's own reference was a gauge, piston area and
friction are the same on both sides and drop out.
"""

from __future__ import annotations

from dataclasses import dataclass

from steadyram.errors import BadInput
from steadyram.metrology.analyse import Analysis
from steadyram.metrology.budget import Component, StatedBudget, combine, stated
from steadyram.metrology.device_poly import evaluate_device
from steadyram.metrology.header import Reference
from steadyram.metrology.measurement import OF_THE_PRESS, PressureGauge

ZERO_DRIFT_PART = 0.02  # of the transducer's span, 80 % of the converter


@dataclass(frozen=True)
class DailyCheck:
    """Gauge, device, their difference and the difference allowed, as pressure (Pa) and as force (N)."""

    gauge_Pa: float
    device_Pa: float
    difference_Pa: float
    allowed_Pa: float
    gauge_force_N: float
    device_force_N: float
    difference_N: float
    allowed_N: float
    zero_shift_counts: float
    zero_allowed_counts: float
    budget: StatedBudget

    @property
    def passed(self) -> bool:
        """True when force and zero both agree."""
        return (
            abs(self.difference_N) <= self.allowed_N
            and abs(self.zero_shift_counts) <= self.zero_allowed_counts
        )


def daily_check(
    analysis: Analysis, gauge: Reference, gauge_Pa: float, counts: float, zero_counts_now: float
) -> DailyCheck:
    """Compare one pressure while the press holds on a block, and the zero.

    gauge: the press's own, with its class, range and resolution; counts: device reading then. Raises
    BadInput when the gauge reads below a quarter of its range, where its class says little.
    """
    if not 0.25 * gauge.range <= gauge_Pa <= gauge.range:
        raise BadInput("hold the press between a quarter and the whole of the gauge's range for the check.")
    header = analysis.record.header
    friction, u_friction = _friction(analysis)
    model = PressureGauge(gauge, header.area_m2, header.area_u_percent, friction, u_friction)
    force = model.force(gauge_Pa)
    fields = {**analysis.device.fields, "zero_counts": round(zero_counts_now)}
    device = float(evaluate_device(fields, round(counts)))
    own = analysis.budget_at(analysis.inside(device))
    lines = model.components(force)
    kept = list(own.components)
    if header.reference.kind == "gauge":
        lines = [c for c in lines if c.name not in OF_THE_PRESS]
        kept = [c for c in kept if c.name not in OF_THE_PRESS]
    calibration = combine(kept)
    budget = combine(
        [*lines, Component("calibration and reading", calibration.combined, "A", calibration.effective_dof)]
    )
    area = header.area_m2
    return DailyCheck(
        gauge_Pa=gauge_Pa,
        device_Pa=(device + friction) / area,
        difference_Pa=(device - force) / area,
        allowed_Pa=budget.expanded / area,
        gauge_force_N=force,
        device_force_N=device,
        difference_N=device - force,
        allowed_N=budget.expanded,
        zero_shift_counts=zero_counts_now - header.zero_counts,
        zero_allowed_counts=ZERO_DRIFT_PART * 0.8 * 65536.0,
        budget=stated(budget),
    )


def _friction(analysis: Analysis) -> tuple[float, float]:
    """Seal friction and its standard uncertainty (N): assumed, found, or what the curve's constant says."""
    header = analysis.record.header
    if header.reference.kind == "gauge":
        return header.assumed_friction_N, header.assumed_friction_u_N
    if analysis.friction is not None and analysis.friction.significant:
        return analysis.friction.friction_N, analysis.friction.u_friction_N
    return max(0.0, -float(analysis.device.fields["c0_n"])), analysis.curve.standard_uncertainty(0.0)
