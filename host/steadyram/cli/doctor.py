"""`steadyram doctor`: what is wrong between computer, port, board and wiring."""

from __future__ import annotations

import json
import os
import sys
from dataclasses import asdict
from pathlib import Path

import click
from rich.table import Table

from steadyram.cli._session import json_option, out, plain, print_json
from steadyram.device import Device
from steadyram.errors import BadInput
from steadyram.install.doctor import examine, look_at_ports
from steadyram.install.finding import Finding
from steadyram.install.self_test import Row, self_test
from steadyram.link.client import Client
from steadyram.link.discover import PORT_VARIABLE
from steadyram.link.transport import open_transport

_COLOURS = {"good": "green", "look": "yellow", "bad": "red"}


@click.command()
@click.option("--port", metavar="PORT", help=f"Serial port or socket://HOST:PORT (or {PORT_VARIABLE}).")
@click.option("--board", is_flag=True, help="Also have the board measure itself, beside an emulated one.")
@click.option(
    "--out",
    "out_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="With --board: write what it measured into this file, to send with a report.",
)
@json_option
def doctor(port: str | None, board: bool, out_file: Path | None, as_json: bool) -> None:
    """Check port, version and wiring, and say what to do.

    Exit 0 when nothing is bad, 5 otherwise.
    """
    if out_file is not None and not board:
        raise BadInput("--out is for what the board measures: give --board, too.")
    found, name = look_at_ports(port or os.environ.get(PORT_VARIABLE) or None)
    if name is not None:
        found += examine(name)
    table: list[Row] = []
    # Without a firmware that answers there is nothing to measure, and what is wrong has been said.
    if board and name is not None and any(" answers on board " in finding.what for finding in found):
        table = _measure(name, out_file)
        found += [
            Finding("bad", f"The board's {row.name} is {row.value:g} {row.unit}".rstrip() + f"; {row.limit}.")
            for row in table
            if row.good is False
        ]
    if as_json:
        # Empty where the board was not asked to measure itself, or no firmware answered.
        rows = [asdict(row) for row in table]
        print_json({"findings": [asdict(finding) for finding in found], "board": rows})
    else:
        for finding in found:
            out().print(f"[{_COLOURS[finding.level]}]{finding.level:4}[/] {plain(finding.what)}")
            if finding.do:
                out().print(f"     -> {plain(finding.do)}")
        if table:
            _show(table)
    if any(finding.level == "bad" for finding in found):
        sys.exit(5)


def _measure(port: str, out_file: Path | None) -> list[Row]:
    device = Device(Client(open_transport(port)))
    try:
        rows, document = self_test(device)
    finally:
        device.close()
    if out_file is not None:
        try:
            out_file.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
        except OSError as error:
            raise BadInput(f"{out_file} cannot be written: {error.strerror}.") from None
    return rows


def _show(rows: list[Row]) -> None:
    table = Table("board", "this one", "emulated", "limit", "", box=None)
    for row in rows:
        value = "not known" if row.value is None else f"{row.value:,.0f} {row.unit}".rstrip()
        mark = "" if row.good is None else "good" if row.good else "bad"
        table.add_row(row.name, value, row.emulated, row.limit, mark)
    out().print(table)
