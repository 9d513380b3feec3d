"""The head of a calibration record and its points: what was calibrated, against what, where and when.

All figures SI; counts are on the 16-bit scale of every board. Checked at the edge by pydantic.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, model_validator

ReferenceKind = Literal["load-cell", "gauge"]
Text = Annotated[str, Field(min_length=1, max_length=120)]


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Instrument(Strict):
    """One instrument: what it is, its serial number, the certificate it carries, its condition as received."""

    what: Text
    serial: Text
    certificate: str = Field(default="", max_length=120)
    condition: str = Field(default="", max_length=200)

    @property
    def unnamed(self) -> bool:
        """True while the serial number is the template's "none"."""
        return self.serial.strip().lower() in ("none", "-", "?", "n/a")


class Reference(Instrument):
    """The reference, with what bounds its error. Newtons for a load cell, pascals for a gauge.

    kind: a load cell under the ram or a gauge on the line. By its certificate: expanded_percent (expanded
    uncertainty in per cent of reading) and expanded_abs (the same as a fixed amount, combined in quadrature),
    with their coverage_factor. By the accuracy class of a gauge: class_percent of range (half width, full scale
    `range`). resolution: smallest step read; drift_percent: half width of its change since its certificate, per
    cent of reading; place: half width of the pressure difference between the gauge and the cylinder;
    zero_reading: what it shows with the ram at the top, None if not read; seat_percent: half width of what a
    tilted or rough seat of a load cell makes, per cent of reading, None if not stated, with its basis in
    seat_basis; due: last day on which its certificate is valid; traceable_to: who realises the unit that its
    certificate leads to, empty where no traceability is claimed; calibrated_by, accreditation, calibrated_on: the
    laboratory that issued its certificate, what it is accredited as, and the day; calibrated_from, calibrated_to: the
    range of that certificate; iso_376_class, class_a_from: of a load cell by its certificate the class of ISO 376, and
    the force from which it is of class A of ASTM E74 (N).
    """

    kind: ReferenceKind
    expanded_percent: float = Field(default=0.0, ge=0.0, le=20.0)
    expanded_abs: float = Field(default=0.0, ge=0.0)
    coverage_factor: float = Field(default=2.0, ge=1.0, le=4.0)
    class_percent: float = Field(default=0.0, ge=0.0, le=10.0)
    range: float = Field(default=0.0, ge=0.0, le=1e9)
    resolution: float = Field(default=0.0, ge=0.0)
    drift_percent: float = Field(default=0.0, ge=0.0, le=5.0)
    place: float = Field(default=0.0, ge=0.0, le=1e7)
    seat_percent: float | None = Field(default=None, ge=0.0, le=5.0)
    seat_basis: str = Field(default="", max_length=200)
    zero_reading: float | None = None
    due: date | None = None
    traceable_to: str = Field(default="", max_length=200)
    calibrated_by: str = Field(default="", max_length=200)
    accreditation: str = Field(default="", max_length=120)
    calibrated_on: date | None = None
    calibrated_from: float | None = Field(default=None, ge=0.0, le=1e9)
    calibrated_to: float | None = Field(default=None, gt=0.0, le=1e9)
    iso_376_class: float | None = Field(default=None, ge=0.0, le=3.0)
    class_a_from: float | None = Field(default=None, ge=0.0, le=1e9)

    @model_validator(mode="after")
    def _stated(self) -> Reference:
        if self.class_percent and self.kind != "gauge":
            raise ValueError(
                "class_percent is the accuracy class of a gauge; a load cell has expanded_percent"
            )
        if self.class_percent and not self.range:
            raise ValueError("an accuracy class is a per cent of range: give the gauge's range, too")
        if self.place and self.kind != "gauge":
            raise ValueError("place is only for a gauge: a load cell under the ram is where the force is")
        if self.seat_percent and self.kind == "gauge":
            raise ValueError("seat_percent is only for a load cell: a gauge on the line is not seated")
        limit = self.class_percent / 100.0 * self.range
        if limit and self.zero_reading is not None and abs(self.zero_reading) > limit:
            raise ValueError(
                f"the gauge shows {self.zero_reading / 1e5:.3g} bar with no pressure, beyond the "
                f"{limit / 1e5:.3g} bar of its class: have it repaired, or take another"
            )
        if not (self.class_percent or self.expanded_percent or self.expanded_abs):
            raise ValueError(
                "the reference needs an uncertainty: expanded_percent from its certificate"
                + (", or class_percent and range of the gauge" if self.kind == "gauge" else "")
            )
        return self


class Environment(Strict):
    """Ambient temperature at the start and at the end, of the oil (degrees Celsius), humidity (per cent).

    None where it was not read.
    """

    ambient_C: float | None = Field(default=None, ge=-30.0, le=60.0)
    ambient_end_C: float | None = Field(default=None, ge=-30.0, le=60.0)
    oil_C: float | None = Field(default=None, ge=-30.0, le=120.0)
    humidity_percent: float | None = Field(default=None, ge=0.0, le=100.0)


class Point(Strict):
    """One point: reference (N or Pa by the reference's kind), mean counts, their standard deviation.

    u_reference: standard uncertainty of this reference reading if it differs from the instrument's; at: when it
    was taken, None where that was not recorded.
    """

    run: int = Field(default=1, ge=1, le=50)
    direction: Literal["rising", "falling"] = "rising"
    reference: float
    counts: float = Field(ge=0.0, le=65535.0)
    counts_sd: float = Field(default=0.0, ge=0.0)
    u_reference: float | None = Field(default=None, gt=0.0)
    at: AwareDatetime | None = None


class RunStart(Strict):
    """What was done before a run, as it was answered or measured then; None where it was not.

    reseated: the reference was taken out, turned and put back since the run before; preloads: how often the
    highest force was put on it; zero_after_previous_counts: reading at rest after the run before; zero_counts:
    reading at rest right before this run; reference_zero: what the reference showed then (N or Pa by its kind).
    """

    run: int = Field(ge=1, le=50)
    reseated: bool | None = None
    preloads: int | None = Field(default=None, ge=0, le=100)
    zero_after_previous_counts: float | None = Field(default=None, ge=0.0, le=65535.0)
    zero_counts: float | None = Field(default=None, ge=0.0, le=65535.0)
    reference_zero: float | None = Field(default=None, ge=-1e9, le=1e9)
    at: AwareDatetime | None = None


class SecondReading(Strict):
    """What another reference showed once, as the ground of an explanation: force (N, going up) and the counts then."""

    what: Text
    serial: Text
    certificate: Text
    force_N: float = Field(gt=0.0, le=1e8)
    counts: float = Field(ge=0.0, le=65535.0)


class Header(Strict):
    """Everything but the points.

    measures: what the sensor measures, pressure or force. area_m2: piston area by the nameplate (of a force
    sensor the area that makes range_Pa its full output); area_u_percent: its standard uncertainty; zero_counts:
    reading at rest, ram at the top; zero_counts_before, zero_counts_after: the same before the first and after
    the last run (before: zero_counts where it is None); fluctuation_counts: spread of the mean readings at
    rest; counts_step: one converter step on the 16-bit scale; temperature_percent_per_K and temperature_span_K:
    transducer drift and how far the shop's temperature may stray (half width); assumed_friction_N: only with a
    gauge as the reference; rated_N: the press's rated force, None if not stated; reseated: whether the
    reference is to be re-seated between the runs, None where that is left to the answers (of a CSV of points,
    which holds no answers, it is the statement itself); nameplate_explained: why the points are more than 5 %
    off the nameplate; its ground is measured_bore_m, the bore as it was measured, by measured_bore_by (instrument and
    serial number), or second_reference. interval_days: to the next calibration, None where none was agreed;
    made_recorded: False where `made` is only the time at which a file without a date was read; simulated: the counts
    are of a simulated press. For the certificate: laboratory (who calibrates, with address), customer, location (where
    it was done), firmware (version that gave the readings); empty where it was not said.
    """

    number: int = Field(default=1, ge=1, le=1_000_000_000)
    press: Instrument
    transducer: Instrument
    reference: Reference
    environment: Environment = Environment()
    made: AwareDatetime
    interval_days: int | None = Field(default=None, ge=1, le=3660)
    area_m2: float = Field(gt=0.0, le=0.3)
    area_u_percent: float = Field(0.1, ge=0.0, le=5.0)
    range_Pa: float = Field(gt=0.0, le=2e8)
    measures: Literal["pressure", "force"] = "pressure"
    zero_counts: float = Field(ge=0.0, le=65535.0)
    zero_counts_before: float | None = Field(default=None, ge=0.0, le=65535.0)
    zero_counts_after: float | None = Field(default=None, ge=0.0, le=65535.0)
    fluctuation_counts: float | None = Field(default=None, ge=0.0, le=65535.0)
    counts_step: int = Field(default=16, ge=1, le=1024)
    temperature_percent_per_K: float = Field(default=0.0, ge=0.0, le=1.0)
    temperature_span_K: float = Field(default=0.0, ge=0.0, le=60.0)
    assumed_friction_N: float = Field(default=0.0, ge=0.0)
    assumed_friction_u_N: float = Field(default=0.0, ge=0.0)
    rated_N: float | None = Field(default=None, gt=0.0, le=1e8)
    reseated: bool | None = None
    nameplate_explained: str = Field(default="", max_length=200)
    measured_bore_m: float | None = Field(default=None, gt=0.0, le=0.7)
    measured_bore_by: str = Field(default="", max_length=120)
    second_reference: SecondReading | None = None
    made_recorded: bool = True
    laboratory: str = Field(default="", max_length=200)
    customer: str = Field(default="", max_length=200)
    location: str = Field(default="", max_length=200)
    firmware: str = Field(default="", max_length=80)
    note: str = Field(default="", max_length=2000)
    invented: bool = False
    simulated: bool = False

    @property
    def due(self) -> datetime | None:
        """When the next calibration is due, None where no interval was agreed or the date is not recorded."""
        if self.interval_days is None or not self.made_recorded:
            return None
        return self.made + timedelta(days=self.interval_days)

    @property
    def resolution_counts(self) -> float:
        """Resolution r of the reading: a converter step; where the reading at rest fluctuates by more, half of the
        fluctuation and a step (ISO 7500-1, variation of readings; from memory, the larger of the rules known)."""
        fluctuation = self.fluctuation_counts or 0.0
        if fluctuation <= self.counts_step:
            return float(self.counts_step)
        return fluctuation / 2.0 + self.counts_step

    @property
    def zero_return_counts(self) -> float | None:
        """Zero after the runs less the zero before them, None if it was not read."""
        if self.zero_counts_after is None:
            return None
        before = self.zero_counts if self.zero_counts_before is None else self.zero_counts_before
        return self.zero_counts_after - before

    @property
    def sensor(self) -> str:
        """What the sensor is called in sentences."""
        return "force sensor" if self.measures == "force" else "transducer"

    @property
    def full_N(self) -> float:
        """Force at the sensor's full output by the nameplates."""
        return self.area_m2 * self.range_Pa

    @property
    def nominal_N_per_count(self) -> float:
        """Force a count by nameplate: area times range over 80 % of the converter."""
        return self.area_m2 * self.range_Pa / (0.8 * 65536.0)

    @model_validator(mode="after")
    def _friction(self) -> Header:
        if self.reference.kind == "load-cell" and self.assumed_friction_N > 0.0:
            raise ValueError("assumed_friction_N is only for a gauge: a load cell sees the friction itself")
        return self
