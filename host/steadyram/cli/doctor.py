"""`steadyram doctor`: what is wrong between computer, port, board and wiring."""

from __future__ import annotations

import os
import sys
from dataclasses import asdict

import click

from steadyram.cli._session import json_option, out, plain, print_json
from steadyram.install.doctor import examine, look_at_ports
from steadyram.link.discover import PORT_VARIABLE

_COLOURS = {"good": "green", "look": "yellow", "bad": "red"}


@click.command()
@click.option("--port", metavar="PORT", help=f"Serial port or socket://HOST:PORT (or {PORT_VARIABLE}).")
@json_option
def doctor(port: str | None, as_json: bool) -> None:
    """Look at the port, the permission, the version and the wiring; say in plain words what to do.

    Exit 0 when nothing is bad, 5 otherwise.
    """
    found, name = look_at_ports(port or os.environ.get(PORT_VARIABLE))
    if name is not None:
        found += examine(name)
    if as_json:
        print_json({"findings": [asdict(finding) for finding in found]})
    else:
        for finding in found:
            out().print(f"[{_COLOURS[finding.level]}]{finding.level:4}[/] {plain(finding.what)}")
            if finding.do:
                out().print(f"     -> {plain(finding.do)}")
    if any(finding.level == "bad" for finding in found):
        sys.exit(5)
