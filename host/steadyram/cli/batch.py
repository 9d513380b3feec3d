"""`steadyram batch`: list batches, prove one, enter destructive tests, compare presses."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.table import Table

from steadyram.cli._inputs import INTEGER_MOST, PLACE
from steadyram.cli._session import err, json_option, out, plain, print_json
from steadyram.cli.batch_verdict import (
    checked_text,
    number_option,
    verdict_group,
    why_option,
    withdraw_row,
)
from steadyram.cli.cycles import job_option, store_option, uid_option
from steadyram.config import preferences
from steadyram.errors import BadInput
from steadyram.plain_file import write_whole
from steadyram.units import parse

if TYPE_CHECKING:
    from steadyram.report.compare import Comparison
    from steadyram.report.proof import Proof

_LISTED = 50
_DEPTH_MOST_M = 0.1

batch_option = click.option(
    "--batch",
    "number",
    type=click.IntRange(1, INTEGER_MOST),
    help="Number of the job's batch; the newest if left out.",
)
tolerance_option = click.option(
    "--tolerance",
    metavar="PERCENT|LENGTH",
    help="Limits either side of the setpoint, e.g. '3 %', or of the depth, e.g. '0.05 mm'; the device's own if left "
    "out.",
)


@click.group()
def batch() -> None:
    """Prove a batch, list and compare batches, enter part tests."""


@batch.command("list")
@store_option
@uid_option
@job_option
@json_option
def list_(store: str | Path, uid: str | None, job: int | None, as_json: bool) -> None:
    """List the newest batches of a device."""
    from steadyram.cycles.batches import batch_facts, find_batches, jobs_run
    from steadyram.cycles.select import choose_device
    from steadyram.cycles.store import CycleStore

    with CycleStore(store, create=False) as opened:
        chosen = choose_device(opened, uid)
        jobs = [job] if job is not None else jobs_run(opened, chosen)
        found = [each for slot in jobs for each in find_batches(opened, chosen, slot)]
        found = sorted(found, key=lambda each: each.last_seq)[-_LISTED:]
        facts = [batch_facts(opened, each) for each in found]
    if as_json:
        print_json(
            {
                "batches": [
                    {
                        "uid": each.batch.uid,
                        "job": each.batch.job,
                        "batch": each.batch.number,
                        "first_seq": each.batch.first_seq,
                        "last_seq": each.batch.last_seq,
                        "strokes": each.strokes,
                        "parts": each.parts,
                        "setpoint_low_N": each.setpoint_low_N,
                        "setpoint_high_N": each.setpoint_high_N,
                        "target_low_m": each.target_low_m,
                        "target_high_m": each.target_high_m,
                        "faults": each.faults,
                    }
                    for each in facts
                ]
            }
        )
        return
    units = preferences()
    table = Table("job", "batch", "records", "strokes", "parts", "setpoint", "depth", "faults")
    for each in facts:
        low, high = units.force(each.setpoint_low_N), units.force(each.setpoint_high_N)
        table.add_row(
            str(each.batch.job),
            str(each.batch.number),
            f"{each.batch.first_seq} to {each.batch.last_seq}",
            str(each.strokes),
            str(each.parts),
            low if low == high else f"{low} to {high}",
            _depths(each.target_low_m, each.target_high_m),
            str(each.faults or ""),
        )
    out().print(table)


@batch.command()
@store_option
@uid_option
@job_option
@batch_option
@tolerance_option
@click.option(
    "--subgroup",
    type=click.IntRange(2, 25),
    default=5,
    show_default=True,
    help="Parts a point of the chart of means.",
)
@click.option(
    "--out", "stem", type=PLACE, default="steadyram-proof", show_default=True,
    help="Beginning of the files' names: .html, .pdf, .csv and .xlsx are added.",
)  # fmt: skip
@click.option(
    "--calibration", "journal", type=click.Path(dir_okay=False, path_type=Path),
    help="Journal of the calibration in force: adds the uncertainty of the calibration and of one stroke.",
)  # fmt: skip
@click.option("--title", default="Proof of a batch", show_default=True)
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Paper of the PDF."
)
@json_option
def proof(
    store: str | Path,
    uid: str | None,
    job: int | None,
    number: int | None,
    tolerance: str | None,
    subgroup: int,
    stem: Path,
    journal: Path | None,
    title: str,
    paper: str,
    as_json: bool,
) -> None:
    """Write the proof of a batch for the customer.

    Charts, capability, what changed and what went wrong, as HTML, PDF, CSV and .xlsx."""
    from steadyram.metrology.journal import read_journal

    if journal is not None:
        # Before what the rest needs is loaded: a bad journal is said at once.
        read_journal(journal)
    from steadyram.cycles.batches import choose_batch
    from steadyram.cycles.select import choose_device
    from steadyram.cycles.store import CycleStore
    from steadyram.report.proof import prove, rules_broken
    from steadyram.report.proof_csv import proof_csv
    from steadyram.report.proof_page import render_proof
    from steadyram.report.proof_pdf import proof_pdf
    from steadyram.report.proof_text import headline, proof_findings, sampling_plan
    from steadyram.report.proof_xlsx import proof_xlsx
    from steadyram.report.uncertainty import measured_of, reference_of, uncertainty_facts

    units = preferences()
    ppt, length_m = _tolerance(tolerance)
    with CycleStore(store, create=False) as opened:
        chosen = choose_batch(opened, choose_device(opened, uid), job, number)
        found = prove(opened, chosen, tolerance_ppt=ppt, tolerance_m=length_m, subgroup=subgroup)
        measured = measured_of(opened, chosen.uid)
    setpoints = [force for force, _ in found.setpoints]
    told = uncertainty_facts(journal, found.calibrations, measured, setpoints)
    found = replace(found, uncertainty=tuple(told.items()), reference=reference_of(journal))
    made = int(time.time())
    files = {form: stem.with_name(f"{stem.name}.{form}") for form in ("html", "pdf", "csv", "xlsx")}
    page, table = render_proof(found, units, title=title, made_unix=made), proof_csv(found)
    document = proof_pdf(
        found, units, title=title, made_unix=made, paper="letter" if paper == "letter" else "A4"
    )
    sheet = proof_xlsx(found, units)
    write_whole(files["html"], page)
    write_whole(files["pdf"], document)
    write_whole(files["csv"], table)
    write_whole(files["xlsx"], sheet)
    if not as_json:
        names = ", ".join(str(path) for path in files.values())
        err().print(f"The proof of batch {chosen.number} of job {chosen.job} is in {names}.", soft_wrap=True)
        return
    index, interval, trend, window = found.capability, found.interval, found.trend, found.window
    limits = {"below": found.limits.below, "above": found.limits.above}
    # Every figure stands under a key with its unit; what is not charted is null.
    by_force = found.quantity == "force"
    slope = trend.slope if trend else None
    change = found.pattern.change if found.pattern else None
    two_levels = None if change is None else found.charted[change].seq
    band = None if window is None else {"low": window.low, "high": window.high}
    print_json(
        {
            "files": {form: str(path) for form, path in files.items()},
            "uid": chosen.uid,
            "job": chosen.job,
            "job_name": found.name,
            "batch": chosen.number,
            "strokes": len(found.records),
            "landed": len(found.landed),
            "landed_by": {each: found.landing.count(each) for each in ("force", "depth")},
            "charted": found.quantity,
            "parts": found.parts,
            "setpoints_N": [point for point, _ in found.setpoints],
            "targets_m": [] if by_force else [point for point, _ in found.targets],
            "limits_N": limits if by_force else None,
            "limits_m": None if by_force else limits,
            "window_N": band if window is not None and window.quantity == "force" else None,
            "window_m": band if window is not None and window.quantity == "depth" else None,
            "outside_window": [record.seq for record in found.missed],
            "outside_limits": [record.seq for record in found.outside_limits],
            "mean_N": found.mean if by_force else None,
            "mean_m": None if by_force else found.mean,
            "sd_N": found.sd if by_force else None,
            "sd_m": None if by_force else found.sd,
            "cp": index.cp if index else None,
            "cpk": index.cpk if index else None,
            "cp_interval": list(interval.cp) if interval else None,
            "cpk_interval": list(interval.cpk) if interval else None,
            "capability_judged": found.limits.given,
            "first_parts": found.first_parts,
            "two_levels_from_seq": two_levels,
            "neighbour_correlation": found.pattern.lag1 if found.pattern else None,
            "sampling": sampling_plan(found),
            "confidence": interval.confidence if interval else None,
            "trend_p": trend.p if trend else None,
            "trend_slope_N_per_part": slope if by_force else None,
            "trend_slope_m_per_part": None if by_force else slope,
            "rules_broken": [{"rule": text, "seqs": seqs} for text, seqs in rules_broken(found)],
            "stops": dict(found.stops),
            "tests": len(found.tests),
            "headline": headline(found),
            "odd_parts": found.odd,
            "called_bad": found.called_bad,
            "judgements": [
                {
                    "seq": each.seq,
                    "part": each.part,
                    "press": each.press,
                    "reason": each.reason,
                    "envelope": each.envelope,
                    "provisional": each.provisional,
                    "at_unix": each.at_unix,
                }
                for _, each in sorted(found.judgements.items())
            ],
            "notes": dict(found.notes),
            "store_breaches": list(found.sealed.breaches),
            "store_chain": found.sealed.end,
            "findings": [finding.text for finding in proof_findings(found, units)],
        }
    )


@batch.command()
@store_option
@click.option("--job-name", required=True, help="Name of the job, as it is on the devices.")
@tolerance_option
@json_option
def compare(store: str | Path, job_name: str, tolerance: str | None, as_json: bool) -> None:
    """Compare the newest batch of one job on every press that ran it."""
    from steadyram.cycles.store import CycleStore
    from steadyram.report.compare import compare as compare_job
    from steadyram.report.shown import Shown

    ppt, length_m = _tolerance(tolerance)
    with CycleStore(store, create=False) as opened:
        found = compare_job(opened, job_name, tolerance_ppt=ppt, tolerance_m=length_m)
    if as_json:
        print_json(
            {
                "job_name": job_name,
                "presses": [_press(each) for each in found],
            }
        )
        return
    units = preferences()
    table = Table("press", "landed", "mean off its setpoint", "sd", "Cp", "Cpk", "against the others")
    for each in found:
        index, span, shown = each.proof.capability, each.interval, Shown(each.proof.quantity, units)
        table.add_row(
            f"{plain(each.proof.batch.uid)}, batch {each.proof.batch.number}",
            f"{len(each.proof.landed)} of {len(each.proof.records)}",
            shown.spread(_off(each.proof)),
            shown.spread(each.proof.sd),
            f"{index.cp:.2f}" if index else "–",
            f"{index.cpk:.2f}" if index else "–",
            f"{shown.spread(each.difference)} ({shown.spread(span[0])} to {shown.spread(span[1])})"
            if span
            else "–",
        )
    out().print(table)
    err().print(
        "Differences: peak over setpoint in force at that press's setpoint, or depth less the depth asked for; "
        "Welch's interval, 95 % for all presses together."
    )


def _off(proof: Proof) -> float | None:
    """Return how far the mean is from what was asked for (N, or m of depth)."""
    if proof.mean is None or proof.relative:
        return proof.mean
    return proof.mean - proof.targets[0][0]


def _press(each: Comparison) -> dict[str, object]:
    """One press of a comparison for --json: figures of force or of depth, the others null."""
    proof, by_force = each.proof, each.proof.quantity == "force"
    span = None if each.interval is None else list(each.interval)
    return {
        "uid": proof.batch.uid,
        "batch": proof.batch.number,
        "landed": len(proof.landed),
        "charted": proof.quantity,
        "setpoints_N": [point for point, _ in proof.setpoints],
        "targets_m": [] if by_force else [point for point, _ in proof.targets],
        "mean_N": proof.mean if by_force else None,
        "mean_m": None if by_force else proof.mean,
        "sd_N": proof.sd if by_force else None,
        "sd_m": None if by_force else proof.sd,
        "cp": proof.capability.cp if proof.capability else None,
        "cpk": proof.capability.cpk if proof.capability else None,
        "outside_limits": len(proof.outside_limits),
        "difference_N": each.difference if by_force else None,
        "difference_m": None if by_force else each.difference,
        "difference_interval_N": span if by_force else None,
        "difference_interval_m": None if by_force else span,
    }


@batch.command()
@store_option
@uid_option
@job_option
@batch_option
@click.option("--lot", help="Material lot; an empty text takes it away.")
@click.option("--work-order", "order", help="Work order.")
@click.option("--note", help="Anything worth printing on the proof.")
@click.option("--by", default="", help="Who writes it.")
@json_option
def note(
    store: str | Path,
    uid: str | None,
    job: int | None,
    number: int | None,
    lot: str | None,
    order: str | None,
    note: str | None,
    by: str,
    as_json: bool,
) -> None:
    """Note material lot and work order of a batch.

    The proof prints them."""
    from steadyram.cycles.batches import choose_batch
    from steadyram.cycles.notes import add_note, batch_notes
    from steadyram.cycles.select import choose_device
    from steadyram.cycles.store import CycleStore

    given = {
        name: text for name, text in (("lot", lot), ("order", order), ("note", note)) if text is not None
    }
    if not given:
        raise BadInput("Give --lot, --work-order or --note.")
    for name, text in given.items():
        checked_text(text, f"--{name}" if name != "order" else "--work-order", 120)
    checked_text(by, "--by", 60)
    with CycleStore(store, create=False) as opened:
        chosen = choose_batch(opened, choose_device(opened, uid), job, number)
        for name, text in given.items():
            add_note(opened, chosen, name, text, by, int(time.time()))
        found = batch_notes(opened, chosen)
    if as_json:
        print_json({"uid": chosen.uid, "job": chosen.job, "batch": chosen.number, "notes": found})
        return
    err().print(f"Noted for batch {chosen.number} of job {chosen.job}.")


batch.add_command(verdict_group)


@batch.group("test")
def test_() -> None:
    """Destructive tests of parts: push-out, torque-out and the like."""


@test_.command()
@store_option
@uid_option
@click.option(
    "--record",
    "seq",
    type=click.IntRange(1, INTEGER_MOST),
    required=True,
    help="Number of the part's record.",
)
@click.option("--kind", required=True, help="push-out, torque-out, pull-out, section ... your own word.")
@click.option("--value", required=True, help="Result with its unit: '812 N', '4.1 N*m'.")
@click.option("--low", help="Lowest that passes, with its unit.")
@click.option("--high", help="Highest that passes, with its unit.")
@click.option("--by", default="", help="Who tested.")
@click.option("--note", default="", help="Anything worth keeping.")
@json_option
def add(
    store: str | Path,
    uid: str | None,
    seq: int,
    kind: str,
    value: str,
    low: str | None,
    high: str | None,
    by: str,
    note: str,
    as_json: bool,
) -> None:
    """Enter a result.

    It is kept with the setpoint that the part was pressed to."""
    from steadyram.cycles.select import choose_device
    from steadyram.cycles.store import CycleStore, PartTest

    number, unit = _measured(value, "--value")
    limits: dict[str, float | None] = {}
    for name, text in (("low", low), ("high", high)):
        if text is None:
            limits[name] = None
            continue
        limits[name], other = _measured(text, f"--{name}")
        if other != unit:
            raise BadInput(
                f"--{name} is of another kind than --value; give both as a force or both as a torque."
            )
    check_result(number, limits["low"], limits["high"])
    checked_text(kind, "--kind", 40, needed=True)
    checked_text(by, "--by", 60)
    checked_text(note, "--note", 400)
    with CycleStore(store, create=False) as opened:
        chosen = choose_device(opened, uid)
        cycle = next(opened.cycles(chosen, seq, seq), None)
        if cycle is None:
            raise BadInput(f"{opened.path} has no record {seq} of device {chosen}; pull it first.")
        record = cycle.record
        test = PartTest(
            uid=chosen, job=record["job"], seq=seq, setpoint_N=float(record["setpoint_n"]), kind=kind.strip(),
            value=number, unit=unit, low=limits["low"], high=limits["high"], at_unix=int(time.time()), by=by, note=note,
        )  # fmt: skip
        opened.add_part_test(test)
    if as_json:
        print_json({"uid": chosen, "seq": seq, "setpoint_N": test.setpoint_N, "passed": test.passed})
        return
    verdict = {True: "passed", False: "FAILED", None: "no limit given"}[test.passed]
    err().print(
        f"Record {seq} (setpoint {preferences().force(test.setpoint_N)}): {plain(kind)} {plain(value)}, {verdict}."
    )


@test_.command("list")
@store_option
@uid_option
@job_option
@json_option
def list_tests(store: str | Path, uid: str | None, job: int | None, as_json: bool) -> None:
    """List a job's destructive tests, the withdrawn ones too."""
    from steadyram.cycles.batches import newest_job
    from steadyram.cycles.select import choose_device
    from steadyram.cycles.store import CycleStore

    with CycleStore(store, create=False) as opened:
        chosen = choose_device(opened, uid)
        found = opened.part_tests(chosen, newest_job(opened, chosen) if job is None else job)
    if as_json:
        print_json(
            {
                "tests": [
                    {
                        "number": each.number,
                        "seq": each.seq,
                        "kind": each.kind,
                        "value": each.value,
                        "unit": each.unit,
                        "low": each.low,
                        "high": each.high,
                        "passed": each.passed,
                        "by": each.by,
                        "at_unix": each.at_unix,
                        "withdrawn": each.withdrawn.why if each.withdrawn else None,
                    }
                    for each in found
                ]
            }
        )
        return
    table = Table("number", "record", "result", "by", "withdrawn")
    for each in found:
        why = plain(each.withdrawn.why) if each.withdrawn else ""
        table.add_row(str(each.number), str(each.seq), plain(each.in_words()), plain(each.by), why)
    out().print(table)


@test_.command("withdraw")
@store_option
@uid_option
@number_option
@why_option
@click.option("--by", default="", help="Who withdraws it.")
@json_option
def withdraw_test(store: str | Path, uid: str | None, number: int, why: str, by: str, as_json: bool) -> None:
    """Withdraw a test that was entered by mistake.

    It stays listed with the reason."""
    withdraw_row(store, uid, "part_test", number, why, by, as_json=as_json)


def check_result(value: float, low: float | None, high: float | None) -> None:
    """Refuse a result or limits that no test can have. Raises BadInput."""
    if value < 0.0 or any(each is not None and each < 0.0 for each in (low, high)):
        raise BadInput(
            "A test's result and its limits are forces or torques of 0 or more; leave the sign out."
        )
    if low is not None and high is not None and low > high:
        raise BadInput("--low is above --high, so that no part could pass; exchange them.")


def _measured(text: str, option: str) -> tuple[float, str]:
    """A force in newtons, or a torque in newton metres. Raises BadInput."""
    try:
        return parse(text, "newton", what=option), "N"
    except BadInput as error:
        try:
            return parse(text, "newton * meter", what=option), "N*m"
        except BadInput:
            raise error from None


def _tolerance(text: str | None) -> tuple[float | None, float | None]:
    """Thousandths of a setpoint, or metres of depth; one of them, or none. Raises BadInput."""
    if text is None:
        return None, None
    try:
        found = parse(text, "meter", what="--tolerance")
    except BadInput:
        found = parse(text, "dimensionless", what="--tolerance")
    else:
        if not 0.0 < found <= _DEPTH_MOST_M:
            raise BadInput(
                f"--tolerance is '{text}'; give a length above 0 and up to {_DEPTH_MOST_M * 1e3:g} mm, such as "
                "'0.05 mm'."
            )
        return None, found
    if not 0.0 < found < 1.0:
        raise BadInput(
            f"--tolerance is '{text}'; give a percentage above 0 and below 100, such as '3 %', or for a job that stops "
            "on depth a length, such as '0.05 mm'."
        )
    return found * 1000.0, None


def _depths(low_m: float | None, high_m: float | None) -> str:
    if low_m is None or high_m is None:
        return ""
    return f"{low_m * 1e3:.3f}{'' if low_m == high_m else f' to {high_m * 1e3:.3f}'} mm"
