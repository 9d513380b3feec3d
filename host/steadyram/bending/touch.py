"""Where the punch met the sheet, from one stroke's force against the ram's travel.

At full feed a lag is worth tenths of a millimetre, and how long the force takes to be told from none depends on how
steeply it rises: so the beginning of the rise, where the sheet is still elastic, is drawn back to no force. At slow
feed the record's own contact is as good, and of the millisecond.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from steadyram.late import np

# Shares of the highest force between which the rise is a straight line: a sheet yields at two thirds of what it bends
# at, and below the first the transducer's lag has not yet come to its end.
_LOW, _HIGH = 0.05, 0.30
_FREE_POINTS: Final = 8


def touch_of_rise(
    force_N: Sequence[float], travel_m: Sequence[float], dt_s: float, travel_later_s: float
) -> float | None:
    """Ram travel (m) at which the force began; None where no straight rise is seen.

    force_N, travel_m: at the points of the trace, dt_s apart; travel_later_s: how much later the device sees travel
    than force, negative for earlier.
    """
    count = min(len(force_N), len(travel_m))
    if count < 2 * _FREE_POINTS:
        return None
    force = np.asarray(force_N[:count], dtype=float)
    time = np.arange(count) * dt_s
    travel = np.interp(time + travel_later_s, time, np.asarray(travel_m[:count], dtype=float))
    begins = int(np.argmax(force >= _LOW * force.max()))
    if begins < _FREE_POINTS:
        return None
    # Seals and valve leave some force in free travel.
    above = force - float(np.median(force[: begins - 1]))
    top = float(above.max())
    if top <= 0.0:
        return None
    first, last = (int(np.argmax(above >= share * top)) for share in (_LOW, _HIGH))
    last = max(last, first + 2)
    if last > count:
        return None
    rise, place = above[first:last], travel[first:last]
    if not (np.diff(rise) > 0.0).all() or not (np.diff(place) > 0.0).all():
        return None
    slope, touch = np.polyfit(rise, place, 1)
    return float(touch) if slope > 0.0 else None
