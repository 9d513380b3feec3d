"""The calibration certificate: what it says, as sections that page and PDF draw alike.

What ISO/IEC 17025:2017, 7.8 asks of a calibration certificate (from memory) and where it stands is listed in
hardware_notes/calibration.md. It is a document for a person to sign, not an accredited one, and says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime

from steadyram import __version__
from steadyram.metrology.analyse import Analysis, Level
from steadyram.metrology.budget import StatedBudget, stated
from steadyram.metrology.certificate_facts import FORMULA, facts_of, methods_of, traceability_of
from steadyram.metrology.claims import CERTIFICATE, INVENTED, title_of
from steadyram.metrology.device_poly import device_force
from steadyram.metrology.drift import compare
from steadyram.metrology.friction import Friction
from steadyram.metrology.header import Header
from steadyram.metrology.monte_carlo import TRIALS
from steadyram.metrology.nameplate import discrepancy_told
from steadyram.metrology.record import Issue, document_number
from steadyram.metrology.standards import standards, with_fresh
from steadyram.metrology.stroke import StrokeScatter, stroke_stated
from steadyram.metrology.verify import Verification
from steadyram.units import show, to_unit

CAUTION = (
    "This document is made and signed by the persons named below. It is not issued under accreditation, and it is "
    "as traceable as its reference's own papers. The cutoff is a process function: it replaces no guard, relief "
    "valve, emergency stop or two-hand control; local codes and licensed practice come first."
)
SOURCES = (
    "Classes: limits of ISO 7500-1 by a secondary table (2018); lower-limit multipliers by a national adoption of "
    "1999; their conditions, and those of the decision rules, as the program's authors know them, not read from "
    "the paid standards.",
    "Uncertainty: JCGM 100:2008 (budget, Welch-Satterthwaite), cross-checked by JCGM 101:2008 (Monte Carlo).",
)


NOT_RECORDED = "not recorded"
_INPUTS = (
    "Input: half width (±) or standard uncertainty, times its sensitivity; a rectangular half width is divided by "
    "the root "
    "of 3, a triangular sum of two of them by the root of 1.5. [given]: by the header, from customer, data sheet or "
    "judgement, not measured here; it can affect the validity of the results. Six digits so that the sum can be "
    "recomputed; results have two (JCGM 100, 7.2.6)."
)


_GROUPED = (
    "Repeatability and curve come from one standard deviation: they are one term of the effective degrees of freedom "
    "(JCGM 100, G.4.1)."
)


@dataclass(frozen=True)
class Table:
    """Headings (None for facts), rows of text, relative widths of the columns, and what stands below."""

    headings: tuple[str, ...] | None
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[int, ...]
    note: str = ""


@dataclass(frozen=True)
class Section:
    """One section: heading, sentences, tables; plot: the picture of the errors stands in it."""

    heading: str
    lines: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    plot: bool = False


@dataclass(frozen=True)
class Contents:
    """Everything that the document says; name: its number on every page."""

    title: str
    name: str
    invented: bool
    sections: tuple[Section, ...]
    caution: str
    issued: datetime
    digest: str
    number: str
    simulated: bool = False

    @property
    def is_certificate(self) -> bool:
        """True when it may call itself a certificate."""
        return self.title == CERTIFICATE

    @property
    def signed_for(self) -> str:
        """Sentence above the signatures that ties them to what they sign."""
        record = f", made of the record with the SHA-256 digest {self.digest}" if self.digest else ""
        return f"Signed for: {self.title} {self.name}{record}."

    @property
    def foot(self) -> str:
        """What stands on every page."""
        data = f" {INVENTED}." if self.simulated else " Invented data." if self.invented else ""
        return f"{self.title} {self.name}.{data} May be reproduced only as a whole."


@dataclass(frozen=True)
class Forces:
    """Forces as text in the unit that the user chose."""

    unit: str

    def value(self, force_N: float, digits: int = 5) -> str:
        """Number alone, for a column that names its unit."""
        return f"{to_unit(force_N, 'newton', self.unit):.{digits}g}"

    def column(self, force_N: float, smallest_N: float, sign: bool = False) -> str:
        """Number in a column whose smallest uncertainty, `smallest_N`, has two digits (JCGM 100, 7.2.6)."""
        shown = abs(to_unit(smallest_N, "newton", self.unit))
        decimals = max(0, 1 - math.floor(math.log10(shown))) if shown > 0.0 else 3
        return f"{to_unit(force_N, 'newton', self.unit):{'+' if sign else ''}.{decimals}f}"

    def shown(self, force_N: float, digits: int = 5) -> str:
        """Number with its unit."""
        return f"{self.value(force_N, digits)} {self.unit}"


def contents(
    analysis: Analysis,
    unit: str = "kN",
    previous: Analysis | None = None,
    verification: Verification | None = None,
    issued: datetime | None = None,
    scatter: StrokeScatter | None = None,
    issue: Issue | None = None,
) -> Contents:
    """Collect what the document says.

    unit: a force unit of `units.FORCE_UNITS`; previous: the calibration before, for as-found and as-left;
    verification: fresh points judged by a rule, for the statement of conformity; issued: date of issue, default
    that of the calibration; scatter: what the device has measured from stroke to stroke; issue: which issue it is, None
    where issues are not counted (a draft, or points that are in no journal). Raises BadInput when
    traceability is claimed and cannot be checked, and when `previous` is of another transducer or press, or not
    earlier.
    """
    analysis = with_fresh(analysis, verification)
    header, record = analysis.record.header, analysis.record
    title, gaps = title_of(analysis)
    number = document_number(record) if issue is None else issue.name
    forces = Forces(unit)
    day = header.made if issued is None else issued
    sections = [
        Section(
            "Item, reference, place and date",
            tables=(Table(None, facts_of(analysis, day, unit, _issue_facts(number, issue)), (1, 3)),),
        ),
        Section("Method", methods_of(analysis)),
        Section("Metrological traceability", traceability_of(analysis, unit)),
        Section(
            "Results",
            tuple(_results(analysis, forces, verification)),
            (_levels(analysis, forces, scatter or StrokeScatter()),),
        ),
        *_monte_carlo(analysis, forces),
        Section("As found and as left", *_history(previous, analysis, forces)),
        Section("Conformity", *_conformity(verification, forces)),
        *_budgets(analysis, forces),
        Section(
            *_polynomial(analysis),
            (Table(None, tuple((k, str(v)) for k, v in analysis.device.fields.items()), (1, 3)),),
        ),
        Section("Errors and uncertainty", plot=True),
        Section("Points", tables=(_points(analysis, forces),)),
        Section("Notes and sources", tuple(_notes(analysis))),
    ]
    if gaps:
        sections.insert(
            0, Section("A working calibration, because", tuple(f"{gap[0].upper()}{gap[1:]}." for gap in gaps))
        )
    return Contents(
        title=title,
        name=f"No. {number}, {header.sensor} {header.transducer.serial}, {_of_day(header)}",
        number=number,
        invented=header.invented,
        simulated=header.simulated,
        sections=tuple(sections),
        caution=CAUTION,
        digest=analysis.record.digest,
        issued=day,
    )


def _of_day(header: Header) -> str:
    return f"{header.made:%Y-%m-%d}" if header.made_recorded else "date not recorded"


def _issue_facts(number: str, issue: Issue | None) -> tuple[tuple[str, str], ...]:
    """Return which document it is, and what it replaces."""
    if issue is None:
        return (("number and issue", f"{number}; issues are not counted"),)
    facts = (("number and issue", f"{number} (issue {issue.issue})"),)
    if not issue.replaces:
        return facts
    return (*facts, ("replaces", f"{issue.replaces}, because: {issue.reason}"))


def _polynomial(analysis: Analysis) -> tuple[str, tuple[str, ...]]:
    """Return the heading over the polynomial and its sentences: it runs on a device only once it was read back."""
    held = analysis.record.read_back_of(analysis.device.fields)
    if held is None:
        return "Polynomial to be uploaded, not read back", (
            FORMULA,
            "Not read back from a device: that a device runs it is not stated ('calibration confirm' reads it back).",
        )
    return "Polynomial that the device runs", (
        FORMULA,
        f"Read back from device {held.device}, firmware {held.firmware}, on {held.at:%Y-%m-%d}: the same figures.",
    )


def _results(analysis: Analysis, forces: Forces, verification: Verification | None) -> list[str]:
    levels, curve, header = analysis.levels, analysis.curve, analysis.record.header
    worst = max(levels, key=lambda v: v.expanded_N / v.force_N)
    off = discrepancy_told(analysis.record)
    uncovered = f" U does not cover {off}." if off else ""
    said = [
        f"Range {forces.shown(levels[0].force_N)} to {forces.shown(levels[-1].force_N)}, rising force. The results "
        "relate only to the item named above, as it was when calibrated.",
        f"Expanded uncertainty at most {100 * worst.expanded_N / worst.force_N:#.2g} % of the force, at "
        f"{forces.shown(worst.force_N)} (k = {worst.coverage_factor:.2f}, 95 %). Here and in every table it is the "
        "standard uncertainty times the k beside it, evaluated by JCGM 100 and by Monte Carlo (JCGM 101): the wider "
        f"of both is stated.{uncovered}",
        f"Largest residual of the device's integer polynomial "
        f"{forces.shown(float(abs(analysis.device.residual_N).max()), 3)}; {len(curve.rising)} points, {curve.dof} "
        "degrees of freedom.",
        f"U holds for the sensor within {_span(header)} of the temperature of this calibration, and so for later use "
        f"there, with the zero taken at rest at the temperature of use. "
        f"Not in U: {'; '.join(analysis.not_included) or 'nothing that is known'}.",
        *standards(analysis, forces.unit, verification),
    ]
    if analysis.zero_error_percent is not None:
        said.append(f"Zero return after the runs: {analysis.zero_error_percent:+.3f} % of the largest force.")
    if analysis.friction is not None:
        said.append(friction_told(analysis.friction, header.sensor, forces.unit))
    checks = [v.monte_carlo for v in levels if v.monte_carlo is not None]
    if checks:
        agree = sum(c.agrees for c in checks)
        others = ", ".join(forces.shown(c.force_N) for c in checks if not c.agrees)
        wider = f"; not at {others}" if others else ""
        said.append(
            f"Monte Carlo agrees with the budget at {agree} of {len(checks)} forces{wider}. "
            "The wider of both is stated."
        )
    return said


def _span(header: Header) -> str:
    return f"±{header.temperature_span_K:g} K"


def friction_told(friction: Friction, sensor: str, unit: str) -> str:
    """Return seal friction and hysteresis with their expanded uncertainties, or their sum where one run was taken."""
    k, dof = friction.coverage_factor, friction.dof

    def told(value_N: float, u_N: float) -> str:
        return f"{show(value_N, 'newton', unit, 3)} ± {show(k * u_N, 'newton', unit, 2)}"

    how = f"(k = {k:.2f} by {dof} degrees of freedom, 95 %)"
    if friction.hysteresis_N is None or friction.u_hysteresis_N is None:
        return (
            f"Half the gap between the branches: {told(friction.friction_N, friction.u_friction_N)} {how}. It is seal "
            f"friction and the {sensor}'s hysteresis together: one run does not tell them apart."
        )
    return (
        f"Seal friction {told(friction.friction_N, friction.u_friction_N)}, told apart from the {sensor}'s "
        f"hysteresis at "
        f"mid-range, {told(friction.hysteresis_N, friction.u_hysteresis_N)} {how}."
    )


def _optional(value: float | None, digits: int, missing: str = "not taken") -> str:
    return missing if value is None else f"{value:.{digits}f}"


def _monte_carlo(analysis: Analysis, forces: Forces) -> tuple[Section, ...]:
    """Return the comparison of budget and Monte Carlo by force."""
    checks = [(v, v.monte_carlo) for v in analysis.levels if v.monte_carlo is not None]
    if not checks:
        return ()
    least = min(c.tolerance_N for _, c in checks)
    unit = forces.unit
    rows = tuple(
        (
            forces.column(v.force_N, least),
            forces.column(v.budget.expanded, least),
            forces.column(c.low_N, least, True),
            forces.column(c.high_N, least, True),
            forces.column(c.tolerance_N, least),
            "yes" if c.agrees else "NO",
            forces.column(v.expanded_N, least),
        )
        for v, c in checks
    )
    off = max(checks, key=lambda each: abs(each[1].expanded_N / each[0].budget.expanded - 1.0))
    part = 100.0 * (off[1].expanded_N / off[0].budget.expanded - 1.0)
    table = Table(
            (f"force ({unit})", f"U of the budget ({unit})", f"Monte Carlo from ({unit})", f"to ({unit})",
             f"tolerance ({unit})", "agrees", f"U stated ({unit})"),
            rows,
            (3, 3, 3, 3, 3, 2, 3),
            f"95 % interval by Monte Carlo, {TRIALS} trials (JCGM 101, clause 8: each end within the tolerance, half a "
            f"unit of the second digit of the standard uncertainty, 7.9.2). U stated: the wider of both. "
            f"Furthest apart at {forces.shown(off[0].force_N)}: {part:+.1f} %.",
    )  # fmt: skip
    return (Section("Budget compared with Monte Carlo", tables=(table,)),)


def _levels(analysis: Analysis, forces: Forces, scatter: StrokeScatter) -> Table:
    classed, unit = analysis.iso_class is not None, forces.unit
    gauge = analysis.record.header.reference.kind == "gauge"
    headings = (
        f"force ({unit})", "q (%)", "b (%)", "v (%)", "a (%)", f"U ({unit})", "k", "U (%)", f"U stroke ({unit})",
    )  # fmt: skip
    rows, least = [], min(level.expanded_N for level in analysis.levels)
    for level in analysis.levels:
        row = (
            forces.column(level.force_N, least),
            f"{level.q_percent:+.3f}",
            _optional(level.b_percent, 3),
            _optional(level.v_percent, 3, "not measured" if gauge else "not taken"),
            _optional(level.a_percent, 3, "not known"),
            forces.column(level.expanded_N, least),
            f"{level.coverage_factor:.2f}",
            f"{100 * level.expanded_N / level.force_N:.2f}",
            "unknown"
            if (stroke := stroke_stated(analysis, level.force_N, scatter)) is None
            else f"{forces.column(stroke.expanded_N, least)} (k {stroke.coverage_factor:.2f})",
        )
        rows.append((*row, "none" if level.iso_class is None else f"{level.iso_class:g}") if classed else row)
    note = (
        "q: mean error of the device's reading over the runs; b: repeatability, spread of the runs; v: reversibility, "
        f"{_reversibility(gauge)}; a: resolution; U: expanded uncertainty of one device reading of rising force, "
        "coverage about 95 % with the k of its row; U stroke: the same of one stroke's force, whose zero and friction "
        "are another each time, with its own k."
    )
    if off := discrepancy_told(analysis.record):
        note += f" U does not cover {off}."
    widths = (3, 2, 2, 3, 2, 3, 2, 2, 5)
    return Table(
        (*headings, "class") if classed else headings, tuple(rows), (*widths, 2) if classed else widths, note
    )


def _reversibility(gauge: bool) -> str:
    if gauge:
        return "not measured, since the falling force of a gauge rests on the friction that is assumed"
    return (
        "100 (error going up less error coming down) / force, at the force of the rising point and within one run, the "
        "error coming down between that run's own falling points by a straight line; the run of largest size"
    )


def _history(
    previous: Analysis | None, analysis: Analysis, forces: Forces
) -> tuple[tuple[str, ...], tuple[Table, ...]]:
    if previous is None:
        return (
            (
                "As found: not stated, no earlier calibration was given. As left: the results above are those of the "
                f"polynomial below; {_held(analysis)}.",
            ),
            (),
        )
    drift, old, unit = compare(previous, analysis), previous.record.header, forces.unit
    least = min(level.expanded_N for level in analysis.levels)
    rows = tuple(
        (
            forces.column(v.force_N, least),
            forces.column(v.as_found_N, least, True),
            forces.column(v.as_left_N, least, True),
            forces.column(level.expanded_N, least),
            f"{level.coverage_factor:.2f}",
            f"{v.change_percent:+.3f}",
            f"{v.normalised_error:+.2f}",
        )
        for v, level in zip(drift.levels, analysis.levels, strict=True)
    )
    headings = (
        f"force ({unit})",
        f"as found ({unit})",
        f"as left ({unit})",
        f"U ({unit})",
        "k",
        "change (%)",
        "E_n",
    )
    note = (
        "Errors of the device's reading before and after adjustment, against this calibration's reference; U: expanded "
        "uncertainty of either, coverage about 95 % with the k of its row. E_n: change over the expanded uncertainties "
        "of both calibrations."
    )
    return (
        (
            f"As found: errors of the polynomial of calibration No. {document_number(previous.record)} of "
            f"{old.made:%Y-%m-%d}, "
            f"computed from this calibration's readings; {_held(previous)}. As left: errors of the polynomial below; "
            f"{_held(analysis)}. No statement of conformity is made of either.",
            f"Since then: {drift.trend}.",
            *_common_reference(previous, analysis),
        ),
        (Table(headings, rows, (3, 3, 3, 3, 2, 2, 2), note),),
    )


def _held(analysis: Analysis) -> str:
    """Say whether a device was seen to hold the polynomial."""
    held = analysis.record.read_back_of(analysis.device.fields)
    if held is None:
        return "whether a device ran it is not recorded"
    return f"device {held.device} held it on {held.at:%Y-%m-%d}"


def _common_reference(previous: Analysis, analysis: Analysis) -> tuple[str, ...]:
    """Say what it means for E_n when both calibrations had one reference."""
    old, new = (each.record.header.reference for each in (previous, analysis))
    if (old.serial, old.what) != (new.serial, new.what):
        return ()
    return (
        f"Both calibrations were made with the same reference (serial {new.serial}). Its error is in both and drops "
        "out of the change, but not out of their uncertainties: E_n is smaller than it would be without it, so a "
        "change is called significant later than it could be.",
    )


def _conformity(
    verification: Verification | None, forces: Forces
) -> tuple[tuple[str, ...], tuple[Table, ...]]:
    if verification is None:
        return (
            (
                "No statement of conformity to a limit is made: no fresh points were judged. What is said of classes "
                "stands under Results, with its rule.",
            ),
            (),
        )
    if not all(p.at for p in verification.points):
        return _compared(verification, forces)
    limit = f"{100 * verification.limit_fraction:g} %"
    rule = (
        "guarded acceptance: a point passes where the error is within the limit less U, fails beyond the limit plus "
        "U, and is undecided between; with a guard band of U a point that passes is out of limits with a probability "
        "of at most 2.5 % (JCGM 106, ISO 14253-1)"
        if verification.rule == "guard-band"
        else "simple acceptance: the limit itself, no guard band; undecided where U is more than a third of it, and "
        "up to half of the points on the limit are accepted wrongly"
    )
    least = min(p.expanded_N for p in verification.points)
    rows = tuple(
        (
            p.at[:16].replace("T", " ") or NOT_RECORDED,
            forces.column(p.reference_N, least),
            forces.column(p.indicated_N, least),
            forces.column(p.error_N, least, True),
            forces.column(p.limit_N, least),
            forces.column(p.expanded_N, least),
            f"{p.budget.coverage_factor:.2f}",
            p.verdict,
        )
        for p in verification.points
    )
    unit = forces.unit
    table = Table(
        ("time (UTC)", f"reference ({unit})", f"device ({unit})", f"error ({unit})", f"limit ± ({unit})",
         f"U ({unit})", "k", "verdict"),
        rows,
        (5, 3, 3, 3, 3, 3, 2, 3),
        _COMPARISON,
    )  # fmt: skip
    return (
        (
            f"Specification: error of the device's reading of rising force within {limit} of the reference. "
            f"Decision rule: {rule}.",
            f"Result: {verification.verdict}, for the {len(rows)} points below and nothing else.",
            f"Fresh points taken on {verification.taken or 'a day that was not stated'} against "
            f"{verification.reference}; SHA-256 digest of their record: {verification.digest or 'none'}.",
        ),
        (table, _comparison_budget(verification, forces)),
    )


_COMPARISON = (
    "Fresh points, not among those that were fitted. U: expanded uncertainty of the comparison, coverage about 95 % "
    "with "
    "the k of its row: reference and one reading. What zero and temperature do to the device is part of the error that "
    "is compared, not of U; of a CSV of points the zero is that of the calibration."
)


def _comparison_budget(verification: Verification, forces: Forces) -> Table:
    """Return the budget of the comparison at the point where it is largest for its force."""
    worst = max(verification.points, key=lambda p: p.expanded_N / p.reference_N)
    return Table(
        ("contribution", "input", f"standard uncertainty ({forces.unit})", "share"),
        tuple(
            (c.name, c.basis, forces.value(c.u_N, 6), f"{100 * c.share:.0f} %")
            for c in worst.budget.components
        ),
        (4, 7, 3, 2),
        f"Budget of the comparison at {forces.shown(worst.reference_N)}. {_budget_line(worst.budget, forces)}",
    )


def _compared(verification: Verification, forces: Forces) -> tuple[tuple[str, ...], tuple[Table, ...]]:
    """Return fresh points whose time was not recorded: compared, but no statement of conformity."""
    least = min(p.expanded_N for p in verification.points)
    rows = tuple(
        (
            forces.column(p.reference_N, least),
            forces.column(p.indicated_N, least),
            forces.column(p.error_N, least, True),
            forces.column(p.expanded_N, least),
            f"{p.budget.coverage_factor:.2f}",
        )
        for p in verification.points
    )
    unit = forces.unit
    table = Table(
        (f"reference ({unit})", f"device ({unit})", f"error ({unit})", f"U ({unit})", "k"),
        rows,
        (3, 3, 3, 3, 2),
        _COMPARISON,
    )
    return (
        (
            "No statement of conformity to a limit is made: the time of the fresh points was not recorded (take them "
            "by 'calibration by-hand', or give a CSV with a column 'time').",
            f"Fresh points, by what was said of them taken on {verification.taken or 'a day that was not stated'} "
            f"against {verification.reference}; SHA-256 digest of their record: {verification.digest or 'none'}.",
        ),
        (table, _comparison_budget(verification, forces)),
    )


def _budgets(analysis: Analysis, forces: Forces) -> list[Section]:
    """Return the budget at the middle force, at the smallest, and where the uncertainty is worst."""
    levels = analysis.levels
    middle = len(levels) // 2
    worst = max(range(len(levels)), key=lambda i: levels[i].expanded_N / levels[i].force_N)
    why: dict[int, list[str]] = {middle: [], 0: [], worst: []}
    why[0].append("smallest force")
    why[worst].append("largest U in per cent")
    return [_budget(analysis, forces, levels[i], " and ".join(words)) for i, words in why.items()]


def _budget(analysis: Analysis, forces: Forces, level: Level, why: str) -> Section:
    budget = stated(level.budget)
    return Section(
        f"Uncertainty budget at {forces.shown(level.force_N)}" + (f" ({why})" if why else ""),
        (
            _budget_line(budget, forces)
            + (
                ""
                if level.monte_carlo is None
                else f" That is the budget alone; stated, with Monte Carlo: U = {forces.shown(level.expanded_N, 3)}, "
                f"k = {level.coverage_factor:.2f}."
            ),
        ),
        (
            Table(
                ("contribution", "input", "distribution", f"standard uncertainty ({forces.unit})", "type",
                 "degrees of freedom", "share"),
                tuple(
                    (
                        c.name,
                        c.basis,
                        {"t": "Student's t"}.get(c.distribution, c.distribution),
                        forces.value(c.u_N, 6),
                        c.type,
                        "many" if c.dof is None else f"{c.dof:g}",
                        f"{100 * c.share:.0f} %",
                    )
                    for c in budget.components
                ),
                (4, 7, 3, 3, 1, 2, 2),
                f"{_freedom(analysis)} {_INPUTS}",
            ),
        ),
    )  # fmt: skip


def _freedom(analysis: Analysis) -> str:
    """Say how the degrees of freedom come about."""
    return f"{_freedom_of_lines(analysis)} {_GROUPED}"


def _freedom_of_lines(analysis: Analysis) -> str:
    n, degree, runs = len(analysis.curve.rising), analysis.degree, analysis.runs
    scatter = analysis.run_scatter
    if scatter.of_means_N > 0.0:
        return (
            f"Degrees of freedom within the runs: {n} points less the curve's degree, {degree}, less one "
            f"mean for each of {runs} runs = {scatter.within_dof}; from run to run: {runs} runs less one mean = "
            f"{scatter.means_dof}, of means or gains of the runs: at each force the larger is "
            "taken. 'many': known well, or a limit by a data sheet."
        )
    return (
        f"Degrees of freedom: {n} points less {degree + 1} coefficients = {scatter.within_dof}. 'many': known well, or "
        "a limit by a data sheet."
    )


def _budget_line(budget: StatedBudget, forces: Forces) -> str:
    free = math.inf if budget.effective_dof is None else budget.effective_dof
    dof = "more than 1000" if free > 1000 else f"{math.floor(free)}"
    return (
        f"Combined {forces.shown(budget.combined_N, 3)}, effective degrees of freedom {dof}, k = "
        f"{budget.coverage_factor:.2f} (95 %), expanded {forces.shown(budget.expanded_N, 3)}."
    )


def _points(analysis: Analysis, forces: Forces) -> Table:
    record, rows = analysis.record, []
    indicated = device_force(analysis.device.fields, [p.counts for p in record.points])
    least = min(level.expanded_N for level in analysis.levels)
    for i, point in enumerate(record.points):
        force = record.force_N(point)
        shown = forces.column(float(indicated[i]), least)
        # A gauge's falling force is its pressure with the friction that is assumed: that error was not measured.
        assumed = point.direction == "falling" and record.header.reference.kind == "gauge"
        error = "not measured" if assumed else forces.column(float(indicated[i]) - force, least, True)
        reference = forces.column(force, least)
        when = NOT_RECORDED if point.at is None else f"{point.at.astimezone(UTC):%Y-%m-%d %H:%M:%S}"
        rows.append(
            (
                record.row(i),
                when,
                str(point.run),
                point.direction,
                reference,
                f"{point.counts:.2f}",
                shown,
                error,
            )
        )
    unit = forces.unit
    return Table(
        (
            "row",
            "time (UTC)",
            "run",
            "direction",
            f"reference ({unit})",
            "counts",
            f"device ({unit})",
            f"error ({unit})",
        ),
        tuple(rows),
        (2, 5, 1, 2, 3, 3, 3, 3),
    )


def _notes(analysis: Analysis) -> list[str]:
    header, record = analysis.record.header, analysis.record
    said = [header.note] if header.note else []
    said += [
        f"Corrected on {c.at:%Y-%m-%d}, {c.key}: '{c.was}' to '{c.now}', because: {c.reason}."
        for c in record.corrections
    ]
    said += [
        f"Uploaded on {a.at:%Y-%m-%d} in spite of {a.told}, because: {a.why}." for a in record.acceptances
    ]
    said += [f"{note[0].upper()}{note[1:]}." for note in analysis.notes]
    digest = f"SHA-256 digest of the record: {record.digest}." if record.digest else ""
    versions = f"Made by steadyram {__version__}; firmware {header.firmware or 'not recorded'}."
    return [*said, *SOURCES, *([digest] if digest else []), versions]
