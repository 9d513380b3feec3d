from __future__ import annotations

import csv
import io
import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
from array import array
from pathlib import Path

import pytest
from tests.host.device.test_device_sets import CALIBRATION, job, settings
from tests.host.loopback import Bench, LoopTransport
from tests.host.served import Served

from steadyram.cycles.export import as_csv, as_json_text, named_cycles
from steadyram.cycles.pull import pull
from steadyram.cycles.select import choose_device
from steadyram.cycles.store import CycleStore
from steadyram.device import Device
from steadyram.errors import BadInput, CheckFailed
from steadyram.link.client import Client
from steadyram.link.sets import job_crc
from steadyram.link.transport import SerialTransport
from steadyram_fw import tables as T


def connect(bench: Bench, seed: int = 1) -> Device:
    return Device(Client(LoopTransport(bench), source=random.Random(seed)))


def ready_bench(root: Path, strokes: int = 0) -> Bench:
    bench = Bench(root)
    # Long enough to open the calibration's seal, too.
    bench.run(10)
    bench.inputs |= T.IN_ENABLE
    bench.run(6000)
    bench.inputs &= ~T.IN_ENABLE
    bench.run(10)
    device = connect(bench)
    device.push_settings(settings())
    device.push_calibration(CALIBRATION)
    device.push_jobs([job(1, "small nut", batch=50), job(2, "=2+3")])
    device.use_job(1)
    for number in range(strokes):
        bench.stroke(9000 + number)
    return bench


def seqs(store: CycleStore, uid: str = "b3nch001") -> list[int]:
    return [cycle.record.seq for cycle in store.cycles(uid)]


def test_a_pull_brings_everything_once(tmp_path: Path) -> None:
    bench = ready_bench(tmp_path / "flash", 7)
    with CycleStore(tmp_path / "c.db") as store:
        first = pull(connect(bench, 2), store, wall=lambda: 1_900_000_000.0)
        assert (first.records, first.traces, first.lost, first.unreadable) == (7, 7, 0, ())
        assert first.changes >= 3
        again = pull(connect(bench, 3), store)
        assert (again.records, again.traces, again.changes) == (0, 0, 0)
        bench.stroke(9100)
        third = pull(connect(bench, 4), store)
        assert (third.records, third.traces) == (1, 1)
        assert seqs(store) == list(range(1, 9))
        trace = store.trace("b3nch001", 3)
        assert trace is not None
        assert len(trace.points) == 50
        assert trace.force_N()[-1] == 9002.0
        assert trace.dt_s == 0.002
        assert [s.content["serial"] for s in store.snapshots("b3nch001", "calibration")] == [7]
        record = next(store.cycles("b3nch001")).record
        jobs = store.jobs_seen("b3nch001")
        assert record["job_crc"] == job_crc(jobs[0])
        assert record["settings_gen"] == store.snapshots("b3nch001", "settings")[0].gen


def test_a_pull_brings_the_travel_of_those_records_that_have_it(tmp_path: Path) -> None:
    bench = ready_bench(tmp_path / "flash", 2)
    bench.core.trace_travel = array("H", range(1000, 1512))
    bench.stroke(9000, flags=T.FLAG_CUTOFF | T.FLAG_TRAVEL, depth_um=5234, contact_um=4100)
    bench.core.trace_travel = None
    bench.stroke(9000)
    asked: list[tuple[str, int, int]] = []
    with CycleStore(tmp_path / "c.db") as store:
        pull(connect(bench), store, progress=lambda *words: asked.append(words))
        assert [words for words in asked if words[0] == "travel"] == [("travel", 1, 1)]
        assert store.travels_wanted("b3nch001") == []
        (travel,) = store.travels("b3nch001", [1, 2, 3, 4]).values()
        assert (travel.seq, travel.unit_m, travel.points) == (3, 4e-6, tuple(range(1000, 1050)))
        assert len(store.traces("b3nch001", [1, 2, 3, 4])) == 4
        rows = named_cycles(store, "b3nch001")
    table = list(csv.DictReader(io.StringIO(as_csv(rows))))
    assert (table[2]["depth_m"], table[2]["contact_m"], table[2]["target_m"]) == ("0.005234", "0.0041", "0")
    assert json.loads(as_json_text(rows))["cycles"][2]["depth_m"] == 0.005234


def test_a_pull_broken_off_goes_on_where_it_was(tmp_path: Path) -> None:
    bench = ready_bench(tmp_path / "flash", 120)

    class Broken(Exception):
        pass

    def after_one_chunk(what: str, done: int, total: int) -> None:
        assert (what, total) == ("records", 120)
        raise Broken

    path = tmp_path / "c.db"
    with CycleStore(path) as store, pytest.raises(Broken):
        pull(connect(bench), store, progress=after_one_chunk)
    with CycleStore(path) as store:
        assert seqs(store) == list(range(1, 51))
        result = pull(connect(bench, 2), store)
        assert result.records == 70
        assert seqs(store) == list(range(1, 121))
        # The device keeps the 40 newest traces; the others are noted as gone and not asked for again.
        assert result.traces == 40
        assert store.traces_wanted("b3nch001") == []


def test_a_pull_killed_in_the_middle_then_again_has_each_record_once(tmp_path: Path) -> None:
    bench = ready_bench(tmp_path / "flash", 130)
    path = tmp_path / "c.db"
    code = "import sys; from steadyram.cli import main; main(sys.argv[1:])"
    with Served(bench) as served:
        served.stall_after = 95
        process = subprocess.Popen(
            [sys.executable, "-c", code, "cycles", "pull", "--port", served.url, "--store", str(path)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "STEADYRAM_CONFIG_DIR": str(tmp_path)},
        )
        assert served.stalled.wait(300)
        process.send_signal(signal.SIGKILL)
        process.wait(300)
    with CycleStore(path) as store:
        there = seqs(store)
        assert there == list(range(1, len(there) + 1))
        assert 0 < len(there) < 130
    with Served(bench) as served, CycleStore(path) as store:
        device = Device(Client(SerialTransport(served.url)))
        pull(device, store, traces=False)
        device.close()
        assert seqs(store) == list(range(1, 131))


def test_what_the_device_overwrote_is_counted(tmp_path: Path) -> None:
    bench = Bench.__new__(Bench)
    bench.log_shape = (4, 2, 4)
    Bench.__init__(bench, tmp_path / "flash")
    bench.stroke(5000)
    with CycleStore(tmp_path / "c.db") as store:
        pull(connect(bench), store)
        for _ in range(30):
            bench.stroke(5000)
        result = pull(connect(bench, 2), store)
        assert result.lost > 0
        assert result.lost + store.count(result.uid) == 31
        assert seqs(store)[-1] == 31


def test_a_log_begun_anew_is_not_mixed_in(tmp_path: Path) -> None:
    with CycleStore(tmp_path / "c.db") as store:
        pull(connect(ready_bench(tmp_path / "a", 5)), store)
        with pytest.raises(CheckFailed, match="begun anew"):
            pull(connect(ready_bench(tmp_path / "b", 2)), store)
        other = ready_bench(tmp_path / "c", 4)
        other.stroke(1234)
        other.stroke(1235)
        with pytest.raises(CheckFailed, match=r"Record 5 .* differs"):
            pull(connect(other), store)
        assert seqs(store) == [1, 2, 3, 4, 5]


def test_export_names_units_and_defuses_formulas(tmp_path: Path) -> None:
    bench = ready_bench(tmp_path / "flash", 2)
    connect(bench, 8).use_job(2)
    bench.stroke(8000, stop=T.STOP_PEDAL, flags=0)
    with CycleStore(tmp_path / "c.db") as store:
        pull(connect(bench, 2), store)
        rows = named_cycles(store, choose_device(store, None))
    assert rows[0]["peak_N"] == 9000.0
    assert rows[0]["duration_s"] == 1.8
    assert rows[0]["job_name"] == "small nut"
    assert (rows[2]["stop"], rows[2]["flags"]) == ("pedal", [])
    table = list(csv.DictReader(io.StringIO(as_csv(rows))))
    assert [row["peak_N"] for row in table] == ["9000", "9001", "8000"]
    assert table[2]["job_name"] == "'=2+3"
    assert json.loads(as_json_text(rows))["cycles"][1]["flags"] == ["cutoff"]


def test_files_that_are_no_store_are_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no cycle store"):
        CycleStore(tmp_path / "none.db", create=False)
    assert not (tmp_path / "none.db").exists()
    text = tmp_path / "text.db"
    text.write_text("not a database at all, but long enough to be looked at " * 20)
    with pytest.raises(BadInput, match="cannot be used"):
        CycleStore(text)
    other = tmp_path / "other.db"
    with sqlite3.connect(other) as db:
        db.execute("CREATE TABLE things (a)")
    db.close()
    with pytest.raises(BadInput, match="something else"):
        CycleStore(other)
    newer = tmp_path / "newer.db"
    CycleStore(newer).close()
    with sqlite3.connect(newer) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(BadInput, match="newer steadyram"):
        CycleStore(newer)


def test_which_device_is_meant(tmp_path: Path) -> None:
    with CycleStore(tmp_path / "c.db") as store:
        with pytest.raises(BadInput, match="no records"):
            choose_device(store, None)
        pull(connect(ready_bench(tmp_path / "flash")), store)
        assert choose_device(store, None) == "b3nch001"
        with pytest.raises(BadInput, match="no device x"):
            choose_device(store, "x")
