"""The words of a proof: findings, tables of texts. HTML, PDF and the command line say the same."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from steadyram.config import Preferences
from steadyram.cycles.store import Verdict
from steadyram.report.page import Finding, clean, when
from steadyram.report.proof import TREND_P, Proof, rules_broken
from steadyram.units import to_unit

Force = Callable[[float | None], str]


def forces(units: Preferences, digits: int = 4) -> Force:
    """A force for people, with the unit's factor looked up once."""
    factor = to_unit(1.0, "newton", units.force_unit)

    def force(value_N: float | None) -> str:
        return "–" if value_N is None else f"{value_N * factor:.{digits}g} {units.force_unit}"

    return force


def count_of(number: int, noun: str) -> str:
    """ "1 part", "2 parts"."""
    return f"{number} {noun}" + ("" if number == 1 else "s")


def chance(p: float) -> str:
    """How likely chance alone would do it; below a millionth no number means anything."""
    return f"p = {p:.2g}" if p >= 1e-6 else "p < 0.000001"


def numbers_of(seqs: Sequence[int], most: int = 12) -> str:
    """Record numbers, the first few of many."""
    more = f" and {len(seqs) - most} more" if len(seqs) > most else ""
    return f"record{'' if len(seqs) == 1 else 's'} " + ", ".join(str(seq) for seq in seqs[:most]) + more


def proof_findings(proof: Proof, units: Preferences) -> list[Finding]:
    """What must be known before the batch is trusted, gravest first."""
    force = forces(units)
    found: list[Finding] = []

    def grave(text: str) -> None:
        found.append(Finding(True, text))

    def note(text: str) -> None:
        found.append(Finding(False, text))

    if proof.faults:
        names = ", ".join(sorted({str(record.fault) for record in proof.faults}))
        grave(f"{count_of(len(proof.faults), 'stroke')} ended in a fault ({names}).")
    if proof.without_cutoff:
        seqs = [record.seq for record in proof.without_cutoff]
        grave(f"{count_of(len(seqs), 'stroke')} ran without the cutoff ({numbers_of(seqs)}).")
    if proof.outside_limits:
        seqs = [record.seq for record in proof.outside_limits]
        grave(f"{count_of(len(seqs), 'landed part')} outside the limits ({numbers_of(seqs)}).")
    if proof.gaps:
        grave(f"The record of this batch has {count_of(len(proof.gaps), 'gap')}; see below.")
    failed = [test for test in proof.tests if test.passed is False]
    if failed:
        grave(f"{count_of(len(failed), 'destructive test')} failed ({numbers_of([t.seq for t in failed])}).")
    bad = [verdict for verdict in _newest(proof) if verdict.verdict == "bad"]
    if bad:
        grave(f"{count_of(len(bad), 'part')} called bad by people ({numbers_of([v.seq for v in bad])}).")
    if proof.unproven:
        grave("The job was unproven: its setpoint was an estimate that no first part had confirmed.")
    for serial, snapshot, count in proof.calibrations:
        if serial == 0:
            grave(f"{count_of(count, 'stroke')} made without a calibration: no force is known.")
        elif snapshot is None:
            grave(f"Calibration {serial} ({count_of(count, 'stroke')}) was never pulled and cannot be shown.")
        elif snapshot.content["due_unix"] and proof.last_unix > snapshot.content["due_unix"]:
            grave(
                f"Calibration {serial} was due on {when(snapshot.content['due_unix'])}; strokes came after."
            )
    if len(proof.setpoints) > 1:
        what = ", ".join(
            f"{force(point)} for {count_of(count, 'stroke')}" for point, count in proof.setpoints
        )
        grave(f"The setpoint was changed during the batch: {what}.")
    if len(proof.settings) > 1:
        grave("The press settings were changed during the batch.")
    if len(proof.calibrations) > 1:
        grave("The calibration was changed during the batch.")
    if proof.trend is not None and proof.trend.p < TREND_P:
        way = "up" if proof.trend.s > 0 else "down"
        note(
            f"The peaks drift {way}: {force(proof.trend.slope * 100)} in 100 parts (rank test for a trend, "
            f"{chance(proof.trend.p)})."
        )
    for text, seqs in rules_broken(proof):
        note(f"Run chart: {text} ({numbers_of(seqs, 6)}).")
    if proof.ordered and proof.parts < proof.ordered:
        note(f"{proof.parts} of {proof.ordered} parts: the batch is not complete.")
    if len(proof.landed) < len(proof.records):
        note(
            f"{count_of(len(proof.records) - len(proof.landed), 'stroke')} did not land and "
            "are left out of the statistics."
        )
    if not proof.tests:
        note("No destructive test was entered for this batch.")
    if 0 < len(proof.landed) < 25:
        note(f"With {count_of(len(proof.landed), 'landed part')} limits and indices are still soft.")
    if not proof.first_unix:
        note("The device's clock was not set: order is kept by record number and power-up.")
    return sorted(found, key=lambda finding: not finding.grave)


def _newest(proof: Proof) -> list[Verdict]:
    return list({verdict.seq: verdict for verdict in proof.verdicts}.values())


def fact_rows(proof: Proof, units: Preferences) -> list[tuple[str, str]]:
    """Who, what, when."""
    force = forces(units)
    rows = [
        ("job", f"{clean(proof.name)} (slot {proof.batch.job}), batch {proof.batch.number} on this device"),
        ("setpoint", ", ".join(force(point) for point, _ in proof.setpoints)),
        ("parts", f"{proof.parts}" + (f" of {proof.ordered}" if proof.ordered else "")),
        ("strokes", f"{len(proof.records)}, of which {len(proof.landed)} landed"),
        ("records", f"{proof.records[0].seq} to {proof.records[-1].seq}"),
        ("time", f"{when(proof.first_unix)} to {when(proof.last_unix)}"),
        ("device", f"{clean(proof.batch.uid)}, {clean(proof.board)}, firmware {clean(', '.join(proof.firmware))}"),
        ("limits", f"{force(proof.limits.below_N)} below to {force(proof.limits.above_N)} above the setpoint; "
                   f"{proof.limits.origin}"),
    ]  # fmt: skip
    if proof.travel is not None and proof.travel.target_m:
        there = sum(record.stop == "depth" for record in proof.records)
        rows.append(
            (
                "depth",
                f"{proof.travel.target_m * 1000:.3f} mm asked for, {there} of {len(proof.records)} stopped there; the "
                "setpoint is a limit on force, and figures of landed parts are of those that force ended",
            )
        )
    for job in proof.jobs[-1:]:
        if job.fields.get("tool_limit_n"):
            rows.append(("tooling", f"rated for {force(float(job.fields['tool_limit_n']))}"))
    return rows


def index_rows(proof: Proof, units: Preferences) -> list[tuple[str, str, str]]:
    """Statistic, value, how it was worked out."""
    force, fine = forces(units, 5), forces(units, 3)
    what = "peak less setpoint" if proof.relative else "peak"
    rows = [
        (
            "mean",
            force(proof.mean_N),
            f"{what} of the landed parts, as the device works it out from pressure",
        ),
        ("standard deviation", fine(proof.sd_N), "of all landed parts (n - 1)"),
        ("outside the limits", f"{len(proof.outside_limits)} of {len(proof.landed)}", proof.limits.origin),
    ]
    if proof.capability is not None and proof.interval is not None:
        level = f"{proof.interval.confidence:.0%}"
        cp, cpk = proof.interval.cp, proof.interval.cpk
        rows += [
            (
                "Cp",
                f"{proof.capability.cp:.2f} ({cp[0]:.2f} to {cp[1]:.2f})",
                f"limits / 6 s, {level} interval by chi-square (NIST/SEMATECH e-Handbook 6.1.6)",
            ),
            (
                "Cpk",
                f"{proof.capability.cpk:.2f} ({cpk[0]:.2f} to {cpk[1]:.2f})",
                f"nearer limit / 3 s, {level} interval by normal approximation (same source)",
            ),
        ]
        if proof.means is not None and proof.means.sd_within > 0 and proof.sd_N:
            rows.append(
                (
                    "scatter within / overall",
                    f"{proof.means.sd_within / proof.sd_N:.2f}",
                    "R-bar / d2 against s; well below 1 means that the level moved during the batch",
                )
            )
    if proof.trend is not None:
        rows.append(
            (
                "trend",
                f"tau {proof.trend.tau:+.2f}, {chance(proof.trend.p)}",
                f"Mann-Kendall; Sen's slope {fine(proof.trend.slope * 100)} in 100 parts",
            )
        )
    return rows


ASSUMES = (
    "Indices and intervals hold for values that are independent, normal and in control: look at the charts "
    "first. Rules of runs: NIST/SEMATECH e-Handbook 6.3.2; with all of them a batch in control still breaks one "
    "about once in 90 parts, so a single hit asks for a look, not for a verdict."
)
CAUTIONS = (
    "steadyram is not a safety-rated control. It never replaces guards, the relief valve, the emergency stop or "
    "two-hand control; local codes and licensed practice come first.",
    "A proof shows what the device recorded. It does not show that a part is good: test parts as your drawing or "
    "customer asks, and enter the results.",
    "Forces are inferred from oil pressure by the calibration named here; they are as good as it is.",
    "Strokes made through the hard-wired bypass are never in the record.",
)


def test_rows(proof: Proof, units: Preferences) -> list[tuple[str, ...]]:
    """Destructive tests: record, setpoint and peak of that part, kind, result, limits, passed, who, note."""
    force = forces(units)
    peaks = {record.seq: float(record["peak_n"]) for record in proof.records}

    def shown(value: float | None, unit: str) -> str:
        if value is None:
            return "–"
        return force(value) if unit == "N" else f"{value:.4g} {unit.replace('*', ' ')}"

    rows: list[tuple[str, ...]] = []
    for test in proof.tests:
        bounds = [
            f"{word} {shown(value, test.unit)}"
            for word, value in (("at least", test.low), ("at most", test.high))
            if value is not None
        ]
        rows.append(
            (
                str(test.seq),
                force(test.setpoint_N),
                force(peaks.get(test.seq)),
                clean(test.kind),
                shown(test.value, test.unit),
                ", ".join(bounds) or "–",
                {True: "passed", False: "FAILED", None: "no limit"}[test.passed],
                clean(test.by),
                clean(test.note),
            )
        )
    return rows


TEST_HEADINGS = ("record", "setpoint", "peak", "test", "result", "limits", "verdict", "by", "note")


def set_rows(proof: Proof) -> list[tuple[str, str, str]]:
    """Settings and calibrations in force: which, how many strokes, what it says."""
    rows = []
    for gen, snapshot, count in proof.settings:
        said = "not in the store: replaced before a pull" if snapshot is None else f"digest {snapshot.digest}"
        rows.append((f"settings, generation {gen}", count_of(count, "stroke"), said))
    for serial, snapshot, count in proof.calibrations:
        if snapshot is None:
            said = "not in the store: replaced before a pull" if serial else "none"
        else:
            content = snapshot.content
            due = when(content["due_unix"]) if content["due_unix"] else "no date set"
            said = f"digest {snapshot.digest}, made {when(content['made_unix'])}, due {due}"
        rows.append((f"calibration {serial}", count_of(count, "stroke"), said))
    return rows


CHANGE_HEADINGS = ("made", "when", "by", "what", "from", "to")


def change_rows(proof: Proof) -> list[tuple[str, ...]]:
    """Changes recorded since the batch before and during this one."""
    history = proof.changes
    return [
        (
            place,
            when(change.fields.get("at_unix", 0)),
            *(clean(change.fields.get(key, "")) for key in ("by", "what", "from", "to")),
        )
        for place, changes in (("before", history.before), ("during", history.during))
        for change in changes
    ]
