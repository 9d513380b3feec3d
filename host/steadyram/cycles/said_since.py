"""What was said of a device's cycles since somebody looked: judgements, words of people, tests, withdrawals."""

from __future__ import annotations

from typing import Final

from sqlalchemy import func, select

from steadyram.cycles import store_schema as t
from steadyram.cycles.messages import VerdictMessage
from steadyram.cycles.store import CycleStore, PartTest, Verdict

_TABLES: Final = (t.judgement, t.verdict, t.part_test, t.withdrawal)
_ALL: Final = 2**63 - 1

Marks = tuple[int, int, int, int]
"""The highest row number told so far, of judgement, verdict, part_test and withdrawal."""


def marks(store: CycleStore, uid: str) -> Marks:
    """Where the tables end now."""
    with store.reading() as db:
        judged, said, tested, taken = (
            int(db.execute(select(func.coalesce(func.max(a.c.id), 0)).where(a.c.uid == uid)).scalar_one())
            for a in _TABLES
        )
    return judged, said, tested, taken


def said_since(store: CycleStore, uid: str, told: Marks) -> tuple[list[VerdictMessage], Marks]:
    """What came after `told`, oldest first within each kind, and the marks to give next time."""
    now = marks(store, uid)
    if now == told:
        return [], now
    out: list[VerdictMessage] = []
    with store.reading() as db:
        c = t.judgement.c
        for row in db.execute(
            select(t.judgement).where(c.uid == uid, c.id > told[0], c.id <= now[0]).order_by(c.id)
        ):
            out.append(
                VerdictMessage(
                    uid=uid, seq=row.seq, source="signature", verdict=row.part, reason=row.reason, by=row.envelope,
                    provisional=bool(row.provisional), withdrawn=None, at_unix=row.at_unix,
                )
            )  # fmt: skip
        w = t.withdrawal.c
        taken = {
            (row[0], int(row[1]))
            for row in db.execute(select(w.what, w.of_id).where(w.uid == uid, w.id > told[3], w.id <= now[3]))
        }
        jobs = [
            int(row[0])
            for row in db.execute(select(t.part_test.c.job).where(t.part_test.c.uid == uid).distinct())
        ]
    for word in store.verdicts(uid, 0, _ALL):
        if told[1] < word.number <= now[1] or ("verdict", word.number) in taken:
            out.append(_of_person(uid, word))
    for job in jobs:
        for test in store.part_tests(uid, job):
            if told[2] < test.number <= now[2] or ("part_test", test.number) in taken:
                out.append(_of_test(uid, test))
    return out, now


def _of_person(uid: str, word: Verdict) -> VerdictMessage:
    return VerdictMessage(
        uid=uid, seq=word.seq, source="person", verdict=word.verdict, reason=word.why, by=word.by, provisional=False,
        withdrawn=word.withdrawn.why if word.withdrawn else None, at_unix=word.at_unix,
    )  # fmt: skip


def _of_test(uid: str, test: PartTest) -> VerdictMessage:
    told = {True: "passed", False: "failed", None: "no limit"}[test.passed]
    return VerdictMessage(
        uid=uid, seq=test.seq, source="test", verdict=told, reason=test.in_words(), by=test.by, provisional=False,
        withdrawn=test.withdrawn.why if test.withdrawn else None, at_unix=test.at_unix,
    )  # fmt: skip
