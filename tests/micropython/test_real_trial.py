"""The control core on real MicroPython, heap locked, through a real day at several presses.

The same tape gives the same outputs and the same state on CPython, on the 64-bit unix build and on the 32-bit
WebAssembly build; and no arithmetic on the way needs more than 31 bits.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from tests.micropython import runtimes, tape_replay
from tests.micropython.make_tape import Tape, record
from tests.micropython.narrow_integers import Narrow, narrow_core

from steadyram_fw import tables

PRESSES = Path(__file__).resolve().parents[1] / "presses"
STEPS_AT_LEAST = 100_000
# (press file, what is changed in it, short): small forces with a fine converter and all that can go wrong, 50 tonf
# with a fine converter for the largest numbers, a hand pump for the strokes that come in bursts.
DAYS: list[tuple[str, dict[str, dict[str, Any]], bool]] = [
    ("workshop-20-fine", {}, False),
    ("frame-50", {"adc": {"bits": 16}}, True),
    ("hand-12", {}, True),
]


def names(numbers: set[int], table: tuple[str, ...]) -> set[str]:
    return {table[number] for number in numbers}


def assert_good_work(tape: Tape) -> None:
    """Commissioning and parts."""
    assert tape.steps >= STEPS_AT_LEAST
    assert tape.records > 20
    assert names(tape.stops, tables.STOP_NAMES) >= {"setpoint", "probe"}


def assert_a_real_day(tape: Tape) -> None:
    """The proof is worth what happened on the tape."""
    assert tape.steps >= STEPS_AT_LEAST
    assert tape.records > 20
    assert names(tape.states, tables.STATE_NAMES) >= {
        "starting",
        "ready",
        "advance",
        "settle",
        "nudge",
        "dwell",
        "done",
        "return",
        "fault",
        "refused",
    }
    assert names(tape.stops, tables.STOP_NAMES) >= {
        "setpoint",
        "pedal",
        "both-pedals",
        "estop",
        "fault",
        "no-cutoff",
        "probe",
    }
    assert names(tape.faults, tables.FAULT_NAMES) >= {
        "sensor-low",
        "sensor-high",
        "estop-open",
        "pedal-at-start",
    }
    assert "cutoff-required" in names(tape.refusals, tables.REFUSAL_NAMES)


@pytest.mark.slow
@pytest.mark.parametrize(("press", "changed", "short"), DAYS, ids=[day[0] for day in DAYS])
def test_a_day_without_an_allocation(
    press: str, changed: dict[str, dict[str, Any]], short: bool, tmp_path: Path
) -> None:
    tape = record(PRESSES / f"{press}.toml", seed=5, tables_changed=changed, short=short)
    if short:
        assert_good_work(tape)
    else:
        assert_a_real_day(tape)
    path = tmp_path / f"{press}.tape"
    tape.write(path)
    said = f"ok steps={tape.steps} digest={tape.digest}"
    assert runtimes.replay_on_unix([path]) == [f"{said} heap=locked"]
    runtime, lines = runtimes.replay_on_wasm([path])
    # 2**31 - 1: a 32-bit build, where an integer beyond 31 bits is an object on the heap
    assert runtime.endswith(" 2147483647"), runtime
    assert lines == [f"{said} heap=locked"]


@pytest.mark.slow
def test_a_day_with_a_position_sensor_without_an_allocation(tmp_path: Path) -> None:
    tape = record(PRESSES / "depth-20.toml", seed=5, short=True)
    assert tape.steps >= STEPS_AT_LEAST
    assert names(tape.stops, tables.STOP_NAMES) >= {"setpoint", "depth", "window", "ceiling", "probe"}
    assert names(tape.faults, tables.FAULT_NAMES) - {""} == {"position-jump"}
    path = tmp_path / "depth.tape"
    tape.write(path)
    said = f"ok steps={tape.steps} digest={tape.digest}"
    assert runtimes.replay_on_unix([path]) == [f"{said} heap=locked"]
    assert runtimes.replay_on_wasm([path])[1] == [f"{said} heap=locked"]


def test_no_result_needs_more_than_31_bits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every intermediate result in `step`, on the press with the largest numbers, has a factor of four to spare."""
    tape = record(PRESSES / "frame-50.toml", seed=6, tables_changed={"adc": {"bits": 16}}, short=True)
    path = tmp_path / "frame-50.tape"
    tape.write(path)
    narrow = Narrow()
    with narrow_core(runtimes.CORE, narrow) as core:
        monkeypatch.setattr(tape_replay, "Controller", core.Controller)
        player = tape_replay.Player()
        # Only steps are held to it: what services call between strokes may allocate.
        player.watch = narrow.watch
        tape_replay.play(str(path), player)
    assert player.steps == tape.steps
    assert player.digest == tape.digest
    file, line, widest = narrow.worst(1)[0]
    assert widest < 1 << 28, f"{file}:{line} comes to {widest}"
