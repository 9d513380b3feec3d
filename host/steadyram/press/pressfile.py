"""The press file: what a press, its oil, valve, transducer and work are, as unit strings in TOML.

Read with pint at the edge, kept in SI inside. Every unknown key, missing unit or figure outside a
plausible range is refused with one sentence that names the key.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from steadyram.errors import BadInput
from steadyram.plain_file import read_plain
from steadyram.press.strip_materials import STRIP_MATERIALS, beam_stiffness_N_m
from steadyram.quantity_field import si_of, within
from steadyram.toml_text import parse_toml

RELEASE_M3_S = 5e-5


class QuantityRange:
    """Validator: a unit string (or an SI float already parsed) within [low, high], in `si_unit`."""

    def __init__(self, si_unit: str, low: float, high: float) -> None:
        self.si_unit, self.low, self.high = si_unit, low, high

    def __call__(self, value: Any) -> float:
        if isinstance(value, bool):
            raise ValueError("is true or false; write a number with its unit")
        if isinstance(value, int | float) and self.si_unit != "dimensionless":
            raise ValueError(f"is {value} without a unit")
        return within(si_of(str(value), self.si_unit), value, self.low, self.high, self.si_unit)


def _quantity(si_unit: str, low: float, high: float) -> Callable[[Any], float]:
    # A plain function, as pydantic counts the arguments of a validator; it keeps what the reference page shows.
    limits = QuantityRange(si_unit, low, high)

    def convert(value: Any) -> float:
        return limits(value)

    convert.limits = limits  # type: ignore[attr-defined]
    return convert


Length = Annotated[float, BeforeValidator(_quantity("meter", 0.0, 5.0))]
Bore = Annotated[float, BeforeValidator(_quantity("meter", 0.005, 0.6))]
Force = Annotated[float, BeforeValidator(_quantity("newton", 0.0, 5e6))]
Pressure = Annotated[float, BeforeValidator(_quantity("pascal", 1e4, 1.6e8))]
SmallPressure = Annotated[float, BeforeValidator(_quantity("pascal", -1e7, 1e7))]
Modulus = Annotated[float, BeforeValidator(_quantity("pascal", 1e8, 3e9))]
Flow = Annotated[float, BeforeValidator(_quantity("meter**3/second", 1e-9, 2e-3))]
Volume = Annotated[float, BeforeValidator(_quantity("meter**3", 1e-7, 0.1))]
Stiffness = Annotated[float, BeforeValidator(_quantity("newton/meter", 1e5, 1e11))]
Time = Annotated[float, BeforeValidator(_quantity("second", 0.0, 5.0))]
Rate = Annotated[float, BeforeValidator(_quantity("1/second", 0.0, 20.0))]
Fraction = Annotated[float, BeforeValidator(_quantity("dimensionless", 0.0, 0.5))]
SignedFraction = Annotated[float, BeforeValidator(_quantity("dimensionless", -0.2, 0.2))]
# Ranges of the unkind keys: about twice as wide to either side as what is met in practice.
Share = Annotated[float, BeforeValidator(_quantity("dimensionless", 0.0, 1.0))]
Overlap = Annotated[float, BeforeValidator(_quantity("dimensionless", 0.0, 0.8))]
Slew = Annotated[float, BeforeValidator(_quantity("second", 0.0, 0.2))]
Surplus = Annotated[float, BeforeValidator(_quantity("dimensionless", 0.0, 3.0))]
WarmUp = Annotated[float, BeforeValidator(_quantity("second", 1.0, 14400.0))]
CodeWidth = Annotated[float, BeforeValidator(_quantity("dimensionless", 1.0, 64.0))]
LineFrequency = Annotated[float, BeforeValidator(_quantity("1/second", 0.5, 2000.0))]
Damping = Annotated[float, BeforeValidator(_quantity("dimensionless", 0.02, 50.0))]
PressureDrop = Annotated[float, BeforeValidator(_quantity("pascal", 0.0, 5e6))]
RippleFrequency = Annotated[float, BeforeValidator(_quantity("1/second", 1.0, 1000.0))]
Sensitivity = Annotated[float, BeforeValidator(_quantity("dimensionless", 1e-5, 2e-2))]
PilotRatio = Annotated[float, BeforeValidator(_quantity("dimensionless", 1.0, 20.0))]
Speed = Annotated[float, BeforeValidator(_quantity("meter/second", 1e-3, 1.0))]
Breakaway = Annotated[float, BeforeValidator(_quantity("dimensionless", 1.0, 5.0))]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)


class Cylinder(_Table):
    """bore_m and friends in SI; `seal_friction` in newtons."""

    bore: Bore
    rod: Bore
    stroke: Length
    seal_friction: Force = 0.0
    return_: Literal["powered", "spring"] = Field("powered", alias="return")
    breakaway: Breakaway = 1.0
    friction_scatter: Fraction = 0.0
    return_flow: Flow | None = None

    @property
    def area_m2(self) -> float:
        """Piston area, pi/4 * bore^2."""
        return math.pi / 4 * self.bore**2

    @property
    def annulus_m2(self) -> float:
        """Rod-side area."""
        return math.pi / 4 * (self.bore**2 - self.rod**2)

    def force_N(self, pressure_Pa: float) -> float:
        """Return the force on the work at a pressure while extending: seal friction opposes."""
        return pressure_Pa * self.area_m2 - self.seal_friction


class Pump(_Table):
    """Flows in m3/s; a hand pump gives `strokes` (1/s) and `stroke_volume` (m3) instead."""

    flow_low_stage: Flow | None = None
    flow_high_stage: Flow | None = None
    changeover: Pressure | None = None
    relief: Pressure
    strokes: Rate | None = None
    stroke_volume: Volume | None = None
    coast_down: Time = 0.0
    drive: Literal["motor", "shared", "hand", "air"] | None = None
    ripple: Fraction = 0.0
    ripple_frequency: RippleFrequency = 150.0
    flow_scatter: Fraction = 0.0

    @model_validator(mode="after")
    def _one_source(self) -> Pump:
        if (self.strokes is None) != (self.stroke_volume is None):
            raise ValueError("a hand pump needs both strokes and stroke_volume")
        if self.drive is not None and (self.drive in ("hand", "air")) != (self.strokes is not None):
            raise ValueError(
                f'drive = "{self.drive}" does not go with these flows; "hand" and "air" have strokes and '
                'stroke_volume, "motor" and "shared" have flow_low_stage'
            )
        if self.strokes is None and self.flow_low_stage is None:
            raise ValueError("flow_low_stage is missing (or strokes and stroke_volume for a hand pump)")
        if self.flow_high_stage is not None and self.flow_low_stage is not None:
            if self.flow_high_stage > self.flow_low_stage:
                raise ValueError(
                    "flow_high_stage is larger than flow_low_stage; the high-pressure stage is the small one"
                )
            if self.flow_high_stage != self.flow_low_stage and self.changeover is None:
                raise ValueError("a two-stage pump needs its changeover pressure")
        return self

    @property
    def driven_by(self) -> Literal["motor", "shared", "hand", "air"]:
        """Return what works the pump; where the file does not say: a hand for strokes, otherwise a motor of its own."""
        return self.drive or ("hand" if self.burst else "motor")

    @property
    def burst(self) -> bool:
        """True for flow in bursts (hand pump): delivery in the first half of each stroke's period."""
        return self.strokes is not None

    def flow_m3_s(self, pressure_Pa: float) -> float:
        """Flow while the pump delivers, at a pressure."""
        if self.strokes is not None and self.stroke_volume is not None:
            return 2.0 * self.strokes * self.stroke_volume
        assert self.flow_low_stage is not None
        high = self.flow_high_stage if self.flow_high_stage is not None else self.flow_low_stage
        if self.changeover is not None and pressure_Pa >= self.changeover:
            return high
        return self.flow_low_stage

    def mean_flow_m3_s(self, pressure_Pa: float) -> float:
        """Flow over whole strokes of the pump, at a pressure; flow in bursts delivers half of the time."""
        flow = self.flow_m3_s(pressure_Pa)
        return flow / 2.0 if self.burst else flow


class Oil(_Table):
    bulk_modulus: Modulus
    trapped_volume: Volume


class Frame(_Table):
    """`rated`: force that the weakest of frame, bed and tooling's seat is rated for, of its plate."""

    stiffness: Stiffness
    rated: Force | None = None


class Valve(_Table):
    """Delays of the solenoid valve; with `indicator` none is fitted, and they are the person's who watches the lamp."""

    relay_delay: Time = 0.0
    open_delay: Time
    close_delay: Time
    jitter: Time = 0.0
    leak_down: Rate = 0.0
    slow_feed: Flow | None = None
    indicator: bool = False
    load_holding: bool = True
    pull_in: Share = 0.0
    slew: Slew = 0.0
    overlap: Overlap = 0.0
    warm_up: Surplus = 0.0
    warm_up_time: WarmUp = 300.0


class Circuit(_Table):
    """What the directional valve does with the rod side while it rests in its centre, and what is hard-wired.

    float: A and B to tank; closed: every port shut; tandem: A and B shut, the pump to tank. counterbalance, rod_relief:
    settings of valves at the rod side, absent where none is fitted; hanging_load (N) on the ram, which comes down with
    fall_speed (m/s) where nothing carries it; rod_outlet_shut: a fault, no oil leaves the rod side in any movement.
    """

    centre: Literal["float", "closed", "tandem"] = "float"
    rod_volume: Volume = 2e-4
    slow_control: Literal["compensated", "restrictor"] = "compensated"
    stop_drops_motor: bool = True
    pedal_in_supply: bool = True
    hanging_load: Force = 0.0
    counterbalance: Pressure | None = None
    counterbalance_pilot: PilotRatio = 3.0
    rod_relief: Pressure | None = None
    rod_outlet_shut: bool = False
    fall_speed: Speed = 0.1


class Transducer(_Table):
    """Errors as shares of `range` (Pa; of a force sensor the pressure that gives its full force on this piston)."""

    range: Pressure = 0.0
    lag: Time = 0.0
    noise: Fraction = 0.0
    gain_error: SignedFraction = 0.0
    zero_error: SmallPressure = 0.0
    hysteresis: Fraction = 0.0
    nonlinearity: SignedFraction = 0.0
    output: Literal["ratiometric", "4-20 mA"] = "ratiometric"
    switching_spike: Fraction = 0.0
    line_frequency: LineFrequency | None = None
    line_damping: Damping = 0.3
    line_drop: PressureDrop = 0.0
    zero_wander: Fraction = 0.0


class ForceSensor(_Table):
    """Load cell or strain-gauge bridge in place of pressure times area; its amplifier's errors are the transducer's.

    capacity: force (N) at which the bridge gives `sensitivity` (V/V); amplifier: bridge signal (V/V) at full output.
    """

    place: Literal["under the work", "on the frame"] = "under the work"
    capacity: Force
    sensitivity: Sensitivity = 2e-3
    amplifier: Sensitivity = 2e-3

    @property
    def full_N(self) -> float:
        """Force at the amplifier's full output: capacity * amplifier / sensitivity (a bridge is linear in force)."""
        return self.capacity * self.amplifier / self.sensitivity


class Position(_Table):
    """Ram position sensor. `range` (m) of a potentiometer's wiper over 90 % of its supply; `step` (m) of an encoder."""

    kind: Literal["potentiometer", "encoder"]
    range: Length | None = None
    step: Annotated[float, BeforeValidator(_quantity("meter", 1e-7, 2e-4))] | None = None
    noise: Fraction = 0.0
    nonlinearity: SignedFraction = 0.0
    gain_error: SignedFraction = 0.0

    @model_validator(mode="after")
    def _own_figures(self) -> Position:
        if self.kind == "potentiometer" and not self.range:
            raise ValueError("a potentiometer needs its range")
        if self.kind == "encoder" and self.step is None:
            raise ValueError("an encoder needs its step")
        return self

    def step_m(self, bits: int) -> float:
        """What one step of the sensor is worth, metres; `bits` of the converter."""
        if self.kind == "encoder":
            assert self.step is not None
            return self.step
        assert self.range is not None
        return self.range / (0.9 * float(1 << bits))

    @property
    def noise_m(self) -> float:
        """RMS noise of one sample, metres; an encoder's count has none."""
        return 0.0 if self.kind == "encoder" or self.range is None else self.noise * self.range


# A cutout's switch above the rated force: 3 % sensor and calibration, 2 % overshoot, 1 % repeatability.
CUTOUT_ABOVE = 1.06
OVERFORCE = 1.05


class Cutout(_Table):
    """Independent pressure switch in series with the feed coils; `delay` until these are without supply."""

    pressure: Pressure
    repeatability: Fraction = 0.01
    delay: Time = 0.015


class Adc(_Table):
    bits: int = Field(ge=8, le=16)
    wide_codes: CodeWidth = 1.0


class Work(_Table):
    """What is under the ram. `bend` is sheet over a V die, the other kinds are curves of plateau, travel and stiffness.

    scatter: part to part, of plateau and travel, or of a sheet's strength (one standard deviation); coil_scatter:
    within how much of nominal the strength of the coil lies that all sheets of a press are cut from.
    """

    kind: Literal["clinch", "dimple", "dead-stop", "press-fit", "bend"]
    gap: Length
    plateau: Force = 0.0
    travel: Length = 0.0
    stiffness: Stiffness | None = None
    scatter: Fraction = 0.0
    material: str | None = None
    thickness: Length = 0.0
    length: Length = 0.0
    opening: Length = 0.0
    punch_radius: Length = 0.0
    shoulder_radius: Length = 0.0
    die_angle: Annotated[float, BeforeValidator(_quantity("radian", math.radians(20), math.radians(150)))] = (
        math.radians(85)
    )
    coil_scatter: Fraction = 0.0
    gap_scatter: Length = 0.0

    @model_validator(mode="after")
    def _complete(self) -> Work:
        if self.kind == "bend":
            self._bendable()
            return self
        if self.stiffness is None:
            raise ValueError(f"stiffness is missing, and a {self.kind} needs it; add it with its unit")
        if self.kind != "dead-stop" and (self.plateau <= 0 or self.travel <= 0):
            raise ValueError(f"plateau and travel are needed for a {self.kind}")
        return self

    def _bendable(self) -> None:
        if self.material not in STRIP_MATERIALS:
            near = difflib.get_close_matches(self.material or "", STRIP_MATERIALS, 1, 0.5)
            hint = f"did you mean {near[0]}" if near else f"choose one of {', '.join(STRIP_MATERIALS)}"
            given = (
                f"material '{self.material[:40]}' is not known" if self.material else "material is missing"
            )
            raise ValueError(f"{given}; {hint}")
        for key in ("thickness", "length", "opening", "punch_radius"):
            if not getattr(self, key) > 0:
                raise ValueError(f"{key} is missing or zero, and a bend needs it; add it with its unit")
        if self.punch_radius + self.shoulder_radius + self.thickness >= self.opening / 2:
            raise ValueError(
                "sheet, punch_radius and shoulder_radius do not fit into half the opening; open the die"
            )

    @property
    def stiffness_N_m(self) -> float:
        """Stiffness of the work where nothing yields, newtons per metre; a sheet's is that of a beam over the die."""
        if self.stiffness is not None:
            return self.stiffness
        assert self.material is not None
        return beam_stiffness_N_m(STRIP_MATERIALS[self.material], self.thickness, self.length, self.opening)


class PressFile(_Table):
    """One press with the work under it. All figures SI."""

    name: str = Field(min_length=1, max_length=80)
    cylinder: Cylinder
    pump: Pump
    oil: Oil
    frame: Frame
    valve: Valve
    transducer: Transducer
    adc: Adc
    work: Work
    circuit: Circuit = Circuit()
    position: Position | None = None
    cutout: Cutout | None = None
    force_sensor: ForceSensor | None = None

    @model_validator(mode="after")
    def _consistent(self) -> PressFile:
        self._sensor_range()
        if self.valve.indicator and not (self.pump.burst and self.cylinder.return_ == "spring"):
            raise ValueError(
                "valve.indicator stands for a person who pumps and lets go by hand; give pump.strokes, "
                'pump.stroke_volume and cylinder.return = "spring"'
            )
        if self.cylinder.rod >= self.cylinder.bore:
            raise ValueError("cylinder.rod is not smaller than cylinder.bore")
        if self.work.gap >= self.cylinder.stroke:
            raise ValueError(
                "work.gap is not smaller than cylinder.stroke, so the ram never reaches the work"
            )
        if self.position is not None and self.position.range and self.position.range < self.cylinder.stroke:
            raise ValueError(
                "position.range is smaller than cylinder.stroke, so the wiper would leave its track"
            )
        return self

    def _sensor_range(self) -> None:
        """Give a force sensor the pressure range that corresponds to it on this piston."""
        if self.force_sensor is None:
            if not self.transducer.range:
                raise ValueError("transducer.range is missing (or a table force_sensor)")
        elif self.transducer.range:
            raise ValueError("a press with a force_sensor has no transducer.range; remove one of them")
        else:
            object.__setattr__(self.transducer, "range", self.force_sensor.full_N / self.cylinder.area_m2)

    @property
    def return_flow_m3_s(self) -> float:
        """Oil that leaves the cap side on the way up: the pump's by the areas, or what a spring drives out.

        A spring empties a hand pump's ram through the release valve whatever the pump delivers: 3 L/min unless the
        press file says otherwise (common practice, no source). On other pumps it is the low stage's flow.
        """
        if self.cylinder.return_flow is not None:
            return self.cylinder.return_flow
        flow = self.pump.flow_m3_s(0.0)
        if self.cylinder.return_ == "powered":
            return flow * self.cylinder.area_m2 / self.cylinder.annulus_m2
        return max(flow, RELEASE_M3_S) if self.pump.burst else flow

    @property
    def bounds_N(self) -> dict[str, float]:
        """Forces on the work in newtons that bound what this press is rated for, each under the name of its bound.

        The cutout's is `CUTOUT_ABOVE` below its setting, so that it opens at no force that a job may ask for.
        """
        force_N = self.cylinder.force_N
        bounds = {"the relief valve": force_N(self.pump.relief)}
        if self.force_sensor is not None:
            bounds["the force sensor's full output"] = self.force_sensor.full_N
        else:
            bounds["the transducer's range"] = force_N(self.transducer.range)
        if self.frame.rated is not None:
            bounds["the frame's rated force"] = self.frame.rated
        if self.cutout is not None:
            bounds["the cutout's pressure switch"] = force_N(self.cutout.pressure / CUTOUT_ABOVE)
        return {name: max(0.0, force) for name, force in bounds.items()}

    @property
    def capacity_N(self) -> float:
        """Return the rated force of the press in newtons: the lowest of its bounds."""
        return min(self.bounds_N.values())

    @property
    def bounded_by(self) -> str:
        """Return the name of the bound that sets the rated force."""
        bounds = self.bounds_N
        return min(bounds, key=lambda name: bounds[name])

    @property
    def overforce_N(self) -> float:
        """Return the force in newtons at which the firmware's over-force fault comes.

        5 % above the rated force; with a cutout at most half-way to its switch, so that the firmware is the first.
        """
        most = OVERFORCE * self.capacity_N
        if self.cutout is None:
            return most
        switch_N = self.cylinder.force_N(self.cutout.pressure)
        return max(self.capacity_N, min(most, (self.capacity_N + switch_N) / 2.0))


def read_press(path: str | Path) -> PressFile:
    """Read a press file. Raises BadInput with one sentence that names file, key and remedy."""
    return build_press(read_press_tables(path), str(path))


def read_press_tables(path: str | Path) -> dict[str, Any]:
    """The raw tables of a press file, before units are read (for `--change`)."""
    try:
        raw = read_plain(path, 200_000)
    except OSError as error:
        raise BadInput(
            f"The press file {path} cannot be read ({error.strerror}); give the path of a TOML file."
        ) from None
    if len(raw) > 200_000:
        raise BadInput(f"The press file {path} is too large to be one; give the path of a press file.")
    try:
        return parse_toml(raw.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise BadInput(
            f"The press file {path} is not TOML ({error}); see the example in the README."
        ) from None


def build_press(tables: dict[str, Any], origin: str) -> PressFile:
    """Validate raw tables. Raises BadInput with one sentence for the first thing wrong."""
    try:
        return PressFile.model_validate(tables)
    except ValidationError as error:
        found = error.errors()
        # A key written wrong is an unknown one and a missing one at once: the unknown one tells more.
        first = next((each for each in found if each["type"] == "extra_forbidden"), found[0])
        where = ".".join(str(part) for part in first["loc"] if part != "return_")
        message = first["msg"].removeprefix("Value error, ")
        if first["type"] == "extra_forbidden":
            raise BadInput(
                f"{origin}: the key {where} is not known in a press file; {_meant(first['loc'])}."
            ) from None
        if first["type"] == "missing":
            raise BadInput(f"{origin}: the key {where} is missing; add it with its unit.") from None
        raise BadInput(f"{origin}: {where + ': ' if where else ''}{message[:300]}.") from None


def _meant(loc: tuple[int | str, ...]) -> str:
    """What to do about an unknown key: the nearest known one of the same table, if one is near."""
    table: Any = PressFile
    for part in loc[:-1]:
        table = table.model_fields[str(part)].annotation
    known = [field.alias or name for name, field in table.model_fields.items()]
    near = difflib.get_close_matches(str(loc[-1]), known, 1, 0.6)
    return f"did you mean {'.'.join([*map(str, loc[:-1]), near[0]])}" if near else "remove or correct it"


_CHANGE = re.compile(r"^([a-z_]+)\.([a-z_]+)=(.{1,60})@(\d{1,6})$")


def parse_change(text: str) -> tuple[str, str, str, int]:
    """Split `table.key=value@cycle`. Raises BadInput."""
    match = _CHANGE.match(text)
    if match is None:
        raise BadInput(
            f"--change '{text}' is not of the form table.key=value@cycle, e.g. work.plateau=+30%@10."
        )
    return match[1], match[2], match[3].strip().strip('"'), int(match[4])


def apply_change(tables: dict[str, Any], table: str, key: str, value: str, origin: str) -> dict[str, Any]:
    """Return tables with one key changed, absolutely ("1.2 GPa") or relatively ("+30%"). Raises BadInput."""
    changed = {k: dict(v) if isinstance(v, dict) else v for k, v in tables.items()}
    if not isinstance(changed.get(table), dict):
        raise BadInput(f"--change: the press file has no table {table}.")
    relative = re.fullmatch(r"([+-]\d+(?:\.\d+)?)\s*%", value)
    if relative is None:
        changed[table][key] = int(value) if key == "bits" and value.isdigit() else value
    else:
        if key not in changed[table]:
            raise BadInput(
                f"--change: {table}.{key} is not in the press file, so it cannot be changed by a percentage."
            )
        number = re.match(r"\s*([-+]?[\d.]+(?:[eE][-+]?\d+)?)\s*(.*)", str(changed[table][key]))
        if number is None:
            raise BadInput(f"--change: {table}.{key} is not a number with a unit.")
        changed[table][key] = f"{float(number[1]) * (1 + float(relative[1]) / 100):.12g} {number[2]}"
    build_press(changed, origin)
    return changed
