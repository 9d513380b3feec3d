"""`steadyram try`: a simulated press to play with, in a browser."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Literal

import click


@click.command("try")
@click.option(
    "--press",
    "press_file",
    type=click.Path(path_type=Path),
    help="Press file (TOML); the built-in press if left out.",
)
@click.option(
    "--listen", default="127.0.0.1:8610", show_default=True, help="HOST:PORT; port 0 has a free one picked."
)
@click.option(
    "--seed", type=click.IntRange(0, 2**31 - 1), default=0, show_default=True, help="Of every random draw."
)
@click.option(
    "--runtime", type=click.Choice(["micropython", "cpython"]), default="micropython", show_default=True,
    help="Interpreter that runs the firmware.",
)  # fmt: skip
@click.option("--browser/--no-browser", default=True, help="Open the browser.  [default: open it]")
def try_press(
    press_file: Path | None,
    listen: str,
    seed: int,
    runtime: Literal["micropython", "cpython"],
    browser: bool,
) -> None:
    """Play with a simulated press in the browser.

    Pedals, panel, parts and faults, with the real firmware in it.

    \b
    Hold the space bar to press, R to raise the ram; the page says what to do next. Ctrl-C ends it.
    Prints `ready URL` once it answers. Only this computer can open it.
    """
    import tempfile
    import webbrowser

    from steadyram.config import preferences
    from steadyram.cycles.store import CycleStore
    from steadyram.errors import BadInput
    from steadyram.page.access import Access, is_loopback
    from steadyram.page.serve import open_listener, serve
    from steadyram.virtual.server import parse_listen
    from steadyram.virtual.tryout.bench import Bench
    from steadyram.virtual.tryout.web import around

    host, number = parse_listen(listen)
    if not is_loopback(host):
        raise BadInput(f"--listen {host}: the press to try is for this computer; listen on 127.0.0.1.")
    listener = open_listener(host, number)
    access = Access.for_listening(host, None)
    bench = Bench(press_file=press_file, seed=seed, runtime=runtime)

    def ready(url: str) -> None:
        click.echo(f"ready {url}try")
        sys.stdout.flush()
        if browser:
            webbrowser.open(f"{url}try")

    with tempfile.TemporaryDirectory(prefix="steadyram-try-") as folder:
        here = Path(folder)
        try:
            bench.start()
            with CycleStore(here / "cycles.db") as store:
                serve(
                    bench.url,
                    listener,
                    access,
                    store,
                    preferences(),
                    here,
                    here,
                    ready,
                    around=lambda page: around(page, bench, access),
                )
        finally:
            bench.close()
