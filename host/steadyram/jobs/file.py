"""The jobs file: what a shop keeps in version control, TOML with a unit on every force.

    [[job]]
    name = "small clinch nut"
    force = "1.0 tonf"
    tooling_rated_force = "2 tonf"
    dwell = "0.5 s"
    return = "latched"
    batch = 50

With a position sensor on the ram a job may stop on its travel from the top switch instead, or on whichever comes
first; the other quantity is then a window that a good part meets:

    [[job]]
    name = "dimple to depth"
    stop = "depth"                        # force | depth | first
    depth = "5.30 mm"
    force = "8 tonf"                      # with stop = "depth": never more than this
    force_window = ["2 tonf", "4 tonf"]   # or depth_window, for a job that stops on force

Material, hardware and note are the user's own words: they stay in the file and go into reports.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StrictBool,
    StrictInt,
    ValidationError,
    field_validator,
    model_validator,
)

from steadyram.config import preferences
from steadyram.errors import BadInput
from steadyram.link.definition import Field as ProtocolField
from steadyram.link.definition import definition
from steadyram.link.frames import FrameError, write_value
from steadyram.link.records import DeviceJob
from steadyram.plain_file import read_plain
from steadyram.quantity_field import quantity
from steadyram.toml_text import parse_toml
from steadyram.units import FORCE_UNITS

_FILE_MOST: Final = 200_000
_EXAMPLE: Final = "see the example in the README"

_JOB_FIELDS: Final[dict[str, ProtocolField]] = {field.name: field for field in definition().job}


Force = Annotated[float, BeforeValidator(quantity("newton", "'1.0 tonf'"))]
Duration = Annotated[float, BeforeValidator(quantity("second", "'0.5 s'"))]
Travel = Annotated[float, BeforeValidator(quantity("meter", "'5.30 mm'"))]
Words = Annotated[str, Field(max_length=400)]


class Job(BaseModel):
    """One job: `force` and `tooling_rated_force` in newtons, `dwell` in seconds, travels in metres."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)

    name: str = Field(min_length=1, max_length=definition().job_name_max_chars)
    slot: StrictInt | None = Field(default=None, ge=1, le=definition().job_slots)
    material: Words = ""
    hardware: Words = ""
    note: Words = ""
    force: Force
    dwell: Duration = 0.0
    return_: Literal["momentary", "latched", "panel"] = Field(default="panel", alias="return")
    cutoff_required: StrictBool = True
    batch: StrictInt = Field(default=0, ge=0, le=_JOB_FIELDS["batch"].maximum)
    tooling_rated_force: Force | None = None
    unproven: StrictBool = False
    stop: Literal["force", "depth", "first"] = "force"
    depth: Travel | None = None
    slow_from: Travel | None = None
    force_window: tuple[Force, Force] | None = None
    depth_window: tuple[Travel, Travel] | None = None
    handling: StrictBool = False

    @field_validator("name")
    @classmethod
    def _sendable(cls, name: str) -> str:
        try:
            write_value(name)
        except FrameError:
            raise ValueError(
                f"is {name!r}, and the panel can only show plain letters, digits and signs, no double quote"
            ) from None
        if name != name.strip():
            raise ValueError("begins or ends with a space; remove it")
        return name

    @model_validator(mode="after")
    def _bounded(self) -> Job:
        for what, value, field in (
            ("force", round(self.force), _JOB_FIELDS["setpoint_n"]),
            ("dwell", round(self.dwell * 1000), _JOB_FIELDS["dwell_ms"]),
            ("tooling_rated_force", round(self.tooling_rated_force or 1), _JOB_FIELDS["tool_limit_n"]),
        ):
            low = max(field.minimum, 1) if what != "dwell" else field.minimum
            if not low <= value <= field.maximum:
                unit = "ms" if what == "dwell" else "N"
                raise ValueError(f"{what} is {value:.6g} {unit}, outside {low} to {field.maximum} {unit}")
        if self.tooling_rated_force is not None and round(self.force) > int(self.tooling_rated_force):
            raise ValueError(
                f"force {preferences().force(self.force)} is above the tooling's rated force "
                f"{preferences().force(self.tooling_rated_force)}; lower the force or use other tooling"
            )
        self._check_travel()
        return self

    def _check_travel(self) -> None:
        if self.stop != "force" and self.depth is None:
            raise ValueError(
                f"stop is '{self.stop}' and depth is missing; give the ram's travel, e.g. '5.30 mm'"
            )
        if self.stop == "force" and (self.depth is not None or self.slow_from is not None):
            raise ValueError('depth and slow_from need stop = "depth" or "first"')
        if self.handling and self.stop != "force":
            raise ValueError("a handling job ends at its low ceiling on force; remove stop and depth")
        if self.handling and not self.cutoff_required:
            raise ValueError("a handling job needs the cutoff; remove cutoff_required = false")
        for what, value in (("depth", self.depth), ("slow_from", self.slow_from)):
            if value is not None and not 0 < 1e6 * value <= _JOB_FIELDS["depth_um"].maximum:
                raise ValueError(f"{what} is {1000 * value:.6g} mm, outside 0 to 1000 mm")
        if self.depth is not None and self.slow_from is not None and self.slow_from >= self.depth:
            raise ValueError("slow_from is not above depth; the slow feed comes before the end")
        for name, window in (("force_window", self.force_window), ("depth_window", self.depth_window)):
            if window is not None and not 0 <= window[0] < window[1]:
                raise ValueError(f"{name} does not rise; give the lower limit first")
        if self.force_window is not None and self.stop == "force":
            raise ValueError("force_window is for a job that stops on depth; use depth_window")
        if self.depth_window is not None and self.stop == "depth":
            raise ValueError("depth_window is for a job that stops on force; use force_window")

    def to_device(self, slot: int) -> DeviceJob:
        """The job in protocol units in `slot`; a tooling rating is rounded down, never up."""
        return DeviceJob(
            slot,
            self.name,
            {
                "setpoint_n": round(self.force),
                "tool_limit_n": int(self.tooling_rated_force or 0),
                "dwell_ms": round(self.dwell * 1000),
                "latch_return": definition().value("latch_return", self.return_),
                "cutoff_required": int(self.cutoff_required),
                "batch": self.batch,
                "unproven": int(self.unproven),
                "stop_on": definition().value("stop_on", self.stop),
                "depth_um": _um(self.depth),
                "slow_from_um": _um(self.slow_from),
                "window_low_n": round(self.force_window[0]) if self.force_window else 0,
                "window_high_n": round(self.force_window[1]) if self.force_window else 0,
                "window_low_um": _um(self.depth_window[0]) if self.depth_window else 0,
                "window_high_um": _um(self.depth_window[1]) if self.depth_window else 0,
                "handling": int(self.handling),
            },
        )


def _um(travel_m: float | None) -> int:
    return 0 if travel_m is None else round(1e6 * travel_m)


class JobsFile(BaseModel):
    """A whole jobs file; `units` is the force unit its forces are shown in (default: the user's own)."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    units: str | None = None
    job: list[Job] = Field(min_length=1, max_length=definition().job_slots)

    @field_validator("units")
    @classmethod
    def _force_unit(cls, units: str | None) -> str | None:
        if units is not None and units not in FORCE_UNITS:
            raise ValueError(f"is '{units[:20]}'; choose one of {', '.join(FORCE_UNITS)}")
        return units

    @model_validator(mode="after")
    def _distinct(self) -> JobsFile:
        names: set[str] = set()
        slots: set[int] = set()
        for job in self.job:
            if job.name.casefold() in names:
                raise ValueError(f"two jobs have the name '{job.name}'; give each its own")
            if job.slot is not None and job.slot in slots:
                raise ValueError(f"two jobs have slot {job.slot}; give each its own")
            names.add(job.name.casefold())
            slots.update([] if job.slot is None else [job.slot])
        return self

    def slotted(self) -> list[tuple[int, Job]]:
        """Jobs by slot: those given keep theirs, the rest take the lowest free ones in file order."""
        taken = {job.slot for job in self.job}
        free = (slot for slot in range(1, definition().job_slots + 1) if slot not in taken)
        placed = [(job.slot if job.slot is not None else next(free), job) for job in self.job]
        return sorted(placed, key=lambda pair: pair[0])

    def to_device(self) -> list[DeviceJob]:
        """All jobs in protocol units, in slot order."""
        return [job.to_device(slot) for slot, job in self.slotted()]


def read_jobs(path: str | Path) -> JobsFile:
    """Read a jobs file. Raises BadInput with one sentence that names file, job, key and remedy."""
    try:
        raw = read_plain(path, _FILE_MOST)
    except OSError as error:
        raise BadInput(
            f"The jobs file {path} cannot be read ({error.strerror}); give the path of a TOML file."
        ) from None
    if len(raw) > _FILE_MOST:
        raise BadInput(f"The jobs file {path} is too large to be one; give the path of a jobs file.")
    try:
        tables = parse_toml(raw.decode("utf-8"))
    except ValueError as error:
        raise BadInput(f"The jobs file {path} is not TOML ({error}); {_EXAMPLE}.") from None
    return build_jobs(tables, str(path))


def build_jobs(tables: dict[str, Any], origin: str) -> JobsFile:
    """Validate raw tables. Raises BadInput with one sentence for the first thing wrong."""
    try:
        return JobsFile.model_validate(tables)
    except ValidationError as error:
        first = error.errors()[0]
        loc = [part for part in first["loc"]]
        where = _where(tables, loc)
        key = str(loc[-1]) if loc and isinstance(loc[-1], str) else ""
        if first["type"] == "extra_forbidden":
            keys = JobsFile.model_fields if len(loc) == 1 else Job.model_fields
            known = ", ".join(info.alias or name for name, info in keys.items())
            raise BadInput(
                f"{origin}: {where} has the unknown key '{key[:40]}'; the keys are {known}."
            ) from None
        if first["type"] == "missing":
            raise BadInput(f"{origin}: {where} lacks '{key}'; {_EXAMPLE}.") from None
        message = first["msg"].removeprefix("Value error, ").removeprefix("String ").removeprefix("Input ")
        named = f"{where}: {key} " if key and key != "job" else f"{where}: "
        raise BadInput(f"{origin}: {named}{message[:300]}.") from None


def _where(tables: dict[str, Any], loc: list[int | str]) -> str:
    if len(loc) >= 2 and loc[0] == "job" and isinstance(loc[1], int):
        row = tables["job"][loc[1]]
        name = row.get("name") if isinstance(row, dict) else None
        return f"job {loc[1] + 1}" + (f" ('{name[:40]}')" if isinstance(name, str) else "")
    return "the file"
