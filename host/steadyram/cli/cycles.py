"""`steadyram cycles`: pull the device's log into a store, list it, write it out."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
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
from steadyram.config import NOT_KNOWN, preferences
from steadyram.errors import BadInput
from steadyram.plain_file import write_pieces
from steadyram.units import show_column

_ROWS_A_TABLE = 300
_FORCES = ("setpoint_N", "peak_N", "settled_N")
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
    """Pull records from the device; list, report, export them."""


@cycles.command()
@port_options
@store_option
@json_option
@click.option("--no-traces", is_flag=True, help="Leave the force traces on the device.")
def pull(port: str | None, wire_log: Path | None, store: str | Path, as_json: bool, no_traces: bool) -> None:
    """Fetch the new records of a device into the store.

    Stop it at any moment; the next pull goes on."""
    from steadyram.cycles.pull import pull as pull_into
    from steadyram.cycles.pull import unreadable_in_words
    from steadyram.cycles.store import CycleStore

    with connected(port, wire_log) as dev, CycleStore(store) as into, progress_bar() as progress:
        result = pull_into(dev, into, traces=not no_traces, progress=progress)
        timeless = not dev.now().unix
        total, all_in = into.count(result.uid), into.count_all()
    if as_json:
        print_json(
            {
                "uid": result.uid,
                "records": result.records,
                "traces": result.traces,
                "changes": result.changes,
                "lost": result.lost,
                "unreadable": [list(gap) for gap in result.unreadable],
                "total": total,
                "store": into.path,
            }
        )
        return
    others = f", {all_in} with those of other devices" if all_in > total else ""
    err().print(
        f"{result.records} new records and {result.traces} traces; {into.path} now has {total} records of device "
        f"{result.uid}{others}."
    )
    if timeless:
        err().print(
            "The device's clock is not set, so its records carry no time of day: steadyram device clock."
        )
    if result.unreadable:
        err().print(unreadable_in_words(result))
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
@click.option(
    "--most",
    type=click.IntRange(1, 10_000_000),
    default=300,
    show_default=True,
    help="Show the newest so many.",
)
@json_option
def list_(
    store: str | Path, uid: str | None, job: int | None, first: int, last: int, most: int, as_json: bool
) -> None:
    """List the newest records in the store."""
    from steadyram.cycles.export import each_named, json_lines
    from steadyram.cycles.select import choose_device
    from steadyram.cycles.store import CycleStore

    with CycleStore(store, create=False) as opened:
        chosen = choose_device(opened, uid)
        start = opened.first_of_newest(chosen, most, first, last, job)
        rows = each_named(opened, chosen, start, last, job)
        if as_json:
            for piece in json_lines(rows):
                click.echo(piece, nl=False)
        else:
            _print_tables(rows)
        older = opened.record_before(chosen, start, job)
    if older is not None and older.seq >= first:
        err().print(f"The newest {most} of them; --most has more shown, and cycles export takes all.")


def _print_tables(rows: Iterator[dict[str, Any]]) -> None:
    """Print records a few hundred at a time: one table of all would be held, and measured, whole."""
    units = preferences()
    while chunk := list(islice(rows, _ROWS_A_TABLE)):
        table = Table(
            "no.",
            "job",
            "setpoint",
            "peak",
            "settled",
            "stop",
            "part",
            "marks",
            title=f"forces in {units.force_unit}",
        )
        # One precision for the three columns; a figure that is missing stays so.
        known = [row[key] for row in chunk for key in _FORCES if row[key] is not None]
        texts = iter(show_column(known, "newton", units.force_unit))
        for row in chunk:
            forces = [
                NOT_KNOWN if row[key] is None else next(texts).removesuffix(f" {units.force_unit}")
                for key in _FORCES
            ]
            marks = [flag for flag in row["flags"] if flag not in _USUAL]
            if "cutoff" not in row["flags"]:
                marks.insert(0, "NO CUTOFF")
            if row["fault"]:
                marks.insert(0, row["fault"])
            table.add_row(
                str(row["seq"]),
                plain(row["job_name"] or str(row["job"])),
                *forces,
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
    """Write the records as CSV, JSON or Parquet.

    Every column's name carries its unit.

    Parquet takes every device in the store unless one is chosen.
    """
    if form == "parquet":
        _export_parquet(store, uid, job, first, last, traces, target)
        return
    if traces:
        raise BadInput("Traces go into Parquet only; add --format parquet.")
    from steadyram.cycles.export import csv_lines, each_named, json_lines
    from steadyram.cycles.select import choose_device
    from steadyram.cycles.store import CycleStore

    with CycleStore(store, create=False) as opened:
        counted = _Counted(each_named(opened, choose_device(opened, uid), first, last, job))
        pieces = csv_lines(counted) if form == "csv" else json_lines(counted)
        if target is None:
            for piece in pieces:
                click.echo(piece, nl=False)
            return
        write_pieces(target, pieces)
    err().print(f"{counted.count} records are in {target}.")


class _Counted:
    """Records that are counted as they go by."""

    def __init__(self, rows: Iterator[dict[str, Any]]) -> None:
        self._rows = rows
        self.count = 0

    def __iter__(self) -> Iterator[dict[str, Any]]:
        for row in self._rows:
            self.count += 1
            yield row


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


@cycles.command()
@store_option
@click.option("--out", "target", type=PLACE, required=True, help="The copy, a new file.")
def backup(store: str | Path, target: Path) -> None:
    """Copy a store to a new file, also while it is in use.

    The copy is a whole store."""
    from steadyram.cycles.store import CycleStore

    with CycleStore(store, create=False) as opened:
        opened.copy_to(target)
    err().print(
        f"The copy is {target}; to restore it, name it with --store, or put it in the place of the store with nothing "
        "running and the old one's -wal and -shm files removed."
    )
