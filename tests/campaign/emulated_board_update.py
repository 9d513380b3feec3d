"""Updates of the emulated board: by the installer's own mpremote path, interrupted, asked at, and failing to start."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.board.at_the_press import answering, prepared
from tests.board.emulated import NEWEST, Board, BoardPress, files_of, flash_image, installed
from tests.board.protocol_emulated import attach
from tests.board.versions import newer
from tests.campaign.provenance import ROOT

from steadyram.install.board import BoardRepl
from steadyram.install.install import POINTER, install
from steadyram.install.package import Package, build

PRESS = ROOT / "tests" / "presses" / "workshop-20.toml"
START_MS = 6000
# Every so many of the interrupted states are started on the chip, besides the last ones; the others are read.
STARTED_EVERY = 44
LAST_STARTED = 3

Figures = dict[str, Any]


def mpremote(seed: int, folder: Path) -> Figures:
    """Update over the emulated USB line; keeps the flash as it is in the middle of every file and after each."""
    old, new = build("armv6m"), newer()
    files = prepared(folder / "prepared", PRESS, 40_000.0)
    image = flash_image(folder / "update.img", NEWEST, {**installed(old), **files})
    states = folder / "states"
    shutil.rmtree(states, ignore_errors=True)
    states.mkdir()
    with BoardPress(PRESS, image, seed=seed) as press:
        device = answering(press)
        settings = device.settings().values
        press.operator.hold_enable()
        device.client.request("maintenance")
        board = press.board
        resets = board.resets
        board.free(300)
        state: dict[str, Any] = {"name": "", "writes": 0, "kept": 0}

        def keep(what: str) -> None:
            board.tell("save")
            shutil.copy(image, states / f"{state['kept']:03d}-{what}.img")
            state["kept"] += 1

        def progress(name: str, done: int, of: int) -> None:
            if state["kept"]:
                keep("between")
            state.update(name=name, writes=0)
            if not state["kept"]:
                keep("before")

        def written(data: bytes) -> None:
            # The first piece of a file's text is longer than any order that the installer gives.
            if len(data) > 200 and state["kept"]:
                state["writes"] += 1
                if state["writes"] == 1 or not state["name"]:
                    keep("inside")

        with BoardRepl(attach(board, written)) as prompt:
            done = install(prompt, new, progress=progress)
            keep("pointed")
            prompt.restart()
        began_us = board.us
        said = build_said(board)
        press.run(0.2)
        again = answering(press)
        kept = again.settings().values
    return {
        "files": done.written,
        "states_kept": state["kept"],
        "asked_to_prompt_by_reset": board.resets > resets,
        "build": said[0] == new.folder,
        "left": said[1],
        "answers_after_s": round((board.us - began_us) / 1e6, 1),
        "settings_kept": kept == settings,
    }


def build_said(board: Board, wait_ms: float = 2 * START_MS) -> tuple[str, str]:
    """Return the version that runs and the one that was left, as the board tells them."""
    heard = b""
    end_us = board.us + 1000 * wait_ms
    while b" core_mv=" not in heard:
        if board.us > end_us:
            return "no answer", heard[-200:].decode("ascii", "replace")
        heard += board.free(200, b"\nd2 board\n")
    words = dict(word.split("=", 1) for word in heard.decode("ascii", "replace").split() if "=" in word)
    return words["build"], words["left"].strip('"')


def interrupted(seed: int, folder: Path) -> Figures:
    """What the flash holds after a power cut in the middle of every file and after each; some are started.

    The version before is as it was at the first of these states, the new one as at the last.
    """
    states = sorted((folder / "states").glob("*.img"))
    wanted = [in_force(files_of(state)) for state in (states[0], states[-1])]
    told: Figures = {
        "states": len(states),
        "old_whole": 0,
        "new_whole": 0,
        "neither": 0,
        "torn": 0,
        "started": 0,
        "wrong": [],
    }
    for place, state in enumerate(states):
        # Of the version that is not in force yet, a file that is being written may not read.
        torn: list[str] = []
        now = in_force(files_of(state, torn))
        told["torn"] += len(torn)
        if now not in wanted:
            told["neither"] += 1
            continue
        told["old_whole" if now == wanted[0] else "new_whole"] += 1
        if not torn and place % STARTED_EVERY and place < len(states) - LAST_STARTED:
            continue
        board = Board(Path(shutil.copy(state, folder / "started.img")))
        try:
            said = build_said(board)
        finally:
            board.close()
        told["started"] += 1
        if said != (now[0], ""):
            told["wrong"].append([state.name, *said])
    return told


def in_force(files: dict[str, bytes]) -> tuple[str, dict[str, bytes]]:
    """Return the folder of the version that the pointer names, and its files."""
    name = files.get("/" + POINTER, b"").decode().partition(" ")[0]
    return name, {path: data for path, data in files.items() if path.startswith(f"/{name}/")}


def updated(package: Package, image: Path) -> Board:
    """Return a board right after an update to `package`, which was never started."""
    old = build("armv6m")
    files = {**installed(package, "new", old.folder)}
    files |= {f"/{old.folder}/{name}": data for name, data in old.files.items()}
    return Board(flash_image(image, NEWEST, files))


def asked(seed: int, folder: Path) -> Figures:
    """A host that asks every 50 ms from reset on, Control-C included, at three phases of the start."""
    new = newer()
    found = []
    for phase_ms in (1, 18, 35):
        board = updated(new, folder / "asked.img")
        try:
            heard = board.free(phase_ms)
            while b" core_mv=" not in heard and board.us < 1000 * START_MS:
                heard += board.free(50, b"\r\x03\x03\nd1 hello\nd2 board\n")
            found.append(f'build={new.folder} left=""'.encode() in heard and board.resets == 0)
        finally:
            board.close()
    return {"starts": len(found), "new_version_answered": sum(found)}


def failing(text: str, wait_ms: float) -> Callable[[int, Path], Figures]:
    """Return a piece: an update whose application begins with `text`."""

    def piece(seed: int, folder: Path) -> Figures:
        package = newer(text)
        old = build("armv6m").folder
        board = updated(package, folder / "failing.img")
        try:
            said = build_said(board, wait_ms)
            return {
                "version_before_runs": said[0] == old,
                "says_what_it_left": said[1] == package.folder,
                "resets": board.resets,
                "answered_after_s": round(board.us / 1e6, 1),
            }
        finally:
            board.close()

    return piece


PIECES: dict[str, Callable[[int, Path], Figures]] = {
    "update_by_mpremote": mpremote,
    "update_interrupted": interrupted,
    "update_asked_every_50_ms": asked,
    "update_raises": failing('raise ValueError("does not start")\n', 2 * START_MS),
    "update_hangs": failing("while True:\n    pass\n", 20_000),
}
