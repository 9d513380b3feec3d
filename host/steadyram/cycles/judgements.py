"""What the signature said of each cycle, kept in the store with its reason and the version of the envelope.

A cycle is judged after every pull that brought it. A judgement that changes later (the envelope learned from more
parts, people called some of them bad) is added; the one before stays. The newest one counts.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any, Final

from sqlalchemy import func, insert, select

from steadyram.cycles import store_schema as t
from steadyram.cycles.signature_store import Judged, job_strokes, judge_job
from steadyram.cycles.store import CycleStore, StoredCycle
from steadyram.link.records import CycleRecord

# So far back a job is judged: the envelope's teachers are among these.
LOOK_BACK: Final = 400
_ALL: Final = 2**63 - 1
_AT_ONCE: Final = 2000


@dataclass(frozen=True, slots=True)
class Judgement:
    """What the signature said of one cycle. envelope: digest of its version; provisional: confirmed by nobody."""

    seq: int
    part: str
    press: str
    reason: str
    envelope: str
    provisional: bool
    at_unix: int

    @property
    def odd(self) -> bool:
        """True when the part itself stood out."""
        return self.part not in ("good", "not judged")


def newest_said(store: CycleStore, uid: str, first: int = 0, last: int = _ALL) -> dict[int, str]:
    """The newest word of a person that was not withdrawn, by record: "good" or "bad"."""
    return {each.seq: each.verdict for each in store.verdicts(uid, first, last) if each.withdrawn is None}


def judgements(store: CycleStore, uid: str, first: int = 0, last: int = _ALL) -> list[Judgement]:
    """Everything that was said of a device's cycles, by number, oldest first."""
    c = t.judgement.c
    query = (
        select(c.seq, c.part, c.press, c.reason, c.envelope, c.provisional, c.at_unix)
        .where(c.uid == uid, c.seq.between(first, last))
        .order_by(c.seq, c.id)
    )
    with store.reading() as db:
        return [Judgement(*row[:5], bool(row[5]), int(row[6])) for row in db.execute(query)]


def newest_judgements(store: CycleStore, uid: str, first: int = 0, last: int = _ALL) -> dict[int, Judgement]:
    """The judgement that counts, by record."""
    return {each.seq: each for each in judgements(store, uid, first, last)}


def judgement_of(judged: Judged, at_unix: int) -> dict[int, Judgement]:
    """Judgements as they would be kept; none while too few parts teach an envelope."""
    envelope = judged.envelope
    if envelope is None:
        return {}
    return {
        seq: Judgement(
            seq, verdict.part, verdict.press, verdict.reason(), envelope.digest, judged.provisional, at_unix
        )
        for seq, verdict in judged.verdicts.items()
    }


def keep(store: CycleStore, uid: str, judged: Judged, at_unix: int) -> list[Judgement]:
    """Keep what is new or has changed; returns it."""
    told = judgement_of(judged, at_unix)
    if not told or judged.envelope is None:
        return []
    known = newest_judgements(store, uid, min(told), max(told))
    fresh = [each for seq, each in sorted(told.items()) if _says(known.get(seq)) != _says(each)]
    if not fresh:
        return []
    rows = [
        {
            "uid": uid, "seq": each.seq, "part": each.part, "press": each.press, "reason": each.reason,
            "envelope": each.envelope, "provisional": int(each.provisional), "at_unix": at_unix,
        }
        for each in fresh
    ]  # fmt: skip
    with store.transaction() as db:
        version = {
            "uid": uid,
            "digest": judged.envelope.digest,
            "content": judged.envelope.to_text(),
            "at_unix": at_unix,
        }
        db.execute(store.insert_into(t.envelope).on_conflict_do_nothing(), version)
        # One by one: a bulk insert does not say on every database which row got which number.
        keyed = []
        for row in rows:
            number = db.execute(insert(t.judgement).values(row).returning(t.judgement.c.id)).scalar_one()
            keyed.append((int(number), row))
        store.seal_rows(db, uid, "judgement", keyed)
    return fresh


def _says(judgement: Judgement | None) -> tuple[str, str, bool] | None:
    return None if judgement is None else (judgement.part, judgement.press, judgement.provisional)


def judge_group(store: CycleStore, uid: str, job: int, setpoint_n: int, last: int = _ALL) -> Judged:
    """Judge the newest cycles of one job at one setpoint, up to record `last`."""
    c = t.cycle.c
    query = (
        select(c.seq)
        .where(c.uid == uid, c.job == job, c.seq <= last, c.setpoint_n == setpoint_n)
        .order_by(c.seq.desc())
        .limit(LOOK_BACK)
    )
    with store.reading() as db:
        first = min((int(row[0]) for row in db.execute(query)), default=last)
    records = [
        each.record for each in store.cycles(uid, first, last, job) if each.record["setpoint_n"] == setpoint_n
    ]
    return judge_job(records, job_strokes(store, uid, records), newest_said(store, uid, first, last))


def judge_since(
    store: CycleStore, uid: str, after: int, wall: Callable[[], float] = time.time
) -> list[Judgement]:
    """Judge every job that has records above number `after`, and keep what is new; returns that."""
    c = t.cycle.c
    query = (
        select(c.job, c.setpoint_n, func.max(c.seq))
        .where(c.uid == uid, c.seq > after, c.job > 0)
        .group_by(c.job, c.setpoint_n)
    )
    with store.at_one_moment(), store.reading() as db:
        groups = [tuple(row) for row in db.execute(query)]
        judged = [judge_group(store, uid, job, n, last) for job, n, last in groups if n]
    return [new for each in judged for new in keep(store, uid, each, int(wall()))]


KEYS: Final = (
    "judged", "judged_press", "judged_why", "envelope", "envelope_provisional", "judged_unix",
    "said", "said_why", "said_by", "said_unix", "tests",
)  # fmt: skip


def said_of(store: CycleStore, uid: str, records: Sequence[CycleRecord]) -> dict[int, dict[str, Any]]:
    """What was said of some records (all of one device), under KEYS, by number; None where nothing was."""
    if not records:
        return {}
    first, last = min(r.seq for r in records), max(r.seq for r in records)
    judged = newest_judgements(store, uid, first, last)
    words = {each.seq: each for each in store.verdicts(uid, first, last) if each.withdrawn is None}
    tests: dict[int, list[str]] = {}
    for job in {record["job"] for record in records}:
        for test in store.part_tests(uid, job, first, last):
            if test.withdrawn is None:
                tests.setdefault(test.seq, []).append(test.in_words())
    out = {}
    for record in records:
        one, word = judged.get(record.seq), words.get(record.seq)
        out[record.seq] = dict.fromkeys(KEYS) | {
            "judged": one.part if one else None,
            "judged_press": one.press if one else None,
            "judged_why": one.reason if one else None,
            "envelope": one.envelope if one else None,
            "envelope_provisional": int(one.provisional) if one else None,
            "judged_unix": one.at_unix if one else None,
            "said": word.verdict if word else None,
            "said_why": word.why if word else None,
            "said_by": word.by if word else None,
            "said_unix": word.at_unix if word else None,
            "tests": "; ".join(tests[record.seq]) if record.seq in tests else None,
        }
    return out


def with_said(
    store: CycleStore, uid: str, cycles: Iterable[StoredCycle]
) -> Iterator[tuple[StoredCycle, dict[str, Any]]]:
    """Yield cycles with what was said of them, some thousand at a time."""
    running = iter(cycles)
    while chunk := list(islice(running, _AT_ONCE)):
        said = said_of(store, uid, [each.record for each in chunk])
        for each in chunk:
            yield each, said[each.record.seq]
