"""The one-minute check: the device's reading against the press's own mechanical gauge.

It looks for a broken chain, it does not calibrate. Gauge and device are compared as forces, by the same
measurement model as every calibration; where the calibration's own reference was a gauge, piston area and
friction are the same on both sides and drop out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from steadyram.errors import BadInput
from steadyram.metrology.analyse import Analysis
from steadyram.metrology.budget import GIVEN, Budget, Component, StatedBudget, combine, stated
from steadyram.metrology.device_poly import evaluate_device
from steadyram.metrology.header import Reference
from steadyram.metrology.measurement import OF_THE_PRESS, PressureGauge
from steadyram.metrology.record import document_number

# A zero may not move by more than this part of the smallest force that counts (own rule).
ZERO_PART = 0.05


@dataclass(frozen=True)
class DailyCheck:
    """Gauge, device, their difference and the difference allowed, as pressure (Pa) and as force (N).

    zero_*: how far the zero moved since the calibration and how far it may; smallest_N: the force for which that is
    judged, the smallest setpoint or the smallest calibrated force; zero_judged_at_N: the calibrated force nearest to
    it; calibration_expanded_N: what the calibration states there. zero_allowed_N is the expanded uncertainty of
    zero_budget, at most ZERO_PART of smallest_N. calibration: number of its documents; gauge_*: what was said of the
    gauge.
    """

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
    zero_shift_N: float
    zero_allowed_N: float
    smallest_N: float
    zero_judged_at_N: float
    calibration_expanded_N: float
    budget: StatedBudget
    zero_budget: StatedBudget
    calibration: str
    gauge_range_Pa: float
    gauge_class_percent: float
    gauge_resolution_Pa: float

    @property
    def passed(self) -> bool:
        """True when force and zero both agree."""
        return (
            abs(self.difference_N) <= self.allowed_N
            and abs(self.zero_shift_counts) <= self.zero_allowed_counts
        )


def daily_check(
    analysis: Analysis,
    gauge: Reference,
    gauge_Pa: float,
    counts: float,
    zero_counts_now: float,
    smallest_N: float | None = None,
) -> DailyCheck:
    """Compare one pressure while the press holds on a block, and the zero.

    gauge: the press's own, with its class, range and resolution; counts: device reading then; smallest_N: the
    smallest setpoint in use, None if not known. Raises
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
    least = analysis.levels[0].force_N if smallest_N is None else smallest_N
    slope = analysis.curve.slope_N_per_count(0.0)
    zero_budget = _zero_budget(analysis, least)
    zero_N = min(zero_budget.expanded, ZERO_PART * least)
    near = analysis.inside(least)
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
        zero_allowed_counts=zero_N / slope,
        zero_shift_N=slope * (zero_counts_now - header.zero_counts),
        zero_allowed_N=zero_N,
        smallest_N=least,
        zero_judged_at_N=near,
        calibration_expanded_N=analysis.stated_at(near).expanded_N,
        budget=stated(budget),
        zero_budget=stated(zero_budget),
        calibration=document_number(analysis.record),
        gauge_range_Pa=gauge.range,
        gauge_class_percent=gauge.class_percent,
        gauge_resolution_Pa=gauge.resolution,
    )


def _zero_budget(analysis: Analysis, smallest_N: float) -> Budget:
    """Return the budget of how far the zero may move: what the calibration leaves uncertain at the smallest force.

    With the sensor's temperature drift over its whole range (data sheets state it of full scale) and the resolution,
    fluctuation included, of either reading at rest.
    """
    header = analysis.record.header
    slope = analysis.curve.slope_N_per_count(0.0)
    drift = header.full_N * header.temperature_percent_per_K / 100.0 * header.temperature_span_K
    own = analysis.budget_at(analysis.inside(smallest_N))
    span, per_K, half = (
        header.temperature_span_K,
        header.temperature_percent_per_K,
        header.resolution_counts / 2.0,
    )
    return combine(
        [
            Component(
                "calibration",
                own.combined,
                "A",
                own.effective_dof,
                basis=f"combined standard uncertainty at {analysis.inside(smallest_N):.6g} N, without Monte Carlo",
            ),
            Component(
                "temperature on the zero",
                drift / math.sqrt(3.0),
                "B",
                shape="rectangular",
                basis=f"±{span:g} K × {per_K:g} %/K of {header.full_N:.6g} N{GIVEN}",
            ),
            Component(
                "two readings of the zero",
                slope * half * math.sqrt(2.0 / 3.0),
                "B",
                shape="triangular",
                basis=f"±{half:g} counts × {slope:.5g} N/count, twice",
            ),
        ]
    )


def _friction(analysis: Analysis) -> tuple[float, float]:
    """Seal friction and its standard uncertainty (N): assumed, found, or what the curve's constant says."""
    header = analysis.record.header
    if header.reference.kind == "gauge":
        return header.assumed_friction_N, header.assumed_friction_u_N
    if analysis.friction is not None and analysis.friction.significant:
        return analysis.friction.friction_N, analysis.friction.u_friction_N
    return max(0.0, -float(analysis.device.fields["c0_n"])), analysis.curve.standard_uncertainty(0.0)
