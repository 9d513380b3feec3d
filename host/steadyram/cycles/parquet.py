"""Records, and their traces if wanted, as Apache Parquet: columns that DuckDB, Spark and pandas read as they are.

One row a cycle, sorted by uid and seq; names carry their units as in the CSV. `at_utc` is a timestamp (none
when the device's clock was not set), `flags` a list of names, `trace_force_N` a list of forces `trace_dt_s`
apart, the first at `trace_dt_s`; `trace_travel_m` is the ram's travel at the same points, none without a
position sensor, as are `depth_m`, `contact_m` and `target_m`; `oil_contact_s`, `oil_half_s` and `oil_end_s` are oil as
seconds of the pump's low stage, none where it is not known. Only types of the Parquet format's first version that
every reader has.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any, Final

from steadyram.cycles.judgements import KEYS, said_of
from steadyram.cycles.store import CycleStore, StoredCycle, job_names
from steadyram.errors import BadInput
from steadyram.link.sets import job_crc
from steadyram.plain_file import refuse_place

_ROWS_AT_ONCE: Final = 5000
_INTEGERS: Final = (
    "seq", "boot", "at_unix", "job", "job_crc", "cal_serial", "settings_gen", "count", "pulses", "zero_counts",
    "trace_len",
)  # fmt: skip
_FLOATS: Final = (
    "at_s", "setpoint_N", "peak_N", "settled_N", "end_N", "duration_s", "contact_s", "knee_N", "trace_s",
    "trace_unit_N", "depth_m", "contact_m", "target_m", "oil_contact_s", "oil_half_s", "oil_end_s",
)  # fmt: skip
_SAID_INTEGERS: Final = frozenset({"envelope_provisional", "judged_unix", "said_unix"})


def write_parquet(
    store: CycleStore,
    uids: Iterable[str],
    target: Path,
    *,
    first: int = 0,
    last: int = 2**63 - 1,
    job: int | None = None,
    traces: bool = False,
    progress: Callable[[int], None] | None = None,
) -> int:
    """Write the records of some devices; returns how many. The file is written whole or not at all.

    progress: called with the number of rows so far. Raises BadInput when it cannot be written or pyarrow is
    missing.
    """
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise BadInput("Parquet needs pyarrow; install it with pip install 'steadyram[shop]'.") from None
    schema = _schema(pa, traces)
    refuse_place(target)
    temporary: str | None = None
    rows = 0
    try:
        handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
        os.close(handle)
        with pq.ParquetWriter(temporary, schema, version="1.0", compression="snappy") as writer:
            for uid in uids:
                names = job_names(store.jobs_seen(uid), job_crc)
                for chunk in _chunks(store.cycles(uid, first, last, job)):
                    columns = _columns(chunk, names)
                    said = said_of(store, uid, [cycle.record for cycle in chunk])
                    columns |= {key: [said[each.record.seq][key] for each in chunk] for key in KEYS}
                    if traces:
                        columns |= _traces(store, uid, chunk)
                    writer.write_table(pa.table(columns, schema=schema))
                    rows += len(chunk)
                    if progress is not None:
                        progress(rows)
        os.chmod(temporary, 0o644)
        os.replace(temporary, target)
        temporary = None
    except OSError as error:
        raise BadInput(
            f"{target} cannot be written ({error.strerror or error}); choose another place."
        ) from None
    finally:
        if temporary is not None and os.path.exists(temporary):
            os.unlink(temporary)
    return rows


def _schema(pa: Any, traces: bool) -> Any:
    fields = [
        pa.field("uid", pa.string(), nullable=False),
        pa.field("fw", pa.string()),
        *(pa.field(name, pa.int64()) for name in _INTEGERS),
        pa.field("at_utc", pa.timestamp("ms", tz="UTC")),
        pa.field("job_name", pa.string()),
        *(pa.field(name, pa.float64()) for name in _FLOATS),
        pa.field("stop", pa.string()),
        pa.field("fault", pa.string()),
        pa.field("flags", pa.list_(pa.string())),
        *(pa.field(name, pa.int64() if name in _SAID_INTEGERS else pa.string()) for name in KEYS),
    ]
    if traces:
        fields += [
            pa.field("trace_dt_s", pa.float64()),
            pa.field("trace_force_N", pa.list_(pa.float32())),
            # Doubles: a float's seven digits of 0.2 m would round near the sensor's step.
            pa.field("trace_travel_m", pa.list_(pa.float64())),
        ]
    return pa.schema(fields)


def _chunks(cycles: Iterator[StoredCycle]) -> Iterator[list[StoredCycle]]:
    while chunk := list(islice(cycles, _ROWS_AT_ONCE)):
        yield chunk


def _columns(chunk: list[StoredCycle], names: Any) -> dict[str, list[Any]]:
    told = [cycle.record.to_json() for cycle in chunk]
    columns: dict[str, list[Any]] = {
        "uid": [cycle.uid for cycle in chunk],
        "fw": [cycle.fw for cycle in chunk],
        "at_utc": [
            datetime.fromtimestamp(row["at_unix"], UTC) if row.get("at_unix") else None for row in told
        ],
        "job_name": [names.get((row["job"], row["job_crc"])) for row in told],
    }
    for key in (*_INTEGERS, *_FLOATS, "stop", "fault", "flags"):
        columns[key] = [row.get(key) for row in told]
    for key in ("depth_m", "contact_m", "target_m"):
        # The device says 0 where it has no sensor, or where none was asked for: here that is no value.
        columns[key] = [row.get(key) or None if "travel" in row["flags"] else None for row in told]
    return columns


def _traces(store: CycleStore, uid: str, chunk: list[StoredCycle]) -> dict[str, list[Any]]:
    found = store.traces(uid, [cycle.record.seq for cycle in chunk])
    ordered = [found.get(cycle.record.seq) for cycle in chunk]
    travels = store.travels(uid, [cycle.record.seq for cycle in chunk])
    moved = [travels.get(cycle.record.seq) for cycle in chunk]
    return {
        "trace_dt_s": [None if trace is None else trace.dt_s for trace in ordered],
        # A commissioning stroke's trace is in counts: it has no forces to give.
        "trace_force_N": [
            None if trace is None or not trace.unit_N else trace.force_N() for trace in ordered
        ],
        "trace_travel_m": [None if travel is None else travel.travel_m() for travel in moved],
    }
