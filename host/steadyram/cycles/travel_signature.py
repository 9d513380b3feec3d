"""One stroke's force against the ram's travel, reduced to a few figures: contact, flush, embed work, plateau, slope.

Against time a stroke's shape is the press's as much as the part's: where the feed paused, how warm the oil is, how
late the valve. Against travel most of that falls out, since the same part meets the ram in the same place with
the same force, however long that takes. What stays of the press is the stretch of its frame, which is in the
ram's travel: in proportion to the force, so it is the same where two parts are compared at the same force, and it
goes out with the slope after the knee, where the part itself hardly gives way any more.

The reductions are elementary (running maxima, chords, trapezoids); no outside source is claimed for them. Pure
functions over arrays; no store, no device.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Final

from steadyram.cycles.signature import Array, Stroke, free_travel
from steadyram.late import np
from steadyram.link.definition import definition

_NAN: Final = float("nan")
# A mean of four samples at 1 kHz lags a millisecond and a half, a potentiometer's mean of sixteen seven and a half.
_FORCE_LAG_S: Final = 0.0015
_POTENTIOMETER_LAG_S: Final = 0.0075
# A bow of the curve below its chord this deep, as a share of its height, is a knee.
_BOW: Final = 0.04
# Rise from which contact is drawn back to no force, as shares of the highest force.
_LOW, _HIGH = 0.05, 0.30
# How far the record's contact may lie outside what the trace shows, for its threshold and its lag.
_NEAR_M: Final = 5e-5


@dataclass(frozen=True)
class TravelStroke:
    """A stroke with the ram's travel (metres from the top) at the points of its trace.

    lag_s: how much later the travel is seen than the force (negative: earlier); contact_m: travel at first contact as
    the record has it, 0 when it has none.
    """

    stroke: Stroke
    travel_m: Array
    lag_s: float = 0.0
    contact_m: float = 0.0


@dataclass(frozen=True)
class Curve:
    """Force against travel while the ram goes down, both rising: metres from the top, newtons above free travel."""

    travel_m: Array
    force_N: Array

    def travel_at(self, force_N: float) -> float:
        """Travel at which a force is first reached; NaN when it never is."""
        over = np.flatnonzero(self.force_N >= force_N)
        if not len(over):
            return _NAN
        i = int(over[0])
        if i == 0:
            return float(self.travel_m[0])
        low, high = self.force_N[i - 1], self.force_N[i]
        share = (force_N - low) / (high - low)
        return float(self.travel_m[i - 1] + share * (self.travel_m[i] - self.travel_m[i - 1]))

    def widest_m(self, first_m: float, last_m: float) -> float:
        """The widest step of the trace that reaches into what lies between two places."""
        steps = np.diff(self.travel_m)
        within = (self.travel_m[1:] > first_m) & (self.travel_m[:-1] < last_m)
        return float(steps[within].max()) if within.any() else 0.0

    def work_J(self, first_m: float, last_m: float) -> float:
        """Integral of force over travel between two places."""
        inside = (self.travel_m > first_m) & (self.travel_m < last_m)
        x = np.concatenate(([first_m], self.travel_m[inside], [last_m]))
        f = np.interp(x, self.travel_m, self.force_N)
        return float(np.trapezoid(f, x))


@dataclass(frozen=True)
class TravelSignature:
    """The figures of one stroke; NaN where one cannot be read. Metres from the top, newtons, joules.

    contact_m: where the rise begins; knee_m, knee_N: where the part is flush, the force there; embed_J: work from
    contact to the knee; slope_N_per_m: from the knee to the highest force; end_m, top_N: the end and the force there.
    """

    contact_m: float
    knee_m: float
    knee_N: float
    embed_J: float
    slope_N_per_m: float
    end_m: float
    top_N: float


FIGURES: Final = tuple(field.name for field in fields(TravelSignature))


def seen_later_s(settings: Mapping[str, int]) -> float:
    """How much later a device with these settings (protocol units) sees travel than force."""
    own = (
        _POTENTIOMETER_LAG_S
        if settings.get("position_kind") == definition().value("position_kind", "potentiometer")
        else 0.0
    )
    return own - _FORCE_LAG_S - settings.get("sensor_lag_us", 0) / 1e6


def curve(given: TravelStroke) -> Curve | None:
    """Force against travel up to the highest force; None when the stroke met nothing.

    Both are taken as their running maxima: while the ram stands, oil leaks and noise moves them to and fro.
    """
    force = np.asarray(given.stroke.force_N, dtype=float)
    count = min(len(force), len(given.travel_m))
    # Where the depth ends a stroke, the setpoint is a limit that may lie far above any force.
    most = min(given.stroke.setpoint_N, given.stroke.peak_N)
    if count < 16 or most <= 0.0:
        return None
    found = free_travel(force[:count], most)
    if found is None:
        return None
    at, approach, noise = found
    time = np.arange(count) * given.stroke.dt_s
    travel = np.interp(time + given.lag_s, time, np.asarray(given.travel_m[:count], dtype=float))
    first = max(0, at - 2)
    # The end is where the force has all but reached its top: later there is noise and, with a leak, topping up.
    above = force[:count] - approach
    last = int(np.flatnonzero(above >= above.max() - 2.0 * noise)[0]) + 1
    x = np.maximum.accumulate(travel[first : last + 1])
    f = np.maximum.accumulate(np.maximum(above[first : last + 1], 0.0))
    return Curve(x, f) if len(x) > 3 else None


def travel_signature(given: TravelStroke) -> TravelSignature:
    """Reduce a stroke; a stroke that met nothing gives NaN throughout."""
    found = curve(given)
    if found is None:
        return TravelSignature(*([_NAN] * len(FIGURES)))
    x, f = found.travel_m, found.force_N
    contact = _contact(found, given)
    top, end = float(f[-1]), float(x[-1])
    knee_m = knee_N = slope = embed = _NAN
    if end > contact:
        across = (x - contact) / (end - contact)
        bow = np.where(across >= 0.0, across - f / top, 0.0)
        k = int(np.argmax(bow))
        if bow[k] > _BOW:
            knee_m, knee_N = float(x[k]), float(f[k])
            embed = found.work_J(contact, knee_m)
            if end > knee_m:
                slope = (top - knee_N) / (end - knee_m)
    return TravelSignature(contact, knee_m, knee_N, embed, slope, end, top)


def _contact(found: Curve, given: TravelStroke) -> float:
    """Where the ram met the part, between the last point without force and the first with.

    The record's own contact is of the millisecond, which a long stroke's trace is not; it is brought to the force's
    time by the speed there. Without it, the first rise is drawn back in a straight line to no force.
    """
    x, f = found.travel_m, found.force_N
    top = float(f[-1])
    low, high = found.travel_at(_LOW * top), found.travel_at(_HIGH * top)
    i = int(np.flatnonzero(f >= _LOW * top)[0])
    free = float(x[i - 1]) if i else float(x[0])
    if given.contact_m > 0.0:
        raw = np.maximum.accumulate(np.asarray(given.travel_m, dtype=float))
        at = int(np.searchsorted(raw, given.contact_m))
        if 0 < at < len(raw):
            told = given.contact_m + given.lag_s * float(raw[at] - raw[at - 1]) / given.stroke.dt_s
            return min(max(told, free - _NEAR_M), float(x[i]) + _NEAR_M)
    return min(max(low - (high - low) * _LOW / (_HIGH - _LOW), free), low)
