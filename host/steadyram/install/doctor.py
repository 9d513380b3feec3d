"""Find what is wrong between this computer, the port, the board and its wiring, and say it in plain words."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from serial.tools import list_ports

from steadyram import __version__
from steadyram.device import Device
from steadyram.errors import CheckFailed, DeviceRefusal, LinkError, SteadyramError
from steadyram.install.board import BoardRepl
from steadyram.install.finding import Finding
from steadyram.install.install import check_interpreter
from steadyram.install.iocheck import RAIL, spread_most
from steadyram.install.starting import wait_for_start
from steadyram.link.client import Client
from steadyram.link.definition import definition
from steadyram.link.records import Reading
from steadyram.link.transport import Transport, open_transport

ZERO_SHARE = 0.01
_SETTLED_STATES = ("ready", "storing", "done")


def look_at_ports(port: str | None) -> tuple[list[Finding], str | None]:
    """What can be said of the ports, and the one to go on with (None = there is none)."""
    if port is not None and "://" in port:
        return [Finding("good", f"Using {port}.")], port
    known = sorted(p.device for p in list_ports.comports() if p.vid is not None)
    if port is None:
        if not known:
            return [
                Finding(
                    "bad",
                    "No USB serial port was found.",
                    "Plug the board in with a data cable (many only charge); try another port of the computer.",
                )
            ], None
        if len(known) > 1:
            return [
                Finding("look", f"Several ports were found: {', '.join(known)}.", "Choose one with --port.")
            ], None
        port = known[0]
    if not Path(port).exists() and os.name == "posix":
        what = f"The port {port} is not there; found: {', '.join(known) or 'none'}."
        return [Finding("bad", what, "Plug the board in, or name another port.")], None
    if os.name == "posix" and not os.access(port, os.R_OK | os.W_OK):
        return [
            Finding(
                "bad",
                f"You may not use {port}.",
                "Add yourself to the group that owns it (on most Linux systems: sudo usermod -aG dialout $USER),"
                " then log out and in.",
            )
        ], None
    return [Finding("good", f"The port {port} is there and may be used.")], port


def examine(port: str, opener: Callable[[str], Transport] = open_transport) -> list[Finding]:
    """Ask whatever is at the port who it is; then its firmware and its wiring."""
    try:
        transport = opener(port)
    except LinkError as error:
        return [
            Finding(
                "bad",
                str(error),
                "Close other programs that use the port (a terminal, an editor), try again.",
            )
        ]
    device = Device(Client(transport, timeout_s=0.6, tries=2))
    try:
        try:
            identity = device.hello() if wait_for_start(transport) == "firmware" else None
        except CheckFailed as error:
            return [Finding("bad", str(error), "steadyram install")]
        except (LinkError, DeviceRefusal):
            identity = None
        if identity is not None:
            found = [
                Finding("good", f"steadyram {identity.fw} answers on board {identity.board} {identity.uid}.")
            ]
            if identity.fw != __version__:
                found.append(
                    Finding(
                        "look",
                        f"This tool carries firmware {__version__}, the board runs {identity.fw}.",
                        "steadyram install brings the board up to date; settings are kept.",
                    )
                )
            return found + _left(device) + wiring(device.now(), device)
    finally:
        device.close()
    return _at_the_prompt(port)


def _left(device: Device) -> list[Finding]:
    """Say which update did not come up, if one did not."""
    told = device.board()
    if told is None or not told["left"]:
        return []
    return [
        Finding(
            "bad",
            f"The update {told['left']} did not come up and was left: {told['build']}, the version before it, runs.",
            "Read steadyram.why on the board, report it; steadyram install tries again.",
        )
    ]


def _at_the_prompt(port: str) -> list[Finding]:
    try:
        with BoardRepl(port) as repl:
            found = repl.interpreter()
            why = repl.read_line(found.root.rstrip("/") + "/steadyram.why")
            pointer = repl.read_line(found.root.rstrip("/") + "/steadyram.now")
    except SteadyramError:
        return [
            Finding(
                "bad",
                "Something is on the port, but neither steadyram nor MicroPython answers.",
                "Is it the right port? Unplug and plug the board in; if it stays so, put MicroPython on it first.",
            )
        ]
    have = ".".join(map(str, found.version))
    out = [Finding("good", f"MicroPython {have} answers: {found.machine}.")]
    try:
        check_interpreter(found)
    except SteadyramError as error:
        out.append(Finding("bad", str(error)))
    if pointer is None:
        out.append(Finding("look", "steadyram is not on this board yet.", "steadyram install"))
    else:
        out.append(
            Finding(
                "bad",
                f"steadyram is on this board ({pointer.split()[0]}) but does not run.",
                "Reset the board; if it stays so: steadyram install.",
            )
        )
        if why:
            out.append(Finding("look", "It left a note of its last crash in steadyram.why.", "Report it."))
    return out


def wiring(now: Reading, device: Device) -> list[Finding]:
    """What the readings say about wires, transducer and settings."""
    out: list[Finding] = []
    settings = device.press_values()
    known = {entry.name: entry for entry in definition().faults.values()}
    if now.fault is not None:
        entry = known.get(now.fault)
        text, remedy = (entry.text, entry.remedy) if entry is not None else (now.fault, "")
        cure = f"{remedy} Then release the pedals and push the knob. Causes: protocol/FAULTS.md.".strip()
        out.append(Finding("bad", f"A fault is latched: {now.fault}, {text}.", cure))
    if not device.settings().gen:
        out.append(
            Finding(
                "look",
                "The board has factory defaults and refuses every feed.",
                "steadyram device settings new --press FILE > settings.toml, edit, device settings push settings.toml",
            )
        )
    if not now.estop_ok:
        out.append(
            Finding(
                "bad",
                "The emergency stop is pushed, or its monitor wire is open.",
                "Pull it out; check the wire.",
            )
        )
    zero, full = settings["counts_zero"], settings["counts_full"]
    if now.counts < zero // 2:
        out.append(
            Finding(
                "bad",
                f"The transducer reads {now.counts} of 65536: no signal.",
                "Check its supply (5 V at its plug), the signal wire and the dividers.",
            )
        )
    elif now.counts > full + (65536 - full) // 2:
        out.append(
            Finding(
                "bad",
                f"The transducer reads {now.counts} of 65536: short to its supply, or over its range.",
                "Check the signal wire against the supply wire.",
            )
        )
    else:
        most = spread_most(settings)
        if now.spread_counts > most:
            out.append(
                Finding(
                    "look",
                    f"The reading spreads by {now.spread_counts} counts at rest; {most} is the limit.",
                    "hardware_notes/wiring.md, noise and grounding.",
                )
            )
        off = abs(now.mean_counts - zero) / (full - zero)
        if now.state in _SETTLED_STATES and now.top and off > ZERO_SHARE:
            out.append(
                Finding(
                    "look",
                    f"At the top the reading is {off:.1%} of range from its nominal zero.",
                    "Release trapped pressure; if it stays, settings counts_zero or the transducer.",
                )
            )
    position = definition().word("position_kind", settings["position_kind"])
    if position != "none":
        out += _position(position, now, device)
    if settings["top_switch"] and not now.top:
        out.append(
            Finding(
                "look",
                "The top switch does not say that the ram is at the top.",
                "Right if the ram is down. If it is up, check the switch's wire and its place.",
            )
        )
    if not now.unix:
        out.append(
            Finding("look", "The clock is not set: records carry no time of day.", "steadyram device clock")
        )
    if not now.cutoff:
        out.append(
            Finding(
                "look",
                "The cutoff selector is OFF, or its wire is open.",
                "Turn it on before pressing parts.",
            )
        )
    if not device.calibration().gen:
        out.append(
            Finding("look", "There is no calibration: the cutoff is refused.", "steadyram calibration run")
        )
    elif not settings["char_valid"]:
        out.append(Finding("look", "The dead-stop test has not been run.", "steadyram characterise"))
    if not any(finding.level == "bad" for finding in out):
        out.insert(0, Finding("good", "No fault is latched and the transducer reads within its range."))
    return out


def _position(kind: str, now: Reading, device: Device) -> list[Finding]:
    """What can be said at rest of the position sensor that the settings ask for."""
    cure = "hardware_notes/wiring.md, position of the ram; steadyram iocheck walks it. Without one: position_kind = 0."
    place = device.place()
    if kind == "potentiometer" and not RAIL <= place <= 65535 - RAIL:
        what = f"The settings ask for a potentiometer at the ram, and it reads {place} of 65536: no signal."
        return [Finding("bad", what, cure)]
    values = device.calibration().values
    scale = "position_um_64k" if kind == "potentiometer" else "position_step_nm"
    if values and not values.get(scale, 0):
        return [
            Finding(
                "look",
                "A position sensor is set and not calibrated: jobs that stop on depth are refused.",
                "steadyram position calibrate",
            )
        ]
    if values and now.top and now.state == "ready" and not now.referenced:
        # The firmware takes its reference within a fifth of a second of rest at the top.
        return [Finding("look", "The ram is at the top, and its position has no reference.", cure)]
    return []
