"""What every command with a device shares: the port option, the connection, printing."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import click
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from steadyram.cli._inputs import PLACE
from steadyram.cli._store import STORE_ADDRESS
from steadyram.device import Device
from steadyram.errors import Stopped
from steadyram.link.client import Client
from steadyram.link.discover import PORT_VARIABLE, choose_port
from steadyram.link.transport import open_transport

F = TypeVar("F", bound=Callable[..., Any])

json_option = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")


def port_options(command: F) -> F:
    """Options that say which device to talk to."""
    command = click.option(
        "--wire-log",
        type=PLACE,
        help="Append every exchange with the device to this file.",
    )(command)
    return click.option(
        "--port",
        metavar="PORT",
        help=f"Serial port, pseudo-terminal or socket://HOST:PORT (or {PORT_VARIABLE}, or the one found).",
    )(command)


keep_option = click.option(
    "--store",
    type=STORE_ADDRESS,
    envvar="STEADYRAM_STORE",
    help="Note the old and the new set in this cycle store, so that reports on older strokes can show them.",
)


@contextmanager
def connected(port: str | None, wire_log: Path | None = None) -> Iterator[Device]:
    """An open device that has said who it is; closed at the end whatever happens."""
    device = Device(Client(open_transport(choose_port(port), wire_log)))
    try:
        device.hello()
        yield device
    finally:
        device.close()


def tell_if_closed(device: Device) -> None:
    """Say before anything is asked that the device takes no change now, and what opens it."""
    if device.now().changes_left_s <= 0:
        err().print("Changes are closed: hold the panel's knob until it shows CHANGES OPEN, then go on.")


def print_json(document: Any) -> None:
    """Write one JSON document to standard output."""
    click.echo(json.dumps(document, indent=2, allow_nan=False))


def out() -> Console:
    """Console for what was asked for."""
    return Console(highlight=False)


def err() -> Console:
    """Console for progress and messages."""
    return Console(stderr=True, highlight=False)


def plain(text: str) -> str:
    """Text from a file or a device, safe in rich markup and without control characters."""
    return escape("".join(char if char.isprintable() else "?" for char in text))


@contextmanager
def said_if_stopped(what: Callable[[], str]) -> Iterator[None]:
    """Raises Stopped with the sentence that `what` gives when a person stops it (Ctrl-C, end of input, "no")."""
    try:
        yield
    except (KeyboardInterrupt, click.Abort):
        click.echo(err=True)  # the line where it was stopped
        raise Stopped(f"Stopped. {what()}") from None


@contextmanager
def progress_bar(prompts: bool = False) -> Iterator[Callable[[str, int, int], None]]:
    """A progress function (what, done, of how many) with a bar a thing on standard error.

    prompts: a person is asked in between, so each step is a line of its own: a bar would run into the prompts.
    """
    if prompts:
        yield lambda what, done, total: click.echo(f"{what}: {done} of {total}", err=True)
        return
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=err(), transient=True) as bars:
        tasks: dict[str, Any] = {}

        def update(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = bars.add_task(what, total=total)
            bars.update(tasks[what], completed=done, total=total)

        yield update
