"""What a press can hold, from what the dead-stop test measured on it (not from a press file).

The scatter of the peak of the best possible on/off cutoff is the definition of `press.limits.limit_sigma_N`
with measured figures in it: two jitters (relay and spool) are what one actuation's measured jitter already
holds, rates are those on the block (a softer part is kinder), and the sensor's noise is that of one sample.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from steadyram.commission.measured import Characteristics
from steadyram.config import preferences
from steadyram.press.limits import AVERAGED_SAMPLES, STEP_S
from steadyram.press.sizing import COVER_95

TOLERANCE = 0.05
# Width of a wide code of the RP2040's converter, in steps (the chip's erratum, from memory: about nine).
WIDE_STEPS = 9.0


@dataclass(frozen=True)
class Feed:
    """One way of feeding: forces in newtons, rate in newtons a second.

    overshoot_N: what a plain threshold lets in after the crossing; smallest_N: smallest setpoint whose 95 %
    scatter is within the tolerance, None if the press has none.
    """

    name: str
    rate_N_per_s: float
    sigma_N: float
    overshoot_N: float
    smallest_N: float | None


def feeds(
    measured: Characteristics, capacity_N: float, step_N: float, tolerance: float = TOLERANCE
) -> list[Feed]:
    """Every feed of the press, coarse to fine. step_N: one converter step as a force."""
    found = []
    ways = [("full feed, above the changeover", measured.rate_high_N_per_s, measured.close_lag_s)]
    if measured.changeover_N is not None:
        ways.insert(0, ("full feed, below the changeover", measured.rate_low_N_per_s, measured.close_lag_s))
    else:
        ways = [("full feed", measured.rate_high_N_per_s, measured.close_lag_s)]
    if measured.rate_slow_N_per_s > 0:
        ways.append(("slow feed", measured.rate_slow_N_per_s, measured.slow_close_lag_s))
    for name, rate, lag in ways:
        timing = rate * math.sqrt(measured.jitter_s**2 + STEP_S**2 / 12.0)
        sigma = math.sqrt(timing**2 + measured.noise_N**2 / AVERAGED_SAMPLES + step_N**2 / 12.0)
        smallest: float | None = COVER_95 * sigma / tolerance
        late = measured.sensor_lag_s + (AVERAGED_SAMPLES - 1) / 2 * STEP_S + STEP_S / 2 + lag
        if smallest is not None and smallest > capacity_N:
            smallest = None
        found.append(Feed(name, rate, sigma, rate * late, smallest))
    return found


@dataclass(frozen=True)
class Holds:
    """Whether one setpoint can be held: scatter_N covers 95 % of strokes; feed is the one that lands it."""

    setpoint_N: float
    holds: bool
    feed: str
    scatter_N: float
    sentence: str


def can_hold(
    measured: Characteristics,
    setpoints_N: Sequence[float],
    capacity_N: float,
    step_N: float,
    wide_N: Sequence[float] = (),
    tolerance: float = TOLERANCE,
) -> list[Holds]:
    """Judge each setpoint by what was measured, one sentence each.

    The scatter of one stroke is that of `feeds`, with rates at the upper end of their uncertainty, and half of what the
    shortest pulse lets in, since nothing smaller closes the last gap. wide_N: forces at which the converter has a code
    several steps wide.
    """
    ways = feeds(measured, capacity_N, step_N, tolerance)
    out = []
    for setpoint in setpoints_N:
        if setpoint > capacity_N:
            text = (
                f"Cannot hold {show_force(setpoint)}: it is above the capacity of {show_force(capacity_N)}."
            )
            out.append(Holds(setpoint, False, "", 0.0, text))
            continue
        judged = [
            (_scatter_N(measured, way, setpoint), way) for way in ways if _serves(measured, way, setpoint)
        ]
        scatter, way = min(judged, key=lambda each: each[0])
        spoilt = [
            at for at in wide_N if abs(at - setpoint) < WIDE_STEPS / 2 * step_N + 2.0 * measured.noise_N
        ]
        wide = WIDE_STEPS / 2 * step_N if spoilt else 0.0
        total = math.hypot(scatter, wide)
        if total <= tolerance * setpoint:
            text = f"Can hold {show_force(setpoint)} to {total / setpoint:.1%} by the {way.name} (95 % of strokes)."
            out.append(Holds(setpoint, True, way.name, total, text))
        elif wide > scatter:
            text = (
                f"Cannot hold {show_force(setpoint)} to {tolerance:.0%}: the converter on the chip has a code "
                f"{WIDE_STEPS:.0f} steps wide there; fit the external 16-bit converter or move the setpoint."
            )
            out.append(Holds(setpoint, False, way.name, total, text))
        else:
            cure = (
                "a slow-feed solenoid"
                if measured.rate_slow_N_per_s <= 0
                else "a smaller throttle in the slow feed"
            )
            text = (
                f"Cannot hold {show_force(setpoint)} to {tolerance:.0%}: the {way.name} scatters by "
                f"{total / setpoint:.0%}; fit {cure}, or a faster or steadier valve."
            )
            out.append(Holds(setpoint, False, way.name, total, text))
    return out


def _serves(measured: Characteristics, way: Feed, setpoint_N: float) -> bool:
    """True for a feed that is in force at the setpoint."""
    turn = measured.changeover_N
    if turn is None or way.name == "slow feed":
        return True
    return way.name.endswith("below the changeover") == (setpoint_N < turn)


def _scatter_N(measured: Characteristics, way: Feed, setpoint_N: float) -> float:
    """Return what covers 95 % of strokes by one feed, newtons."""
    slow = way.name == "slow feed"
    u = measured.rate_slow_u if slow else max(measured.rate_low_u or 0.0, measured.rate_high_u or 0.0)
    least = measured.slow_pulse_least_s if slow else measured.pulse_least_s
    dead = measured.slow_pulse_dead_s if slow else measured.pulse_dead_s
    rate = way.rate_N_per_s * (1.0 + min(1.0, u or 0.0))
    smallest = rate * max(0.001, least - dead) if least is not None and dead is not None else 0.0
    sigma = way.sigma_N * rate / way.rate_N_per_s if way.rate_N_per_s > 0 else way.sigma_N
    return math.hypot(COVER_95 * sigma, smallest / 2.0)


def show_force(force_N: float) -> str:
    """Return a force for a sentence, in the user's unit."""
    return preferences().force(force_N, 3)


def wide_code_forces_N(force_at: Callable[[float], float], counts_step: int) -> list[float]:
    """Return the forces at the four wide codes of the converter on an RP2040, for a 12-bit step; none otherwise.

    force_at: force of a reading on the 16-bit scale. The codes are 511, 1535, 2559, 3583 (the chip's erratum on its
    converter, from memory).
    """
    return [force_at(code * 16.0) for code in (511, 1535, 2559, 3583)] if counts_step == 16 else []


def cautions(measured: Characteristics, ways: list[Feed]) -> list[str]:
    """Sentences that a user should read before trusting the table."""
    out = [
        *measured.doubts,
        "Measured on a solid block, the stiffest work there is: softer parts rise slower and scatter less.",
    ]
    if measured.rate_slow_N_per_s <= 0:
        out.append(
            "No slow feed is fitted: small parts are brought up by pulses of the full feed, which takes "
            "longer; a slow-feed solenoid lowers the smallest setpoint."
        )
    if measured.leak_per_s > 0.01:
        out.append(
            f"The held force leaks down {measured.leak_per_s:.1%} a second; a dwell will need top-ups: look at "
            "the check valve."
        )
    if measured.jitter_s > 0.004:
        out.append(
            f"The valve's timing scatters {1000 * measured.jitter_s:.1f} ms; clean oil, a firm supply voltage and "
            "a smaller relay help more than anything in software."
        )
    if all(way.smallest_N is None for way in ways):
        out.append("No setpoint within capacity can be held to the tolerance; restrict the flow first.")
    out.append(
        "Repeat the test when valve, relay, pump, hose or oil change. steadyram is not a safety-rated control "
        "and replaces no guard, relief valve, emergency stop or two-hand control."
    )
    return out
