"""What the device tells, as host objects in SI units: identity, reading, cycle record, trace, change.

Keys of the JSON forms carry their units (force_N, time_s). Integers of the protocol become floats in SI
units here and nowhere else.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from steadyram.errors import BadFrame
from steadyram.link.client import float_if_known, integer_if_known, integer_of
from steadyram.link.definition import Definition, definition, name_of


class Identity(BaseModel):
    """Who the device is: the answer to "hello"."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    proto: int = Field(ge=1, le=10_000)
    oldest: int = Field(ge=1, le=10_000)
    fw: str = Field(max_length=60)
    board: str = Field(max_length=60)
    uid: str = Field(min_length=1, max_length=60)
    units: str = Field(default="", max_length=120)
    caps: str = Field(default="", max_length=200)
    boot: int = Field(ge=0)
    job_slots: int = Field(ge=1, le=1000)
    line_max: int = Field(ge=60, le=1024)

    @property
    def simulated(self) -> bool:
        """True for the board of the simulated press: what it reads is nobody's measurement."""
        return self.board == "virtual"

    def has(self, capability: str) -> bool:
        """True when the device lists `capability`."""
        return capability in self.caps.split(",")


@dataclass(frozen=True, slots=True)
class Reading:
    """Live readings in SI units; `zero_counts` and `counts` are on the 16-bit scale.

    force_N, pressure_Pa: None while the device cannot know them; armed_s, armed_N: time left and force ceiling of an
    armed valve test, 0 = none.
    """

    state: str
    fault: str | None
    refusal: str | None
    stop: str
    force_N: float | None
    pressure_Pa: float | None
    peak_N: float
    counts: int
    mean_counts: float
    spread_counts: int
    job: int
    setpoint_N: float
    count: int
    batch: int
    cutoff: bool
    latch: bool
    estop_ok: bool
    top: bool
    extend: bool
    retract: bool
    slow: bool
    changes_left_s: float
    first_seq: int
    next_seq: int
    uptime_s: float
    unix: int
    zero_counts: int
    travel_m: float = 0.0
    referenced: bool = False
    armed_s: float = 0.0
    armed_N: float = 0.0

    @classmethod
    def from_fields(cls, fields: Mapping[str, str], protocol: Definition | None = None) -> Reading:
        """Build from the merged fields of "now". Raises BadFrame when one is missing or no integer."""
        known = protocol if protocol is not None else definition()

        def number(key: str) -> int:
            return integer_of(fields, key)

        fault, refusal = number("fault"), number("refusal")
        pressure_kpa = integer_if_known(fields, "pressure_kpa")
        return cls(
            state=name_of(known.states, number("state")),
            fault=name_of(known.faults, fault) if fault else None,
            refusal=name_of(known.refusals, refusal) if refusal else None,
            stop=name_of(known.stops, number("stop")),
            force_N=float_if_known(fields, "force_n"),
            pressure_Pa=None if pressure_kpa is None else pressure_kpa * 1000.0,
            peak_N=float(number("peak_n")),
            counts=number("counts"),
            mean_counts=number("mean_c16") / 16.0,
            spread_counts=number("spread_c"),
            job=number("job"),
            setpoint_N=float(number("setpoint_n")),
            count=number("count"),
            batch=number("batch"),
            cutoff=bool(number("cutoff")),
            latch=bool(number("latch")),
            estop_ok=bool(number("estop")),
            top=bool(number("top")),
            extend=bool(number("extend")),
            retract=bool(number("retract")),
            slow=bool(number("slow")),
            changes_left_s=float(number("changes_s")),
            first_seq=number("first_seq"),
            next_seq=number("next_seq"),
            uptime_s=number("uptime_ms") / 1000.0,
            unix=number("unix"),
            zero_counts=number("zero"),
            travel_m=number("travel_um") / 1e6,
            referenced=bool(number("reference")),
            armed_s=float(number("armed_s")),
            armed_N=float(number("armed_n")),
        )


@dataclass(frozen=True, slots=True)
class CycleRecord:
    """One cycle record: the protocol's integers under their names, with SI views of the common ones."""

    values: Mapping[str, int]

    def __getitem__(self, key: str) -> int:
        return self.values[key]

    @property
    def seq(self) -> int:
        """Sequence number."""
        return self.values["seq"]

    @property
    def flags(self) -> frozenset[str]:
        """Names of the flags that are set."""
        word = self.values["flags"]
        return frozenset(flag.name for bit, flag in definition().flags.items() if word >> bit & 1)

    @property
    def stop(self) -> str:
        """Name of the stop reason."""
        return name_of(definition().stops, self.values["stop"])

    @property
    def fault(self) -> str | None:
        """Name of the fault, or None."""
        number = self.values["fault"]
        return name_of(definition().faults, number) if number else None

    def to_json(self) -> dict[str, Any]:
        """The record with SI values under keys that carry their units."""
        out: dict[str, Any] = {}
        for key, value in self.values.items():
            if key == "stop":
                out["stop"] = self.stop
            elif key == "fault":
                out["fault"] = self.fault
            elif key == "flags":
                out["flags"] = sorted(self.flags)
            else:
                name, scaled = _si(key, value)
                out[name] = scaled
        return out


def _si(key: str, value: int) -> tuple[str, float | int | None]:
    if key.endswith("_ms"):
        return key[:-3] + "_s", value / 1000.0
    if key.endswith("_n"):
        return key[:-2] + "_N", float(value)
    if key.endswith("_um"):
        return key[:-3] + "_m", value / 1e6
    if key.endswith("_us"):
        return key[:-3] + "_s", None if value < 0 else value / 1e6
    if key.endswith("_unix"):
        return key, value
    return key, value


@dataclass(frozen=True, slots=True)
class Trace:
    """Stored trace of one stroke: equally spaced points, `dt_s` apart, the first at `dt_s`.

    unit_N: newtons a unit; 0 when the trace is in counts (a commissioning stroke).
    """

    seq: int
    dt_s: float
    unit_N: float
    points: tuple[int, ...]

    def force_N(self) -> list[float]:
        """Forces in newtons; empty when the trace is in counts."""
        return [point * self.unit_N for point in self.points] if self.unit_N else []


@dataclass(frozen=True, slots=True)
class TravelTrace:
    """Ram travel at the points of a stroke's trace, `dt_s` apart, the first at `dt_s`."""

    seq: int
    dt_s: float
    unit_m: float
    points: tuple[int, ...]

    def travel_m(self) -> list[float]:
        """Metres from the top switch."""
        return [point * self.unit_m for point in self.points]


@dataclass(frozen=True, slots=True)
class Pulse:
    """One closing-in pulse: its width and the mean reading before and after it, in counts."""

    width_s: float
    before_counts: float
    after_counts: float


@dataclass(frozen=True, slots=True)
class Change:
    """One entry of the device's record of changes: the fields as the device wrote them."""

    seq: int
    fields: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class DeviceJob:
    """One job as the device holds it: slot, name and the integers of the job fields."""

    slot: int
    name: str
    fields: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class SetState:
    """Which set of a kind is in force: its generation and digest."""

    kind: str
    gen: int
    digest: str


@dataclass(frozen=True, slots=True)
class SettingsState(SetState):
    """Press settings, or measured values, in force; `values` is complete, in definition order, in protocol units."""

    values: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class JobsState(SetState):
    """Jobs in force, by slot."""

    jobs: tuple[DeviceJob, ...]

    def by_slot(self, slot: int) -> DeviceJob | None:
        """The job in `slot`, or None."""
        return next((job for job in self.jobs if job.slot == slot), None)


@dataclass(frozen=True, slots=True)
class CalibrationState(SetState):
    """Calibration in force in protocol units; empty values when there is none."""

    values: Mapping[str, int]


def integers(text: str) -> list[int]:
    """The integers of a comma list. Raises BadFrame on anything else."""
    found = []
    for part in text.split(",") if text else []:
        digits = part[1:] if part[:1] == "-" else part
        if not digits.isdecimal() or len(digits) > 10:
            raise BadFrame(f"The device sent '{part[:40]}' where an integer belongs.")
        found.append(int(part))
    return found


def record_from(values: Sequence[int], protocol: Definition | None = None) -> CycleRecord:
    """A record from its integers in definition order. Raises BadFrame when their number is wrong.

    Fields of a later version may be missing, from an older device: they are 0 then.
    """
    known = protocol if protocol is not None else definition()
    least = sum(field.since == 1 for field in known.record)
    if least <= len(values) < len(known.record):
        values = [*values, *[0] * (len(known.record) - len(values))]
    if len(values) != len(known.record):
        raise BadFrame(
            f"The device sent a record of {len(values)} fields where this tool knows {len(known.record)}; "
            "bring firmware and tool to the same version."
        )
    return CycleRecord({field.name: value for field, value in zip(known.record, values, strict=True)})
