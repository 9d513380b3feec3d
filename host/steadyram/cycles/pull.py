"""From the device into the store: what is in force, the records, their traces, the record of changes."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, TypeVar

from steadyram.cycles.judgements import Judgement, judge_since
from steadyram.cycles.store import CycleStore
from steadyram.device import Device
from steadyram.errors import CheckFailed
from steadyram.link.records import CycleRecord, Trace, TravelTrace

Progress = Callable[[str, int, int], None]
Points = TypeVar("Points", Trace, TravelTrace)

_TRACES_AT_ONCE: Final = 16
_MISSED_MOST: Final = 3


@dataclass(frozen=True, slots=True)
class PullResult:
    """What a pull brought: numbers of new entries, and which records did not come.

    lost: records that the device had overwritten before it; unreadable: (first, last) numbers of records that the
    device has and cannot read, among those that this pull asked for; next_seq: number that the device would give its
    next record when the pull began.
    """

    uid: str
    records: int
    traces: int
    changes: int
    lost: int
    unreadable: tuple[tuple[int, int], ...] = ()
    judged: tuple[Judgement, ...] = ()
    next_seq: int = 0

    @property
    def unreadable_count(self) -> int:
        """Return how many records could not be read."""
        return sum(last - first + 1 for first, last in self.unreadable)


def unreadable_in_words(result: PullResult) -> str:
    """Return a sentence that names the records which the device could not read."""
    shown = [f"{a}" if a == b else f"{a} to {b}" for a, b in result.unreadable[:8]]
    more = f" and {len(result.unreadable) - 8} more gaps" if len(result.unreadable) > 8 else ""
    return (
        f"{result.unreadable_count} records are damaged in the device's flash and did not come "
        f"({', '.join(shown)}{more}); the others did."
    )


def pull(
    device: Device,
    store: CycleStore,
    *,
    traces: bool = True,
    sets: bool = True,
    judge: bool = True,
    progress: Progress | None = None,
    arrived: Callable[[list[CycleRecord]], None] | None = None,
    wall: Callable[[], float] = time.time,
) -> PullResult:
    """Bring the store up to date; may be killed at any moment and run again.

    judge: whether to judge the new parts by their traces and to keep what was said (only where traces are pulled).
    traces, sets: whether to pull the traces, and what is in force; progress: called with what is pulled, how
    much is done and how much there is; arrived: called with records once they are in the store; wall: clock
    in Unix seconds.
    Raises LinkError, DeviceRefusal, BadInput (store) and CheckFailed (the device's log was begun anew).
    """
    unix = int(wall())
    if sets:
        identity = device.hello()
        store.see_device(identity, unix)
        for state in (device.settings(), device.measured(), device.jobs(), device.calibration()):
            store.add_snapshot(identity.uid, state, unix)
    identity = device.identity()
    reading = device.now()
    # Its newest known record is pulled again: if it differs, the log was begun anew and nothing may be mixed.
    known, known_change = store.newest(identity.uid)
    if known >= max(reading.next_seq, 1):
        raise CheckFailed(
            f"The store has record {known} of device {identity.uid}, which has only come to "
            f"{reading.next_seq - 1}: its log was begun anew; keep this store and pull into another with "
            "--store."
        )
    start = max(known, reading.first_seq)
    total = max(0, reading.next_seq - start)
    new = done = 0
    # Numbers up to where the device's log begins were overwritten; a number left out above that cannot be read.
    lost = max(0, reading.first_seq - known - 1) if known else 0
    unreadable: list[tuple[int, int]] = []
    previous = max(known, reading.first_seq - 1)
    for chunk in device.log_chunks(start):
        for record in chunk:
            if record.seq > previous + 1:
                unreadable.append((previous + 1, record.seq - 1))
            previous = max(previous, record.seq)
        new += store.add_cycles(identity, chunk, unix)
        if arrived is not None:
            fresh_ones = [record for record in chunk if record.seq > known]
            if fresh_ones:
                arrived(fresh_ones)
        done += len(chunk)
        if progress is not None:
            progress("records", done, max(total, done))
    if reading.first_seq and reading.next_seq > previous + 1:
        unreadable.append((previous + 1, reading.next_seq - 1))
    fresh = 0
    if traces:
        # Records without a position sensor have no travel and are not asked for it.
        forces, travels = store.points_wanted(identity.uid, reading.first_seq)
        fresh = _pull_points(device.trace, store.add_traces, identity.uid, forces, "traces", progress)
        _pull_points(device.travel, store.add_travels, identity.uid, travels, "travel", progress)
    changes = store.add_changes(identity.uid, device.changes(known_change + 1))
    judged = judge_since(store, identity.uid, known, wall) if traces and judge and (new or fresh) else []
    return PullResult(
        identity.uid, new, fresh, changes, lost, tuple(unreadable), tuple(judged), reading.next_seq
    )


def _pull_points(
    ask: Callable[[int], Points | None],
    keep: Callable[[str, list[tuple[int, Points | None]]], None],
    uid: str,
    wanted: list[int],
    what: str,
    progress: Progress | None,
) -> int:
    """Newest first. Several go into the store at once, so that the line does not stand still for each.

    wanted: no record that the device no longer has: of those it has no trace either.
    """
    fresh = missed = 0
    waiting: list[tuple[int, Points | None]] = []
    try:
        for number, seq in enumerate(wanted, start=1):
            found = ask(seq)
            waiting.append((seq, found))
            fresh += found is not None
            missed = 0 if found is not None else missed + 1
            if missed == _MISSED_MOST and ask(wanted[-1]) is None:
                # The device overwrites the oldest traces first: what is older than these is gone, too.
                waiting += [(older, None) for older in wanted[number:]]
                break
            if len(waiting) >= _TRACES_AT_ONCE:
                keep(uid, waiting)
                waiting = []
            if progress is not None:
                progress(what, number, len(wanted))
    finally:
        # Also when the link went in the middle: what came is kept.
        keep(uid, waiting)
    return fresh
