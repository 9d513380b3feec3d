"""What the proof of a batch says: numbers worked out from the store, no layout. Forces are newtons, depths metres.

A part counts in the statistics when the cutoff ended its stroke at its force or depth (`landing`). What is charted
is the highest force, or the depth where the job's parts landed by depth. Where the setpoint or the depth asked for
was changed during the batch, it is the value less what was asked for of that part.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from steadyram.cycles.batches import Batch, seqs_between
from steadyram.cycles.charts import (
    Capability,
    CapabilityInterval,
    IndividualsChart,
    MeansChart,
    capability,
    capability_interval,
    individuals_chart,
    means_chart,
)
from steadyram.cycles.envelope_watch import PART_WORDS
from steadyram.cycles.jobs_run import jobs_run
from steadyram.cycles.judgements import Judgement, judge_group, judgement_of, newest_judgements
from steadyram.cycles.notes import batch_notes
from steadyram.cycles.patterns import Pattern, pattern_of
from steadyram.cycles.seal import Sealed, check_seals
from steadyram.cycles.store import CycleStore, PartTest, Snapshot, Verdict, job_names
from steadyram.cycles.trends import RULES, RuleHit, Trend, mann_kendall, rule_hits
from steadyram.errors import BadInput
from steadyram.link.records import CycleRecord, DeviceJob
from steadyram.link.sets import job_crc
from steadyram.report.changes import ChangeHistory, change_history
from steadyram.report.gather import Gap, change_gaps, used_sets
from steadyram.report.good import default_of, held_N
from steadyram.report.landing import (
    OVER_SIGMAS,
    ROUNDING,
    ByLanding,
    Landed,
    Quantity,
    depth_sigma_m,
    landed_of,
    mean_sd,
    target_of,
    value_of,
)
from steadyram.report.travel import TravelData, gather_travel

SUBGROUP: Final = 5
# A trend this unlikely by chance is named; 0.01, since a shop proves many batches a year.
TREND_P: Final = 0.01


@dataclass(frozen=True, slots=True)
class Limits:
    """What parts are held against: distances (N or m) from what was asked for, and where they come from.

    given: somebody gave a tolerance; otherwise they are what the press can hold, and capability is not judged.
    """

    below: float
    above: float
    origin: str
    given: bool = False


@dataclass(frozen=True, slots=True)
class Window:
    """What a job asks of the quantity that does not end its stroke: from `low` to `high`, N or m."""

    quantity: Quantity
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Proof(ByLanding):
    """Everything a proof shows; `values` (N or m) are those of `charted`, what figures and charts are of.

    setpoints: force (N) and strokes; targets: the same of what is charted, so depths (m) where depths are.
    missed: strokes that stopped outside their window, or at the limit on force before the depth.
    """

    batch: Batch
    board: str
    firmware: tuple[str, ...]
    name: str
    jobs: tuple[DeviceJob, ...]
    setpoints: tuple[tuple[float, int], ...]
    records: tuple[CycleRecord, ...]
    landing: Landed
    targets: tuple[tuple[float, int], ...]
    relative: bool
    values: tuple[float, ...]
    limits: Limits
    outside_limits: tuple[CycleRecord, ...]
    window: Window | None
    missed: tuple[CycleRecord, ...]
    mean: float | None
    sd: float | None
    individuals: IndividualsChart | None
    means: MeansChart | None
    capability: Capability | None
    interval: CapabilityInterval | None
    trend: Trend | None
    hits: tuple[RuleHit, ...]
    pattern: Pattern | None
    stops: tuple[tuple[str, int], ...]
    faults: tuple[CycleRecord, ...]
    without_cutoff: tuple[CycleRecord, ...]
    gaps: tuple[Gap, ...]
    settings: tuple[tuple[int, Snapshot | None, int], ...]
    calibrations: tuple[tuple[int, Snapshot | None, int], ...]
    changes: ChangeHistory
    tests: tuple[PartTest, ...]
    verdicts: tuple[Verdict, ...]
    # The judgement that counts for each record; records that have none are judged when the proof is made.
    judgements: Mapping[int, Judgement]
    sealed: Sealed
    notes: Mapping[str, str]
    # Firmware by record, as it was pulled; the device's protocol as last seen; what the calibration was made against.
    firmware_of: Mapping[int, str]
    protocol: int
    # None where no record has ram travel.
    travel: TravelData | None
    # What force, then the uncertainty of the calibration and of one stroke there.
    uncertainty: tuple[tuple[str, str], ...] = ()
    # The reference of the calibration and its certificate; known from the calibration's journal alone.
    reference: str = "unknown: give the calibration's journal"

    @property
    def centre(self) -> float:
        """What the values are held to: 0 where they are differences."""
        return 0.0 if self.relative else self.targets[0][0]

    @property
    def first_parts(self) -> list[int]:
        """Records of first parts, which come up to their force from below: a class of their own, not charted."""
        return [record.seq for record in self.records if "first" in record.flags]

    @property
    def odd(self) -> dict[str, list[int]]:
        """Records whose part the signature called anything but good, by what it called them, worst first."""
        found: dict[str, list[int]] = {}
        for record in self.records:
            judgement = self.judgements.get(record.seq)
            if judgement is not None and judgement.odd:
                found.setdefault(judgement.part, []).append(record.seq)
        order = list(PART_WORDS)
        return dict(sorted(found.items(), key=lambda each: order.index(each[0]) if each[0] in order else 99))

    @property
    def not_judged(self) -> list[int]:
        """Records whose curve says nothing of the part: first parts, strokes that did not land, no trace."""
        told = {seq for seq, each in self.judgements.items() if each.part != "not judged"}
        return [record.seq for record in self.records if record.seq not in told]

    @property
    def called_bad(self) -> list[int]:
        """Records whose newest word of a person, not withdrawn, is "bad"."""
        newest = {each.seq: each.verdict for each in self.verdicts if each.withdrawn is None}
        return sorted(seq for seq, word in newest.items() if word == "bad")

    @property
    def provisional(self) -> bool:
        """True when a judgement rests on an envelope whose parts nobody confirmed."""
        return any(each.provisional for each in self.judgements.values())

    @property
    def unproven(self) -> bool:
        """True when a job as it was run had an estimated setpoint that no first part has confirmed."""
        return any(job.fields.get("unproven", 0) for job in self.jobs)

    @property
    def parts(self) -> int:
        """Parts by the device's count."""
        return max((record["count"] for record in self.records), default=0)

    @property
    def ordered(self) -> int:
        """Parts that the job asks for, 0 when it does not count."""
        return max((job.fields.get("batch", 0) for job in self.jobs), default=0)

    @property
    def first_unix(self) -> int:
        """Wall clock of the first record, 0 when the clock was never set."""
        return min((r["at_unix"] for r in self.records if r["at_unix"]), default=0)

    @property
    def last_unix(self) -> int:
        """Wall clock of the last record, 0 when the clock was never set."""
        return max((r["at_unix"] for r in self.records), default=0)


def prove(
    store: CycleStore,
    batch: Batch,
    *,
    tolerance_ppt: float | None = None,
    tolerance_m: float | None = None,
    subgroup: int = SUBGROUP,
    confidence: float = 0.95,
) -> Proof:
    """Work out the proof of a batch.

    tolerance_ppt: limits either side of the setpoint in thousandths of it; tolerance_m: of a depth, in metres (both
    None = the device's own band); subgroup: parts in a point of the chart of means. Raises BadInput when there are
    no such records, or when the tolerance is of the other quantity.
    """
    cycles = list(store.cycles(batch.uid, batch.first_seq, batch.last_seq, batch.job))
    records = [cycle.record for cycle in cycles if "probe" not in cycle.record.flags]
    if not records:
        raise BadInput(f"{store.path} has no strokes of that batch; pull them first.")
    before = store.record_before(batch.uid, records[0].seq, batch.job)
    history = change_history(store.changes(batch.uid), records, before)
    device = next(each for each in store.devices() if each.uid == batch.uid)
    seen = jobs_run(store.jobs_seen(batch.uid), records)
    names = job_names(seen, job_crc)
    by_crc = {(job.slot, job_crc(job)): job for job in seen}
    ran = dict.fromkeys((record["job"], record["job_crc"]) for record in records)
    jobs = tuple(by_crc[key] for key in ran if key in by_crc)
    # The knob changes a setpoint without a push: such a job's name is that of the slot's other contents.
    name = next((names[key] for key in ran if key in names), f"job {batch.job}, whose name was not pulled")
    settings = used_sets(records, "settings_gen", store.snapshots(batch.uid, "settings"), lambda s: s.gen)
    known = [snapshot for snapshot in store.snapshots(batch.uid, "calibration") if snapshot.content]
    calibrations = used_sets(records, "cal_serial", known, lambda s: int(s.content["serial"]))
    setpoints = Counter(float(record["setpoint_n"]) for record in records)
    landing = landed_of(records, by_crc)
    quantity = landing.quantity
    targets = setpoints
    if quantity == "depth":
        targets = Counter(target_of(record, quantity) for record in records if record.values.get("target_um"))
    relative = len(targets) > 1
    values = [value_of(r, quantity) - (target_of(r, quantity) if relative else 0.0) for r in landing.charted]
    if (tolerance_m if quantity == "force" else tolerance_ppt) is not None:
        raise BadInput(_OTHER_TOLERANCE[quantity])
    most_N = max(setpoints, key=lambda point: setpoints[point])
    # Parts of a job of whichever comes first are each held to what they landed by.
    held: dict[Quantity, Limits | None] = {
        "force": _force_limits(
            tolerance_ppt,
            settings,
            [s.content for s in store.snapshots(batch.uid, "measured")],
            most_N,
        ),
        "depth": _depth_limits(
            tolerance_m, settings, [s.content for s in store.snapshots(batch.uid, "measured")], calibrations
        ),
    }
    limits = held[quantity]
    if limits is None:
        raise BadInput(
            "The settings or the calibration that this batch ran under are not in the store, so the device's own band "
            f"of depth is not known. {_OTHER_TOLERANCE['depth']}"
        )
    outside = [r for r in landing.landed if not _within(r, landing.by[r.seq], held, most_N)]
    mean, sd = mean_sd(values)
    individuals = individuals_chart(values) if len(values) > 1 else None
    centre = 0.0 if relative else next(iter(targets))
    index = interval = None
    if mean is not None and sd:
        index = capability(mean, sd, centre - limits.below, centre + limits.above)
        interval = capability_interval(index, len(values), confidence)
    hits: list[RuleHit] = []
    if individuals is not None and individuals.moving_range > 0:
        hits = rule_hits(values, individuals.centre, individuals.moving_range / 1.128)
    return Proof(
        batch=batch,
        board=device.board,
        firmware=tuple(sorted({cycle.fw for cycle in cycles})),
        name=name,
        jobs=jobs,
        setpoints=tuple(sorted(setpoints.items())),
        records=tuple(records),
        landing=landing,
        targets=tuple(sorted(targets.items())),
        relative=relative,
        values=tuple(values),
        limits=limits,
        outside_limits=tuple(outside),
        window=_window(jobs[-1], quantity) if jobs else None,
        missed=tuple(record for record in records if record.stop == "window" and "cutoff" in record.flags),
        mean=mean,
        sd=sd,
        individuals=individuals,
        means=means_chart(values, subgroup) if len(values) >= 2 * subgroup else None,
        capability=index,
        interval=interval,
        trend=mann_kendall(values) if len(values) > 3 else None,
        hits=tuple(hits),
        pattern=pattern_of(values),
        stops=tuple(Counter(record.stop for record in records).most_common()),
        faults=tuple(record for record in records if record.fault is not None),
        without_cutoff=tuple(record for record in records if "cutoff" not in record.flags),
        gaps=_gaps(store, batch, records) + change_gaps(history),
        settings=settings,
        calibrations=calibrations,
        changes=history,
        tests=tuple(store.part_tests(batch.uid, batch.job, batch.first_seq, batch.last_seq)),
        verdicts=tuple(store.verdicts(batch.uid, batch.first_seq, batch.last_seq)),
        judgements=_judgements(store, batch.uid, records),
        sealed=check_seals(store, batch.uid, batch.first_seq, batch.last_seq),
        notes=batch_notes(store, batch),
        firmware_of={cycle.record.seq: cycle.fw for cycle in cycles},
        protocol=device.proto,
        travel=gather_travel(store, batch.uid, records, jobs[-1] if jobs else None),
    )


def _judgements(store: CycleStore, uid: str, records: Sequence[CycleRecord]) -> dict[int, Judgement]:
    """The judgements that are kept; where a stroke that can be judged has none, they are made from its trace."""
    kept = newest_judgements(store, uid, records[0].seq, records[-1].seq)
    lacking = {
        (record["job"], record["setpoint_n"])
        for record in records
        if record.seq not in kept and "learned" in record.flags and record["job"] and record["setpoint_n"]
    }
    for job, setpoint_n in sorted(lacking):
        made = judgement_of(judge_group(store, uid, job, setpoint_n, records[-1].seq), 0)
        kept = {**made, **kept}
    wanted = {record.seq for record in records}
    return {seq: judgement for seq, judgement in kept.items() if seq in wanted}


_OTHER_TOLERANCE: Final[dict[Quantity, str]] = {
    "force": "Its parts stop on force; give --tolerance as a percentage of the setpoint, such as '3 %'.",
    "depth": "Its parts stop on depth; give --tolerance as a length, such as '0.05 mm'.",
}


def _within(
    record: CycleRecord, by: Quantity, held: Mapping[Quantity, Limits | None], setpoint_N: float
) -> bool:
    """Whether a part is within its limits; those of force go with the setpoint that was in force for it."""
    limits, target = held[by], target_of(record, by)
    if limits is None:
        return True
    share = target / setpoint_N if by == "force" else 1.0
    off = value_of(record, by) - target
    return -limits.below * share - ROUNDING <= off <= limits.above * share + ROUNDING


def _force_limits(
    tolerance_ppt: float | None,
    settings: Sequence[tuple[int, Snapshot | None, int]],
    measured: Sequence[Mapping[str, int]],
    setpoint_N: float,
) -> Limits:
    if tolerance_ppt is not None:
        half = setpoint_N * tolerance_ppt / 1000.0
        return Limits(half, half, f"given: {tolerance_ppt / 10:g} % of the setpoint either way", given=True)
    default = default_of("band_ppt")
    bands = {snapshot.content.get("band_ppt", default) for _, snapshot, _ in settings if snapshot} or {
        default
    }
    # Settings may have changed during the batch: the narrowest band is the one that every part can be held to.
    half, origin = held_N(min(bands), measured[-1] if measured else {}, setpoint_N)
    return Limits(half, half, origin)


def _depth_limits(
    tolerance_m: float | None,
    settings: Sequence[tuple[int, Snapshot | None, int]],
    measured: Sequence[Mapping[str, int]],
    calibrations: Sequence[tuple[int, Snapshot | None, int]],
) -> Limits | None:
    """None where neither a tolerance nor the sets of the time are known.

    measured: measured values that were seen.
    """
    if tolerance_m is not None:
        return Limits(tolerance_m, tolerance_m, f"given: {tolerance_m * 1e3:g} mm either way", given=True)
    sigmas = [
        sigma
        for _, chosen, _ in settings
        for _, calibration, _ in calibrations
        for values in measured or [{}]
        if chosen and calibration
        if (sigma := depth_sigma_m({**values, **chosen.content}, calibration.content)) is not None
    ]
    if not sigmas:
        return None
    half = OVER_SIGMAS * min(sigmas)
    return Limits(half, half, f"the device's own: {OVER_SIGMAS} deviations of its stop on depth either way")


def _window(job: DeviceJob, quantity: Quantity) -> Window | None:
    """The job's window on what is not charted."""
    other: Quantity = "force" if quantity == "depth" else "depth"
    unit, scale = ("n", 1.0) if other == "force" else ("um", 1e6)
    high = job.fields.get(f"window_high_{unit}", 0)
    return Window(other, job.fields.get(f"window_low_{unit}", 0) / scale, high / scale) if high else None


def _gaps(store: CycleStore, batch: Batch, records: Sequence[CycleRecord]) -> tuple[Gap, ...]:
    """Numbers that the store lacks, whatever their job, the device's own gaps, and a count that jumped."""
    found = []
    for before, after in pairwise(seqs_between(store, batch.uid, batch.first_seq, batch.last_seq)):
        if after > before + 1:
            found.append(
                Gap(
                    f"records {before + 1} to {after - 1}",
                    f"{after - before - 1} missing: overwritten on the device before a pull, or unreadable there",
                )
            )
    for record in records:
        if "gap" in record.flags:
            found.append(
                Gap(
                    f"before record {record.seq}",
                    "the device found its own record incomplete (power lost while writing, or files damaged)",
                )
            )
    for one, two in pairwise(records):
        if not 0 <= two["count"] - one["count"] <= 1:
            found.append(
                Gap(
                    f"records {one.seq} to {two.seq}", f"the count went from {one['count']} to {two['count']}"
                )
            )
    if records[0]["count"] > 1:
        found.append(
            Gap(
                f"before record {records[0].seq}",
                f"the first record is of part {records[0]['count']}: earlier parts are not in the store",
            )
        )
    return tuple(found)


def rules_broken(proof: Proof) -> list[tuple[str, list[int]]]:
    """Each rule that was broken, in words, with the record numbers that completed it."""
    return [
        (text, [proof.charted[hit.index].seq for hit in proof.hits if hit.rule == rule])
        for rule, text in RULES.items()
        if any(hit.rule == rule for hit in proof.hits)
    ]
