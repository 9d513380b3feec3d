"""What good parts of a job look like in force against travel, and what is said of one that does not.

Parts are compared at one force, the job's level, that every good part reached; what the frame stretches up to
there is taken out with the stiffness after the knee, as the good parts showed it. So a stroke gives four
figures that are the part's own:

- contact: where the ram meets it, its height;
- flush: where it is at the level, less the stretch, its height when it is home;
- embed: how far it gave way in between;
- plateau: the mean force of that.

Centres and spreads are learned as for force against time (`envelope.spread_of`). The limits below were tuned on the
tuning presses of the travel campaign and tried on others (`tests/campaign/travel_detection.py` has the figures).
Nothing here follows a drift: a press that warms or wears does not move a part. A tool that is changed or shimmed
does, and then the job's good parts have to be pressed anew.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Final, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from steadyram.cycles.envelope import LEAST_PARTS, Spread, spread_of
from steadyram.cycles.signature import Array
from steadyram.cycles.travel_signature import TravelStroke, curve, travel_signature
from steadyram.errors import BadInput

TravelPart = Literal[
    "good", "missing", "double", "upside down", "thin", "thick", "soft", "hard", "not judged"
]

TRAVEL_WORDS: Final[dict[str, str]] = {
    "good": "as the good parts",
    "missing": "hardware missing: the ram went on past where contact belongs, and nothing gave way",
    "double": "two parts on top of each other: contact far too high, or twice as much gave way",
    "upside down": "upside down, or the wrong part: contact in its place, but nothing gave way",
    "thin": "sheet too thin, or the wrong one: contact and flush deeper",
    "thick": "sheet too thick, or the wrong one: contact and flush higher",
    "soft": "material softer than the good parts': it gave way in its place at less force",
    "hard": "material harder than the good parts': it gave way in its place at more force",
    "not judged": "not judged: the stroke did not come to its end on a part",
}
JUDGED_STOPS: Final = frozenset({"setpoint", "short", "over", "depth", "window"})

# The level: a little below what nine in ten of the good parts reached.
_LEVEL_SHARE, _LEVEL_QUANTILE = 0.97, 0.1
_FLOOR_M: Final = 10e-6
_FLOOR_SHARE: Final = 0.02
# Parts that give way by less cannot be told from those that do not.
_LEAST_M: Final = 30e-6
# Less than this share of the good parts' embedding is none; more than that is two parts'.
_NOTHING: Final = 0.5
_TWICE: Final = 1.5
# Contact off by this many times the embedding: no sheet's doing.
_FAR: Final = 1.5
# A trace with a step wider than this share of the way says nothing of the force in between.
_COARSE: Final = 0.3
# Standard deviations of one part.
_PLACE: Final = 4.5
_PLACE_WITH_FORCE: Final = 3.4
_FORCE_WITH_PLACE: Final = 2.0
_FORCE: Final = 4.5
BAND_POINTS: Final = 200


@dataclass(frozen=True)
class TravelFigures:
    """One part's figures at a job's level; NaN where one cannot be read. Metres from the top, newtons."""

    contact_m: float
    flush_m: float
    embed_m: float
    plateau_N: float
    place_m: float


class TravelEnvelope(BaseModel):
    """One job's envelope over travel. level_N: force at which parts are compared; stiffness: after the knee."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    parts: int = Field(ge=LEAST_PARTS)
    level_N: float = Field(gt=0.0)
    stiffness_N_per_m: float = Field(gt=0.0)
    figures: dict[str, Spread]

    def read(self, given: TravelStroke) -> TravelFigures | None:
        """A stroke's figures; None when it met nothing."""
        return _figures(given, self.level_N, self.stiffness_N_per_m)

    def deviation(self, name: str, value: float) -> float:
        """How many standard deviations `value` is from the centre; NaN when either is not known."""
        spread = self.figures.get(name)
        if spread is None or not math.isfinite(value):
            return math.nan
        off = value - spread.centre
        return off / (spread.sd_above if off > 0.0 else spread.sd_below)

    def judge(self, given: TravelStroke) -> TravelVerdict:
        """What is said of one stroke, however it ended. Strokes may come in any order; first parts count, too."""
        found = self.read(given)
        if found is None and len(given.travel_m):
            # It met nothing, though it was where it should have.
            past = float(np.max(given.travel_m)) - self.figures["contact_m"].centre
            if past > _FAR * self.figures["embed_m"].centre:
                return TravelVerdict("missing", {})
        if found is None:
            return TravelVerdict("not judged", {})
        off = {name: self.deviation(name, value) for name, value in asdict(found).items()}
        kept = {name: round(value, 2) for name, value in off.items() if math.isfinite(value)}
        return TravelVerdict(self._part(found, off), kept)

    def _part(self, found: TravelFigures, off: dict[str, float]) -> TravelPart:
        embed = self.figures["embed_m"].centre
        moved = (found.contact_m - self.figures["contact_m"].centre) / embed
        if not math.isfinite(found.flush_m):
            # It never came to the level: only where it began is known.
            if abs(moved) > _FAR:
                return "double" if moved < 0.0 else "missing"
            if abs(off["contact_m"]) > _PLACE:
                return "thick" if off["contact_m"] < 0.0 else "thin"
            return "not judged"
        share = found.embed_m / embed
        if share > _TWICE or moved < -_FAR:
            return "double"
        if share < _NOTHING:
            if abs(off["contact_m"]) < _PLACE:
                return "upside down"
            # Higher, and it did not give way for the force that this job allows: a sheet far too thick.
            return "missing" if moved > 0.0 else "thick"
        place, force = off["place_m"], off["plateau_N"]
        if place > _PLACE or (place > _PLACE_WITH_FORCE and force < -_FORCE_WITH_PLACE):
            return "thin"
        if place < -_PLACE or (place < -_PLACE_WITH_FORCE and force > _FORCE_WITH_PLACE):
            return "thick"
        if abs(force) > _FORCE:
            return "soft" if force < 0.0 else "hard"
        return "good"


@dataclass(frozen=True)
class TravelVerdict:
    """What force against travel says of a part, and the deviations in standard deviations."""

    part: TravelPart
    deviations: dict[str, float]

    @property
    def alarm(self) -> bool:
        """True when somebody should look."""
        return self.part not in ("good", "not judged")

    def words(self) -> str:
        """One sentence."""
        return TRAVEL_WORDS[self.part]


def learn_travel_envelope(strokes: Sequence[TravelStroke]) -> TravelEnvelope:
    """Learn from strokes that made good parts of one job.

    Raises BadInput when fewer than LEAST_PARTS of them can be used, or when their parts do not give way in a way
    that could be recognised again (a dead stop, a bend).
    """
    usable = [(each, travel_signature(each)) for each in strokes if each.stroke.stop in JUDGED_STOPS]
    usable = [(each, found) for each, found in usable if math.isfinite(found.slope_N_per_m)]
    if len(usable) < LEAST_PARTS:
        raise BadInput(
            f"{len(usable)} good parts with travel and a knee are too few to learn an envelope over travel from; press "
            f"at least {LEAST_PARTS}."
        )
    level = _LEVEL_SHARE * float(np.quantile([found.top_N for _, found in usable], _LEVEL_QUANTILE))
    stiffness = float(np.median([found.slope_N_per_m for _, found in usable]))
    figures = [
        found for each, _ in usable if (found := _figures(each, level, stiffness)) and found.embed_m > 0.0
    ]
    if len(figures) < LEAST_PARTS or float(np.median([each.embed_m for each in figures])) < _LEAST_M:
        raise BadInput("The good parts hardly gave way: there is nothing to tell them by over travel.")
    spreads = {}
    for name in TravelFigures.__dataclass_fields__:
        values = np.array([getattr(each, name) for each in figures])
        values = values[np.isfinite(values)]
        floor = _FLOOR_SHARE * float(np.median(values)) if name == "plateau_N" else _FLOOR_M
        spreads[name] = spread_of(values, floor)
    return TravelEnvelope(parts=len(figures), level_N=level, stiffness_N_per_m=stiffness, figures=spreads)


def _figures(given: TravelStroke, level_N: float, stiffness_N_per_m: float) -> TravelFigures | None:
    found = curve(given)
    if found is None:
        return None
    contact = travel_signature(given).contact_m
    at = found.travel_at(level_N)
    flush = at - level_N / stiffness_N_per_m
    embed = flush - contact
    plateau = math.nan
    if embed > 0.0 and found.widest_m(contact, at) < _COARSE * (at - contact):
        # The work less what the stretch holds, over the way that the part gave.
        plateau = (found.work_J(contact, at) - level_N**2 / (2.0 * stiffness_N_per_m)) / embed
    return TravelFigures(contact, flush, embed, plateau, (contact + flush) / 2.0)


@dataclass(frozen=True)
class TravelBand:
    """Where the force of a good part lies, by travel: metres from the top, newtons, all of one length."""

    travel_m: Array
    low_N: Array
    high_N: Array


def learn_travel_band(strokes: Sequence[TravelStroke], points: int = BAND_POINTS) -> TravelBand | None:
    """The band of good strokes: at each travel the extremes of all, looked at a hundredth of the way to either side.

    It ends where the first of them ends. None for fewer than LEAST_PARTS strokes.
    """
    curves = [found for each in strokes if each.stroke.stop in JUDGED_STOPS and (found := curve(each))]
    if len(curves) < LEAST_PARTS:
        return None
    first = min(float(each.travel_m[0]) for each in curves)
    last = float(np.median([each.travel_m[-1] for each in curves]))
    if last <= first:
        return None
    travel = np.linspace(first, last, points)
    step = (last - first) / 100.0
    seen = np.array(
        [
            np.interp(travel + shift, each.travel_m, each.force_N)
            for each in curves
            for shift in (-step, 0.0, step)
        ]
    )
    margin = 0.01 * max(float(each.force_N[-1]) for each in curves)
    return TravelBand(travel, np.maximum(seen.min(axis=0) - margin, 0.0), seen.max(axis=0) + margin)
