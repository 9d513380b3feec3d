"""The uncertainty of a stroke's force, apart from that of the calibration.

A calibration tells how well the curve is known: its uncertainty is that of the mean of many strokes. A single
stroke differs from that mean: the zero wanders and the seal's friction is another each time, and the reading
takes both for force. The runs of the calibration were such strokes, too, so what they scatter in is kept out of
the scatter within a run, and their mean is known to the stroke's scatter over the root of the number of runs.

Lines beside those of the calibration (JCGM 100:2008, uncorrelated):

    zero wander of a stroke, friction of a stroke      their standard deviations s_z, s_f
    zero and friction of the runs                      sqrt((s_z^2 + s_f^2) / runs)
    run to run beyond zero and friction                sqrt((s^2 - s_z^2 - s_f^2) / runs), s from run to run at
                                                       the force (`runs.py`)

The last line is what the runs differ in besides, re-seating for one; it is left out where s is no larger. A stroke
is not known better than the mean of many, so its stated figure is at least that of the calibration.

Where the device has not measured s_z and s_f, three runs or more tell their joint size, with few degrees of
freedom; with fewer the stroke's uncertainty is unknown.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from steadyram.metrology.analyse import Analysis
from steadyram.metrology.budget import Budget, Component, Stated, combine
from steadyram.metrology.nameplate import discrepancy_told
from steadyram.units import show

ENOUGH_RUNS = 3


@dataclass(frozen=True)
class StrokeScatter:
    """Standard deviations from stroke to stroke, newtons; None where they were not measured."""

    zero_wander_N: float | None = None
    friction_N: float | None = None

    @property
    def known(self) -> bool:
        """True when both were measured."""
        return self.zero_wander_N is not None and self.friction_N is not None


def scatter_of(settings: Mapping[str, int]) -> StrokeScatter:
    """Return what the device's settings hold; -1 there is unknown."""

    def measured(name: str) -> float | None:
        value = settings.get(name, -1)
        return float(value) if value >= 0 else None

    return StrokeScatter(measured("zero_wander_n"), measured("friction_scatter_n"))


def stroke_budget(analysis: Analysis, force_N: float, scatter: StrokeScatter) -> Budget | None:
    """Return the uncertainty of one stroke's force at `force_N` (N), None where its scatter is unknown."""
    found = analysis.run_scatter
    if scatter.known:
        zero, friction = scatter.zero_wander_N or 0.0, scatter.friction_N or 0.0
        own = [
            Component("zero wander of a stroke", zero, "B"),
            Component("friction of a stroke", friction, "B"),
            Component(
                "zero and friction of the runs", math.hypot(zero, friction) / math.sqrt(found.runs), "B"
            ),
        ]
        beyond = math.sqrt(max(0.0, found.between_N(force_N) ** 2 - zero**2 - friction**2) / found.runs)
        own.append(Component("run to run beyond zero and friction", beyond, "A", found.means_dof, "t"))
    elif found.runs >= ENOUGH_RUNS:
        # One estimate for the stroke and for the mean of the runs, so one line: they are not two independent ones.
        u = found.between_N(force_N) * math.sqrt(1.0 + 1.0 / found.runs)
        own = [Component("zero and friction of a stroke, from the runs", u, "A", found.means_dof, "t")]
    else:
        return None
    return combine([line for line in (*analysis.lines_at(force_N), *own) if line.u > 0.0])


def stroke_stated(analysis: Analysis, force_N: float, scatter: StrokeScatter) -> Stated | None:
    """Return what is stated of one stroke's force at `force_N` (N), None where its scatter is unknown.

    It is the budget's, and at least what is stated of the calibration, which Monte Carlo may have widened.
    """
    budget = stroke_budget(analysis, force_N, scatter)
    if budget is None:
        return None
    return Stated.of(budget, max(budget.expanded, analysis.stated_at(force_N).expanded_N))


def both_figures(analysis: Analysis, force_N: float, scatter: StrokeScatter, unit: str) -> str:
    """Return the uncertainty of the calibration and that of one stroke at a force, for people.

    A force outside the calibrated range is judged at its nearest end, and said to be.
    """
    at = analysis.inside(force_N)
    level = analysis.stated_at(at)
    said = f"calibration ±{show(level.expanded_N, 'newton', unit, 2)} (k = {level.coverage_factor:.2f})"
    stroke = stroke_stated(analysis, at, scatter)
    if stroke is None:
        said += (
            "; one stroke: unknown until zero wander and friction scatter are measured, or three runs taken"
        )
    else:
        said += (
            f"; one stroke ±{show(stroke.expanded_N, 'newton', unit, 2)} (k = {stroke.coverage_factor:.2f})"
        )
    outside = (
        ""
        if at == force_N
        else f"; the force is outside the calibrated range, judged at {show(at, 'newton', unit)}"
    )
    off = discrepancy_told(analysis.record)
    return f"{said}, 95 %{outside}" + (f"; it does not cover {off}" if off else "")
