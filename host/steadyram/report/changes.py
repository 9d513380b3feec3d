"""Which entries of the device's record of changes bear on some strokes: those made during them, and before them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from steadyram.link.records import Change, CycleRecord


@dataclass(frozen=True, slots=True)
class ChangeHistory:
    """Changes from the record before the first one shown (`since_seq`, 0 = there is none) to the last one shown.

    missing: (first, last) numbers of changes in between that the store lacks.
    """

    before: tuple[Change, ...]
    during: tuple[Change, ...]
    since_seq: int
    missing: tuple[tuple[int, int], ...]

    @property
    def all(self) -> tuple[Change, ...]:
        """Both, in the order in which they were made."""
        return self.before + self.during

    @property
    def since(self) -> str:
        """From when on changes are shown, in words."""
        return f"record {self.since_seq}" if self.since_seq else "the board's first entry"


def change_history(
    changes: Sequence[Change], records: Sequence[CycleRecord], previous: CycleRecord | None
) -> ChangeHistory:
    """What was changed since the stroke before these, and during these.

    changes: a device's record of changes, by number; previous: the newest record of the batch before, None when
    there is none, and then everything since the installation counts. Power-ups are numbered and time runs from
    each of them, so order needs no clock.
    """
    start = (-1, 0) if previous is None else (previous["boot"], previous["at_ms"])
    first = (records[0]["boot"], records[0]["at_ms"])
    last = (records[-1]["boot"], records[-1]["at_ms"])
    before, during, older = [], [], 0
    for change in changes:
        made = _made(change)
        if made <= start:
            older = max(older, change.seq)
        elif made < first:
            before.append(change)
        elif made <= last:
            during.append(change)
    known = {change.seq for change in changes}
    newest = max((change.seq for change in [*before, *during]), default=older)
    return ChangeHistory(
        tuple(before),
        tuple(during),
        0 if previous is None else previous.seq,
        _ranges([seq for seq in range(older + 1, newest) if seq not in known]),
    )


def _made(change: Change) -> tuple[int, int]:
    try:
        return int(change.fields.get("boot", "0")), int(change.fields.get("at_ms", "0"))
    except ValueError:
        return 0, 0


def _ranges(seqs: Sequence[int]) -> tuple[tuple[int, int], ...]:
    found: list[tuple[int, int]] = []
    for seq in seqs:
        if found and seq == found[-1][1] + 1:
            found[-1] = (found[-1][0], seq)
        else:
            found.append((seq, seq))
    return tuple(found)
