"""What good parts of a job look like: a centre and a spread for every figure of the signature.

Medians and median absolute deviations (scaled to a standard deviation by 1.4826, the textbook factor for a
normal distribution), so that a bad part or two among those learned from do no harm. Each spread has a floor:
what the trace's spacing and rounding leave even where the parts are all alike.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from steadyram.cycles.signature import Array, Signature, Stroke, signature
from steadyram.cycles.together import Together, learn_together
from steadyram.errors import BadInput

LEAST_PARTS: Final = 8
"""Fewer good parts than this teach nothing that could be relied on."""

BAND_POINTS: Final = 256
# Share of one side's deviations whose limit tells its width, and that limit for a half-normal, in sds.
_SIDE_SHARE: Final = 0.85
_SIDE_SDS: Final = 1.44
# A stand below this share of the good parts' landing is one partway up to it.
PARTWAY: Final = 0.45
# The force had levelled off when the last of it took this share of the rise's time; the next stand, this ratio.
LEVELLED: Final = 0.45
NEARLY: Final = 1.12

# Figures judged by their logarithm: they scatter in proportion to themselves.
RELATIVE: Final = frozenset(
    {"rise_s", "half_s", "need_s", "rest_s", "landing_N", "embed_Ns", "steep_N_per_s", "knee_N"}
)
# Figures that are judged together where contact is told by oil: where the part is, how it gives way up to half the
# setpoint, and how from there on. A softer part takes more to half and less from there; without the hardware contact is
# late and the rest short. Where the ram first stands is not among them: it depends on where the device ends its first
# feed (seeds 31 to 36: 7 false alarms of 366 with it, 1 of 369 without).
TOGETHER: Final = ("contact_s", "half_s", "rest_s")
_OFTEN: Final = 2.0 / 3.0
# Smallest spread believed, in the figure's own unit, or as a share for the relative ones.
_FLOOR: Final = {
    "contact_s": 0.0015,
    "approach_N": 8.0,
    "rise_s": 0.03,
    "half_s": 0.03,
    "need_s": 0.03,
    "rest_s": 0.03,
    "way_s": 0.005,
    "landing_N": 0.02,
    "embed_Ns": 0.05,
    "knee_N": 0.03,
    "steep_N_per_s": 0.03,
    "peak_N": 1.0,
    "settled_N": 1.0,
    "loss_per_s": 0.003,
    "pulses": 1.0,
}


class Spread(BaseModel):
    """Centre and standard deviations to either side of one figure; of its logarithm where it is a relative one."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    centre: float
    sd_below: float = Field(gt=0.0)
    sd_above: float = Field(gt=0.0)
    parts: int = Field(ge=0)


class Envelope(BaseModel):
    """One job's envelope. setpoint_N, and how many good parts it was learned from.

    by_oil: contact, half and need are told by the oil let in, not by time; parts are compared in the same way.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    setpoint_N: float = Field(gt=0.0)
    parts: int = Field(ge=LEAST_PARTS)
    figures: dict[str, Spread]
    by_oil: bool = False
    together: Together | None = None

    @property
    def stands(self) -> bool:
        """True when where the ram first stands tells the part: well up, short of the setpoint, and repeatably."""
        home = self.figures.get("landing_N")
        if home is None:
            return False
        share = float(np.exp(home.centre)) / self.setpoint_N
        return 0.3 < share < 0.93 and max(home.sd_below, home.sd_above) < 0.2

    def deviation(self, name: str, value: float) -> float:
        """How many standard deviations `value` is from the centre; NaN when either is not known."""
        off = off_centre(self, name, value)
        if not np.isfinite(off):
            return float("nan")
        spread = self.figures[name]
        return off / (spread.sd_above if off > 0.0 else spread.sd_below)

    def landing(self, found: Signature) -> float:
        """Where the ram stood on the part's own force, newtons; NaN when that cannot be told.

        Where the feed ends just as the ram touches, it stands once on the way up: that says nothing of the
        part, and neither does where the next pulse then takes it. A low stand is believed when the force had
        levelled off before it, or when the next one is hardly higher.
        """
        home = self.figures.get("landing_N")
        if home is None or not self.stands:
            return found.landing_N
        share = found.landing_N / float(np.exp(home.centre))
        if share >= 1.0 - 2.5 * home.sd_below:
            return found.landing_N
        after = next((force for force in found.stands_N[1:] if force > 1.03 * found.landing_N), np.inf)
        levelled = found.crest_s > LEVELLED * found.rise_s or after < NEARLY * found.landing_N
        return found.landing_N if share >= PARTWAY and levelled else float("nan")

    @property
    def digest(self) -> str:
        """The version of this envelope: the first digits of the SHA-256 of its text."""
        return hashlib.sha256(self.to_text().encode()).hexdigest()[:12]

    def to_text(self) -> str:
        """The envelope as JSON."""
        return self.model_dump_json()

    @classmethod
    def from_text(cls, text: str) -> Envelope:
        """Read what `to_text` wrote. Raises BadInput."""
        try:
            return cls.model_validate(json.loads(text))
        except ValueError:
            raise BadInput("The stored envelope cannot be read; learn it anew from good parts.") from None


def learn_envelope(strokes: Sequence[Stroke]) -> Envelope:
    """Learn from strokes that made good parts of one job. Only learned strokes count; the first parts do not.

    Raises BadInput when fewer than LEAST_PARTS are left or they are not all of one setpoint.
    """
    usable = [stroke for stroke in strokes if stroke.learned and stroke.stop in ("setpoint", "short")]
    if len(usable) < LEAST_PARTS:
        raise BadInput(
            f"{len(usable)} good parts are too few to learn an envelope from; press at least {LEAST_PARTS}."
        )
    setpoints = {stroke.setpoint_N for stroke in usable}
    if len(setpoints) > 1:
        raise BadInput("The parts were pressed at different setpoints; learn each setpoint by itself.")
    # By the one or by the other, all of them: a place by oil says nothing of one by time.
    told = [stroke for stroke in usable if stroke.by_oil]
    by_oil = len(told) >= LEAST_PARTS
    found = [signature(stroke, by_oil) for stroke in (told if by_oil else usable)]
    figures = {}
    for name, floor in _FLOOR.items():
        spread = _spread(name, found, floor)
        if spread is not None:
            figures[name] = spread
    first = Envelope(setpoint_N=setpoints.pop(), parts=len(found), figures=figures, by_oil=by_oil)
    landed = [replace(each, landing_N=first.landing(each)) for each in found]
    landing = _spread("landing_N", landed, _FLOOR["landing_N"])
    whole = (
        first if landing is None else first.model_copy(update={"figures": {**figures, "landing_N": landing}})
    )
    return whole.model_copy(update={"together": _together(whole, landed)}) if by_oil else whole


def _together(envelope: Envelope, found: Sequence[Signature]) -> Together | None:
    wanted = (*TOGETHER, "landing_N") if envelope.stands else TOGETHER
    names = [name for name in wanted if name in envelope.figures]
    columns = {name: [off_centre(envelope, name, getattr(each, name)) for each in found] for name in names}
    # A figure that many parts do not have would leave too few that have them all.
    often = {name: column for name, column in columns.items() if np.isfinite(column).mean() > _OFTEN}
    return learn_together(often, _FLOOR)


def off_centre(envelope: Envelope, name: str, value: float) -> float:
    """Return by how much a figure is off its centre (its logarithm where it is a relative one); NaN if not known."""
    spread = envelope.figures.get(name)
    if spread is None or not np.isfinite(value) or (name in RELATIVE and value <= 0.0):
        return float("nan")
    return (float(np.log(value)) if name in RELATIVE else value) - spread.centre


def _spread(name: str, found: Sequence[Signature], floor: float) -> Spread | None:
    values = np.array([getattr(each, name) for each in found], dtype=float)
    values = values[np.isfinite(values) & ((values > 0.0) if name in RELATIVE else True)]
    if len(values) < LEAST_PARTS:
        return None
    return spread_of(np.log(values) if name in RELATIVE else values, floor)


def spread_of(values: Array, floor: float) -> Spread:
    """Centre and spread to either side of some values, robustly; `floor`: the smallest spread believed."""
    centre = float(np.median(values))
    robust = 1.4826 * float(np.median(np.abs(values - centre)))
    sides = []
    for side in (centre - values[values < centre], values[values > centre] - centre):
        # Where the ram comes to stand is often skewed: a few land past the knee. Each side has its own width.
        wide = float(np.quantile(side, _SIDE_SHARE)) / _SIDE_SDS if len(side) > 2 else 0.0
        sides.append(max(robust, wide, floor))
    return Spread(centre=centre, sd_below=sides[0], sd_above=sides[1], parts=len(values))


@dataclass(frozen=True)
class Band:
    """Where the force of a good part lies, by time from the pedal: seconds, newtons, all of one length."""

    time_s: Array
    low_N: Array
    high_N: Array

    def to_json(self) -> dict[str, Any]:
        """Lists under the fields' names."""
        return {key: [round(float(v), 4) for v in values] for key, values in asdict(self).items()}


def learn_band(strokes: Sequence[Stroke], points: int = BAND_POINTS) -> Band | None:
    """The band of good strokes' traces: at each time the extremes of all, and a little more.

    The margin is one per cent of the setpoint. Strokes end at different times: each is carried on at its last
    force, so that the band ends where the longest does. None for fewer than LEAST_PARTS strokes.
    """
    usable = [stroke for stroke in strokes if stroke.learned and len(stroke.force_N) > 1]
    if len(usable) < LEAST_PARTS:
        return None
    end_s = max(len(stroke.force_N) * stroke.dt_s for stroke in usable)
    time = np.linspace(0.0, end_s, points)
    step = time[1]
    lows, highs = [], []
    for stroke in usable:
        own = (np.arange(len(stroke.force_N)) + 1) * stroke.dt_s
        # A steep rise moves by some milliseconds from part to part: look a little to either side.
        shifted = [np.interp(time + shift, own, stroke.force_N) for shift in (-step, 0.0, step)]
        lows.append(np.min(shifted, axis=0))
        highs.append(np.max(shifted, axis=0))
    margin = 0.01 * usable[0].setpoint_N
    low = np.maximum(np.min(lows, axis=0) - margin, 0.0)
    return Band(time, low, np.max(highs, axis=0) + margin)
