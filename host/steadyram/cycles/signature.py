"""One stroke reduced to a few figures: contact, embed work, knee, landing, peak, settled, dwell loss.

Pure functions over trace arrays; no store, no device. A learned stroke travels at full feed up to the first
closing of the valve, then closes in by pulses; only the part up to that first closing is the work's own curve
against ram travel, so embed work and knee are read there. What comes after it (pulses, the landing, the end)
tells of the press. Contact and the way to half the setpoint are told by the oil that the device let in, where its
record has that: a ram that pauses, or goes slowly, takes longer and lets in no more. Their times are read only where
it has not.

The reductions are elementary (medians, trapezoids, differences); no outside source is claimed for them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Final, TypeAlias

from steadyram.late import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

Array: TypeAlias = "NDArray[np.float64]"


@dataclass(frozen=True)
class Stroke:
    """What the log holds of one stroke. Forces in newtons, times in seconds; `force_N` is `dt_s` apart.

    learned: the lead was a learned one (a first part is pulsed from the start and cannot be compared). oil_...: oil
    from the top to contact, from there to half the setpoint and to the end, as seconds of full flow at the pump's low
    stage; NaN where the record does not have it.
    """

    dt_s: float
    force_N: Array
    setpoint_N: float
    peak_N: float
    settled_N: float
    end_N: float
    pulses: int
    duration_s: float
    learned: bool
    stop: str
    oil_contact_s: float = math.nan
    oil_half_s: float = math.nan
    oil_end_s: float = math.nan

    @property
    def by_oil(self) -> bool:
        """True when the device told where contact was by the oil let in."""
        return math.isfinite(self.oil_contact_s)


@dataclass(frozen=True)
class Signature:
    """The figures of one stroke; NaN where a figure cannot be read.

    contact_s: oil to contact (by time: pedal to the moment the force leaves the approach); approach_N: force read in
    free travel (what seal friction differs from the calibration's by);
    rise_s, crest_s: from 20 to 80 and from 90 to 98 % of `landing_N`;
    half_s: contact to half the setpoint, need_s: contact to the end by oil, rest_s: from half to the end by oil (both
    NaN by time); way_s: time to contact, also where contact_s is oil: longer where the ram paused on its way;
    landing_N: force where the ram first stood still after contact, before any closing in; embed_Ns: force
    over time from contact to there (times ram speed: work, joules); knee_N: force from which the rise steepens
    most, after contact; steep_N_per_s: steepest rise; peak_N, settled_N: as recorded; loss_per_s: share of the
    force lost a second while it stands; pulses: as recorded;
    stands_N: the forces at which the ram stood, in order, the first few.
    """

    contact_s: float
    approach_N: float
    rise_s: float
    crest_s: float
    half_s: float
    need_s: float
    rest_s: float
    way_s: float
    landing_N: float
    embed_Ns: float
    knee_N: float
    steep_N_per_s: float
    peak_N: float
    settled_N: float
    loss_per_s: float
    pulses: float
    stands_N: tuple[float, ...] = ()

    def work_J(self, ram_m_per_s: float) -> float:
        """Embed work up to the landing for a ram speed at full feed (work = integral of force over travel)."""
        return self.embed_Ns * ram_m_per_s


FIGURES: Final = tuple(field.name for field in fields(Signature) if field.name != "stands_N")
STANDS: Final = 8

_NAN: Final = float("nan")
# A standing force: over so long its two halves differ by less than this share (or than the noise allows).
_STILL_S: Final = 0.030
_STILL_SHARE: Final = 0.0015
# The transducer's lag and the filter have died away so long after a rise.
_DIE_AWAY_S: Final = 0.020


_NOTHING: Final = Signature(
    contact_s=_NAN,
    approach_N=_NAN,
    rise_s=_NAN,
    crest_s=_NAN,
    half_s=_NAN,
    need_s=_NAN,
    rest_s=_NAN,
    way_s=_NAN,
    landing_N=_NAN,
    embed_Ns=_NAN,
    knee_N=_NAN,
    steep_N_per_s=_NAN,
    peak_N=_NAN,
    settled_N=_NAN,
    loss_per_s=_NAN,
    pulses=_NAN,
)


def signature(stroke: Stroke, by_oil: bool | None = None) -> Signature:
    """Reduce a stroke. Pure; a trace that shows no contact gives NaN where contact would be needed.

    by_oil: whether contact and half are told by oil or by time; None = by oil where the record has it.
    """
    found = _signature_by_time(stroke)
    if not (stroke.by_oil if by_oil is None else by_oil):
        return found
    return replace(
        found,
        contact_s=stroke.oil_contact_s,
        half_s=stroke.oil_half_s,
        need_s=stroke.oil_end_s,
        rest_s=stroke.oil_end_s - stroke.oil_half_s,
    )


def _signature_by_time(stroke: Stroke) -> Signature:
    force = np.asarray(stroke.force_N, dtype=float)
    empty = replace(_NOTHING, peak_N=stroke.peak_N, settled_N=stroke.settled_N, pulses=float(stroke.pulses))
    if len(force) < 16 or stroke.setpoint_N <= 0.0:
        return empty
    noise = _noise(force)
    found = _contact(force, stroke.setpoint_N, noise)
    if found is None:
        return empty
    at, approach, touch = found
    above = force - approach
    contact_s = _crossing(above, at, touch) * stroke.dt_s
    still = _still_runs(force, at, stroke.dt_s, noise)
    stop = still[0][0] if still else len(force) - 1
    landing = float(np.median(force[slice(*still[0])])) if still else float(force[-1])
    risen = above[at - 1 : stop + 1] if at > 0 else above[: stop + 1]
    steps = np.diff(force[at - 1 if at else 0 :]) / stroke.dt_s
    return Signature(
        contact_s=contact_s,
        approach_N=approach,
        rise_s=_between(above[max(0, at - 1) : stop + 2], landing - approach, 0.2, 0.8) * stroke.dt_s,
        crest_s=_between(above[max(0, at - 1) : stop + 2], landing - approach, 0.9, 0.98) * stroke.dt_s,
        half_s=_time_to(above, at, stroke.setpoint_N / 2.0 - approach) * stroke.dt_s - contact_s,
        need_s=_NAN,
        rest_s=_NAN,
        way_s=contact_s,
        landing_N=landing,
        stands_N=tuple(float(np.median(force[slice(*run)])) for run in still[:STANDS]),
        embed_Ns=float(np.trapezoid(np.maximum(risen, 0.0), dx=stroke.dt_s)),
        knee_N=_knee(force, at, stop, stroke.dt_s, noise),
        steep_N_per_s=float(steps.max()) if len(steps) else _NAN,
        peak_N=stroke.peak_N,
        settled_N=stroke.settled_N,
        loss_per_s=_loss(force, stroke.dt_s, noise),
        pulses=float(stroke.pulses),
    )


def _noise(force: Array) -> float:
    """Standard deviation of one point, from differences two apart where the force rests.

    At the start it does, but a trace holds no force below zero; at the end it does, but for leak-down. The
    larger of the two is taken.
    """
    most = max(8, len(force) // 5)
    found = [np.median(np.abs(part[2:] - part[:-2])) for part in (force[:most], force[-most:])]
    return max(1.0, float(max(found)) * 1.4826 / 2**0.5)


def _contact(force: Array, setpoint_N: float, noise: float) -> tuple[int, float, float] | None:
    """First point in contact, the force in free travel, and the step above it that counts as contact.

    Looked for backwards from where the force is surely that of the work: what seals drag in free travel
    is then no contact, however much it is.
    """
    level = max(0.15 * setpoint_N, 20.0 * noise)
    sure = np.flatnonzero(force >= level)
    if not len(sure):
        return None
    # A breakaway of the seals, or a ramp in free travel, falls back: contact is what the force did not fall back from
    # before it came to half the setpoint.
    half = np.flatnonzero(force >= max(0.5 * setpoint_N, level))
    back = np.flatnonzero(force[: int(half[0])] < level) if len(half) else sure[:0]
    end = int(back[-1]) + 1 if len(back) else int(sure[0])
    approach = float(np.median(force[int(0.3 * end) : max(int(0.8 * end), int(0.3 * end) + 1)]))
    touch = max(6.0 * noise, setpoint_N / 40.0)
    free = np.flatnonzero(force[: end + 1] - approach <= touch)
    return (int(free[-1]) + 1 if len(free) else 0), approach, touch


def free_travel(force: Array, setpoint_N: float) -> tuple[int, float, float] | None:
    """First point in contact, the force read in free travel, and the noise of one point; None without contact."""
    noise = _noise(force)
    found = _contact(force, setpoint_N, noise)
    return None if found is None else (found[0], found[1], noise)


def _crossing(above: Array, at: int, level: float) -> float:
    """Place, in points from the pedal (the first point lies one spacing after it), where `level` is crossed."""
    if at == 0:
        return 1.0
    low, high = float(above[at - 1]), float(above[at])
    share = (level - low) / (high - low) if high > low else 0.0
    return at + min(max(share, 0.0), 1.0)


def _between(rise: Array, height: float, low_share: float, high_share: float) -> float:
    """Points from one share of `height` to another, interpolated; NaN when it is not crossed."""
    if height <= 0.0 or len(rise) < 2:
        return _NAN
    places = []
    for share in (low_share, high_share):
        over = np.flatnonzero(rise >= share * height)
        if not len(over):
            return _NAN
        i = int(over[0])
        if i == 0:
            places.append(0.0)
            continue
        low, high = float(rise[i - 1]), float(rise[i])
        places.append(i - 1 + (share * height - low) / (high - low) if high > low else float(i))
    return places[1] - places[0]


def _time_to(above: Array, at: int, level: float) -> float:
    """Place, in points from the pedal, where `level` is first reached from point `at` on; NaN when never."""
    over = np.flatnonzero(above[at:] >= level)
    return _crossing(above, at + int(over[0]), level) if len(over) else _NAN


def _still_runs(force: Array, at: int, dt_s: float, noise: float) -> list[tuple[int, int]]:
    """Stretches after contact in which the force stands: (first point, one past the last)."""
    half = max(2, round(_STILL_S / dt_s / 2))
    if len(force) - at < 2 * half:
        return []
    sums = np.concatenate(([0.0], np.cumsum(force[at:])))
    means = (sums[half:] - sums[:-half]) / half
    moved = np.abs(means[half:] - means[:-half])
    # The mean of half a window has less noise than a point; three standard deviations of a difference.
    allowed = np.maximum(3.0 * noise * (2.0 / half) ** 0.5, _STILL_SHARE * means[:-half])
    runs: list[tuple[int, int]] = []
    for i in np.flatnonzero(moved <= allowed):
        first, last = at + int(i), at + int(i) + 2 * half
        if runs and first < runs[-1][1] - half:
            runs[-1] = (runs[-1][0], last)
        else:
            runs.append((first, last))
    return runs


def _loss(force: Array, dt_s: float, noise: float) -> float:
    """Share of the force lost a second after the last rise of the stroke, by least squares; NaN if too short."""
    half = max(2, round(_STILL_S / dt_s / 2))
    if len(force) < 4 * half:
        return _NAN
    sums = np.concatenate(([0.0], np.cumsum(force)))
    means = (sums[half:] - sums[:-half]) / half
    gained = means[half:] - means[:-half]
    rises = np.flatnonzero(gained > np.maximum(4.0 * noise * (2.0 / half) ** 0.5, 0.004 * means[half:]))
    first = (int(rises[-1]) + 2 * half if len(rises) else 0) + max(1, round(_DIE_AWAY_S / dt_s))
    part = force[first:]
    if len(part) < 8 or part.mean() <= 0.0:
        return _NAN
    time = np.arange(len(part)) * dt_s
    return -float(np.polyfit(time, part / part.mean(), 1)[0])


def _knee(force: Array, at: int, stop: int, dt_s: float, noise: float) -> float:
    """Force from which the rise steepens most between contact and the landing; NaN when it never does."""
    half = max(2, round(0.008 / dt_s))
    best, found = 0.0, _NAN
    for i in range(at + half, stop - half + 1):
        before = force[i] - force[i - half]
        after = force[i + half] - force[i]
        if after - before > best and after - before > 6.0 * noise and after > 1.5 * before:
            best, found = float(after - before), float(force[i])
    return found
