"""`steadyram virtual`: a press that is not there, served as a serial line."""

from __future__ import annotations

import sys
import time
from contextlib import ExitStack
from pathlib import Path
from typing import Literal

import click

from steadyram.cli._inputs import FOLDER


@click.command("virtual")
@click.option(
    "--press", "press_file", type=click.Path(path_type=Path), help="Press file (TOML); built-in if left out."
)
@click.option(
    "--listen", default="127.0.0.1:0", show_default=True, help="HOST:PORT; port 0 has a free one picked."
)
@click.option("--pty", is_flag=True, help="Offer a pseudo-terminal, too; its path goes to standard error.")
@click.option(
    "--realtime", is_flag=True, help="One second a second; without, as fast as there is something to do."
)
@click.option(
    "--seed", type=click.IntRange(0, 2**31 - 1), default=0, show_default=True, help="Of every random draw."
)
@click.option(
    "--runtime", type=click.Choice(["micropython", "cpython"]), default="micropython", show_default=True,
    help="Interpreter that runs the firmware.",
)  # fmt: skip
@click.option("--state", type=FOLDER, help="Folder that keeps the board's flash.")
@click.option(
    "--operator", type=click.Choice(["auto", "none", "stdin"]), default="none", show_default=True,
    help="auto works through the active job's batch; stdin reads action lines (type help).",
)  # fmt: skip
@click.option(
    "--enable-changes", is_flag=True, help="Someone holds the panel's enable button when changes are closed."
)
@click.option(
    "--operator-listen", metavar="HOST:PORT",
    help="A second port, for action lines (type help; feet come off when it closes); its URL goes to standard error, "
    "and --hands takes it.",
)  # fmt: skip
@click.option(
    "--update-fails", is_flag=True,
    help="A version that `install` brings does not start: the board goes back to the one before.",
)  # fmt: skip
@click.option(
    "--fault", "faults", multiple=True, metavar="NAME@WHEN", help="Fault at a cycle or time; repeatable."
)
def virtual(
    press_file: Path | None,
    listen: str,
    pty: bool,
    realtime: bool,
    seed: int,
    runtime: Literal["micropython", "cpython"],
    state: Path | None,
    operator: str,
    enable_changes: bool,
    operator_listen: str | None,
    update_fails: bool,
    faults: tuple[str, ...],
) -> None:
    """Serve a simulated press as a serial line, for tests.

    It runs in the foreground.

    Prints one line on standard output, `ready URL`, once it accepts; --port of the other commands takes the
    URL. SIGTERM or Ctrl-C end it.
    """
    from steadyram.virtual.default_press import default_press
    from steadyram.virtual.operator import SEAL_S
    from steadyram.virtual.press import VirtualPress
    from steadyram.virtual.script import Person, hold_enable, play
    from steadyram.virtual.server import PressServer, parse_listen, stopped_by_signals

    address = parse_listen(listen)
    person = None
    if operator == "auto" or enable_changes:
        person = Person(work=operator == "auto", keep_open=enable_changes)
    with ExitStack() as stack:
        press = stack.enter_context(
            VirtualPress(
                press_file or default_press(),
                seed,
                runtime,
                state,
                wall_unix=int(time.time()),
                update_fails=update_fails,
            )
        )
        if enable_changes and not faults:
            # Open by the time that `ready` is printed; later on the person sees to it.
            press.run(0.5)
            play(press, hold_enable(press, SEAL_S))
        for fault in faults:
            press.inject(fault)
        server = PressServer(
            press,
            listen=address,
            pty=pty,
            realtime=realtime,
            person=person,
            operator_listen=None if operator_listen is None else parse_listen(operator_listen),
            actions=sys.stdin.fileno() if operator == "stdin" else None,
        )
        stack.callback(server.close)
        stack.enter_context(stopped_by_signals(server))
        click.echo(f"firmware on {press.runtime}", err=True)
        if server.pty_path is not None:
            click.echo(f"pty {server.pty_path}", err=True)
        if server.hands_url is not None:
            click.echo(f"hands {server.hands_url}", err=True)
        click.echo(f"ready {server.url}")
        sys.stdout.flush()
        server.serve()
