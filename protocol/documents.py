"""Shapes of the documents that commands print with `--json` and that have no schema written by hand.

`python protocol/generate_schemas.py` makes protocol/schemas/*.schema.json of them. Where the host has a type of
its own (a reading, a finding, a score) that type is the shape; the rest is declared here. Forces are newtons,
pressures pascals, times seconds; each key carries its unit.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, get_type_hints

from pydantic import Field
from typing_extensions import TypedDict

from steadyram.bending.run_record import RunRecord
from steadyram.commission.capability import Feed, Holds
from steadyram.commission.measured import Characteristics
from steadyram.install.finding import Finding
from steadyram.install.iocheck import Checked
from steadyram.link.records import Identity, Reading
from steadyram.metrology.daily import DailyCheck
from steadyram.metrology.drift import Drift
from steadyram.metrology.gauge_rr import GaugeStudy
from steadyram.metrology.verify import Verification
from steadyram.virtual.bench import Score
from steadyram.virtual.bench_presses import DrawnResult
from steadyram.virtual.demo import JobResult

Count = Annotated[int, Field(ge=0)]
Newtons = Annotated[float, Field(ge=0)]
Digest = Annotated[str, Field(description="CRC-32 of the set, eight hexadecimal digits")]
Settings = Annotated[
    dict[str, int],
    Field(description="settings of protocol/definition.toml, each in the unit that its name ends in"),
]
Moment = Annotated[str, Field(description="ISO 8601, UTC")]


def beside(name: str, shape: type, **more: Any) -> Any:
    """The fields of a type of the host's, and what the command prints beside them."""
    return TypedDict(name, get_type_hints(shape, include_extras=True) | more)  # type: ignore[operator]


# ---------------------------------------------------------------- the device
class SetInForce(TypedDict):
    gen: Count
    digest: Digest


class JobsInForce(SetInForce):
    count: Count


class MeasuredInForce(SetInForce):
    day: Annotated[
        str | None, Field(description="date of the last measurement (ISO 8601), null where unknown")
    ]


class CalibrationInForce(SetInForce):
    serial: int | None


class DeviceShow(TypedDict):
    identity: Identity
    reading: Reading
    settings: SetInForce
    measured: MeasuredInForce
    jobs: JobsInForce
    calibration: CalibrationInForce


TimedReading = beside("TimedReading", Reading, time_s=float)


class DeviceWatch(TypedDict):
    readings: list[TimedReading]


class DeviceClock(TypedDict):
    unix: Annotated[int, Field(ge=0, description="seconds since 1970-01-01 UTC")]


class SettingsShow(TypedDict):
    settings: Settings


class SettingChange(TypedDict):
    key: str
    before: int
    after: int


class SettingsPush(TypedDict):
    changes: list[SettingChange]
    pushed: bool
    gen: Count
    digest: Digest


class Units(TypedDict):
    force_unit: str
    pressure_unit: str
    file: str


# ---------------------------------------------------------------- jobs
class CheckedJob(TypedDict):
    __pydantic_config__ = {"json_schema_extra": {"additionalProperties": True}}  # noqa: RUF012
    slot: Annotated[int, Field(ge=1)]
    name: str
    setpoint_N: Newtons
    dwell_s: float
    cutoff_required: bool
    batch: Count
    tooling_rated_force_N: Newtons | None
    unproven: bool


class JobsCheck(TypedDict):
    jobs: list[CheckedJob]


class FieldChange(TypedDict):
    key: str
    before: str
    after: str


class JobChange(TypedDict):
    slot: Annotated[int, Field(ge=1)]
    name: str
    change: Literal["new", "gone", "changed", "same"]
    fields: list[FieldChange]


class JobsDiff(TypedDict):
    changes: list[JobChange]
    pushed: bool
    gen: Count
    digest: Digest


class DeviceJobRow(TypedDict):
    """The other fields of the definition's job table follow under their own names."""

    __pydantic_config__ = {"json_schema_extra": {"additionalProperties": True}}  # noqa: RUF012
    slot: Annotated[int, Field(ge=1)]
    name: str
    setpoint_N: Newtons
    tooling_rated_force_N: Newtons
    dwell_s: float
    batch: Count
    cutoff_required: Literal[0, 1]
    unproven: Literal[0, 1]


class JobsList(TypedDict):
    jobs: list[DeviceJobRow]
    chosen: Annotated[int, Field(ge=0, description="slot of the active job, 0 = none")]
    gen: Count
    digest: Digest


class JobsUse(TypedDict):
    job: Count
    setpoint_N: Newtons


class FirstPart(TypedDict):
    seq: int
    stop: str
    contact_s: float | None
    knee_N: float | None
    peak_N: float
    settled_N: float
    proposed_by_knee_N: float | None
    proposed_by_settled_N: float | None
    job: Count
    stored_N: Annotated[
        float | None, Field(description="what became the job's set force; null: nothing was stored")
    ]


# ---------------------------------------------------------------- records
class CyclesPull(TypedDict):
    uid: str
    records: Annotated[int, Field(ge=0, description="new ones")]
    traces: Count
    changes: Count
    lost: Annotated[int, Field(ge=0, description="overwritten on the device before this pull")]
    unreadable: Annotated[
        list[tuple[int, int]],
        Field(description="first and last number of records that are damaged in the device's flash"),
    ]
    total: Count
    store: str


class Cycle(TypedDict):
    """The other fields of the definition's record table follow, each with its SI unit in its name."""

    __pydantic_config__ = {"json_schema_extra": {"additionalProperties": True}}  # noqa: RUF012
    uid: str
    fw: str
    seq: int
    job: Count
    job_name: str | None
    setpoint_N: float
    peak_N: float
    settled_N: float
    stop: str
    fault: str | None
    flags: list[str]
    duration_s: float
    count: Count
    at_unix: Count


class CyclesList(TypedDict):
    cycles: list[Cycle]


class ReportedJob(TypedDict):
    slot: Count
    name: str
    setpoint_N: float
    target_m: Annotated[float | None, Field(description="depth asked for, null for a job on force alone")]
    strokes: Count
    landed: Count
    charted: Literal["force", "depth"]
    mean_peak_N: float | None
    sd_N: float | None
    overshoot_N: float | None
    mean_depth_m: float | None
    sd_m: float | None
    overshoot_m: float | None


class Report(TypedDict):
    report: str
    strokes: Count
    jobs: list[ReportedJob]
    findings: list[str]


class ListedBatch(TypedDict):
    uid: str
    job: Count
    batch: Count
    first_seq: int
    last_seq: int
    strokes: Count
    parts: Count
    setpoint_low_N: float | None
    setpoint_high_N: float | None
    target_low_m: Annotated[
        float | None, Field(description="depth asked for, null for strokes on force alone")
    ]
    target_high_m: float | None
    faults: Count


class BatchList(TypedDict):
    batches: list[ListedBatch]


class Limits(TypedDict):
    below: float
    above: float


class BrokenRule(TypedDict):
    rule: str
    seqs: list[int]


class Window(TypedDict):
    low: float
    high: float


class LandedBy(TypedDict):
    force: Count
    depth: Count


Charted = Annotated[
    Literal["force", "depth"], Field(description="what figures are of; those of the other are null")
]


class KeptJudgement(TypedDict):
    seq: int
    part: Annotated[
        str, Field(description="good, missing, double, thin, thick, soft, hard ... or not judged")
    ]
    press: str
    reason: str
    envelope: Annotated[str, Field(description="digest of the envelope's version")]
    provisional: Annotated[
        bool, Field(description="true: nobody confirmed the parts that the envelope learned from")
    ]
    at_unix: Annotated[int, Field(description="0: judged when the proof was made")]


class BatchProof(TypedDict):
    files: dict[str, str]
    uid: str
    job: Count
    job_name: str
    batch: Count
    strokes: Count
    landed: Count
    landed_by: LandedBy
    charted: Charted
    parts: Count
    setpoints_N: list[float]
    targets_m: Annotated[list[float], Field(description="depths asked for")]
    limits_N: Limits | None
    limits_m: Limits | None
    window_N: Annotated[Window | None, Field(description="window on force of a job that stops on depth")]
    window_m: Annotated[Window | None, Field(description="window on depth of a job that stops on force")]
    outside_window: Annotated[list[int], Field(description="record numbers")]
    outside_limits: Annotated[list[int], Field(description="record numbers")]
    mean_N: float | None
    mean_m: float | None
    sd_N: float | None
    sd_m: float | None
    cp: float | None
    cpk: float | None
    cp_interval: list[float] | None
    cpk_interval: list[float] | None
    capability_judged: Annotated[bool, Field(description="false: no tolerance was given")]
    first_parts: Annotated[list[int], Field(description="record numbers; left out of figures and charts")]
    two_levels_from_seq: Annotated[int | None, Field(description="record from which a second level begins")]
    neighbour_correlation: float | None
    sampling: str
    confidence: float | None
    trend_p: float | None
    trend_slope_N_per_part: float | None
    trend_slope_m_per_part: float | None
    rules_broken: list[BrokenRule]
    stops: dict[str, int]
    tests: Count
    headline: Annotated[str, Field(description="the proof's first line")]
    odd_parts: Annotated[dict[str, list[int]], Field(description="record numbers by what the signature says")]
    called_bad: Annotated[list[int], Field(description="record numbers that people called bad")]
    judgements: list[KeptJudgement]
    notes: Annotated[dict[str, str], Field(description="lot, order, note, as people wrote them")]
    store_breaches: Annotated[list[str], Field(description="rows edited after they were written, in words")]
    store_chain: Annotated[str, Field(description="end of the device's chain of digests")]
    findings: list[str]


class ComparedPress(TypedDict):
    uid: str
    batch: Count
    landed: Count
    charted: Charted
    setpoints_N: list[float]
    targets_m: list[float]
    mean_N: float | None
    mean_m: float | None
    sd_N: float | None
    sd_m: float | None
    cp: float | None
    cpk: float | None
    outside_limits: Count
    difference_N: float | None
    difference_m: float | None
    difference_interval_N: list[float] | None
    difference_interval_m: list[float] | None


class BatchCompare(TypedDict):
    job_name: str
    presses: list[ComparedPress]


class BatchNote(TypedDict):
    uid: str
    job: Count
    batch: Count
    notes: dict[str, str]


class ListedTest(TypedDict):
    number: int
    seq: int
    kind: str
    value: float
    unit: str
    low: float | None
    high: float | None
    passed: bool | None
    by: str
    at_unix: int
    withdrawn: Annotated[str | None, Field(description="why it was withdrawn; null: it stands")]


class BatchTestList(TypedDict):
    tests: list[ListedTest]


class Withdrawn(TypedDict):
    uid: str
    number: int
    withdrawn: str


class VerdictAdded(TypedDict):
    uid: str
    seqs: list[int]
    verdict: Literal["good", "bad"]


class ListedVerdict(TypedDict):
    number: int
    seq: int
    verdict: str
    why: str
    by: str
    at_unix: int
    withdrawn: str | None


class VerdictList(TypedDict):
    verdicts: list[ListedVerdict]


class BatchTest(TypedDict):
    uid: str
    seq: int
    setpoint_N: float
    passed: Annotated[bool | None, Field(description="null: no limit was given")]


# ---------------------------------------------------------------- commissioning
class TakenPoint(TypedDict):
    reference_N: float
    reading_counts: float
    rising: bool


class Calibrate(TypedDict):
    """Of a press that holds its load the keys of `calibration analyse --json` follow."""

    __pydantic_config__ = {"json_schema_extra": {"additionalProperties": True}}  # noqa: RUF012
    record: str
    uploaded: bool
    points: list[TakenPoint]
    fields: Annotated[dict[str, int], Field(description="integer polynomial, as the device holds it")]


class Characterise(TypedDict):
    record: str
    uploaded: bool
    made: Moment
    device: str
    firmware: str
    calibration_serial: int
    tolerance: float
    measured: Characteristics
    settings: Settings
    feeds: list[Feed]
    setpoints: list[Holds]
    cautions: list[str]


class DifferentFigure(TypedDict):
    """One figure of the calibration set; null where the device holds none."""

    field: str
    record: int
    device: int | None


class DeviceCopy(TypedDict):
    same: bool
    differences: list[DifferentFigure]


Daily = beside("Daily", DailyCheck, time=Moment, passed=bool)


class BoardRow(TypedDict):
    name: str
    value: float | None
    unit: str
    emulated: str
    limit: str
    good: bool | None


class Doctor(TypedDict):
    findings: list[Finding]
    board: list[BoardRow]


class IoCheck(TypedDict):
    uid: str
    steps: list[Checked]
    good: bool


class Compiled(TypedDict):
    folder: str
    files: Count
    size_bytes: Count


class Installed(TypedDict):
    folder: str
    before: str | None
    files_written: Count
    files_kept: Count
    already: bool
    size_bytes: Count


# ---------------------------------------------------------------- trying things out
class Material(TypedDict):
    name: str
    tensile_Pa: float
    yield_Pa: float
    shear_Pa: float
    modulus_Pa: float
    poisson: float
    expansion_per_K: float
    note: str


class Materials(TypedDict):
    materials: list[Material]
    source: str


Ratio = Annotated[
    float | None, Field(description="threshold's overshoot over the learned one's; null: without end")
]
Scored = beside("Scored", Score, added_s=float, ratio=Ratio, over_attainable=float | None)


class BenchCutoff(TypedDict):
    cycles: Count
    seeds: Count
    scores: list[Scored]


class DrawnSummary(TypedDict):
    presses: Count
    presses_refused: Count
    refused_because: dict[str, int]
    commissioning: Annotated[
        dict[str, dict[str, int]],
        Field(description="measured figures inside, outside, wrong in silence (three times) and unknown"),
    ]
    jobs: Count
    jobs_reach_every_bar: Count
    missed: Annotated[dict[str, int], Field(description="jobs that miss each bar; a job may miss several")]
    first_cause: Annotated[dict[str, int], Field(description="jobs by the gravest of what they miss")]
    faults: Annotated[dict[str, int], Field(description="parts that ended in each fault")]
    parts: Count
    parts_scrapped: Annotated[Count, Field(description="over by 8 % and by three bands")]
    first_parts_over: Count
    over_attainable_median: Annotated[
        float | None, Field(description="95 % of errors over the larger of the attainable and 0.4 %")
    ]
    over_attainable_nine_in_ten: float | None
    p95_share_median: float | None
    pulses_mean_median: float | None
    first_pulses_most: int | None


class BenchPresses(TypedDict):
    seed: Count
    draw: Count
    cycles: Count
    summary: DrawnSummary
    presses: list[DrawnResult]


DemoJob = beside("DemoJob", JobResult, mean_peak_N=float, worst_over_N=float, worst_under_N=float)


class Demo(TypedDict):
    report: str
    runtime: str
    cutoff: str
    jobs: list[DemoJob]
    wall_s: float


class BendRun(RunRecord):
    record: str
    pushes: Count
    caution: str


class PositionPointShown(TypedDict):
    height_m: float
    counts: Annotated[float, Field(description="an encoder's unwrapped from the top")]
    residual_m: Annotated[float, Field(description="off the line")]


class PositionRecord(TypedDict):
    record: str
    uploaded: bool
    made: Moment
    device: str
    firmware: str


class PositionCalibrate(PositionRecord):
    calibration_serial: int
    kind: Literal["potentiometer", "encoder"]
    nominal_m: Annotated[float, Field(gt=0, description="an encoder's step, a potentiometer's whole supply")]
    measured_m: Annotated[float, Field(gt=0, description="the same as measured")]
    counts_per_m: float
    relative_error: Annotated[float, Field(ge=0, description="standard error of the slope over it")]
    residual_m: Annotated[float, Field(ge=0, description="standard deviation of the points about the line")]
    worst_residual_m: Annotated[float, Field(ge=0)]
    noise_m: Annotated[float, Field(ge=0, description="standard deviation of one sample at rest")]
    points: list[PositionPointShown]
    fields: Annotated[dict[str, int], Field(description="fields of the calibration set")]
    settings: Settings
    notes: list[str]


class PositionSpeeds(PositionRecord):
    full_m_per_s: Annotated[float, Field(gt=0)]
    slow_m_per_s: Annotated[float, Field(ge=0, description="0 without a slow feed")]
    settings: Settings


# Name of the schema: the command's words, and the shape of what it prints.
DOCUMENTS: dict[str, Any] = {
    "batch-compare": BatchCompare,
    "batch-list": BatchList,
    "batch-proof": BatchProof,
    "batch-note": BatchNote,
    "batch-test-add": BatchTest,
    "batch-test-list": BatchTestList,
    "batch-test-withdraw": Withdrawn,
    "batch-verdict-add": VerdictAdded,
    "batch-verdict-list": VerdictList,
    "batch-verdict-withdraw": Withdrawn,
    "bench-cutoff": BenchCutoff,
    "bench-presses": BenchPresses,
    "bend-run": BendRun,
    "calibration-check": Daily,
    "calibration-compare": Drift,
    "calibration-confirm": DeviceCopy,
    "calibration-repeatability": GaugeStudy,
    "calibration-run": Calibrate,
    "calibration-verify": Verification,
    "characterise": Characterise,
    "cycles-list": CyclesList,
    "cycles-pull": CyclesPull,
    "cycles-report": Report,
    "demo": Demo,
    "device-clock": DeviceClock,
    "device-settings-push": SettingsPush,
    "device-settings-show": SettingsShow,
    "device-show": DeviceShow,
    "device-watch": DeviceWatch,
    "doctor": Doctor,
    "first-part": FirstPart,
    "force-materials": Materials,
    "install": Compiled | Installed,
    "iocheck": IoCheck,
    "jobs-check": JobsCheck,
    "jobs-diff": JobsDiff,
    "jobs-list": JobsList,
    "jobs-use": JobsUse,
    "position-calibrate": PositionCalibrate,
    "position-speeds": PositionSpeeds,
    "units": Units,
}
