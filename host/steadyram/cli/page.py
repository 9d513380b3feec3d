"""`steadyram page`: the page for a tablet by the press."""

from __future__ import annotations

import os
import sys
from contextlib import closing
from pathlib import Path

import click

from steadyram.cli._inputs import FOLDER, PLACE
from steadyram.cli.cycles import store_option
from steadyram.config import preferences
from steadyram.errors import BadInput
from steadyram.link.discover import choose_port


@click.command()
@click.option(
    "--port",
    metavar="PORT",
    help="Serial port, pseudo-terminal or socket://HOST:PORT (or STEADYRAM_PORT, or the one found).",
)
@store_option
@click.option(
    "--listen", default="127.0.0.1:8600", show_default=True, help="HOST:PORT; port 0 has a free one picked."
)
@click.option(
    "--token-file",
    type=PLACE,
    help="File with the secret that a browser must give, made if it is not there (or the secret itself in "
    "STEADYRAM_PAGE_TOKEN); required when others on the network can reach the page.",
)
@click.option(
    "--records",
    type=FOLDER,
    default=".",
    help="Folder for records of calibrations and of bend lists made at the page.  [default: here]",
)
@click.option(
    "--bends",
    type=click.Path(path_type=Path),
    default=".",
    help="Folder of bend lists (see `bend check`) that the page offers, and takes from a browser.  [default: here]",
)
def page(
    port: str | None, store: Path, listen: str, token_file: Path | None, records: Path, bends: Path
) -> None:
    """Serve a page for a tablet by the press.

    Live force, last parts, guided calibration, first part, bend lists.

    Reading needs nothing on this computer and the token beyond it. Changes need the panel's enable button,
    and nothing on the page moves the ram. Prints `ready URL` once it answers; SIGTERM or Ctrl-C end it.
    The token crosses the network in the clear: keep the page inside the shop's own network.
    """
    from steadyram.cycles.store import CycleStore
    from steadyram.page.access import Access, token_of_file
    from steadyram.page.serve import open_listener, serve

    host, number = _listen(listen)
    if not bends.is_dir():
        raise BadInput(f"{bends} is not a folder; give --bends the folder of bend lists.")
    # Not an option of its own: what is on the command line every user of this computer can list.
    token = os.environ.get("STEADYRAM_PAGE_TOKEN") or None
    if token_file is not None:
        token = token_of_file(token_file)
    access = Access.for_listening(host, token)
    units = preferences()
    chosen = choose_port(port)
    # First what can be refused: a refused page leaves no new store behind.
    listener = open_listener(host, number)
    with closing(listener), CycleStore(store) as opened:
        serve(chosen, listener, access, opened, units, records, bends, _ready)


def _ready(url: str) -> None:
    click.echo(f"ready {url}")
    sys.stdout.flush()


def _listen(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not host or not port.isascii() or not port.isdecimal() or int(port) > 65535:
        raise BadInput(f"--listen '{text[:60]}' is not HOST:PORT, such as 127.0.0.1:8600.")
    return host.strip("[]"), int(port)
