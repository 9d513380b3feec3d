"""`steadyram cycles`: pull the device's log into a store, list it, write it out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
from rich.table import Table

from steadyram.cli._inputs import INTEGER_MOST, PLACE
from steadyram.cli._session import (
    connected,
    err,
    json_option,
    out,
    plain,
    port_options,
    print_json,
    progress_bar,
)
from steadyram.cli._store import STORE_ADDRESS
from steadyram.config import preferences
from steadyram.errors import BadInput
from steadyram.plain_file import write_whole

STORE_DEFAULT = "steadyram-cycles.db"

# Marks that most records carry and that call for nobody's attention.
_USUAL = ("cutoff", "learned", "slow", "dwelt")

store_option = click.option(
    "--store",
    type=STORE_ADDRESS,
    default=STORE_DEFAULT,
    envvar="STEADYRAM_STORE",
    show_default=True,
    help="The store: an SQLite file, or postgresql://USER@HOST/NAME.",
)
uid_option = click.option("--device", "uid", metavar="UID", help="Which device, when the store has several.")
job_option = click.option("--job", type=click.IntRange(0, 1000), help="Only this job's slot.")
from_option = click.option(
    "--from", "first", type=click.IntRange(0, INTEGER_MOST), default=0, help="First record number."
)
to_option = click.option(
    "--to",
    "last",
    type=click.IntRange(0, INTEGER_MOST),
    default=INTEGER_MOST,
    help="Last record number.",
    show_default=False,
)


@click.group()
def cycles() -> None:
    """Pull cycle records from the device, list them, write them out."""


@cycles.command()
@port_options
@store_option
@json_option
@click.option("--no-traces", is_flag=True, help="Leave the force traces on the device.")
def pull(port: str | None, wire_log: Path | None, store: str | Path, as_json: bool, no_traces: bool) -> None:
    """Bring the store up to date; may be stopped at any moment and run again."""
    from steadyram.cycles.pull import pull as pull_into
    from steadyram.cycles.store import CycleStore

    with connected(port, wire_log) as dev, CycleStore(store) as into, progress_bar() as progress:
        result = pull_into(dev, into, traces=not no_traces, progress=progress)
    if as_json:
        print_json(
            {
                "uid": result.uid,
                "records": result.records,
                "traces": result.traces,
                "changes": result.changes,
                "lost": result.lost,
                "total": result.total,
                "store": into.path,
            }
        )
        return
    err().print(
        f"{result.records} new records and {result.traces} traces; {into.path} now has {result.total} records."
    )
    if result.lost:
        err().print(
            f"{result.lost} records were overwritten on the device before this pull; pull more often."
        )


@cycles.command("list")
@store_option
@uid_option
@job_option
@from_option
@to_option
@json_option
def list_(store: str | Path, uid: str | None, job: int | None, first: int, last: int, as_json: bool) -> None:
    """List the records in the store."""
    rows = _rows(store, uid, job, first, last)
    if as_json:
        print_json({"cycles": rows})
        return
    units = preferences()
    table = Table("no.", "job", "setpoint", "peak", "settled", "stop", "part", "marks")
    for row in rows:
        marks = [flag for flag in row["flags"] if flag not in _USUAL]
        if "cutoff" not in row["flags"]:
            marks.insert(0, "NO CUTOFF")
        if row["fault"]:
            marks.insert(0, row["fault"])
        table.add_row(
            str(row["seq"]),
            plain(row["job_name"] or str(row["job"])),
            units.force(row["setpoint_N"]),
            units.force(row["peak_N"]),
            units.force(row["settled_N"]),
            row["stop"],
            str(row["count"]),
            " ".join(marks),
        )
    out().print(table)


@cycles.command()
@store_option
@uid_option
@job_option
@from_option
@to_option
@click.option(
    "--format", "form", type=click.Choice(["csv", "json", "parquet"]), default="csv", show_default=True
)
@click.option("--traces", is_flag=True, help="With the force traces (Parquet only).")
@click.option("--out", "target", type=PLACE, help="Default: standard output.")
def export(
    store: str | Path,
    uid: str | None,
    job: int | None,
    first: int,
    last: int,
    form: str,
    traces: bool,
    target: Path | None,
) -> None:
    """Write the records as CSV, JSON or Parquet; every column's name carries its unit.

    Parquet takes every device in the store unless one is chosen.
    """
    if form == "parquet":
        _export_parquet(store, uid, job, first, last, traces, target)
        return
    if traces:
        raise BadInput("Traces go into Parquet only; add --format parquet.")
    from steadyram.cycles.export import as_csv, as_json_text

    rows = _rows(store, uid, job, first, last)
    text = as_csv(rows) if form == "csv" else as_json_text(rows)
    if target is None:
        click.echo(text, nl=False)
        return
    write_whole(target, text)
    err().print(f"{len(rows)} records are in {target}.")


def _export_parquet(
    store: str | Path,
    uid: str | None,
    job: int | None,
    first: int,
    last: int,
    traces: bool,
    target: Path | None,
) -> None:
    from steadyram.cycles.parquet import write_parquet
    from steadyram.cycles.select import choose_device
    from steadyram.cycles.store import CycleStore

    if target is None:
        raise BadInput("Parquet is no text: name a file with --out.")
    with CycleStore(store, create=False) as opened, progress_bar() as progress:
        uids = [device.uid for device in opened.devices()] if uid is None else [choose_device(opened, uid)]
        total = sum(opened.count(each) for each in uids)
        written = write_parquet(
            opened, uids, target, first=first, last=last, job=job, traces=traces,
            progress=lambda rows: progress("records", rows, max(total, rows)),
        )  # fmt: skip
    err().print(f"{written} records are in {target}.")


def _rows(store: str | Path, uid: str | None, job: int | None, first: int, last: int) -> list[dict[str, Any]]:
    from steadyram.cycles.export import named_cycles
    from steadyram.cycles.select import choose_device
    from steadyram.cycles.store import CycleStore

    with CycleStore(store, create=False) as opened:
        return named_cycles(opened, choose_device(opened, uid), first, last, job)
