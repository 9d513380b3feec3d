"""What the page shows of the store: the last results, the job's band, a cycle's trace."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from steadyram.cycles.envelope import learn_band
from steadyram.cycles.envelope_watch import Verdict as Judgement
from steadyram.cycles.judgements import keep, newest_said
from steadyram.cycles.signature import Stroke
from steadyram.cycles.signature_store import Judged, job_strokes, judge_job
from steadyram.cycles.store import CycleStore
from steadyram.link.definition import definition
from steadyram.link.records import CycleRecord, DeviceJob
from steadyram.link.sets import job_crc
from steadyram.page.words import OVER_DEPTH, STOPS
from steadyram.report.landing import landed_by

RESULTS: Final = 12
# So far back a job is judged: the envelope's teachers are the first of these.
_LOOK_BACK: Final = 400


@dataclass
class ShownJob:
    """The judged cycles of one job at one setpoint; kept between pulls so that old traces are read once."""

    job: int = 0
    setpoint_N: float = 0.0
    strokes: dict[int, Stroke] = field(default_factory=dict)
    judged: Judged = field(default_factory=lambda: Judged(None, (), {}))

    def refresh(self, store: CycleStore, uid: str, job: int, setpoint_N: float, said: dict[int, str]) -> None:
        """Judge the job's newest cycles anew, and keep what is said."""
        if (job, setpoint_N) != (self.job, self.setpoint_N):
            self.job, self.setpoint_N, self.strokes = job, setpoint_N, {}
        last = store.last_seq(uid)
        records = [
            each.record
            for each in store.cycles(uid, max(0, last - 4 * _LOOK_BACK), job=job)
            if each.record["setpoint_n"] == round(setpoint_N)
        ][-_LOOK_BACK:]
        wanted = {each.seq for each in records}
        self.strokes = {seq: stroke for seq, stroke in self.strokes.items() if seq in wanted}
        self.judged = judge_job(records, job_strokes(store, uid, records, self.strokes), said)
        keep(store, uid, self.judged, int(time.time()))

    def band_json(self) -> dict[str, Any] | None:
        """The band of the parts that teach, or None while there are too few."""
        band = learn_band([self.strokes[seq] for seq in self.judged.teaching if seq in self.strokes])
        return None if band is None else band.to_json()


def newest_words(store: CycleStore, uid: str) -> dict[int, str]:
    """The newest word of a person on each cycle: "good" or "bad"."""
    return newest_said(store, uid)


def results_json(
    store: CycleStore, uid: str, shown: ShownJob, said: dict[int, str], most: int = RESULTS
) -> list[dict[str, Any]]:
    """The newest cycles, newest first, as the page shows them."""
    last = store.last_seq(uid)
    newest = [each.record for each in store.cycles(uid, max(0, last - 3 * most))][-most:]
    jobs = {(job.slot, job_crc(job)): job for job in store.jobs_seen(uid)}
    return [
        result_json(record, shown.judged.verdicts.get(record.seq), said, jobs) for record in reversed(newest)
    ]


def result_json(
    record: CycleRecord,
    judgement: Judgement | None,
    said: dict[int, str],
    jobs: dict[tuple[int, int], DeviceJob],
) -> dict[str, Any]:
    """One row. Forces in newtons, depths in metres; target_m is None for a stroke that stops on force alone."""
    stop, look = STOPS.get(record.stop, (record.stop, "warn"))
    job = jobs.get((record["job"], record["job_crc"]))
    by = landed_by(record, job)
    if by == "depth" and record.stop == "over":
        stop = OVER_DEPTH
    fault = record.fault
    marks = []
    if "cutoff" not in record.flags and record.stop != "probe":
        marks.append("cutoff was off")
    if "threshold" in record.flags:
        marks.append("plain threshold")
    if "first" in record.flags:
        marks.append("first part")
    if "gap" in record.flags:
        marks.append("gap in the record before it")
    words: Sequence[str] = []
    if judgement is not None and judgement.alarm:
        words = [each for each in judgement.words() if each != "as the good parts"]
        look = "alarm" if look == "alarm" else "warn"
    return {
        "seq": record.seq,
        "count": record["count"],
        "job": record["job"],
        "job_name": job.name if job is not None else "",
        "at_unix": record["at_unix"],
        "setpoint_N": float(record["setpoint_n"]),
        "peak_N": float(record["peak_n"]),
        "settled_N": float(record["settled_n"]),
        "depth_m": record.values.get("depth_um", 0) / 1e6,
        "target_m": record.values.get("target_um", 0) / 1e6 or None,
        "landed_by": by,
        "stop": stop,
        "look": look,
        "fault": fault_text(fault) if fault else None,
        "marks": marks,
        "signature": list(words),
        "judged": judgement is not None and judgement.part != "not judged",
        "said": said.get(record.seq),
    }


def fault_text(name: str) -> str:
    """The definition's sentence on a fault."""
    return next((each.text for each in definition().faults.values() if each.name == name), name)


def refusal_text(name: str) -> str:
    """The definition's sentence on a refusal."""
    return next((each.text for each in definition().refusals.values() if each.name == name), name)
