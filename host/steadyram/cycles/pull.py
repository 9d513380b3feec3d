"""From the device into the store: what is in force, the records, their traces, the record of changes."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, TypeVar

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
    """What a pull brought: numbers of new entries, and records that the device had overwritten before it."""

    uid: str
    records: int
    traces: int
    changes: int
    lost: int
    total: int


def pull(
    device: Device,
    store: CycleStore,
    *,
    traces: bool = True,
    sets: bool = True,
    progress: Progress | None = None,
    arrived: Callable[[list[CycleRecord]], None] | None = None,
    wall: Callable[[], float] = time.time,
) -> PullResult:
    """Bring the store up to date; may be killed at any moment and run again.

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
    known = store.last_seq(identity.uid)
    if known >= max(reading.next_seq, 1):
        raise CheckFailed(
            f"The store has record {known} of device {identity.uid}, which has only come to "
            f"{reading.next_seq - 1}: its log was begun anew; keep this store and pull into another with "
            "--store."
        )
    start = max(known, reading.first_seq)
    total = max(0, reading.next_seq - start)
    new = done = 0
    lost = 0
    previous = known
    for chunk in device.log_chunks(start):
        if previous and chunk[0].seq > previous + 1:
            lost += chunk[0].seq - previous - 1
        new += store.add_cycles(identity, chunk, unix)
        if arrived is not None:
            fresh_ones = [record for record in chunk if record.seq > known]
            if fresh_ones:
                arrived(fresh_ones)
        previous = chunk[-1].seq
        done += len(chunk)
        if progress is not None:
            progress("records", done, max(total, done))
    fresh = 0
    if traces:
        fresh = _pull_points(
            device.trace, store.add_traces, identity.uid, store.traces_wanted(identity.uid, reading.first_seq),
            "traces", progress,
        )  # fmt: skip
        # Records without a position sensor have none and are not asked for.
        _pull_points(
            device.travel, store.add_travels, identity.uid, store.travels_wanted(identity.uid, reading.first_seq),
            "travel", progress,
        )  # fmt: skip
    changes = store.add_changes(identity.uid, device.changes(store.last_change(identity.uid) + 1))
    return PullResult(identity.uid, new, fresh, changes, lost, store.count(identity.uid))


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
