"""The same seed gives the same bytes, however far the plant runs ahead and whatever runs the firmware."""

from __future__ import annotations

from pathlib import Path

import pytest
from virtual_session import run_session

from steadyram.virtual.runtime import find_micropython

needs_micropython = pytest.mark.skipif(find_micropython() is None, reason="MicroPython is not installed")


@pytest.fixture(scope="module")
def digest(tmp_path_factory: pytest.TempPathFactory) -> str:
    """CPython, one tick at a time: nothing is ever taken back."""
    found, press = run_session("cpython", 1, tmp_path_factory.mktemp("one"))
    # The session is only worth comparing if it did something.
    assert len(press.valve_log) > 20
    assert {"fault sensor-open", "power-cut"} <= {event.name for event in press.events}
    return found


@pytest.mark.parametrize("batch", [None, 7, 200])
def test_running_ahead_changes_nothing(batch: int | None, tmp_path: Path, digest: str) -> None:
    assert run_session("cpython", batch, tmp_path)[0] == digest


@needs_micropython
@pytest.mark.parametrize("batch", [None, 1, 64])
def test_micropython_gives_the_same_bytes(batch: int | None, tmp_path: Path, digest: str) -> None:
    found, press = run_session("micropython", batch, tmp_path)
    assert press.runtime.name == "micropython"
    assert found == digest


def test_another_seed_gives_other_bytes(tmp_path: Path, digest: str) -> None:
    assert run_session("cpython", None, tmp_path, seed=8)[0] != digest


@needs_micropython
def test_an_unkind_press_gives_the_same_bytes_too(tmp_path: Path) -> None:
    file = Path(__file__).parents[2] / "presses" / "unkind" / "workshop-20-slow.toml"
    found = [
        run_session(runtime, batch, tmp_path / name, file=file)[0]
        for runtime, batch, name in (("cpython", 1, "a"), ("cpython", None, "b"), ("micropython", None, "c"))
    ]
    assert found[0] == found[1] == found[2]
