"""The demo as a user runs it: one command in its own process, then what it left is looked at."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from steadyram.cycles.export import as_csv, named_cycles
from steadyram.cycles.store import CycleStore
from steadyram.errors import BadInput
from steadyram.jobs.file import read_jobs
from steadyram.metrology.journal import read_journal
from steadyram.virtual.demo import MARKER, prepare
from steadyram.virtual.demo_shop import ORDER, write_shop
from steadyram.virtual.runtime import find_micropython


def run(folder: Path, *options: str) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [sys.executable, "-m", "steadyram", "demo", "--out", str(folder), "--json", *options],
        capture_output=True,
        text=True,
        timeout=1800,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any], str]:
    folder = tmp_path_factory.mktemp("shop") / "out"
    done = run(folder)
    return folder, json.loads(done.stdout), done.stderr


def test_the_firmware_ran_on_micropython_where_there_is_one(demo: tuple[Path, dict[str, Any], str]) -> None:
    folder, document, _ = demo
    name = "MicroPython" if find_micropython() is not None else "CPython"
    assert document["runtime"].startswith(name + " ")
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert document["runtime"] in page
    assert "learned" in page
    assert "invented" in page
    assert document["report"] == str(folder / "report.html")
    schema = Path(__file__).parents[3] / "protocol" / "schemas" / "demo.schema.json"
    Draft202012Validator(json.loads(schema.read_text())).validate(document)


def test_every_part_of_the_order_was_pressed_near_its_force(demo: tuple[Path, dict[str, Any], str]) -> None:
    _, document, _ = demo
    assert [job["parts"] for job in document["jobs"]] == [order.batch for order in ORDER]
    for job in document["jobs"]:
        peaks = job["cell_peaks_N"]
        setpoint, sigma = job["setpoint_N"], job["limit_sigma_N"]
        # The first part may stay below but is never crushed; the cell itself is good to 0.2 %.
        assert peaks[0] <= setpoint + max(3 * sigma, 0.02 * setpoint) + 0.002 * setpoint
        for peak in peaks[4:]:
            assert abs(peak - setpoint) <= max(4 * sigma, 0.03 * setpoint)


def test_what_went_wrong_is_told(demo: tuple[Path, dict[str, Any], str]) -> None:
    folder, document, told = demo
    assert [job["faults"] for job in document["jobs"]] == [["estop-open"], [], ["sensor-low"]]
    assert "EMERGENCY STOP" in told
    assert "FAULT sensor-low" in told
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "estop-open" in page
    assert "sensor-low" in page


def test_same_seed_gives_the_same_forces_on_either_interpreter(
    demo: tuple[Path, dict[str, Any], str], tmp_path: Path
) -> None:
    again = run(tmp_path / "again", "--runtime", "cpython")
    forces = [job["cell_peaks_N"] for job in json.loads(again.stdout)["jobs"]]
    assert forces == [job["cell_peaks_N"] for job in demo[1]["jobs"]]


def test_the_store_holds_what_the_device_saw(demo: tuple[Path, dict[str, Any], str]) -> None:
    folder, document, _ = demo
    with CycleStore(folder / "cycles.db", create=False) as store:
        (device,) = store.devices()
        rows = list(csv.DictReader(io.StringIO(as_csv(named_cycles(store, device.uid, 0, 2**63 - 1, None)))))
    numbers = [int(row["seq"]) for row in rows]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    for job in document["jobs"]:
        strokes = [row for row in rows if row["job"] == str(job["slot"]) and "probe" not in row["flags"]]
        landed = [float(row["peak_N"]) for row in strokes if not row["fault"]]
        assert landed == job["device_peaks_N"]
        assert [row["fault"] for row in strokes if row["fault"]] == job["faults"]
        assert all("cutoff" in row["flags"] for row in strokes)


def test_the_calibration_record_is_a_record_like_any_other(demo: tuple[Path, dict[str, Any], str]) -> None:
    folder, _, _ = demo
    record = read_journal(folder / "calibration-1.jsonl")
    assert record.header.invented
    assert {point.direction for point in record.points} == {"rising", "falling"}
    assert record.header.zero_counts_after is not None
    document = json.loads((folder / "characterisation.json").read_text())
    assert document["calibration_serial"] == 1
    assert [feed["name"] for feed in document["feeds"]][-1] == "slow feed"


def test_the_commands_are_shown_as_a_person_would_type_them(demo: tuple[Path, dict[str, Any], str]) -> None:
    _, _, told = demo
    typed = [line.split()[2:4] for line in told.splitlines() if line.startswith("$ steadyram ")]
    assert ["calibration", "run"] in typed
    assert ["characterise", "--out"] in typed
    assert ["jobs", "push"] in typed
    assert ["cycles", "pull"] in typed


def test_only_its_own_folder_is_emptied(tmp_path: Path) -> None:
    own = tmp_path / "own"
    prepare(own)
    write_shop(own)
    assert len(read_jobs(own / "jobs.toml").job) == len(ORDER)
    prepare(own)
    assert [path.name for path in own.iterdir()] == [MARKER]
    other = tmp_path / "other"
    other.mkdir()
    (other / "thesis.txt").write_text("only copy")
    with pytest.raises(BadInput, match="did not make"):
        prepare(other)
    assert (other / "thesis.txt").read_text() == "only copy"
