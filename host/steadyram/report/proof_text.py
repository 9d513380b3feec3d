"""The words of a proof: findings, tables of texts. HTML, PDF and the command line say the same."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from steadyram.config import Preferences
from steadyram.cycles.envelope_watch import PRESS_WORDS
from steadyram.cycles.notes import NAMES
from steadyram.cycles.store import Withdrawal
from steadyram.link.definition import definition
from steadyram.report.landing import value_of
from steadyram.report.page import Finding, clean, when
from steadyram.report.proof import TREND_P, Proof, Window, rules_broken
from steadyram.report.shown import Shown, depth, forces


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


def headline(proof: Proof) -> str:
    """The proof's first line: how many parts, and what is the matter with which."""
    said: list[str] = []
    for part, seqs in proof.odd.items():
        said.append(f"{len(seqs)} {PART_NAMES.get(part, part)} ({numbers_of(seqs)})")
    if proof.called_bad:
        said.append(f"{len(proof.called_bad)} called bad by people ({numbers_of(proof.called_bad)})")
    failed = [test.seq for test in proof.tests if test.passed is False and test.withdrawn is None]
    if failed:
        said.append(f"{count_of(len(failed), 'destructive test')} failed ({numbers_of(failed)})")
    if proof.outside_limits:
        said.append(f"{len(proof.outside_limits)} outside the limits")
    if proof.faults:
        said.append(f"{count_of(len(proof.faults), 'stroke')} ended in a fault")
    if proof.sealed.breaches:
        said.append("the store was edited")
    judged = len(proof.records) - len(proof.not_judged)
    strokes = count_of(len(proof.records), "stroke")
    # Of a part that was not judged nothing is known: that it is none of the odd ones above is no praise.
    left = f"; {len(proof.not_judged)} not judged by their curves" if judged and proof.not_judged else ""
    if not said:
        basis = (
            "no part was judged by its curve"
            if not judged
            else f"no odd part among {judged} judged by their curves"
        )
        return f"{strokes}: {basis}{left}."
    return f"{strokes}: " + ", ".join(said) + left + "."


# A share of strokes that the curve says nothing of from which on that is grave.
MANY_NOT_JUDGED = 0.1

PART_NAMES = {
    "missing": "with hardware missing",
    "double": "doubled",
    "thin": "with a sheet too thin",
    "thick": "with a sheet too thick",
    "soft": "of soft material",
    "hard": "of hard material",
    "early": "with contact too early",
    "late": "with contact too late",
    "odd": "unlike the good parts",
}


def proof_findings(proof: Proof, units: Preferences) -> list[Finding]:
    """What must be known before the batch is trusted, gravest first."""
    shown = Shown(proof.quantity, units)
    found: list[Finding] = []

    def grave(text: str) -> None:
        found.append(Finding(True, text))

    def note(text: str) -> None:
        found.append(Finding(False, text))

    for part, seqs in proof.odd.items():
        grave(
            f"{count_of(len(seqs), 'part')} {PART_NAMES.get(part, part)} by the curve of force ({numbers_of(seqs)}): "
            "take them out of the lot and look at them."
        )
    for breach in proof.sealed.breaches:
        grave(f"The store was edited: {breach}.")
    if proof.sealed.unsealed:
        note(
            f"{count_of(proof.sealed.unsealed, 'record')} pulled by an older steadyram, without digests: whether they "
            "were edited is not known."
        )
    presses = sorted({each.press for each in proof.judgements.values()} - {"sound"})
    for press in presses:
        seqs = [seq for seq, each in sorted(proof.judgements.items()) if each.press == press]
        note(
            f"Drift of the press, apart from the parts: {PRESS_WORDS.get(press, press)} ({numbers_of(seqs, 6)})."
        )
    if not any(each.part != "not judged" for each in proof.judgements.values()):
        note(
            "No part was judged by its curve: that takes traces and 8 learned parts of this job. Missing or double "
            "hardware would not have been seen."
        )
    elif proof.not_judged:
        found.append(
            Finding(
                len(proof.not_judged) > MANY_NOT_JUDGED * len(proof.records),
                f"{len(proof.not_judged)} of {count_of(len(proof.records), 'stroke')} "
                f"{'was' if len(proof.not_judged) == 1 else 'were'} not judged by the curve "
                f"({numbers_of(proof.not_judged)}): missing or double hardware in them would not have been seen. First "
                "parts and strokes that the device ended early are not judged; where they are many, let somebody "
                "look at the press.",
            )
        )
    if proof.provisional:
        note(
            "The parts were compared with an envelope that is provisional: it was learned from this job's own first "
            "parts, which nobody confirmed. Look at 8 parts and call the good ones good."
        )
    if proof.faults:
        names = ", ".join(sorted({str(record.fault) for record in proof.faults}))
        grave(f"{count_of(len(proof.faults), 'stroke')} ended in a fault ({names}).")
    if proof.without_cutoff:
        seqs = [record.seq for record in proof.without_cutoff]
        grave(f"{count_of(len(seqs), 'stroke')} ran without the cutoff ({numbers_of(seqs)}).")
    if proof.outside_limits:
        seqs = [record.seq for record in proof.outside_limits]
        grave(f"{count_of(len(seqs), 'landed part')} outside the limits ({numbers_of(seqs)}).")
    if proof.missed:
        seqs = [record.seq for record in proof.missed]
        grave(f"{count_of(len(seqs), 'stroke')} stopped outside the job's window ({numbers_of(seqs)}).")
    if proof.gaps:
        grave(f"The record of this batch has {count_of(len(proof.gaps), 'gap')}; see below.")
    failed = [test for test in proof.tests if test.passed is False and test.withdrawn is None]
    if failed:
        grave(f"{count_of(len(failed), 'destructive test')} failed ({numbers_of([t.seq for t in failed])}).")
    bad = proof.called_bad
    if bad:
        grave(f"{count_of(len(bad), 'part')} called bad by people ({numbers_of(bad)}).")
    taken = sum(test.withdrawn is not None for test in proof.tests)
    taken += sum(word.withdrawn is not None for word in proof.verdicts)
    if taken:
        note(f"{count_of(taken, 'verdict or test')} withdrawn; they stay listed with the reason.")
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
    changed = [
        ("setpoint" if proof.quantity == "force" else "limit on force", forces(units), proof.setpoints)
    ]
    if proof.quantity == "depth":
        changed.append(("depth asked for", depth, proof.targets))
    for name, say, points in changed:
        if len(points) > 1:
            what = ", ".join(f"{say(point)} for {count_of(count, 'stroke')}" for point, count in points)
            grave(f"The {name} was changed during the batch: {what}.")
    if len(proof.firmware) > 1:
        grave(
            f"The firmware was changed during the batch ({', '.join(proof.firmware)}, as pulled): prove the parts of "
            "each by themselves."
        )
    at_panel = [each for each in proof.changes.during if each.fields.get("by") == "panel"]
    if at_panel:
        what = ", ".join(sorted({clean(str(each.fields.get("what", "?"))) for each in at_panel}))
        grave(
            f"{count_of(len(at_panel), 'change')} made at the panel during the batch ({what}); see the changes."
        )
    if len(proof.settings) > 1:
        grave("The press settings were changed during the batch.")
    if len(proof.calibrations) > 1:
        grave("The calibration was changed during the batch.")
    if proof.trend is not None and proof.trend.p < TREND_P:
        way = "up" if proof.trend.s > 0 else "down"
        note(
            f"The {shown.plural} drift {way}: {shown.spread(proof.trend.slope * 100)} in 100 parts (rank test for a "
            f"trend, {chance(proof.trend.p)})."
        )
    pattern = proof.pattern
    if pattern is not None and pattern.change is not None:
        first = proof.charted[pattern.change].seq
        note(
            f"Two levels: from record {first} on the {shown.plural} lie {shown.spread(abs(pattern.step))} "
            f"{'higher' if pattern.step > 0 else 'lower'} (Pettitt's test, {chance(pattern.change_p)}). Two lots, or a "
            "press that was adjusted? Prove each by itself before an index is trusted."
        )
    if pattern is not None and pattern.alternating:
        note(
            f"High and low {shown.plural} take turns (correlation of neighbours {pattern.lag1:+.2f}): two populations, "
            "such as two nests, two sides or two operators. Mark the parts and prove each by itself."
        )
    elif pattern is not None and pattern.alike:
        note(
            f"Neighbours are alike (correlation {pattern.lag1:+.2f}): the chart's limits, taken from neighbours, are "
            "narrower than the batch, and rules of runs alarm too often."
        )
    _capability(proof, shown, grave, note)
    for text, seqs in rules_broken(proof):
        note(f"Run chart: {text} ({numbers_of(seqs, 6)}).")
    if proof.ordered and proof.parts < proof.ordered:
        note(f"{proof.parts} of {proof.ordered} parts: the batch is not complete.")
    missed = len(proof.records) - len(proof.landed)
    if missed:
        left = "is" if missed == 1 else "are"
        note(f"{count_of(missed, 'stroke')} did not land and {left} left out of the statistics.")
    others = len(proof.landed) - proof.landing.count(proof.quantity)
    if others:
        note(
            f"{count_of(others, 'part')} landed by {'depth' if proof.quantity == 'force' else 'force'}, which came "
            f"first there: figures and charts are of the {len(proof.charted)} that landed by {proof.quantity}."
        )
    if not proof.tests:
        note("No destructive test was entered for this batch.")
    if proof.first_parts:
        note(
            f"{count_of(len(proof.first_parts), 'first part')} ({numbers_of(proof.first_parts)}) came up to the force "
            "from below, by design: a class of its own, left out of figures and charts."
        )
    if not proof.first_unix:
        note("The device's clock was not set: order is kept by record number and power-up.")
    return sorted(found, key=lambda finding: not finding.grave)


# Common practice of the trade for a running process, and the least for which an index says anything.
CPK_WANTED = 1.33
CPK_LOW = 1.0
FEW_PARTS = 8
SOFT_PARTS = 25


def _capability(
    proof: Proof, shown: Shown, grave: Callable[[str], None], note: Callable[[str], None]
) -> None:
    """Judge capability against a tolerance that was given; without one, say what this batch could promise."""
    n = len(proof.charted)
    if 0 < n < FEW_PARTS:
        note(
            f"Too few: {count_of(n, 'part')}. No index says anything of {n}; press {SOFT_PARTS} or more before "
            "capability is judged."
        )
        return
    if 0 < n < SOFT_PARTS:
        note(f"With {count_of(n, 'landed part')} limits and indices are still soft; look at their intervals.")
    if proof.capability is None or proof.interval is None or proof.mean is None or proof.sd is None:
        return
    index, interval = proof.capability, proof.interval
    off = proof.mean - proof.centre
    need = abs(off) + 3.0 * CPK_WANTED * proof.sd
    if not proof.limits.given:
        note(
            f"Capability is not judged: no tolerance was given (--tolerance). Cpk {CPK_WANTED} of this batch "
            f"takes ± {shown.spread(need)} about the {shown.aim}."
        )
        return
    if index.cpk >= CPK_WANTED:
        if interval.cpk[0] < CPK_WANTED:
            note(
                f"Cpk {index.cpk:.2f} reaches {CPK_WANTED}, but its interval begins at {interval.cpk[0]:.2f}: more "
                "parts would settle it."
            )
        return
    todo = (
        f"The level is off by {shown.spread(off)}: bring the mean to the {shown.aim}, the scatter would allow Cp "
        f"{index.cp:.2f}."
        if index.cp >= CPK_WANTED
        else "The scatter is too wide for this tolerance: sort or test every part, then look for the cause (valve, "
        "lots of material, slow feed not fitted), or agree on a tolerance of "
        f"± {shown.spread(need)}."
    )
    say = grave if index.cpk < CPK_LOW else note
    say(
        f"Capability is low: Cpk {index.cpk:.2f} ({interval.cpk[0]:.2f} to {interval.cpk[1]:.2f}), wanted {CPK_WANTED} "
        f"(common practice). {todo}"
    )


REACTION_PLAN = (
    "A part judged missing or double: stop, take the part out of the lot, look at it, and at the one before.",
    "A part outside the limits: stop, mark it, press no more until the cause is named; test the parts back to the last "
    "one that was within.",
    "One point beyond three sigmas: look at that part and at what changed just before; go on when it is named.",
    "Eight in a row on one side, or a drift: check oil temperature, material lot and the calibration's date; verify "
    "the force with the gauge before the next batch.",
    "A fault, a gap or an edited store: keep the parts since the last whole record apart until somebody has decided.",
)


def sampling_plan(proof: Proof) -> str:
    """How many parts to test destructively for 95 % confidence that fewer than one in twenty are bad.

    The smallest n for which a lot of N with ceil(N / 20) bad parts is accepted with none bad in the sample no oftener
    than 5 times in 100: the hypergeometric distribution (textbook; it is what plans of ISO 2859-2 with c = 0 rest on).
    """
    from scipy.stats import hypergeom

    lot = max(len(proof.landed), 1)
    bad = max(1, -(-lot // 20))
    n = next((n for n in range(1, lot + 1) if hypergeom.pmf(0, lot, bad, n) <= 0.05), lot)
    done = [test for test in proof.tests if test.withdrawn is None and test.passed is not None]
    failed = sum(test.passed is False for test in done)
    return (
        f"To show with 95 % confidence that fewer than {bad} of {lot} parts (1 in 20) would fail, test {n} drawn at "
        f"random and accept with none failed (hypergeometric distribution, acceptance number 0). Entered: "
        f"{count_of(len(done), 'test')} with limits, {failed} failed."
    )


def _window(window: Window, units: Preferences) -> str:
    text = depth if window.quantity == "depth" else forces(units)
    return f"{window.quantity} from {text(window.low)} to {text(window.high)}"


def fact_rows(proof: Proof, units: Preferences) -> list[tuple[str, str]]:
    """Who, what, when."""
    force, shown = forces(units), Shown(proof.quantity, units)
    by_force = proof.quantity == "force"
    rows = [
        ("job", f"{clean(proof.name)} (slot {proof.batch.job}), batch {proof.batch.number} on this device"),
        ("setpoint" if by_force else "limit on force", ", ".join(force(point) for point, _ in proof.setpoints)),
        ("parts", f"{proof.parts}" + (f" of {proof.ordered}" if proof.ordered else "")),
        ("strokes", f"{len(proof.records)}, of which {len(proof.landed)} landed"),
        ("records", f"{proof.records[0].seq} to {proof.records[-1].seq}"),
        *((NAMES[name], clean(value)) for name, value in proof.notes.items() if name in NAMES),
        ("time", f"{when(proof.first_unix)} to {when(proof.last_unix)}"),
        ("device", f"{clean(proof.batch.uid)}, {clean(proof.board)}, firmware {clean(', '.join(proof.firmware))}"),
        ("limits", f"{shown.spread(proof.limits.below)} below to {shown.spread(proof.limits.above)} above the "
                   f"{shown.aim}; {proof.limits.origin}"),
    ]  # fmt: skip
    if not by_force:
        there = proof.landing.count("depth")
        asked = ", ".join(depth(point) for point, _ in proof.targets)
        rows[1:1] = [
            (
                "depth",
                f"{asked} asked for, ram travel from the top; {there} of {len(proof.records)} stopped there",
            )
        ]
        if any(job.fields.get("stop_on") == definition().value("stop_on", "first") for job in proof.jobs):
            rows[2] = ("or force", f"{rows[2][1]}, whichever came first")
    if proof.window is not None:
        rows.append(
            ("window", f"{_window(proof.window, units)}; {count_of(len(proof.missed), 'stroke')} outside")
        )
    for job in proof.jobs[-1:]:
        if job.fields.get("tool_limit_n"):
            rows.append(("tooling", f"rated for {force(float(job.fields['tool_limit_n']))}"))
    return [*rows, ("reference of the calibration", clean(proof.reference)), *proof.uncertainty]


def index_rows(proof: Proof, units: Preferences) -> list[tuple[str, str, str]]:
    """Statistic, value, how it was worked out."""
    shown = Shown(proof.quantity, units)
    origin = (
        "as the device works it out from pressure"
        if proof.quantity == "force"
        else "ram travel from the top once settled, by the device's position sensor"
    )
    all_ = (
        "all landed parts" if len(proof.charted) == len(proof.landed) else f"parts landed by {proof.quantity}"
    )
    rows = [
        (
            "mean",
            (shown.spread if proof.relative else shown.fine)(proof.mean),
            f"{shown.named(proof.relative)} of {all_}, {origin}",
        ),
        ("standard deviation", shown.spread(proof.sd), f"of {all_} (n - 1)"),
        ("outside the limits", f"{len(proof.outside_limits)} of {len(proof.landed)}", proof.limits.origin),
    ]
    if proof.capability is not None and proof.interval is not None and len(proof.charted) >= FEW_PARTS:
        against = "" if proof.limits.given else "; not a judgement: no tolerance was given"
        level = f"{proof.interval.confidence:.0%}"
        cp, cpk = proof.interval.cp, proof.interval.cpk
        rows += [
            (
                "Cp",
                f"{proof.capability.cp:.2f} ({cp[0]:.2f} to {cp[1]:.2f})",
                f"limits / 6 s, {level} interval by chi-square (NIST/SEMATECH e-Handbook 6.1.6){against}",
            ),
            (
                "Cpk",
                f"{proof.capability.cpk:.2f} ({cpk[0]:.2f} to {cpk[1]:.2f})",
                f"nearer limit / 3 s, {level} interval by normal approximation (same source)",
            ),
        ]
        if proof.means is not None and proof.means.sd_within > 0 and proof.sd:
            rows.append(
                (
                    "scatter within / overall",
                    f"{proof.means.sd_within / proof.sd:.2f}",
                    "R-bar / d2 against s; well below 1 means that the level moved during the batch",
                )
            )
    if proof.trend is not None:
        rows.append(
            (
                "trend",
                f"tau {proof.trend.tau:+.2f}, {chance(proof.trend.p)}",
                f"Mann-Kendall; Sen's slope {shown.spread(proof.trend.slope * 100)} in 100 parts",
            )
        )
    if proof.quantity == "depth" and proof.charted:
        held = [float(record["settled_n"]) for record in proof.charted]
        force = forces(units)
        rows.append(
            (
                "force at the depth",
                f"{force(min(held))} to {force(max(held))}, mean {force(sum(held) / len(held))}",
                "settled force of the same parts"
                + (f"; window: {_window(proof.window, units)}" if proof.window is not None else ""),
            )
        )
    return rows


ASSUMES = (
    "Indices and intervals hold for values that are independent, normal and in control: look at the charts "
    "first. Rules of runs: NIST/SEMATECH e-Handbook 6.3.2; with all of them a batch in control still breaks one "
    "about once in 90 parts, so a single hit asks for a look, not for a verdict."
)
CAUTIONS = (
    "steadyram is not a safety-rated control. It does not replace guards, the relief valve, the emergency stop or "
    "two-hand control; local codes and licensed practice come first.",
    "A proof shows what the device recorded. It does not show that a part is good: test parts as your drawing or "
    "customer asks, and enter the results.",
    "Forces are inferred from oil pressure by the calibration named here, depths from the sensor on the ram; they are "
    "as good as it is.",
    "Strokes made through the hard-wired bypass are not recorded.",
)


def test_rows(proof: Proof, units: Preferences) -> list[tuple[str, ...]]:
    """Destructive tests: record, setpoint and peak (or depth) of that part, kind, result, limits, passed, who, note."""
    force, held = forces(units), Shown(proof.quantity, units)
    values = {record.seq: value_of(record, proof.quantity) for record in proof.records}

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
                held.value(values.get(test.seq)),
                clean(test.kind),
                shown(test.value, test.unit),
                ", ".join(bounds) or "–",
                {True: "passed", False: "FAILED", None: "no limit"}[test.passed]
                if test.withdrawn is None
                else _taken(test.withdrawn),
                when(test.at_unix),
                clean(test.by),
                clean(test.note),
            )
        )
    return rows


def _taken(taken: Withdrawal) -> str:
    return clean(f"withdrawn {when(taken.at_unix)} by {taken.by or 'nobody named'}: {taken.why}")


WORD_HEADINGS = ("record", "verdict", "why", "by", "when")


def word_rows(proof: Proof) -> list[tuple[str, ...]]:
    """What people said: record, verdict, why, by, when."""
    return [
        (
            str(each.seq),
            clean(each.verdict)
            if each.withdrawn is None
            else f"{clean(each.verdict)}, {_taken(each.withdrawn)}",
            clean(each.why),
            clean(each.by),
            when(each.at_unix),
        )
        for each in proof.verdicts
    ]


ODD_HEADINGS = ("record", "part", "press", "why", "envelope", "when")


def odd_rows(proof: Proof, most: int = 60) -> list[tuple[str, ...]]:
    """What the signature said of the parts that stood out, or of a press that drifted."""
    rows: list[tuple[str, ...]] = []
    for seq, each in sorted(proof.judgements.items()):
        if each.odd or each.press != "sound":
            version = f"{each.envelope}{', provisional' if each.provisional else ''}"
            made = when(each.at_unix) if each.at_unix else "for this proof"
            rows.append((str(seq), each.part, each.press, clean(each.reason), version, made))
    return rows[:most]


def test_headings(proof: Proof) -> tuple[str, ...]:
    """Headings of `test_rows`."""
    what = ("setpoint", "peak") if proof.quantity == "force" else ("limit on force", "depth")
    return ("record", *what, "test", "result", "limits", "verdict", "when", "by", "note")


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
