"""`steadyram commission`: the printable record, filled in with what device and wiring tell."""

from __future__ import annotations

import os
from pathlib import Path

import click

from steadyram.cli._session import connected, err, port_options, said_if_stopped
from steadyram.cli.iocheck import AtTheKeyboard
from steadyram.errors import BadInput
from steadyram.install.doctor import wiring
from steadyram.install.iocheck import Walk
from steadyram.install.record import fill


@click.command()
@click.argument("out", type=click.Path(dir_okay=False, path_type=Path))
@port_options
@click.option(
    "--walk", is_flag=True, help="Do the walk through the wiring (iocheck) first; HYDRAULICS ISOLATED."
)
def commission(out: Path, port: str | None, wire_log: Path | None, walk: bool) -> None:
    """Write the commissioning record to OUT (Markdown), filled in as far as the device knows.

    Steps that only a person can see stay empty. steadyram is not a safety-rated control; the record proves
    nothing about guards, two-hand control or the emergency stop.
    """
    if not out.parent.is_dir():
        raise BadInput(f"The folder {out.parent} is not there; make it first.")
    with connected(port, wire_log) as device:
        with said_if_stopped(lambda: f"Nothing was changed on the device; {out} was not written."):
            walked = Walk(device, AtTheKeyboard()).run() if walk else []
        good = all(finding.level != "bad" for finding in wiring(device.now(), device))
        text = fill(device, walked, good)
    fresh = out.with_name(out.name + ".new")
    try:
        fresh.write_text(text, encoding="utf-8")
        os.replace(fresh, out)
    except OSError as error:
        raise BadInput(f"The record {out} cannot be written ({error.strerror}).") from None
    err().print(f"Written to {out}; print it and fill in what is empty.")
