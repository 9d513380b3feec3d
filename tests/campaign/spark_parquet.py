"""Apache Spark reads the Parquet that `steadyram cycles export --format parquet --traces` writes, as it is.

    python tests/campaign/spark_parquet.py --spark-python VENV/bin/python --out tests/campaign/out/spark_parquet.json

Spark brings 0.5 GB and needs Java 17, so this is run by hand and its result is committed. `--spark-python` is a Python
with pyspark (`pip install pyspark==4.0.1`); it gets nothing but the file and a question for each column. What it
answers is held against the store that the file was written from. The records are invented.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.campaign.provenance import provenance
from tests.host.cycles.test_parquet import filled

from steadyram.cli import main as steadyram
from steadyram.cycles.store import CycleStore

# Run by the Python that has Spark. No schema is given to it: it takes the file's.
READER = """
import json, sys, time, pyspark
from pyspark.sql import SparkSession, functions as F
began = time.monotonic()
spark = (SparkSession.builder.master("local[2]").config("spark.ui.enabled", "false")
         .config("spark.sql.session.timeZone", "UTC").getOrCreate())
spark.sparkContext.setLogLevel("ERROR")
java = spark._jvm.System.getProperty("java.version")
frame = spark.read.parquet(sys.argv[1])
by = [[r.uid, r.n, r.first, r.last, r.peak] for r in frame.groupBy("uid").agg(
    F.count("*").alias("n"), F.min("seq").alias("first"), F.max("seq").alias("last"),
    F.avg("peak_N").alias("peak")).orderBy("uid").collect()]
one = frame.where("uid = 'a' and seq = 2").select(
    "flags", "trace_dt_s", "trace_force_N", F.unix_timestamp("at_utc").alias("unix"), "job_name").first()
odd = frame.where("uid = 'b' and seq = 4").select("stop", "fault", "at_utc", "trace_force_N").first()
samples = frame.select(F.explode("trace_force_N").alias("f")).agg(F.count("*"), F.max("f")).first()
print(json.dumps({
    "spark": pyspark.__version__, "java": java, "columns": dict(frame.dtypes), "by_device": by,
    "flags": one.flags, "trace_dt_s": one.trace_dt_s, "trace_force_N": one.trace_force_N, "at_unix": one.unix,
    "fault": [odd.stop, odd.fault, odd.at_utc, odd.trace_force_N],
    "trace_samples": samples[0], "largest_sample_N": samples[1], "seconds": round(time.monotonic() - began, 1)}))
spark.stop()
"""


def campaign(spark_python: Path) -> dict[str, Any]:
    """Write, have Spark read, compare. Returns the result; `differences` is empty when Spark saw what was stored."""
    with tempfile.TemporaryDirectory() as folder:
        store_file, target = filled(Path(folder) / "c.db"), Path(folder) / "all.parquet"
        steadyram(
            [
                "cycles",
                "export",
                "--store",
                str(store_file),
                "--format",
                "parquet",
                "--traces",
                "--out",
                str(target),
            ]
        )
        done = subprocess.run(
            [str(spark_python), "-c", READER, str(target)],
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
        )
        if done.returncode:
            raise SystemExit(f"Spark did not read it:\n{done.stderr[-3000:]}")
        told: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
        expected = stored(store_file)
        size = target.stat().st_size
    trace = told.pop("trace_force_N")
    seen = {key: told[key] for key in expected if key != "trace_force_N"} | {"trace_force_N": trace}
    differences = [key for key in expected if not same(seen[key], expected[key])]
    return {
        **provenance(),
        "rows": sum(row[1] for row in expected["by_device"]),
        "bytes": size,
        "compared": sorted(expected),
        "differences": differences,
        **told,
    }


def stored(path: Path) -> dict[str, Any]:
    """The same answers from the store itself."""
    with CycleStore(path, create=False) as store:
        by_device, samples, largest = [], 0, 0.0
        for uid in ("a", "b"):
            records = [cycle.record for cycle in store.cycles(uid)]
            peaks = [record["peak_n"] for record in records]
            by_device.append([uid, len(records), records[0].seq, records[-1].seq, sum(peaks) / len(peaks)])
            for trace in store.traces(uid, [record.seq for record in records]).values():
                samples += len(trace.points)
                largest = max(largest, *trace.force_N())
        two = next(store.cycles("a", 2, 2)).record
        trace = store.trace("a", 2)
        assert trace is not None
        return {
            "by_device": by_device,
            "flags": sorted(two.flags),
            "trace_dt_s": trace.dt_s,
            "trace_force_N": trace.force_N(),
            "at_unix": two["at_unix"],
            "fault": ["fault", "slope-impossible", None, None],
            "trace_samples": samples,
            "largest_sample_N": largest,
        }


def same(one: Any, other: Any) -> bool:
    """Equal; numbers to nine digits."""
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, float) or isinstance(other, float):
        return abs(float(one) - float(other)) <= 1e-9 * max(1.0, abs(float(other)))
    return bool(one == other)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--spark-python", type=Path, default=Path(sys.executable))
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    result = campaign(options.spark_python)
    text = json.dumps(result, indent=1) + "\n"
    if options.out is None:
        print(text, end="")
    else:
        options.out.write_text(text, encoding="utf-8")
    if result["differences"]:
        raise SystemExit(f"Spark saw something else: {', '.join(result['differences'])}")


if __name__ == "__main__":
    main()
