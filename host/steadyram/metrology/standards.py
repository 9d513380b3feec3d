"""What may be said of a calibration in a standard's own terms, as sentences; nothing that was not earned."""

from __future__ import annotations

from dataclasses import replace

from steadyram.metrology.analyse import Analysis
from steadyram.metrology.classes import E4_LIMIT_PERCENT, parameter_class
from steadyram.metrology.earned import REFERENCE_PART
from steadyram.metrology.nameplate import WARN_PART, nameplate_ground
from steadyram.metrology.verify import Verification
from steadyram.units import show

# ISO/IEC 17025, 7.8.6 asks for the rule with every statement of conformity, and a class is one.
ISO_EDITION = "ISO 7500-1:2018 (limits from a secondary table, the standard itself was not read)"
DECISION = "Decision rule: the limits as they stand, no guard band."


def standards(analysis: Analysis, unit: str, verification: Verification | None = None) -> list[str]:
    """Return the sentences on classes. A standard whose conditions are not met is named only to say what lacks.

    verification: fresh points whose errors lower the classes; `with_fresh` must have been applied.
    """
    said = [_iso(analysis, unit, _judged_on(analysis, unit, verification))]
    if analysis.e4_ok is not None:
        kept = "kept" if analysis.e4_ok else "not kept"
        said.append(
            f"ASTM E4 (as its one per cent is remembered, no edition read), at every force and between runs: {kept}. "
            f"Load cell of class A (ASTM E74) from "
            f"{show(analysis.record.header.reference.class_a_from or 0.0, 'newton', unit)} "
            f"by its certificate. {_judged_on(analysis, unit, verification)} {DECISION}"
        )
    if analysis.llf is not None:
        top = analysis.levels[-1].force_N
        starts = [
            f"class {name} from {show(start, 'newton', unit)}"
            if start <= top
            else f"class {name} not reached within the range"
            for name, start in (("A", analysis.llf.class_a_from), ("AA", analysis.llf.class_aa_from))
        ]
        said.append(
            f"ASTM E74 lower limit factor {show(analysis.llf.llf, 'newton', unit, 3)}; {', '.join(starts)}."
        )
    return said


def with_fresh(analysis: Analysis, verification: Verification | None) -> Analysis:
    """Return the analysis with what its fresh points leave of the classes that the fitted points kept."""
    if verification is None or not verification.points:
        return analysis
    worst = max(abs(p.error_percent) for p in verification.points)
    e4 = None if analysis.e4_ok is None else analysis.e4_ok and worst <= E4_LIMIT_PERCENT
    own = parameter_class("q", worst)

    def lowered(found: float | None) -> float | None:
        return None if found is None or own is None else max(found, own)

    levels = tuple(
        replace(level, iso_class=lowered(level.iso_class), iso_class_with_v=lowered(level.iso_class_with_v))
        for level in analysis.levels
    )
    return replace(
        analysis,
        levels=levels,
        e4_ok=e4,
        iso_class=lowered(analysis.iso_class),
        iso_class_with_v=lowered(analysis.iso_class_with_v),
    )


def _fresh(count: int) -> str:
    return "1 fresh point" if count == 1 else f"{count} fresh points"


def _judged_on(analysis: Analysis, unit: str, verification: Verification | None) -> str:
    """Say which points a verdict rests on: those that were fitted lie nearer to the curve than others will."""
    curve = analysis.curve
    fitted = (
        f"the {len(curve.rising)} points that the curve was fitted to ({curve.dof} degrees of freedom: "
        f"{len(curve.rising)} points less {curve.degree + 1} coefficients)"
    )
    if verification is None:
        return f"Judged on {fitted}, not on fresh ones."
    worst = max(verification.points, key=lambda p: abs(p.error_percent))
    day = f" of {verification.taken}" if verification.taken else ""
    return (
        f"Judged on {fitted} and on {_fresh(len(verification.points))}{day}, largest error "
        f"{worst.error_percent:+.2f} % at {show(worst.reference_N, 'newton', unit)}."
    )


def nameplate_beside(analysis: Analysis) -> str:
    """Return what the comparison with the nameplate says for the trust in a class; it stands beside the class."""
    off = analysis.nameplate_ratio - 1.0
    if abs(off) > WARN_PART:
        header = analysis.record.header
        return (
            f"The force a count is {100 * off:+.1f} % off the nameplate's. Explained: {header.nameplate_explained}. "
            f"On the ground of: {nameplate_ground(analysis.record)}."
        )
    return (
        f"The force a count is {100 * off:+.1f} % off the nameplate's; that check is coarse: an error of the "
        f"reference within {100 * WARN_PART:g} % does not show in it."
    )


def _iso(analysis: Analysis, unit: str, judged_on: str) -> str:
    if analysis.iso_lacks:
        return f"No machine class (ISO 7500-1) is stated: {'; '.join(analysis.iso_lacks)}."
    beside = nameplate_beside(analysis)
    if analysis.iso_class is None:
        return f"The figures keep no machine class of {ISO_EDITION}. {judged_on} {beside}"
    lower = analysis.iso_lower_limit_N
    start = "" if lower is None else f", from {show(lower, 'newton', unit)}"
    with_v = "none" if analysis.iso_class_with_v is None else f"class {analysis.iso_class_with_v:g}"
    own = analysis.record.header.reference.iso_376_class
    return (
        f"The figures keep {ISO_EDITION} class {analysis.iso_class:g} for rising force{start}; with reversibility: "
        f"{with_v}. {judged_on} {DECISION} Load cell: class {own:g} of ISO 376 by its certificate, and its own "
        f"expanded "
        f"uncertainty at the lowest force is at most {REFERENCE_PART:g} of the class (own rule). {beside}"
    )
