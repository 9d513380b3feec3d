"""Parquet as its readers see it: DuckDB and Arrow open what was written, and count the same."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from tests.host.cycles.samples import identity, record, sample_trace, sample_travel

from steadyram.cli import main
from steadyram.cycles.parquet import write_parquet
from steadyram.cycles.store import CycleStore
from steadyram.errors import BadInput
from steadyram_fw import tables as T

duckdb = pytest.importorskip("duckdb", reason="no duckdb here")
pq = pytest.importorskip("pyarrow.parquet", reason="no pyarrow here")


def filled(path: Path) -> Path:
    with CycleStore(path) as store:
        for uid, n in (("a", 6000), ("b", 3)):
            store.see_device(identity(uid), 1)
            store.add_cycles(identity(uid), [record(seq) for seq in range(1, n + 1)], 1)
            store.add_traces(uid, [(seq, sample_trace(seq)) for seq in (1, 2)])
        store.add_cycles(
            identity("b"), [record(4, at_unix=0, fault=4, stop=T.STOP_FAULT, flags=T.FLAG_CUTOFF)], 1
        )
    return path


def test_duckdb_reads_it_as_it_is(tmp_path: Path) -> None:
    target = tmp_path / "all.parquet"
    with CycleStore(filled(tmp_path / "c.db")) as store:
        assert write_parquet(store, ["a", "b"], target, traces=True) == 6004
        expected = [cycle.record["peak_n"] for cycle in store.cycles("a")]
        force = sample_trace(2).force_N()
    db = duckdb.connect()
    table = f"read_parquet('{target}')"
    counts = f"SELECT uid, count(*), min(seq), max(seq) FROM {table} GROUP BY uid ORDER BY uid"
    assert db.execute(counts).fetchall() == [
        ("a", 6000, 1, 6000), ("b", 4, 1, 4),
    ]  # fmt: skip
    (mean,) = db.execute(f"SELECT avg(peak_N) FROM {table} WHERE uid = 'a'").fetchone()
    assert mean == pytest.approx(sum(expected) / 6000)
    flags, dt, trace = db.execute(
        f"SELECT flags, trace_dt_s, trace_force_N FROM {table} WHERE uid = 'a' AND seq = 2"
    ).fetchone()
    assert (sorted(flags), dt, trace) == (["cutoff", "learned"], 0.008, force)
    odd = db.execute(
        f"SELECT stop, fault, at_utc, trace_force_N FROM {table} WHERE uid = 'b' AND seq = 4"
    ).fetchone()
    assert odd == ("fault", "slope-impossible", None, None)


def test_travel_stands_beside_the_force_and_is_none_without_a_sensor(tmp_path: Path) -> None:
    target = tmp_path / "some.parquet"
    seen = T.FLAG_CUTOFF | T.FLAG_TRAVEL
    with CycleStore(tmp_path / "c.db") as store:
        store.see_device(identity("a"), 1)
        records = [
            record(1),
            record(2, flags=seen, depth_um=81_234, contact_um=80_100),
            record(3, flags=seen, depth_um=81_300, contact_um=80_000, target_um=81_300, trace_len=0),
        ]
        store.add_cycles(identity("a"), records, 1)
        store.add_traces("a", [(1, sample_trace(1)), (2, sample_trace(2))])
        store.add_travels("a", [(2, sample_travel(2))])
        write_parquet(store, ["a"], target, traces=True)
    rows = duckdb.execute(
        f"SELECT depth_m, contact_m, target_m, len(trace_force_N), trace_travel_m FROM '{target}' ORDER BY seq"
    ).fetchall()
    assert rows == [
        (None, None, None, 200, None),
        (0.081234, 0.0801, None, 200, sample_travel(2).travel_m()),
        (0.0813, 0.08, 0.0813, None, None),
    ]


def test_types_are_those_of_the_first_version(tmp_path: Path) -> None:
    target = tmp_path / "all.parquet"
    with CycleStore(filled(tmp_path / "c.db")) as store:
        write_parquet(store, ["b"], target)
    found = pq.ParquetFile(target)
    assert found.metadata.format_version == "1.0"
    assert {found.schema.column(i).physical_type for i in range(len(found.schema))} <= {
        "INT64", "DOUBLE", "BYTE_ARRAY",
    }  # fmt: skip
    at = found.read().column("at_utc").to_pylist()
    assert at[0] == datetime.fromtimestamp(1_900_000_004, UTC)


def test_nothing_half_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with CycleStore(filled(tmp_path / "c.db")) as store:
        with pytest.raises(BadInput, match="cannot be written"):
            write_parquet(store, ["a"], tmp_path / "no" / "all.parquet")

        def broken(_: int) -> None:
            raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            write_parquet(store, ["a"], tmp_path / "all.parquet", progress=broken)
    assert [path.name for path in tmp_path.iterdir() if "parquet" in path.name] == []


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = str(filled(tmp_path / "c.db"))
    main(["cycles", "export", "--store", store, "--format", "parquet", "--out", str(tmp_path / "x.parquet")])
    assert "6004 records" in capsys.readouterr().err
    for words in (["--format", "parquet"], ["--traces", "--device", "a"]):
        with pytest.raises(SystemExit) as ended:
            main(["cycles", "export", "--store", store, *words])
        assert ended.value.code == 2


def test_columns_are_of_kinds_that_other_readers_take(tmp_path: Path) -> None:
    """Apache Spark 4.0.1 read columns of these kinds (tests/campaign/spark_parquet.py); no others are written."""
    target = tmp_path / "all.parquet"
    with CycleStore(filled(tmp_path / "c.db")) as store:
        write_parquet(store, ["b"], target, traces=True)
    kinds = ("string", "int64", "double", "timestamp[ms, tz=UTC]", "list<element: ")
    for field in pq.read_schema(target):
        assert str(field.type).startswith(kinds), field
