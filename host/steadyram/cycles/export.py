"""Records out of the store as CSV or JSON; every key carries its unit."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping
from typing import Any

from steadyram.cycles.store import CycleStore, StoredCycle, job_names
from steadyram.link.sets import job_crc


def named_cycles(
    store: CycleStore, uid: str, first: int = 0, last: int = 2**63 - 1, job: int | None = None
) -> list[dict[str, Any]]:
    """Records of a device in SI values, with `uid` and `job_name` (None when not known), ready for JSON."""
    names = job_names(store.jobs_seen(uid), job_crc)
    return [_named(cycle, names) for cycle in store.cycles(uid, first, last, job)]


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


def as_json_text(cycles: Iterable[Mapping[str, Any]]) -> str:
    """One JSON document: {"cycles": [...]}."""
    return json.dumps({"cycles": list(cycles)}, indent=1, allow_nan=False) + "\n"
