"""Show whether rows of the store are still as they were written: digests of every row, chained a transaction.

A row's digest is taken in the transaction that writes it: of a record as the device sent it, of a set, a change, a
verdict, a test, a withdrawal. The chain goes over the digests in the order in which they were written, so that a seal
cannot be altered, left out or put in between without a break behind it. What the chain does not show: an edit by
somebody who writes the whole chain anew, and the loss of the newest seals together with their rows; a proof prints
the chain's end, so that a later copy of the store can be held against it. SHA-256 (FIPS 180-4).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any, Final, Protocol

from sqlalchemy import Connection, Table, select

from steadyram.cycles import store_schema as t

# A row's digest is cut to 64 bits: enough to see an edit, and a million rows stay small.
_DIGITS: Final = 16
_SHOWN: Final = 12


@dataclass(frozen=True, slots=True)
class Sealed:
    """What the chain of a device says: breaches in words, the chain's end, records from before the chain."""

    breaches: tuple[str, ...]
    end: str
    unsealed: int


def digest_of(content: Mapping[str, Any]) -> str:
    """The digest of a row's content, whatever the order of its keys."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:_DIGITS]


def cycle_content(fw: str, pulled_unix: int, values: Mapping[str, Any]) -> dict[str, Any]:
    """What a record's digest is of; a field without a value is left out, as in a table where a column came later."""
    known = {key: value for key, value in values.items() if value is not None}
    return {**known, "fw": fw, "pulled_unix": pulled_unix}


def seal_row(
    uid: str, kind: str, rows: Sequence[tuple[int | str, Mapping[str, Any]]], before: str
) -> dict[str, Any]:
    """The row of `seal` for rows just written; before: the chain's end so far."""
    digests = json.dumps([[key, digest_of(content)] for key, content in rows], separators=(",", ":"))
    keys = [key for key, _ in rows if isinstance(key, int)]
    return {
        "uid": uid,
        "kind": kind,
        "first_seq": min(keys, default=0),
        "last_seq": max(keys, default=0),
        "digests": digests,
        "chain": _link(before, uid, kind, digests),
    }


def _link(before: str, uid: str, kind: str, digests: str) -> str:
    return hashlib.sha256("\n".join((before, uid, kind, digests)).encode()).hexdigest()


class Readable(Protocol):
    """A store that can be read from."""

    def reading(self) -> AbstractContextManager[Connection]:
        """Return a connection that only reads."""


def check_seals(store: Readable, uid: str, first: int, last: int) -> Sealed:
    """Hold a device's records `first` to `last`, and all its other rows, against its chain."""
    found: list[str] = []
    before = ""
    wanted: dict[str, dict[int | str, str]] = {}
    with store.reading() as db:
        c = t.seal.c
        for row in db.execute(select(t.seal).where(c.uid == uid).order_by(c.id)):
            if row.chain != _link(before, uid, row.kind, row.digests):
                found.append(f"the chain of digests is broken at entry {row.id} ({_named(row.kind)})")
            before = row.chain
            if row.kind != "cycle" or (row.first_seq <= last and row.last_seq >= first):
                wanted.setdefault(row.kind, {}).update((key, digest) for key, digest in _pairs(row.digests))
        records = {key: d for key, d in wanted.pop("cycle", {}).items() if first <= int(key) <= last}
        there = dict(_records(db, uid, first, last))
        edited = sorted(int(key) for key, digest in there.items() if records.get(key, digest) != digest)
        gone = sorted(int(key) for key in records.keys() - there.keys())
        strange = sorted(int(key) for key in there.keys() - records.keys())
        if edited:
            found.append(f"{_numbers(edited)} edited after the pull")
        if gone:
            found.append(f"{_numbers(gone)} deleted or renumbered after the pull")
        if records and strange:
            # Records from before the chain began have numbers below the first that it has.
            begun = int(min(records, key=int))
            put_in = [number for number in strange if number > begun]
            if put_in:
                found.append(f"{_numbers(put_in)} put in or renumbered by hand: not from a pull")
            strange = [number for number in strange if number < begun]
        for kind, digests in wanted.items():
            found += _others(db, uid, kind, digests)
    return Sealed(tuple(found), before, len(strange))


def _pairs(digests: str) -> Iterator[tuple[int | str, str]]:
    try:
        pairs = json.loads(digests)
        yield from ((key, digest) for key, digest in pairs)
    except (ValueError, TypeError):
        return  # the chain is broken there, which is said


def _records(db: Connection, uid: str, first: int, last: int) -> Iterator[tuple[int | str, str]]:
    c = t.cycle.c
    query = select(t.cycle).where(c.uid == uid, c.seq.between(first, last))
    for row in db.execution_options(yield_per=2000).execute(query):
        values = {name: getattr(row, name) for name in t.RECORD_COLUMNS}
        if row.extra is not None:
            values.update(json.loads(row.extra))
        yield row.seq, digest_of(cycle_content(row.fw, row.pulled_unix, values))


_TABLES: Final[dict[str, tuple[Table, str]]] = {
    "part_test": (t.part_test, "destructive test"),
    "verdict": (t.verdict, "verdict"),
    "withdrawal": (t.withdrawal, "withdrawal"),
    "judgement": (t.judgement, "judgement of the signature"),
    "batch_note": (t.batch_note, "note of a batch"),
    "change": (t.change, "entry of the record of changes"),
    "snapshot": (t.snapshot, "set in force"),
}


def _named(kind: str) -> str:
    return "record" if kind == "cycle" else _TABLES[kind][1] if kind in _TABLES else kind


def _others(db: Connection, uid: str, kind: str, digests: Mapping[int | str, str]) -> Iterator[str]:
    """What is wrong with the rows of one other table."""
    if kind not in _TABLES:
        return
    table, name = _TABLES[kind]
    there: dict[int | str, str] = {}
    for row in db.execute(select(table).where(table.c.uid == uid)).mappings():
        key: int | str
        if kind == "snapshot":
            key = f"{row['kind']} {row['digest']} {row['gen']}"
        else:
            key = int(row["seq"] if kind == "change" else row["id"])
        there[key] = digest_of({column: value for column, value in row.items() if column != "id"})
    for key, digest in digests.items():
        if key not in there:
            yield f"{name} {key} deleted or renumbered after it was written"
        elif there[key] != digest:
            yield f"{name} {key} edited after it was written"
    first = min((key for key in digests if isinstance(key, int)), default=0)
    for key in there.keys() - digests.keys():
        if isinstance(key, int) and key > first:
            yield f"{name} {key} put in by hand"


def _numbers(seqs: Sequence[int]) -> str:
    more = f" and {len(seqs) - _SHOWN} more" if len(seqs) > _SHOWN else ""
    plural, were = ("", "was") if len(seqs) == 1 else ("s", "were")
    return f"record{plural} " + ", ".join(str(seq) for seq in seqs[:_SHOWN]) + f"{more} {were}"
