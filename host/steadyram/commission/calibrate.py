"""Calibrate the chain from counts to force on the work: points up and down on a solid block.

The ram is brought up in small pulses, so that each point is a force at rest after rising, which is how every
stroke ends; the falling points tell seal friction (half the gap between the branches).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from typing import TYPE_CHECKING

from steadyram.commission.easing import FIRST_TAP_S, ease_off
from steadyram.commission.hands import Hands
from steadyram.commission.strokes import as_test, mean_counts, probe_stroke
from steadyram.commission.unstuck import break_away, seal_counts
from steadyram.config import preferences
from steadyram.device import Device
from steadyram.errors import CheckFailed
from steadyram.late import np
from steadyram.metrology.device_poly import DevicePolynomial, fit_device_polynomial
from steadyram.metrology.header import RunStart
from steadyram.metrology.record import PRELOADS_FIRST, PRELOADS_RESEATED

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Share of the press's capacity at each rising point; the lowest matters most for small parts.
LEVELS = (0.04, 0.18, 0.42, 0.68, 0.93)
# Told after the zero, and after each point: the zero in counts and the points so far.
Keep = Callable[[float, "tuple[Point, ...]"], None]
_FIRST_WIDTH_MS = 3
_PAUSE_MS = 90


@dataclass(frozen=True)
class Point:
    """One calibration point: reference in newtons, mean reading in counts, the run it belongs to, and when.

    at: None where the procedure was given no clock.
    """

    force_N: float
    counts: float
    rising: bool
    run: int = 1
    at: datetime | None = None


@dataclass(frozen=True)
class Found:
    """Points, zero (mean, before, after) and the device's polynomial; width (ms) of the last climbing pulses.

    fluctuation_counts: spread of the mean readings at rest; starts: what was done before each run.
    """

    zero_counts: float
    points: tuple[Point, ...]
    polynomial: DevicePolynomial
    pulse_ms: int
    zero_before_counts: float
    zero_after_counts: float
    fluctuation_counts: float
    starts: tuple[RunStart, ...] = ()


@as_test
def calibrate(
    device: Device,
    hands: Hands,
    *,
    capacity_N: float,
    counts_per_N: float,
    holds_load: bool,
    slow_fitted: bool,
    progress: Callable[[int, int], None] = lambda done, of: None,
    keep: Keep = lambda zero, points: None,
    runs: int = 1,
    reseat: bool = True,
    answered: Callable[[bool], None] = lambda reseated: None,
    now: Callable[[], datetime] | None = None,
) -> Found:
    """Run the whole calibration and fit it. The device is left with the ram at the top.

    capacity_N: rated force; counts_per_N: nameplate sensitivity, only to aim the points; holds_load: pressure
    stays when the valves close; slow_fitted: climb by the slow feed; keep: see Keep; runs: up and down so
    often (a press that does not hold its load takes one); reseat: the reference is seated anew between the
    runs, which a gauge on the line cannot be; answered: told whether it was, and may refuse; now: the time of day for
    the points. With more than one run the highest force is put on three times before the first and once before each
    other, and the zero is read before and after each.
    Raises CheckFailed, LinkError, DeviceRefusal.
    """
    hands.use_block()
    hands.to_top()
    hands.wait(0.6)
    rest = [mean_counts(device, hands, 1) for _ in range(6)]
    zero = sum(rest) / len(rest)
    noise = max(4.0, float(device.now().spread_counts))
    aims = [zero + share * capacity_N * counts_per_N for share in LEVELS]
    starts: list[RunStart] = []
    if holds_load and runs > 1:
        _preload(device, hands, aims, zero, noise, slow_fitted, PRELOADS_FIRST)
        rest = [mean_counts(device, hands, 1) for _ in range(6)]
        moved = sum(rest) / len(rest) - zero
        zero, aims = zero + moved, [aim + moved for aim in aims]
        starts.append(RunStart(run=1, preloads=PRELOADS_FIRST, zero_counts=zero, at=now and now()))
    keep(zero, ())
    if holds_load:
        found, width = _runs(
            device, hands, aims, zero, noise, slow_fitted, progress, keep, runs, reseat, starts, answered, now
        )
    else:
        found, width = _at_relief(device, hands, zero, aims[-1], capacity_N, now), 0
        keep(zero, tuple(found))
    hands.to_top()
    hands.wait(0.6)
    before, after = zero, mean_counts(device, hands, 6)
    zero = (before + after) / 2
    found = without_stuck(found)
    rising = [p for p in found if p.rising]
    # A reference errs in proportion to its reading; near zero the sensor's noise is what is left.
    floor_N = noise / counts_per_N / 16
    polynomial = fit_device_polynomial(
        [p.force_N for p in rising],
        [p.counts for p in rising],
        zero,
        friction_N=half_gap_N(found),
        weights=[1.0 / ((0.001 * p.force_N) ** 2 + floor_N**2) for p in rising],
    )
    return Found(zero, tuple(found), polynomial, width, before, after, max(rest) - min(rest), tuple(starts))


def _runs(
    device: Device,
    hands: Hands,
    aims: list[float],
    zero: float,
    noise: float,
    slow: bool,
    progress: Callable[[int, int], None],
    keep: Keep,
    runs: int,
    reseat: bool,
    starts: list[RunStart],
    answered: Callable[[bool], None],
    now: Callable[[], datetime] | None,
) -> tuple[list[Point], int]:
    """Every run up and down; between them the reference is seated anew, if it can be."""
    points: list[Point] = []
    width, of = 0, 2 * len(aims) * runs
    for run in range(1, runs + 1):
        if run > 1:
            hands.to_top()
            hands.wait(0.6)
            after = mean_counts(device, hands, 6)
            done = hands.reseat(run) if reseat else None
            if done is not None:
                answered(done)
            hands.use_block()
            _preload(device, hands, aims, zero, noise, slow, PRELOADS_RESEATED)
            starts.append(
                RunStart(
                    run=run,
                    reseated=done,
                    preloads=PRELOADS_RESEATED,
                    zero_after_previous_counts=after,
                    zero_counts=mean_counts(device, hands, 6),
                    at=now and now(),
                )
            )
        earlier, behind = tuple(points), 2 * len(aims) * (run - 1)

        def keep_all(
            at: float, taken: tuple[Point, ...], run: int = run, before: tuple[Point, ...] = earlier
        ) -> None:
            keep(at, (*before, *(replace(p, run=run) for p in taken)))

        def tell(step: int, _: int, behind: int = behind) -> None:
            progress(behind + step, of)

        taken, width = _up_and_down(device, hands, aims, zero, noise, slow, tell, keep_all, now)
        points += [replace(p, run=run) for p in taken]
    return points, width


def _up_and_down(
    device: Device,
    hands: Hands,
    aims: list[float],
    zero: float,
    noise: float,
    slow: bool,
    progress: Callable[[int, int], None],
    keep: Keep,
    now: Callable[[], datetime] | None,
) -> tuple[list[Point], int]:
    low = aims[0] - zero
    aims = list(aims)
    seal = seal_counts(device, hands, zero, noise, low)
    # What its pulses left between ram and valve would hide from the device that the next stroke's reading moves.
    hands.to_top()
    hands.wait(0.6)
    _touch(device, hands, low, zero, noise, slow)
    points: list[Point] = []
    width, each = _FIRST_WIDTH_MS, 0.0
    for number in range(len(aims)):
        if points and aims[-1] <= points[-1].counts:
            break
        if points and aims[number] <= points[-1].counts:
            # A coarse valve went past: the points that are left are spread over what is left.
            left = np.linspace(points[-1].counts, aims[-1], len(aims) - number + 1)
            aims[number:] = [float(each) for each in left[1:]]
        aim = max(aims[number] - 1.5 * seal, zero + low / 2)
        width, each = _climb(device, hands, slow, aim, width, noise, each)
        # A ram that sticks shows a pressure that is no force: its last pulse must have moved it.
        break_away(device, hands, slow=slow, width=width, seal=seal)
        hands.wait(0.3)
        point = _read(device, hands, True, now)
        if not points or point.counts > points[-1].counts + 0.2 * low:
            points.append(point)
            keep(zero, tuple(points))
        progress(number + 1, 2 * len(aims))
    tap_s = FIRST_TAP_S
    for number, aim in enumerate(reversed(aims[:-1])):
        _, tap_s = ease_off(hands, lambda: mean_counts(device, hands, 1), aim, tap_s)
        point = _read(device, hands, False, now)
        if point.counts > zero + 0.2 * low:
            points.append(point)
            keep(zero, tuple(points))
        progress(len(aims) + number + 1, 2 * len(aims))
    if sum(p.rising for p in points) < 3:
        show = preferences().force
        lifted = (
            " and ".join(show(p.force_N, 3) for p in points if p.rising) or "nothing that could be told apart"
        )
        raise CheckFailed(
            f"Fewer than three different forces could be held: pulses of {width} ms came to rest at {lifted}, so the "
            "shortest pulse of this valve lifts the force too far; fit a slow-feed solenoid or a faster-closing valve."
        )
    return points, width


def _preload(
    device: Device, hands: Hands, aims: list[float], zero: float, noise: float, slow: bool, times: int
) -> None:
    """Put the highest force on and let it off, so often; the ram ends at the top, at rest."""
    for _ in range(times):
        _touch(device, hands, aims[0] - zero, zero, noise, slow)
        _climb(device, hands, slow, aims[-1], _FIRST_WIDTH_MS, noise)
        hands.to_top()
        hands.wait(0.6)


def _touch(device: Device, hands: Hands, low: float, zero: float, noise: float, slow: bool) -> None:
    # Touch the block, back off a hair, then come up in pulses. Seal friction is up to 4 % of capacity in free travel,
    # half as much again at breakaway: what holds more than that stands on the block.
    for _ in range(6):
        # By the full feed: at slow feed the way down may take longer than a stroke may last.
        probe_stroke(device, hands, cut_counts=zero + 2.2 * low + 4 * noise, pause_ms=80, collect=False)
        if mean_counts(device, hands, 2) > zero + 1.4 * low:
            break
    ease_off(
        hands,
        lambda: mean_counts(device, hands, 2),
        zero + 0.3 * low + 2 * noise,
        0.02,
        most=40,
        settle_s=0.3,
    )


def _climb(
    device: Device, hands: Hands, slow: bool, aim: float, width: int, noise: float, each: float = 0.0
) -> tuple[int, float]:
    """Pulse up to a reading; widths grow until a pulse moves the force by a good part of the way.

    each: what a pulse of that width lifted the reading by, 0 if none was seen. Returns width and that for the next.
    """
    count = 4
    if each > 0.0:
        # (Only to begin with: where the load leaks away in a second, single pulses never get there.)
        count = max(1, min(count, int((aim - mean_counts(device, hands, 1)) / each)))
    for _ in range(120):
        before = mean_counts(device, hands, 1)
        if before >= aim:
            return width, each
        gap = aim - before
        probe_stroke(
            device, hands, slow=slow, pulse_ms=width, pulses=count, pause_ms=_PAUSE_MS, collect=False
        )
        each = (mean_counts(device, hands, 1) - before) / count
        if each < max(gap / 12, noise / 2):
            width = min(600, width + max(1, width // 5))
        elif each > gap / 5 and width > 1:
            width -= max(1, width // 8)
            count = 1
    raise CheckFailed("The force did not come up to the next point: check pump, valve and relief setting.")


def _at_relief(
    device: Device,
    hands: Hands,
    zero: float,
    aim: float,
    capacity_N: float,
    now: Callable[[], datetime] | None,
) -> list[Point]:
    """An open-centre press holds nothing: read in free travel and while the pump presses against its relief valve.

    In free travel the pressure is what seal friction needs and the force on the work is nil: a point of the
    rising branch that asks for no reference.
    """
    rest = probe_stroke(device, hands, cut_counts=zero + 0.2 * (aim - zero), pause_ms=50)
    free = _free_travel(rest.start, zero, aim)
    # The feed goes on while the pedal is held: against the relief valve, below the over-force limit.
    settings = device.settings().values
    # The device holds the cut against the nameplate's zero, which may lie below the one that was measured.
    most = min(zero, settings["counts_zero"]) + (aim - zero) * settings["overforce_n"] / (
        LEVELS[-1] * capacity_N
    )
    device.probe(cut_counts=min(settings["counts_full"], int(most) - 1), pause_ms=1)
    tops: list[Point] = []
    try:
        hands.press_extend()
        for _ in range(200):
            hands.wait(0.1)
            if device.now().mean_counts >= aim:
                break
        hands.wait(0.5)
        tops = [_read(device, hands, True, now) for _ in range(2)]
    finally:
        hands.release_extend()
    hands.wait(0.5)
    if tops[0].force_N < 0.2 * capacity_N:
        raise CheckFailed("The force did not come up: check pump, valve and relief setting.")
    return [Point(0.0, free, True), *tops]


def _free_travel(start: NDArray[np.float64], zero: float, aim: float) -> float:
    """Mean reading between the first flow and contact; the zero if the travel was too short to tell."""
    contact = np.flatnonzero(start > zero + 0.03 * (aim - zero))
    end = int(contact[0]) if len(contact) else len(start)
    middle = start[end // 2 : max(end // 2, end - 6)]
    return float(np.mean(middle)) if len(middle) >= 4 else zero


def _read(device: Device, hands: Hands, rising: bool, now: Callable[[], datetime] | None) -> Point:
    before = hands.reference_N()
    counts = mean_counts(device, hands, 4)
    after = hands.reference_N()
    return Point((before + after) / 2, counts, rising, at=now and now())


def without_stuck(points: list[Point]) -> list[Point]:
    """Return the points without a lowest rising one at which the ram had not yet moved up.

    After the back-off the seals hold the ram until the pressure has risen by twice their friction: until then the
    reference shows the force of the falling branch. Such a point lies above the line through the other rising ones by
    more than half of the friction (a point that sticks on its way up lies below it).
    """
    rising = sorted((p for p in points if p.rising), key=lambda p: p.counts)
    if len(rising) < 4:
        return points
    slope, base = np.polyfit([p.counts for p in rising[1:]], [p.force_N for p in rising[1:]], 1)
    falling = [p.force_N - (base + slope * p.counts) for p in points if not p.rising]
    if not falling:
        return points
    friction_N = float(np.median(falling)) / 2
    lowest = rising[0]
    if lowest.force_N - (base + slope * lowest.counts) > friction_N / 2 > 0.005 * lowest.force_N:
        return [p for p in points if p is not lowest]
    return points


def half_gap_N(points: list[Point]) -> float:
    """Seal friction from the branches: half the force gap at equal readings, averaged; 0 if it cannot be told."""
    rising = sorted((p.counts, p.force_N) for p in points if p.rising)
    gaps = []
    for p in points:
        if p.rising or not rising[0][0] <= p.counts <= rising[-1][0]:
            continue
        for (c0, f0), (c1, f1) in pairwise(rising):
            if c0 <= p.counts <= c1:
                gaps.append((p.force_N - (f0 + (f1 - f0) * (p.counts - c0) / (c1 - c0))) / 2)
                break
    return max(0.0, sum(gaps) / len(gaps)) if gaps else 0.0
