"""`steadyram device report`: the printable record, filled in with what device and wiring tell."""

from __future__ import annotations

from pathlib import Path

import click

from steadyram.cli._inputs import PLACE
from steadyram.cli._session import connected, err, port_options, said_if_stopped
from steadyram.cli.iocheck import AtTheKeyboard
from steadyram.install.doctor import wiring
from steadyram.install.iocheck import Walk
from steadyram.install.record import fill
from steadyram.plain_file import write_whole


@click.command()
@click.argument("out", type=PLACE)
@port_options
@click.option(
    "--walk", is_flag=True, help="Do the walk through the wiring (iocheck) first; HYDRAULICS ISOLATED."
)
def commission(out: Path, port: str | None, wire_log: Path | None, walk: bool) -> None:
    """Write the commissioning record, as far as it is known.

    OUT is a Markdown file, filled in as far as the device has the figures.

    Steps that only a person can see stay empty. steadyram is not a safety-rated control; the record proves
    nothing about guards, two-hand control or the emergency stop.
    """
    with connected(port, wire_log) as device:
        with said_if_stopped(lambda: f"Nothing was changed on the device; {out} was not written."):
            walked = Walk(device, AtTheKeyboard()).run() if walk else []
        good = all(finding.level != "bad" for finding in wiring(device.now(), device))
        text = fill(device, walked, good)
    write_whole(out, text)
    err().print(f"Written to {out}; print it and fill in what is empty.")
