"""What keeps a setpoint from being held besides scatter: the shortest pulse, the work's plateau, wide converter codes.

The physical limit (`limits.limit_sigma_N`) is that of one closing. These are computed from the press file alone, too.
"""

from __future__ import annotations

import math
from itertools import pairwise

from steadyram.press.limits import limit_sigma_N, rise_rate_N_s
from steadyram.press.pressfile import PressFile

_COVER_95 = 1.96
_STEP_S = 0.001
# Scatter of plateau and travel that a part may have either way (95 %).
_PART_SIGMAS = 1.96


def shortest_pulse_s(press: PressFile) -> float:
    """Return what the shortest pulse lets in, in seconds of full flow; 0 where a pulse can be made as small as wanted.

    A pulse of width w lets in w + close - open, less what the spool's overlap takes; a relay that is released before
    its pull-in share switches nothing, so w is at least that, in whole milliseconds.
    """
    valve = press.valve
    width = math.ceil(valve.pull_in * valve.relay_delay / _STEP_S - 1e-9) * _STEP_S
    return max(0.0, width + valve.close_delay - valve.open_delay - valve.overlap * valve.slew)


def shortest_pulse_N(press: PressFile, setpoint_N: float) -> float:
    """Return the rise of the shortest pulse at a setpoint, by the slow feed where one is fitted."""
    return shortest_pulse_s(press) * rise_rate_N_s(press, setpoint_N, slow=True)


def controllable_setpoint_N(press: PressFile, tolerance: float) -> float | None:
    """Return the smallest setpoint that is held to the tolerance, the shortest pulse counted; None where there is none.

    A gap smaller than half of the shortest pulse cannot be closed, so sqrt((1.96 sigma)^2 + (pulse / 2)^2) counts.
    """
    change = press.pump.changeover
    turn = None if change is None else press.cylinder.force_N(change)
    edges = [0.0, *([turn] if turn is not None and 0.0 < turn < press.capacity_N else []), press.capacity_N]
    for low, high in pairwise(edges):
        middle = (low + high) / 2
        scatter = math.hypot(_COVER_95 * limit_sigma_N(press, middle), shortest_pulse_N(press, middle) / 2.0)
        candidate = max(low, scatter / tolerance)
        if candidate < high or (high == press.capacity_N and candidate <= high):
            return candidate
    return None


def spoilt_setpoints_N(press: PressFile, tolerance: float) -> list[tuple[float, float]]:
    """Return the ranges of force at which a wide code of the converter is off by more than the tolerance.

    The four codes are at 1/8, 3/8, 5/8 and 7/8 of the converter's range; the transducer spans 10 to 90 % of it.
    """
    if press.adc.wide_codes <= 1.0:
        return []
    full = press.cylinder.area_m2 * press.transducer.range
    step = full / (0.8 * 2**press.adc.bits)
    half = press.adc.wide_codes / 2.0 * step
    found = []
    for eighth in (1, 3, 5, 7):
        at = (eighth / 8.0 - 0.1) / 0.8 * full - press.cylinder.seal_friction
        if 0.0 < at - half < press.capacity_N and half > tolerance * at:
            found.append((at - half, at + half))
    return found


def plateau_N(press: PressFile) -> tuple[float, float] | None:
    """Return the forces between which parts of this work are on their plateau; None for work without one.

    There the force says little of how far the part is formed: the part's own scatter decides.
    """
    work = press.work
    if work.kind not in ("clinch", "dimple", "press-fit") or work.plateau <= 0:
        return None
    end = 1.1 if work.kind == "clinch" else 1.0
    spread = _PART_SIGMAS * work.scatter
    start = work.plateau if work.kind == "clinch" else 0.0
    return start * (1.0 - spread), end * work.plateau * (1.0 + spread)
