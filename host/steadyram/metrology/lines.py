"""Lines of the budget of one device reading of rising force, beside those of the reference."""

from __future__ import annotations

import math

from steadyram.metrology.budget import GIVEN, Component
from steadyram.metrology.curve import Curve
from steadyram.metrology.record import CalibrationRecord
from steadyram.metrology.runs import RunScatter

# Repeatability and curve come from this one standard deviation.
WITHIN = "scatter within a run"


def reading_lines(
    record: CalibrationRecord, curve: Curve, force_N: float, runs: RunScatter
) -> list[Component]:
    """Lines of one reading: its scatter within a run and its resolution; newtons.

    The fluctuation at rest is in the resolution (`Header.resolution_counts`), the same figure as in a; it has no
    line of its own beside it.
    """
    u = curve.u_of_force(force_N)
    slope, counts = curve.slope_N_per_count(u), record.header.resolution_counts
    return [
        Component(
            "repeatability of a reading",
            runs.part * curve.scatter_N(u),
            "A",
            runs.within_dof,
            "t",
            "standard deviation of the points about the curve, within a run",
            WITHIN,
        ),
        Component(
            "resolution of the reading",
            slope * counts / math.sqrt(12.0),
            "B",
            shape="rectangular",
            basis=f"±{counts / 2:g} counts × {slope:.5g} N/count",
        ),
    ]


def curve_lines(record: CalibrationRecord, curve: Curve, force_N: float, runs: RunScatter) -> list[Component]:
    """Lines of the curve: its fit, its integers, the zero, the mean of the runs and the temperature; newtons."""
    header = record.header
    u = curve.u_of_force(force_N)
    root3, slope = math.sqrt(3.0), curve.slope_N_per_count(u)
    rounding = max(0.5, curve.rounding_N)
    # Not less than a converter step (rectangular): a zero is not known better, however many were read.
    zero = max(abs(record.worst_zero_return_counts or 0.0), header.counts_step / 2.0)
    span, per_K = header.temperature_span_K, header.temperature_percent_per_K
    lines = [
        Component(
            "curve",
            runs.part * curve.standard_uncertainty(u),
            "A",
            runs.within_dof,
            "t",
            "covariance of the fit at this force, by the scatter within a run",
            WITHIN,
        ),
        Component(
            "device's integers", rounding / root3, "B", shape="rectangular", basis=f"±{rounding:.3g} N × 1"
        ),
        Component(
            "zero",
            slope * zero / root3,
            "B",
            shape="rectangular",
            basis=f"±{zero:.3g} counts × {slope:.5g} N/count (worst zero return of the runs, at least half a step)",
        ),
        Component(
            "temperature",
            force_N * per_K / 100.0 * span / root3,
            "B",
            shape="rectangular",
            basis=f"±{span:g} K × {per_K:g} %/K of the force{GIVEN}",
        ),
    ]
    return [line for line in lines if line.u > 0.0]
