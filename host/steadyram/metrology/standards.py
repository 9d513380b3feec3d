"""What may be said of a calibration in a standard's own terms, as sentences; nothing that was not earned."""

from __future__ import annotations

from steadyram.metrology.analyse import Analysis
from steadyram.units import show

# ISO/IEC 17025, 7.8.6 asks for the rule with every statement of conformity, and a class is one.
DECISION = "Decision rule: the limits as they stand, no guard band."


def standards(analysis: Analysis, unit: str) -> list[str]:
    """Return the sentences on classes. A standard whose conditions are not met is named only to say what lacks."""
    said = [_iso(analysis, unit)]
    if analysis.e4_ok is not None:
        kept = "kept" if analysis.e4_ok else "not kept"
        said.append(f"ASTM E4, one per cent at every force and between runs: {kept}. {DECISION}")
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


def _iso(analysis: Analysis, unit: str) -> str:
    if analysis.iso_lacks:
        return f"No machine class (ISO 7500-1) is stated: {'; '.join(analysis.iso_lacks)}."
    if analysis.iso_class is None:
        return "The figures keep no machine class of ISO 7500-1."
    lower = analysis.iso_lower_limit_N
    start = "" if lower is None else f", from {show(lower, 'newton', unit)}"
    with_v = "none" if analysis.iso_class_with_v is None else f"class {analysis.iso_class_with_v:g}"
    return (
        f"The figures keep ISO 7500-1 class {analysis.iso_class:g} for rising force{start}; with reversibility: "
        f"{with_v}. {DECISION}"
    )
