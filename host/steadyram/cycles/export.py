"""Records out of the store as CSV or JSON; every key carries its unit."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from steadyram.cycles.judgements import KEYS, with_said
from steadyram.cycles.store import CycleStore, StoredCycle, job_names
from steadyram.cycles.store_schema import RECORD_COLUMNS
from steadyram.link.records import CycleRecord
from steadyram.link.sets import job_crc


def named_cycles(
    store: CycleStore, uid: str, first: int = 0, last: int = 2**63 - 1, job: int | None = None
) -> list[dict[str, Any]]:
    """Records of a device in SI values, with `uid` and `job_name` (None when not known), ready for JSON."""
    return list(each_named(store, uid, first, last, job))


def each_named(
    store: CycleStore, uid: str, first: int = 0, last: int = 2**63 - 1, job: int | None = None
) -> Iterator[dict[str, Any]]:
    """Yield the same one by one, so that memory does not grow with the store."""
    names = job_names(store.jobs_seen(uid), job_crc)
    told = with_said(store, uid, store.cycles(uid, first, last, job))
    return (_named(cycle, names) | said for cycle, said in told)


def _named(cycle: StoredCycle, names: Mapping[tuple[int, int], str]) -> dict[str, Any]:
    record = cycle.record
    out: dict[str, Any] = {"uid": cycle.uid, "fw": cycle.fw}
    for key, value in record.to_json().items():
        out[key] = value
        if key == "job":
            out["job_name"] = names.get((record["job"], record["job_crc"]))
    return out


def as_csv(cycles: Iterable[Mapping[str, Any]]) -> str:
    """CSV with a header line; flags separated by spaces, an empty cell where nothing is known."""
    rows = list(cycles)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    # Records of older firmware lack the newest fields: the header has every field that any of them has.
    keys = list(dict.fromkeys(key for row in rows for key in row)) if rows else ["uid", "seq"]
    writer.writerow(keys)
    for row in rows:
        writer.writerow([_cell(row.get(key)) for key in keys])
    return out.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, list):
        return " ".join(str(part) for part in value)
    if isinstance(value, float):
        return f"{value:.10g}"
    text = str(value)
    # A job's name is anybody's text: a spreadsheet must not take it for a formula.
    if isinstance(value, str) and text[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + text
    return text


def csv_lines(cycles: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    """Yield the same lines one by one: the header has the fields that a record of the present protocol has."""
    keys: list[str] = []
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    for row in cycles:
        if not keys:
            keys = list(dict.fromkeys([*row, *_every_key()]))
            writer.writerow(keys)
        writer.writerow([_cell(row.get(key)) for key in keys])
        yield out.getvalue()
        out.seek(0)
        out.truncate()
    if not keys:
        yield "uid,seq\n"


def _every_key() -> Iterator[str]:
    """Keys of a record that has every field that the store has a column for."""
    values = dict.fromkeys(RECORD_COLUMNS, 0)
    return iter([*CycleRecord(values).to_json(), *KEYS])


def json_lines(cycles: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    """Yield the text of one JSON document, {"cycles": [...]}, a record a line."""
    yield '{"cycles": ['
    between = "\n "
    for row in cycles:
        yield between + json.dumps(row, allow_nan=False)
        between = ",\n "
    yield "\n]}\n"


def as_json_text(cycles: Iterable[Mapping[str, Any]]) -> str:
    """One JSON document: {"cycles": [...]}."""
    return json.dumps({"cycles": list(cycles)}, indent=1, allow_nan=False) + "\n"
