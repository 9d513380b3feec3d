"""What a report says, gathered from the store: numbers and texts, no layout.

Forces are newtons, depths metres. A run is the records of one job as it was run: the same slot and the same job CRC.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from steadyram.cycles.charts import IndividualsChart, individuals_chart
from steadyram.cycles.jobs_run import jobs_run
from steadyram.cycles.store import CycleStore, Snapshot, StoredCycle, job_names
from steadyram.errors import BadInput
from steadyram.link.records import CycleRecord, DeviceJob, Trace
from steadyram.link.sets import job_crc
from steadyram.report.changes import ChangeHistory, change_history
from steadyram.report.good import default_of, held_N
from steadyram.report.landing import (
    OVER_SIGMAS,
    ROUNDING,
    ByLanding,
    Landed,
    depth_sigma_m,
    landed_of,
    mean_sd,
    target_of,
    value_of,
)
from steadyram.report.travel import TravelData, gather_travel

TRACES_MOST = 60


@dataclass(frozen=True, slots=True)
class Run(ByLanding):
    """One job's records with what was worked out of them: figures of force (N) or of depth (m), as `landing` says.

    target: the setpoint, or the depth asked for; band: how far from it a part may be, None where that is not known.
    """

    slot: int
    name: str
    job: DeviceJob | None
    setpoint_N: float
    records: tuple[CycleRecord, ...]
    landing: Landed
    target: float
    mean: float | None
    sd: float | None
    lowest: float | None
    highest: float | None
    overshoot: float | None
    band: float | None
    chart: IndividualsChart | None
    traces: tuple[Trace, ...]
    # None where no record has ram travel.
    travel: TravelData | None = None

    def off(self, record: CycleRecord) -> float:
        """How far a part is above what it was to reach, N or m."""
        return value_of(record, self.quantity) - self.target

    def in_its_band(self, record: CycleRecord) -> bool:
        """Whether a charted part is within the band; True where the band is not known."""
        return self.band is None or abs(self.off(record)) <= self.band + ROUNDING

    @property
    def in_band(self) -> int:
        """Charted parts within the band."""
        return sum(self.in_its_band(record) for record in self.charted)

    @property
    def no_cutoff(self) -> int:
        """Cycles that were run with the cutoff off."""
        return sum("cutoff" not in record.flags for record in self.records)

    @property
    def first_seq(self) -> int:
        """Number of the first record."""
        return self.records[0].seq

    @property
    def last_seq(self) -> int:
        """Number of the last record."""
        return self.records[-1].seq


@dataclass(frozen=True, slots=True)
class Gap:
    """Something that keeps the record from being whole: where, and what it means."""

    where: str
    text: str


@dataclass(frozen=True, slots=True)
class ReportData:
    """Everything a report shows."""

    uid: str
    board: str
    firmware: tuple[str, ...]
    first_seq: int
    last_seq: int
    first_unix: int
    last_unix: int
    runs: tuple[Run, ...]
    probes: tuple[CycleRecord, ...]
    faults: tuple[CycleRecord, ...]
    without_cutoff: tuple[CycleRecord, ...]
    gaps: tuple[Gap, ...]
    calibrations: tuple[tuple[int, Snapshot | None, int], ...]
    settings: tuple[tuple[int, Snapshot | None, int], ...]
    changes: ChangeHistory
    total: int


def gather(
    store: CycleStore, uid: str, *, first: int = 0, last: int = 2**63 - 1, job: int | None = None
) -> ReportData:
    """Gather the report of a device's records `first` to `last`. Raises BadInput when there are none."""
    cycles = list(store.cycles(uid, first, last, job))
    if not cycles:
        raise BadInput(
            f"{store.path} has no such records of device {uid}; pull them first or widen the range."
        )
    device = next(each for each in store.devices() if each.uid == uid)
    records = [cycle.record for cycle in cycles]
    strokes = [record for record in records if "probe" not in record.flags]
    settings = used_sets(records, "settings_gen", store.snapshots(uid, "settings"), lambda s: s.gen)
    # A device that was not calibrated yet shows an empty calibration: that is none. Commissioning strokes are
    # in counts and need none.
    known = [snapshot for snapshot in store.snapshots(uid, "calibration") if snapshot.content]
    calibrations = used_sets(strokes, "cal_serial", known, lambda s: int(s.content["serial"]))
    history = change_history(store.changes(uid), records, store.record_before(uid, records[0].seq, job))
    times = [record["at_unix"] for record in records if record["at_unix"]]
    return ReportData(
        uid=uid,
        board=device.board,
        firmware=tuple(sorted({cycle.fw for cycle in cycles})),
        first_seq=records[0].seq,
        last_seq=records[-1].seq,
        first_unix=min(times, default=0),
        last_unix=max(times, default=0),
        runs=_runs(store, uid, strokes, settings, calibrations),
        probes=tuple(record for record in records if "probe" in record.flags),
        faults=tuple(record for record in records if record.fault is not None),
        without_cutoff=tuple(record for record in strokes if "cutoff" not in record.flags),
        gaps=_gaps(cycles, whole=job is None) + change_gaps(history),
        calibrations=calibrations,
        settings=settings,
        changes=history,
        total=len(records),
    )


def _runs(
    store: CycleStore,
    uid: str,
    records: Sequence[CycleRecord],
    settings: Sequence[tuple[int, Snapshot | None, int]],
    calibrations: Sequence[tuple[int, Snapshot | None, int]],
) -> tuple[Run, ...]:
    seen = jobs_run(store.jobs_seen(uid), records)
    names = job_names(seen, job_crc)
    jobs = {(each.slot, job_crc(each)): each for each in seen}
    default = default_of("band_ppt")
    kept = store.snapshots(uid, "measured")
    measured = kept[-1].content if kept else {}
    bands = {gen: snapshot.content.get("band_ppt", default) for gen, snapshot, _ in settings if snapshot}
    used = {gen: snapshot.content for gen, snapshot, _ in settings if snapshot}
    sensors = {serial: snapshot.content for serial, snapshot, _ in calibrations if snapshot}
    groups: dict[tuple[int, int, int], list[CycleRecord]] = {}
    for record in records:
        groups.setdefault((record["job"], record["job_crc"], record["setpoint_n"]), []).append(record)
    runs = []
    for (slot, crc, setpoint), group in groups.items():
        name = names.get((slot, crc)) or (f"job {slot}, whose name was not pulled" if slot else "no job")
        band_ppt = bands.get(group[-1]["settings_gen"], default)
        # Strokes without a set force (hands on, commissioning) are held to none.
        band_N = held_N(band_ppt, measured, float(setpoint))[0] if setpoint else None
        sigma_m = depth_sigma_m(
            used.get(group[-1]["settings_gen"], {}), sensors.get(group[-1]["cal_serial"], {})
        )
        found = store.traces(uid, [record.seq for record in group[-TRACES_MOST:]])
        traces = [found[seq] for seq in sorted(found)]
        job = jobs.get((slot, crc))
        landing = landed_of(group, jobs)
        band = band_N if landing.quantity == "force" else sigma_m and OVER_SIGMAS * sigma_m
        run = _run(slot, name, job, float(setpoint), group, landing, band, traces)
        runs.append(replace(run, travel=gather_travel(store, uid, group, job)))
    return tuple(runs)


def _run(
    slot: int,
    name: str,
    job: DeviceJob | None,
    setpoint_N: float,
    records: Sequence[CycleRecord],
    landing: Landed,
    band: float | None,
    traces: Sequence[Trace],
) -> Run:
    values = [value_of(record, landing.quantity) for record in landing.charted]
    mean, sd = mean_sd(values)
    # One run is one job, so one depth; strokes with the cutoff off have none.
    target = max(target_of(record, landing.quantity) for record in records)
    return Run(
        slot=slot,
        name=name,
        job=job,
        setpoint_N=setpoint_N,
        records=tuple(records),
        landing=landing,
        target=target,
        mean=mean,
        sd=sd,
        lowest=min(values, default=None),
        highest=max(values, default=None),
        overshoot=math.fsum(max(0.0, value - target) for value in values) / len(values) if values else None,
        band=band,
        chart=individuals_chart(values) if len(values) > 1 else None,
        traces=tuple(trace for trace in traces if trace.unit_N),
    )


def used_sets(
    records: Sequence[CycleRecord], key: str, snapshots: Sequence[Snapshot], number: Callable[[Snapshot], int]
) -> tuple[tuple[int, Snapshot | None, int], ...]:
    """Which sets records were made under, by the number in their field `key`: (number, set, records)."""
    by_number = {number(snapshot): snapshot for snapshot in snapshots}
    counts: dict[int, int] = {}
    for record in records:
        counts[record[key]] = counts.get(record[key], 0) + 1
    return tuple((used, by_number.get(used), count) for used, count in sorted(counts.items()))


def _gaps(cycles: Sequence[StoredCycle], *, whole: bool) -> tuple[Gap, ...]:
    gaps = []
    previous: CycleRecord | None = None
    for cycle in cycles:
        record = cycle.record
        if whole and previous is not None and record.seq > previous.seq + 1:
            missing = record.seq - previous.seq - 1
            gaps.append(
                Gap(
                    f"records {previous.seq + 1} to {record.seq - 1}",
                    f"{missing} missing: overwritten on the device before a pull, or unreadable there",
                )
            )
        if "gap" in record.flags:
            gaps.append(
                Gap(
                    f"before record {record.seq}",
                    "the device found its own record incomplete (power lost while writing, or files damaged)",
                )
            )
        previous = record
    return tuple(gaps)


def change_gaps(history: ChangeHistory) -> tuple[Gap, ...]:
    """Changes that were made and cannot be shown."""
    return tuple(
        Gap(
            f"change {first}" if first == last else f"changes {first} to {last}",
            f"{last - first + 1} missing from the record of changes: overwritten on the device before a pull, or "
            "unreadable there",
        )
        for first, last in history.missing
    )
