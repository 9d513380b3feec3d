"""Which entries of the device's record of changes bear on some strokes: those made during them, and before them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from steadyram.link.records import Change, CycleRecord


@dataclass(frozen=True)
class ChangeRun:
    """Changes of one kind that one hand made one after another; place: before the strokes, or during them."""

    place: str
    changes: tuple[Change, ...]

    @property
    def first(self) -> Change:
        """Return the change that began it."""
        return self.changes[0]

    @property
    def what(self) -> str:
        """Return what was changed: the set that was pushed, the one key, or the kind of the keys."""
        first = self.first.fields.get("what", "")
        return first if "." not in first or self._of_one else _kind(self.first)

    @property
    def left(self) -> str:
        """Return what it came to: the last value of one key, the set's own otherwise."""
        return (self.changes[-1] if self._of_one else self.first).fields.get("to", "")

    @property
    def _of_one(self) -> bool:
        return len({change.fields.get("what", "") for change in self.changes}) == 1


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
    def runs(self) -> tuple[ChangeRun, ...]:
        """Return the changes as a table shows them: a push and its keys in one run, those before the strokes first."""
        return tuple(
            run
            for place, changes in (("before", self.before), ("during", self.during))
            for run in _runs(place, changes)
        )

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


def _runs(place: str, changes: Sequence[Change]) -> list[ChangeRun]:
    """Return runs of one kind by one hand. A push begins a new one: its entry names a set, its keys' have a dot."""
    runs: list[list[Change]] = []
    for change in changes:
        before = runs[-1][0] if runs else None
        if (
            before is not None
            and "." in change.fields.get("what", "")
            and change.fields.get("by") == before.fields.get("by")
            and _kind(change) == _kind(before)
        ):
            runs[-1].append(change)
        else:
            runs.append([change])
    return [ChangeRun(place, tuple(run)) for run in runs]


def _kind(change: Change) -> str:
    return change.fields.get("what", "").partition(".")[0]


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
