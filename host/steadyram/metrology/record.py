"""The calibration record: what was calibrated, against what, where, when, and every point.

All figures SI; counts are on the 16-bit scale of every board. Checked at the edge by pydantic.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, model_validator

ReferenceKind = Literal["load-cell", "gauge"]
Text = Annotated[str, Field(min_length=1, max_length=120)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Instrument(_Strict):
    """One instrument: what it is, its serial number, and the certificate it carries."""

    what: Text
    serial: Text
    certificate: str = Field(default="", max_length=120)


class Reference(Instrument):
    """The reference, with its uncertainty.

    kind: a load cell under the ram (newtons) or a gauge on the line (pascals). expanded_percent:
    expanded uncertainty in per cent of reading with its coverage factor; expanded_abs: the same as
    a fixed amount (N or Pa), combined in quadrature; resolution: smallest step read (N or Pa).
    """

    kind: ReferenceKind
    expanded_percent: float = Field(ge=0.0, le=20.0)
    expanded_abs: float = Field(default=0.0, ge=0.0)
    coverage_factor: float = Field(default=2.0, ge=1.0, le=4.0)
    resolution: float = Field(default=0.0, ge=0.0)

    def standard_uncertainty(self, value: float) -> float:
        """Standard uncertainty at a reading (N or Pa)."""
        expanded = ((value * self.expanded_percent / 100.0) ** 2 + self.expanded_abs**2) ** 0.5
        return float(expanded / self.coverage_factor)


class Environment(_Strict):
    """Ambient and oil temperature (degrees Celsius), humidity (per cent)."""

    ambient_C: float = Field(default=20.0, ge=-30.0, le=60.0)
    oil_C: float | None = Field(default=None, ge=-30.0, le=120.0)
    humidity_percent: float | None = Field(default=None, ge=0.0, le=100.0)


class Point(_Strict):
    """One point: reference (N or Pa by the reference's kind), mean counts, their standard deviation.

    u_reference: standard uncertainty of this reference reading if it differs from the instrument's.
    """

    run: int = Field(default=1, ge=1, le=50)
    direction: Literal["rising", "falling"] = "rising"
    reference: float
    counts: float = Field(ge=0.0, le=65535.0)
    counts_sd: float = Field(default=0.0, ge=0.0)
    u_reference: float | None = Field(default=None, gt=0.0)


class Header(_Strict):
    """Everything but the points.

    area_m2: piston area by the nameplate; area_u_percent: its standard uncertainty; zero_counts:
    reading at rest, ram at the top; counts_step: one converter step on the 16-bit scale;
    temperature_percent_per_K and temperature_span_K: transducer drift and how far the shop's
    temperature may stray (half width); assumed_friction_N: only with a gauge as the reference.
    """

    number: int = Field(default=1, ge=1, le=1_000_000_000)
    press: Instrument
    transducer: Instrument
    reference: Reference
    environment: Environment = Environment()
    made: AwareDatetime
    interval_days: int = Field(default=365, ge=1, le=3660)
    area_m2: float = Field(gt=0.0, le=0.3)
    area_u_percent: float = Field(0.1, ge=0.0, le=5.0)
    range_Pa: float = Field(gt=0.0, le=2e8)
    zero_counts: float = Field(ge=0.0, le=65535.0)
    zero_counts_after: float | None = Field(default=None, ge=0.0, le=65535.0)
    counts_step: int = Field(default=16, ge=1, le=1024)
    temperature_percent_per_K: float = Field(default=0.0, ge=0.0, le=1.0)
    temperature_span_K: float = Field(default=0.0, ge=0.0, le=60.0)
    assumed_friction_N: float = Field(default=0.0, ge=0.0)
    assumed_friction_u_N: float = Field(default=0.0, ge=0.0)
    note: str = Field(default="", max_length=2000)
    invented: bool = False

    @property
    def due(self) -> datetime:
        """When the next calibration is due."""
        return self.made + timedelta(days=self.interval_days)

    @property
    def nominal_N_per_count(self) -> float:
        """Force a count by nameplate: area times range over 80 % of the converter."""
        return self.area_m2 * self.range_Pa / (0.8 * 65536.0)

    @model_validator(mode="after")
    def _friction(self) -> Header:
        if self.reference.kind == "load-cell" and self.assumed_friction_N > 0.0:
            raise ValueError("assumed_friction_N is only for a gauge: a load cell sees the friction itself")
        return self


class CalibrationRecord(_Strict):
    """Header and points; force_N gives each point's force on the work."""

    header: Header
    points: tuple[Point, ...]
    rows: tuple[int, ...] = ()

    def force_N(self, point: Point) -> float:
        """Force on the work at a point: the load cell's, or gauge pressure times area less friction."""
        if self.header.reference.kind == "load-cell":
            return point.reference
        sign = 1.0 if point.direction == "rising" else -1.0
        return point.reference * self.header.area_m2 - sign * self.header.assumed_friction_N

    def row(self, index: int) -> str:
        """Name of a point for people: its row in the file, or its number."""
        return f"row {self.rows[index]}" if index < len(self.rows) else f"point {index + 1}"
