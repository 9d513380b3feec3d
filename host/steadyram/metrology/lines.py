"""Lines of the budget of one device reading of rising force, beside those of the reference."""

from __future__ import annotations

import math

from steadyram.metrology.budget import Component
from steadyram.metrology.curve import Curve
from steadyram.metrology.header import Header
from steadyram.metrology.runs import RunScatter


def reading_lines(header: Header, curve: Curve, force_N: float, runs: RunScatter) -> list[Component]:
    """Lines of one reading: its scatter within a run and the converter's step; newtons."""
    u = curve.u_of_force(force_N)
    step = curve.slope_N_per_count(u) * header.counts_step / math.sqrt(12.0)
    return [
        Component("repeatability of a reading", runs.part * curve.scatter_N(u), "A", runs.within_dof, "t"),
        Component("converter step", step, "B", shape="rectangular"),
    ]


def curve_lines(header: Header, curve: Curve, force_N: float, runs: RunScatter) -> list[Component]:
    """Lines of the curve: its fit, its integers, the zero, the mean of the runs and the temperature; newtons."""
    u = curve.u_of_force(force_N)
    root3 = math.sqrt(3.0)
    lines = [
        Component("curve", runs.part * curve.standard_uncertainty(u), "A", runs.within_dof, "t"),
        Component("device's integers", max(0.5, curve.rounding_N) / root3, "B", shape="rectangular"),
    ]
    # The zero is not known better than to a converter step (rectangular); each run begins at one of its own.
    step = header.counts_step / math.sqrt(12.0 * runs.runs)
    returned = max(abs(header.zero_return_counts or 0.0) / root3, step)
    lines.append(Component("zero", curve.slope_N_per_count(u) * returned, "B", shape="rectangular"))
    if header.temperature_percent_per_K and header.temperature_span_K:
        half = force_N * header.temperature_percent_per_K / 100.0 * header.temperature_span_K
        lines.append(Component("temperature", half / root3, "B", shape="rectangular"))
    return [line for line in lines if line.u > 0.0]
