"""`steadyram batch`: list batches, prove one, enter destructive tests, compare presses."""

from __future__ import annotations

import time
from pathlib import Path

import click
from rich.table import Table

from steadyram.cli._session import err, json_option, out, plain, print_json
from steadyram.cli.cycles import job_option, store_option, uid_option, write_whole
from steadyram.config import preferences
from steadyram.errors import BadInput
from steadyram.units import parse

_LISTED = 50

batch_option = click.option(
    "--batch", "number", type=click.IntRange(1), help="Number of the job's batch; the newest if left out."
)
tolerance_option = click.option(
    "--tolerance",
    metavar="PERCENT",
    help="Limits either side of the setpoint, e.g. '3 %'; the device's band if left out.",
)


@click.group()
def batch() -> None:
    """Batches: list them, prove one, enter destructive tests, compare presses."""


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
                        "faults": each.faults,
                    }
                    for each in facts
                ]
            }
        )
        return
    units = preferences()
    table = Table("job", "batch", "records", "strokes", "parts", "setpoint", "faults")
    for each in facts:
        low, high = units.force(each.setpoint_low_N), units.force(each.setpoint_high_N)
        table.add_row(
            str(each.batch.job),
            str(each.batch.number),
            f"{each.batch.first_seq} to {each.batch.last_seq}",
            str(each.strokes),
            str(each.parts),
            low if low == high else f"{low} to {high}",
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
    "--out", "stem", type=click.Path(path_type=Path), default="steadyram-proof", show_default=True,
    help="Beginning of the files' names: .html, .pdf and .csv are added.",
)  # fmt: skip
@click.option("--title", default="Proof of a batch", show_default=True)
@json_option
def proof(
    store: str | Path,
    uid: str | None,
    job: int | None,
    number: int | None,
    tolerance: str | None,
    subgroup: int,
    stem: Path,
    title: str,
    as_json: bool,
) -> None:
    """Prove a batch: charts, capability, what changed and what went wrong, as HTML, PDF and CSV."""
    from steadyram.cycles.batches import choose_batch
    from steadyram.cycles.select import choose_device
    from steadyram.cycles.store import CycleStore
    from steadyram.report.proof import prove, rules_broken
    from steadyram.report.proof_csv import proof_csv
    from steadyram.report.proof_page import render_proof
    from steadyram.report.proof_pdf import proof_pdf
    from steadyram.report.proof_text import proof_findings

    units = preferences()
    ppt = _tolerance(tolerance)
    with CycleStore(store, create=False) as opened:
        chosen = choose_batch(opened, choose_device(opened, uid), job, number)
        found = prove(opened, chosen, tolerance_ppt=ppt, subgroup=subgroup)
    made = int(time.time())
    files = {form: stem.with_name(f"{stem.name}.{form}") for form in ("html", "pdf", "csv")}
    page, table = render_proof(found, units, title=title, made_unix=made), proof_csv(found)
    document = proof_pdf(found, units, title=title, made_unix=made)
    write_whole(files["html"], page)
    write_whole(files["pdf"], document)
    write_whole(files["csv"], table)
    if not as_json:
        names = ", ".join(str(path) for path in files.values())
        err().print(f"The proof of batch {chosen.number} of job {chosen.job} is in {names}.", soft_wrap=True)
        return
    index, interval, trend = found.capability, found.interval, found.trend
    print_json(
        {
            "files": {form: str(path) for form, path in files.items()},
            "uid": chosen.uid,
            "job": chosen.job,
            "job_name": found.name,
            "batch": chosen.number,
            "strokes": len(found.records),
            "landed": len(found.landed),
            "parts": found.parts,
            "setpoints_N": [point for point, _ in found.setpoints],
            "limits_N": {"below": found.limits.below_N, "above": found.limits.above_N},
            "outside_limits": [record.seq for record in found.outside_limits],
            "mean_N": found.mean_N,
            "sd_N": found.sd_N,
            "cp": index.cp if index else None,
            "cpk": index.cpk if index else None,
            "cp_interval": list(interval.cp) if interval else None,
            "cpk_interval": list(interval.cpk) if interval else None,
            "confidence": interval.confidence if interval else None,
            "trend_p": trend.p if trend else None,
            "trend_slope_N_per_part": trend.slope if trend else None,
            "rules_broken": [{"rule": text, "seqs": seqs} for text, seqs in rules_broken(found)],
            "stops": dict(found.stops),
            "tests": len(found.tests),
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
    from steadyram.report.proof_text import forces

    with CycleStore(store, create=False) as opened:
        found = compare_job(opened, job_name, tolerance_ppt=_tolerance(tolerance))
    if as_json:
        print_json(
            {
                "job_name": job_name,
                "presses": [
                    {
                        "uid": each.proof.batch.uid,
                        "batch": each.proof.batch.number,
                        "landed": len(each.proof.landed),
                        "setpoints_N": [point for point, _ in each.proof.setpoints],
                        "mean_N": each.proof.mean_N,
                        "sd_N": each.proof.sd_N,
                        "cp": each.proof.capability.cp if each.proof.capability else None,
                        "cpk": each.proof.capability.cpk if each.proof.capability else None,
                        "outside_limits": len(each.proof.outside_limits),
                        "difference_N": each.difference_N,
                        "difference_interval_N": each.interval_N and list(each.interval_N),
                    }
                    for each in found
                ],
            }
        )
        return
    units = preferences()
    force = forces(units, 3)
    table = Table("press", "landed", f"mean, {units.force_unit}", "sd", "Cp", "Cpk", "against the others")
    for each in found:
        index, span = each.proof.capability, each.interval_N
        mean, sd, off, low, high = (
            force(value).split()[0]
            for value in (each.proof.mean_N, each.proof.sd_N, each.difference_N, *(span or (None, None)))
        )
        table.add_row(
            f"{plain(each.proof.batch.uid)}, batch {each.proof.batch.number}",
            f"{len(each.proof.landed)} of {len(each.proof.records)}",
            mean,
            sd,
            f"{index.cp:.2f}" if index else "–",
            f"{index.cpk:.2f}" if index else "–",
            f"{off} ({low} to {high})" if span else "–",
        )
    out().print(table)
    err().print(
        "Differences: peak over setpoint, Welch's interval at 95 %, in newtons at that press's setpoint."
    )


@batch.group("test")
def test_() -> None:
    """Destructive tests of parts: push-out, torque-out and the like."""


@test_.command()
@store_option
@uid_option
@click.option("--record", "seq", type=click.IntRange(1), required=True, help="Number of the part's record.")
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
    """Enter a result; it is kept with the setpoint that the part was pressed to."""
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
    for text, option, most in ((kind, "--kind", 40), (by, "--by", 60), (note, "--note", 400)):
        if len(text) > most or not text.isprintable() or (option == "--kind" and not text.strip()):
            raise BadInput(f"{option} is 1 to {most} printable signs.")
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


def _measured(text: str, option: str) -> tuple[float, str]:
    """A force in newtons, or a torque in newton metres. Raises BadInput."""
    try:
        return parse(text, "newton", what=option), "N"
    except BadInput as error:
        try:
            return parse(text, "newton * meter", what=option), "N*m"
        except BadInput:
            raise error from None


def _tolerance(text: str | None) -> float | None:
    if text is None:
        return None
    found = parse(text, "dimensionless", what="--tolerance")
    if not 0.0 < found < 1.0:
        raise BadInput(f"--tolerance is '{text}'; give a percentage above 0 and below 100, such as '3 %'.")
    return found * 1000.0


def register(group: click.Group) -> None:
    """Add the command group."""
    group.add_command(batch)
