"""From the store to strokes with travel, the envelope over travel that a job's good parts teach, and verdicts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from steadyram.cycles.envelope import LEAST_PARTS
from steadyram.cycles.signature_store import TEACHING_PARTS, stroke_of
from steadyram.cycles.store import CycleStore
from steadyram.cycles.travel_envelope import (
    TravelBand,
    TravelEnvelope,
    TravelVerdict,
    learn_travel_band,
    learn_travel_envelope,
)
from steadyram.cycles.travel_signature import TravelStroke, seen_later_s
from steadyram.errors import BadInput
from steadyram.link.records import CycleRecord

_GOOD_STOPS = frozenset({"setpoint", "short", "depth"})


@dataclass(frozen=True)
class TravelJudged:
    """What force against travel says of a job's cycles. envelope and band are None while too few parts teach them."""

    envelope: TravelEnvelope | None
    band: TravelBand | None
    teaching: tuple[int, ...]
    verdicts: Mapping[int, TravelVerdict]


def travel_strokes(store: CycleStore, uid: str, records: Sequence[CycleRecord]) -> dict[int, TravelStroke]:
    """Strokes with travel, by number, of those records (at most a few thousand) that have one."""
    wanted = [each for each in records if "travel" in each.flags]
    if not wanted:
        return {}
    numbers = [each.seq for each in wanted]
    travels = store.travels(uid, numbers)
    traces = store.traces(uid, [number for number in numbers if number in travels])
    # A record names its settings and not its measured values: the newest ones count.
    measured = store.snapshots(uid, "measured")
    newest = measured[-1].content if measured else {}
    lags = {each.gen: seen_later_s({**newest, **each.content}) for each in store.snapshots(uid, "settings")}
    found = {}
    for each in wanted:
        trace = traces.get(each.seq)
        if trace is not None and trace.unit_N:
            found[each.seq] = TravelStroke(
                stroke_of(each, trace),
                np.asarray(travels[each.seq].travel_m(), dtype=float),
                lags.get(each["settings_gen"], 0.0),
                each.values.get("contact_um", 0) / 1e6,
            )
    return found


def judge_travel(
    records: Sequence[CycleRecord], strokes: Mapping[int, TravelStroke], said: Mapping[int, str]
) -> TravelJudged:
    """Judge a job's records by what their own good parts teach.

    said: the newest word of a person by number, "good" or "bad". Parts called good teach; until enough were, the
    first parts that nobody called bad, as for force against time.
    """
    usable = [each.seq for each in records if each.seq in strokes and each.stop in _GOOD_STOPS]
    called_good = [seq for seq in usable if said.get(seq) == "good"]
    if len(called_good) >= LEAST_PARTS:
        teachers = called_good[-TEACHING_PARTS:]
    else:
        teachers = [seq for seq in usable if said.get(seq) != "bad"][:TEACHING_PARTS]
    given = [strokes[seq] for seq in teachers]
    band = learn_travel_band(given)
    try:
        envelope = learn_travel_envelope(given)
    except BadInput:
        return TravelJudged(None, band, tuple(teachers), {})
    return TravelJudged(
        envelope,
        band,
        tuple(teachers),
        {each.seq: envelope.judge(strokes[each.seq]) for each in records if each.seq in strokes},
    )
