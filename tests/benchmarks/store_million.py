"""A million cycles with traces: storing them, and answering the batch page, against plain loops, in one run.

    python tests/benchmarks/store_million.py --cycles 1000000 --out tests/benchmarks/results/store_million.json

Plain loops: csv (write and read every row), sqlite3 (one table, one insert a row in one transaction, no
index), pandas (read_csv, then filter). All hold the same fields; only the store also holds the traces.
Records are invented. Run it on a quiet machine; ratios of one run mean more than seconds.
"""

from __future__ import annotations

import argparse
import csv
import json
import platform
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.host.cycles.samples import identity, record, sample_trace
from tests.host.cycles.test_pull_speed import measure

from steadyram.config import Preferences
from steadyram.cycles.batches import batch_facts, choose_batch, find_batches
from steadyram.cycles.store import CycleStore
from steadyram.cycles.store_schema import RECORD_COLUMNS
from steadyram.link.definition import definition
from steadyram.link.records import SettingsState
from steadyram.report.gather import gather
from steadyram.report.page import render
from steadyram.report.proof import prove
from steadyram.report.proof_page import render_proof

BATCH = 500
CHUNK = 10_000
DEVICES = 4


def timed(what: Callable[[], Any], repeat: int = 1) -> tuple[float, Any]:
    """Median seconds of a call, and its last result."""
    taken = []
    for _ in range(repeat):
        began = time.perf_counter()
        result = what()
        taken.append(time.perf_counter() - began)
    return statistics.median(taken), result


def made(device: int, first: int, n: int) -> list[Any]:
    """Invented records: five jobs in turn, batches of 500."""
    return [
        record(
            seq,
            job=1 + (seq - 1) // BATCH % 5,
            count=1 + (seq - 1) % BATCH,
            peak_n=9000 + (seq * 7919 + device) % 97,
        )
        for seq in range(first, first + n)
    ]


def fill(path: Path, cycles: int) -> dict[str, float]:
    """Store them all, traces too; seconds in the store's own calls."""
    spent = {"records_s": 0.0, "traces_s": 0.0}
    shapes = [sample_trace(at) for at in range(17)]
    settings = {f.name: f.default for f in definition().settings}
    with CycleStore(path) as store:
        for device in range(DEVICES):
            who = identity(f"d{device}")
            store.see_device(who, 1)
            store.add_snapshot(who.uid, SettingsState("settings", 1, "AAAA", settings), 1)
            for first in range(1, cycles // DEVICES + 1, CHUNK):
                rows = made(device, first, min(CHUNK, cycles // DEVICES + 1 - first))
                took, new = timed(lambda who=who, rows=rows: store.add_cycles(who, rows, 1))
                assert new == len(rows)
                spent["records_s"] += took
                took, _ = timed(
                    lambda who=who, rows=rows: store.add_traces(
                        who.uid, [(each.seq, shapes[each.seq % 17]) for each in rows]
                    )
                )
                spent["traces_s"] += took
    return spent


def plain(folder: Path, cycles: int) -> dict[str, float]:
    """The same records into a CSV file and a bare SQLite table, row by row."""
    names = ("uid", *RECORD_COLUMNS)
    spent = {"csv_s": 0.0, "sqlite3_s": 0.0}
    db = sqlite3.connect(folder / "plain.db")
    db.execute(f"CREATE TABLE cycle ({', '.join(names)})")
    marks = ", ".join("?" for _ in names)
    with (folder / "plain.csv").open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(names)
        for device in range(DEVICES):
            for first in range(1, cycles // DEVICES + 1, CHUNK):
                rows = [
                    (f"d{device}", *each.values.values())
                    for each in made(device, first, min(CHUNK, cycles // DEVICES + 1 - first))
                ]
                spent["csv_s"] += timed(lambda rows=rows: [writer.writerow(row) for row in rows])[0]

                def insert(rows: list[Any] = rows) -> None:
                    for row in rows:
                        db.execute(f"INSERT INTO cycle VALUES ({marks})", row)
                    db.commit()

                spent["sqlite3_s"] += timed(insert)[0]
    db.close()
    return spent


def batch_by_csv(path: Path, first: int, last: int) -> list[int]:
    """Peaks of one batch by reading every line."""
    with path.open(newline="") as stream:
        return [
            int(row["peak_n"])
            for row in csv.DictReader(stream)
            if row["uid"] == "d3" and first <= int(row["seq"]) <= last
        ]


def batch_by_sqlite(path: Path, first: int, last: int) -> list[int]:
    """The same from the bare table."""
    db = sqlite3.connect(path)
    rows = db.execute(
        "SELECT peak_n FROM cycle WHERE uid = 'd3' AND seq BETWEEN ? AND ?", (first, last)
    ).fetchall()
    db.close()
    return [row[0] for row in rows]


def batch_by_pandas(path: Path, first: int, last: int) -> list[int]:
    """The same by pandas."""
    import pandas as pd

    frame = pd.read_csv(path)
    return list(frame[(frame.uid == "d3") & frame.seq.between(first, last)].peak_n)


def run(cycles: int, folder: Path) -> dict[str, Any]:
    """Everything; asserts that all ways give the same answer."""
    store_path = folder / "store.db"
    stored, bare = fill(store_path, cycles), plain(folder, cycles)
    with CycleStore(store_path) as store:
        find_s, batch = timed(lambda: choose_batch(store, "d3", None, None), 5)
        query_s, peaks = timed(
            lambda: [
                c.record["peak_n"] for c in store.cycles("d3", batch.first_seq, batch.last_seq, batch.job)
            ],
            5,
        )
        assert len(peaks) == BATCH
        list_s, facts = timed(
            lambda: [batch_facts(store, each) for each in find_batches(store, "d3", batch.job)[-50:]], 3
        )
        page_s, page = timed(
            lambda: render_proof(
                prove(store, choose_batch(store, "d3", None, None)), Preferences(), made_unix=1
            ),
            3,
        )
        trace_s, traces = timed(lambda: store.traces("d3", range(batch.first_seq, batch.last_seq + 1)), 3)
        assert len(traces) == BATCH
        wanted_s, _ = timed(lambda: store.traces_wanted("d3", batch.first_seq), 3)
        report_n = min(10_000, cycles // DEVICES)
        report_s, report = timed(
            lambda: render(gather(store, "d3", first=1, last=report_n), Preferences(), made_unix=1)
        )
    by = {
        "csv": timed(lambda: batch_by_csv(folder / "plain.csv", batch.first_seq, batch.last_seq)),
        "sqlite3": timed(lambda: batch_by_sqlite(folder / "plain.db", batch.first_seq, batch.last_seq), 3),
        "pandas": timed(lambda: batch_by_pandas(folder / "plain.csv", batch.first_seq, batch.last_seq)),
    }
    assert all(answer == peaks for _, answer in by.values())
    return {
        "machine": f"{platform.machine()}, Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}",
        "cycles": cycles,
        "store": {
            **stored,
            "records_a_second": cycles / stored["records_s"],
            "bytes": store_path.stat().st_size,
            "ratio_to_sqlite3_loop": stored["records_s"] / bare["sqlite3_s"],
            "ratio_to_csv_loop": stored["records_s"] / bare["csv_s"],
        },
        "plain": bare,
        "batch_page": {
            "find_the_newest_batch_s": find_s,
            "read_its_500_records_s": query_s,
            "list_50_batches_s": list_s,
            "its_500_traces_s": trace_s,
            "traces_still_wanted_s": wanted_s,
            "page_made_whole_s": page_s,
            "page_bytes": len(page.encode()),
            "batches_listed": len(facts),
        },
        "one_batch_by_plain_loops_s": {name: taken for name, (taken, _) in by.items()},
        "times_slower_than_the_store": {name: taken / (find_s + query_s) for name, (taken, _) in by.items()},
        "report": {"cycles": report_n, "seconds": report_s, "bytes": len(report.encode())},
    }


def main() -> None:
    """Run and write the result."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--cycles", type=int, default=1_000_000)
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        result = run(given.cycles, Path(folder))
        result["pull_at_115200_baud"] = {
            name: measure(Path(folder) / name, 100, traces=traces)
            for name, traces in (("records", False), ("records_and_traces", True))
            if not (Path(folder) / name).mkdir()
        }
    given.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
