"""From the store to strokes, envelopes and verdicts: which parts teach, and what is said of each.

Which parts teach an envelope is the operator's to say: parts called good. Until enough were, the first parts at
this setpoint that nobody called bad stand in, for a job is watched closest when it is new.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from steadyram.cycles.envelope import LEAST_PARTS, Envelope, learn_envelope
from steadyram.cycles.envelope_watch import Verdict, Watch
from steadyram.cycles.signature import Stroke
from steadyram.cycles.store import CycleStore
from steadyram.errors import BadInput
from steadyram.link.records import CycleRecord, Trace

TEACHING_PARTS = 30


@dataclass(frozen=True)
class Judged:
    """What the envelope says of a job's cycles. envelope is None while too few parts teach it."""

    envelope: Envelope | None
    teaching: tuple[int, ...]
    verdicts: Mapping[int, Verdict]
    # True while the envelope was learned from parts that nobody confirmed.
    provisional: bool = True


def stroke_of(record: CycleRecord, trace: Trace | None) -> Stroke:
    """A record with its trace as a stroke; without one (or with one in counts) the force is empty."""
    return Stroke(
        dt_s=trace.dt_s if trace is not None else 0.001,
        force_N=np.asarray(trace.force_N() if trace is not None else (), dtype=float),
        setpoint_N=float(record["setpoint_n"]),
        peak_N=float(record["peak_n"]),
        settled_N=float(record["settled_n"]),
        end_N=float(record["end_n"]),
        pulses=record["pulses"],
        duration_s=record["duration_ms"] / 1000.0,
        learned="learned" in record.flags,
        stop=record.stop,
        **_oil_of(record),
    )


def _oil_of(record: CycleRecord) -> dict[str, float]:
    """What the record tells of the oil, seconds of full flow; nothing where it does not know, or is an older one."""
    names = ("oil_contact", "oil_half", "oil_end")
    told = {f"{name}_s": record.values.get(f"{name}_us", -1) for name in names}
    return {name: value / 1e6 for name, value in told.items() if value >= 0}


def teaching(records: Sequence[CycleRecord], said: Mapping[int, str]) -> list[CycleRecord]:
    """The records that teach, in order. said: the newest word of a person by number: "good" or "bad"."""
    usable = [each for each in records if "learned" in each.flags and each.stop in ("setpoint", "short")]
    called_good = [each for each in usable if said.get(each.seq) == "good"]
    if len(called_good) >= LEAST_PARTS:
        return called_good[-TEACHING_PARTS:]
    return [each for each in usable if said.get(each.seq) != "bad"][:TEACHING_PARTS]


def job_strokes(
    store: CycleStore, uid: str, records: Sequence[CycleRecord], known: dict[int, Stroke] | None = None
) -> dict[int, Stroke]:
    """Strokes of some records by number. known: strokes made before, taken from there and added to."""
    kept = known if known is not None else {}
    lacking = [each for each in records if each.seq not in kept or not len(kept[each.seq].force_N)]
    traces = store.traces(uid, [each.seq for each in lacking])
    for each in lacking:
        kept[each.seq] = stroke_of(each, traces.get(each.seq))
    return {each.seq: kept[each.seq] for each in records}


def judge_job(
    records: Sequence[CycleRecord], strokes: Mapping[int, Stroke], said: Mapping[int, str]
) -> Judged:
    """Judge a job's records (one setpoint, in order) by the envelope that their own good parts teach."""
    teachers = [each for each in teaching(records, said) if len(strokes[each.seq].force_N)]
    numbers = tuple(each.seq for each in teachers)
    try:
        envelope = learn_envelope([strokes[number] for number in numbers])
    except BadInput:
        return Judged(None, numbers, {})
    confirmed = sum(said.get(number) == "good" for number in numbers)
    # Ten parts tell a scatter to a quarter of itself, thirty to an eighth: good ones among the others teach, too.
    barred = {number for number, word in said.items() if word == "bad"}
    usable = {each.seq: strokes[each.seq] for each in records if len(strokes[each.seq].force_N)}
    envelope, numbers = learn_more(envelope, usable, numbers if confirmed >= LEAST_PARTS else (), barred)
    watch = Watch(envelope)
    verdicts = {each.seq: watch.judge(strokes[each.seq]) for each in records}
    return Judged(envelope, numbers, verdicts, provisional=confirmed < LEAST_PARTS)


def learn_more(
    envelope: Envelope, strokes: Mapping[int, Stroke], confirmed: Sequence[int], barred: Collection[int] = ()
) -> tuple[Envelope, tuple[int, ...]]:
    """Learn again from the confirmed parts and from the first ones that the envelope calls good; with their numbers.

    One step of reweighting, as of robust estimates of scatter (Rousseeuw and Van Driessen 1999, Technometrics 41:212):
    parts beyond the first estimate's limit do not count in the second. strokes: in their order, by number; barred: what
    a person called bad. Where too few are left the envelope stays as it is.
    """
    watch = Watch(envelope)
    called = {number: watch.judge(stroke).part for number, stroke in strokes.items()}
    held = [
        number
        for number, stroke in strokes.items()
        if stroke.learned
        and stroke.stop in ("setpoint", "short")
        and (number in confirmed or (called[number] == "good" and number not in barred))
    ]
    others = [number for number in held if number not in confirmed]
    chosen = tuple(sorted([*confirmed, *others[: max(0, TEACHING_PARTS - len(confirmed))]]))
    try:
        return learn_envelope([strokes[number] for number in chosen]), chosen
    except BadInput:
        return envelope, chosen
