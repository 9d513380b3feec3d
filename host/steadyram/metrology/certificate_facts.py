"""The facts of a calibration document: who, where, when, on what, against what, how."""

from __future__ import annotations

from datetime import UTC, date, datetime

from steadyram import __version__
from steadyram.config import preferences
from steadyram.metrology.analyse import Analysis
from steadyram.metrology.budget import combine
from steadyram.metrology.header import Header, Instrument, Reference
from steadyram.metrology.nameplate import nameplate_doubted
from steadyram.metrology.traceability import claims_traceability
from steadyram.units import show

FORMULA = (
    "force_N = c0 + m(c1 + m(c2 + m(c3, x), x), x), x = counts - zero, m(a, x) = a x / 65536 rounded to nearest; "
    "rising force"
)
NOT_SAID = "not stated"
# The procedure of hardware_notes/calibration.md, which is kept with the program and so has its version.
METHOD = f"procedure of steadyram {__version__} (its page on calibration), full or working as said below"


def facts_of(
    analysis: Analysis, issued: datetime, unit: str, of_the_issue: tuple[tuple[str, str], ...]
) -> tuple[tuple[str, str], ...]:
    """Return name and text of every fact; what was not said is shown as such. of_the_issue: which document it is."""
    header = analysis.record.header
    return (
        *of_the_issue,
        ("calibrated by", header.laboratory or NOT_SAID),
        ("customer", header.customer or NOT_SAID),
        ("place of calibration", header.location or NOT_SAID),
        ("item", f"force reading of {_named(header.press)}, with {_named(header.transducer)}"),
        ("condition as received", header.press.condition or NOT_SAID),
        _range(header, unit),
        ("reference", _reference(header, unit)),
        ("environment", _environment(header)),
        ("date of calibration", _calibrated(analysis)),
        ("date of issue", issued.strftime("%Y-%m-%d")),
        *_due(header),
        ("force unit", unit),
    )


def _calibrated(analysis: Analysis) -> str:
    """Return the day of the calibration, with the time from the first point to the last where it was recorded."""
    header = analysis.record.header
    if not header.made_recorded:
        return "not recorded"
    at = [p.at for p in analysis.record.points if p.at is not None]
    day = f"{header.made:%Y-%m-%d}"
    if not at:
        return day
    first, last = (t.astimezone(UTC) for t in (min(at), max(at)))
    return f"{day}, points from {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M} UTC"


def _due(header: Header) -> tuple[tuple[str, str], ...]:
    """Return the next date only where an interval was agreed (ISO/IEC 17025:2017, 7.8.4.3; from memory)."""
    if header.due is None:
        return ()
    return (
        (
            "next due",
            f"{header.due:%Y-%m-%d}, by an interval of {header.interval_days} days agreed with the customer",
        ),
    )


def _range(header: Header, unit: str) -> tuple[str, str]:
    """Return what the sensor covers: a force, or a pressure on a piston."""
    if header.measures == "force":
        return "force at full output", show(header.full_N, "newton", unit, 4)
    return (
        "transducer range",
        f"{preferences().pressure(header.range_Pa, 4)} (gauge pressure), on a piston of "
        f"{header.area_m2 * 1e4:.4f} cm²",
    )


def _day(one: date | None) -> str:
    return NOT_SAID if one is None else f"{one:%Y-%m-%d}"


def _named(one: Instrument) -> str:
    return f"{one.what} (serial {one.serial})"


def _reference(header: Header, force_unit: str) -> str:
    one = header.reference
    kind = "gauge on the line" if one.kind == "gauge" else "load cell under the ram"
    due = NOT_SAID if one.due is None else f"{one.due:%Y-%m-%d}"
    made = NOT_SAID if one.calibrated_on is None else f"{one.calibrated_on:%Y-%m-%d}"
    by = one.calibrated_by or NOT_SAID
    accredited = f" ({one.accreditation})" if one.accreditation.strip() else ""
    return (
        f"{one.what}, {kind}, serial {one.serial}; certificate {one.certificate or NOT_SAID} of {made} by "
        f"{by}{accredited}, "
        f"valid until {due}; {_reach(one, force_unit)}; {_stated(one)}"
    )


def _reach(one: Reference, force_unit: str) -> str:
    """Return the reference's calibrated range and its classes."""
    said = ["calibrated range " + NOT_SAID]
    if one.calibrated_from is not None and one.calibrated_to is not None:
        si, unit = ("pascal", preferences().pressure_unit) if one.kind == "gauge" else ("newton", force_unit)
        said = [
            f"calibrated from {show(one.calibrated_from, si, unit)} to {show(one.calibrated_to, si, unit)}"
        ]
    if one.iso_376_class is not None:
        said.append(f"class {one.iso_376_class:g} of ISO 376")
    if one.class_a_from is not None:
        said.append(f"class A of ASTM E74 from {show(one.class_a_from, 'newton', force_unit)}")
    return ", ".join(said)


def _stated(one: Reference) -> str:
    parts = []
    if one.expanded_percent:
        parts.append(f"U = {one.expanded_percent:g} % of reading (k = {one.coverage_factor:g})")
    if one.expanded_abs:
        parts.append(
            f"U = {one.expanded_abs:g} {'Pa' if one.kind == 'gauge' else 'N'} (k = {one.coverage_factor:g})"
        )
    if one.class_percent:
        parts.append(
            f"accuracy class {one.class_percent:g} over {preferences().pressure(one.range, 4)}: may read wrong by "
            f"{preferences().pressure(one.class_percent / 100 * one.range, 3)} anywhere"
        )
    if one.drift_percent:
        parts.append(f"drift between certificates up to {one.drift_percent:g} %")
    if one.seat_percent:
        parts.append(f"its seat up to {one.seat_percent:g} % ({one.seat_basis or 'by the header'})")
    return ", ".join(parts)


def _environment(header: Header) -> str:
    told = header.environment
    parts = ["ambient temperature not read" if told.ambient_C is None else f"ambient {told.ambient_C:g} °C"]
    if told.ambient_C is not None and told.ambient_end_C is not None:
        parts = [f"ambient {told.ambient_C:g} °C at the start, {told.ambient_end_C:g} °C at the end"]
    elif told.ambient_C is not None:
        parts.append("not read at the end")
    if told.oil_C is not None:
        parts.append(f"oil {told.oil_C:g} °C")
    if told.humidity_percent is not None:
        parts.append(f"humidity {told.humidity_percent:g} %")
    return ", ".join(parts)


def methods_of(analysis: Analysis) -> tuple[str, ...]:
    """Return how it was done, in sentences."""
    header, curve = analysis.record.header, analysis.curve
    falling = sum(1 for p in analysis.record.points if p.direction == "falling")
    return (
        f"Method: calibration of a press's force reading, {METHOD}. JCGM 100:2008 for the uncertainty. Standards are "
        "named under Results with their edition, as far as it is known.",
        f"The ram presses on {'the reference' if header.reference.kind == 'load-cell' else 'a block'}; forces are "
        "brought up from rest without going back, held, and read, then down again. "
        f"{analysis.runs} rising {'run' if analysis.runs == 1 else 'runs'} of {len(analysis.levels)} forces, "
        f"{falling} falling points.",
        *_before_the_runs(analysis),
        _resolution(header),
        *_deviations(analysis),
        f"The reading (counts on a 16-bit scale, {header.counts_step} counts a converter step) is turned into force "
        f"by a polynomial of degree {curve.degree}, {curve.method}.",
    )


def _resolution(header: Header) -> str:
    """Return how the resolution came about."""
    step, r = header.counts_step, header.resolution_counts
    if header.fluctuation_counts is None:
        return f"Resolution: one converter step, {step} counts; the fluctuation at rest was not read."
    fluctuates = f"{header.fluctuation_counts:.3g} counts"
    if r == step:
        return f"Resolution r: one converter step, {step} counts; at rest the reading fluctuated by {fluctuates}."
    return (
        f"Resolution r: half of the fluctuation at rest, {fluctuates}, and a converter step, {step}: {r:g} counts "
        "(ISO 7500-1, variation of readings; the rule from memory)."
    )


def _deviations(analysis: Analysis) -> tuple[str, ...]:
    """Return what the method's full procedure asks for and was not done."""
    if not analysis.iso_lacks:
        return ("Deviations from the method's full procedure: none.",)
    return (f"Deviations from the method's full procedure: {'; '.join(analysis.iso_lacks)}.",)


def _before_the_runs(analysis: Analysis) -> tuple[str, ...]:
    """Return what was done before each run, as it was answered or measured then."""
    record, runs = analysis.record, analysis.runs
    said = []
    if runs > 1 and record.header.reference.kind == "load-cell":
        by = "answered before each run" if record.starts else "by the header's statement"
        said.append(
            f"The reference was re-seated before every run but the first ({by})."
            if record.reseated
            else "The reference was not re-seated between the runs, or not before each of them."
        )
    loads = {start.run: start.preloads for start in record.starts if start.preloads is not None}
    said.append(
        "Highest force put on before the runs: "
        + ", ".join(f"run {run}: {_times(count)}" for run, count in sorted(loads.items()))
        + "."
        if loads
        else "Preloading is not recorded."
    )
    returns = record.zero_returns_counts
    if returns is not None:
        said.append(
            "Zero after each run less zero before it: " + ", ".join(f"{r:+.1f}" for r in returns) + " counts."
        )
    return tuple(said)


def _times(count: int) -> str:
    return {0: "not", 1: "once"}.get(count, f"{count} times")


def traceability_of(analysis: Analysis, unit: str) -> tuple[str, ...]:
    """Return the statement on traceability."""
    header = analysis.record.header
    one = header.reference
    lowest = analysis.levels[0].force_N
    alone = combine(analysis.reference_lines(lowest)).expanded
    own = (
        f"The reference alone contributes U = {show(alone, 'newton', unit, 2)} at "
        f"{show(lowest, 'newton', unit)} (95 %)."
    )
    if not claims_traceability(header) or nameplate_doubted(analysis.record):
        # A deviation that nobody explained says that the chain, or what is written of it, is broken.
        return (f"No metrological traceability is claimed. {own}",)
    due = NOT_SAID if one.due is None else f"{one.due:%Y-%m-%d}"
    what, rest = "forces", ""
    if one.kind == "gauge":
        what, rest = (
            "pressures",
            " The forces are not: piston area and friction are assumed.",
        )
    return (
        f"The {what} are traceable through {one.what}, serial {one.serial}, certificate {one.certificate} of "
        f"{_day(one.calibrated_on)} by {one.calibrated_by} ({one.accreditation}), valid until {due}, to: "
        f"{one.traceable_to}.{rest} {own}",
    )
