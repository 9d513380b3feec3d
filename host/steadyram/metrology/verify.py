"""Verification: does the device, as calibrated, keep a limit at checked points, by a stated rule?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from steadyram.config import preferences
from steadyram.errors import BadInput
from steadyram.metrology.analyse import Analysis
from steadyram.metrology.budget import StatedBudget, combine, stated
from steadyram.metrology.decision import Rule, Verdict, decide, overall
from steadyram.metrology.device_poly import device_force
from steadyram.metrology.fresh import FreshPoints
from steadyram.metrology.header import Point
from steadyram.metrology.measurement import measurement_of
from steadyram.metrology.nameplate import plausible_forces
from steadyram.units import show

MAX_POINTS = 500


@dataclass(frozen=True)
class VerifiedPoint:
    """One checked point (N): error = indicated less reference; limit; the uncertainty of the check.

    at: when it was taken (ISO 8601), "" where that was not recorded.
    """

    reference_N: float
    indicated_N: float
    error_N: float
    limit_N: float
    expanded_N: float
    verdict: Verdict
    budget: StatedBudget
    at: str = ""

    @property
    def error_percent(self) -> float:
        """Error as a percentage of the reference force."""
        return 100.0 * self.error_N / self.reference_N


@dataclass(frozen=True)
class Verification:
    """All points and the verdict over them.

    taken: day of the points (ISO 8601), "" where it was not said; reference: what they were taken against; digest:
    SHA-256 of their record.
    """

    points: tuple[VerifiedPoint, ...]
    limit_fraction: float
    rule: Rule
    verdict: Verdict
    taken: str = ""
    reference: str = ""
    digest: str = ""


def undecided_told(done: Verification) -> str:
    """Return why points are undecided, in a sentence; empty where none is."""
    count = sum(p.verdict == "undecided" for p in done.points)
    if not count:
        return ""
    why = (
        "their error is nearer to the limit than U"
        if done.rule == "guard-band"
        else "U is more than a third of their limit, so that rule cannot tell"
    )
    return f"{count} of {len(done.points)} points are undecided: {why}."


def verify(
    analysis: Analysis,
    points: Sequence[Point],
    limit_fraction: float,
    rule: Rule,
    fresh: FreshPoints | None = None,
) -> Verification:
    """Judge device readings against fresh rising points of the same reference.

    points: readings of the reference (N or Pa by its kind) with the mean counts; limit_fraction: largest
    permitted error as a fraction of the reference force; fresh: where the points come from, None: taken with the
    calibration's own reference and zero. The check's own uncertainty is that of the
    reference and of one reading, by the calibration's measurement model. Raises BadInput for no points, too
    many, a force of zero or less, one that its counts cannot stand for, or one outside the calibrated range.
    """
    if not points or len(points) > MAX_POINTS:
        raise BadInput(f"a verification needs 1 to {MAX_POINTS} rising points.")
    if not 0.0 < limit_fraction <= 0.5:
        raise BadInput("the limit of a verification lies between 0 and 50 % of the reading.")
    head = analysis.record.header if fresh is None else fresh.header
    zero = analysis.device.fields["zero_counts"] if fresh is None else round(fresh.zero_counts)
    model = measurement_of(head)
    low, top = analysis.range_N
    judged = []
    # The device takes its zero afresh.
    shown = device_force({**analysis.device.fields, "zero_counts": zero}, [p.counts for p in points])
    for point, indicated in zip(points, shown, strict=True):
        force = model.force(point.reference)
        if not force > 0.0:
            raise BadInput("a verification point needs a reference force above zero.")
        least, most = plausible_forces(analysis.record, point)
        if not least <= force <= most:
            raise BadInput(
                f"a verification point of {show(force, 'newton', 'kN')} does not fit its {point.counts:.0f} counts: by "
                f"bore and range they stand for {show(max(0.0, least), 'newton', 'kN', 3)} to "
                f"{show(most, 'newton', 'kN', 3)}. Check the number and the unit (--reference-unit)."
            )
        if not low <= force <= top:
            raise BadInput(
                f"a verification point of {preferences().force(force, 5)} is outside the calibrated range, "
                f"{preferences().force(low, 5)} to {preferences().force(top, 5)}: nothing is known of the curve there. "
                "Leave it out or take it inside the range, or calibrate to that force."
            )
        budget = combine([*model.components(force), *analysis.reading_lines(force)])
        error = float(indicated) - force
        limit = limit_fraction * force
        verdict = decide(error, limit, budget.expanded, rule)
        judged.append(
            VerifiedPoint(
                force,
                float(indicated),
                error,
                limit,
                budget.expanded,
                verdict,
                stated(budget),
                "" if point.at is None else point.at.isoformat(),
            )
        )
    one = head.reference
    return Verification(
        tuple(judged),
        limit_fraction,
        rule,
        overall([p.verdict for p in judged]),
        taken="" if fresh is None else fresh.taken,
        reference=f"{one.what}, serial {one.serial}",
        digest="" if fresh is None else fresh.digest,
    )
