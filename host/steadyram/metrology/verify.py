"""Verification: does the device, as calibrated, keep a limit at checked points, by a stated rule?"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from steadyram.errors import BadInput
from steadyram.metrology.budget import Component, combine
from steadyram.metrology.decision import Rule, Verdict, decide, overall
from steadyram.metrology.device_poly import device_force
from steadyram.metrology.record import Reference

MAX_POINTS = 500


@dataclass(frozen=True)
class VerifiedPoint:
    """One checked point (N): error = indicated less reference; limit and expanded uncertainty of the "
    "check."""

    reference_N: float
    indicated_N: float
    error_N: float
    limit_N: float
    expanded_N: float
    verdict: Verdict


@dataclass(frozen=True)
class Verification:
    """All points and the verdict over them."""

    points: tuple[VerifiedPoint, ...]
    limit_fraction: float
    rule: Rule
    verdict: Verdict


def verify(
    fields: Mapping[str, int],
    reference: Reference,
    forces_N: Sequence[float],
    counts: Sequence[float],
    step_N: float,
    repeatability_N: float,
    limit_fraction: float,
    rule: Rule,
) -> Verification:
    """Judge device readings against reference forces.

    fields: the device's calibration; step_N: one converter step; repeatability_N: standard
    deviation of one reading; limit_fraction: largest permitted error as a fraction of the
    reference. The check's own uncertainty is reference, resolutions and repeatability. Raises
    BadInput for no points, too many, or a reference of zero or less.
    """
    if not forces_N or len(forces_N) > MAX_POINTS:
        raise BadInput(f"a verification needs 1 to {MAX_POINTS} points.")
    if not 0.0 < limit_fraction <= 0.5:
        raise BadInput("the limit of a verification lies between 0 and 50 % of the reading.")
    points = []
    for force, indicated in zip(forces_N, device_force(fields, list(counts)), strict=True):
        if not force > 0.0:
            raise BadInput("a verification point needs a reference force above zero.")
        budget = combine(
            [
                Component("reference", reference.standard_uncertainty(force), "B"),
                Component("reference resolution", reference.resolution / math.sqrt(12.0), "B"),
                Component("converter step", step_N / math.sqrt(12.0), "B"),
                Component("repeatability", repeatability_N, "A"),
            ]
        )
        error = float(indicated) - force
        limit = limit_fraction * force
        points.append(
            VerifiedPoint(
                force,
                float(indicated),
                error,
                limit,
                budget.expanded,
                decide(error, limit, budget.expanded, rule),
            )
        )
    return Verification(tuple(points), limit_fraction, rule, overall([p.verdict for p in points]))
