"""Sizing: what a press can do, what a plain threshold does to it, and the smallest setpoint it can hold.

Definitions used throughout:

- *holdable to a tolerance*: 1.96 standard deviations of `limits.limit_sigma_N` are no more than the
  tolerance times the setpoint (95 % of strokes of a perfect controller land inside);
- *threshold overshoot*: what gets in between crossing the setpoint and the closed valve, at the
  full feed's rise rate: sensor lag, mean of four samples (1.5 ms), half a step, relay, close delay.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from steadyram.press.controllable import controllable_setpoint_N, shortest_pulse_N
from steadyram.press.limits import (
    AVERAGED_SAMPLES,
    STEP_S,
    limit_sigma_N,
    pressure_at_Pa,
    rise_rate_N_s,
    series_stiffness_N_m,
)
from steadyram.press.pressfile import PressFile

COVER_95 = 1.96


@dataclass(frozen=True)
class LimitParts:
    """Standard deviations that make the physical limit, newtons."""

    timing_N: float
    noise_N: float
    step_N: float

    @property
    def largest(self) -> str:
        """Name of the part that matters most."""
        parts = {"timing": self.timing_N, "noise": self.noise_N, "step": self.step_N}
        return max(parts, key=lambda k: parts[k])


@dataclass(frozen=True)
class Sizing:
    """Everything sizing says about one press file at one setpoint; SI units by the names."""

    name: str
    setpoint_N: float
    tolerance: float
    capacity_N: float
    capacity_set_by: str
    relief_force_N: float
    area_m2: float
    series_stiffness_N_per_m: float
    oil_stiffness_N_per_m: float
    rise_rate_N_per_s: float
    slow_rise_rate_N_per_s: float | None
    lag_s: float
    threshold_overshoot_N: float
    limit_sigma_N: float
    parts: LimitParts
    smallest_setpoint_N: float | None
    approach_speed_m_per_s: float
    pressing_speed_m_per_s: float
    return_speed_m_per_s: float | None
    shortest_pulse_N: float
    controllable_setpoint_N: float | None
    frame_deflection_m: float

    @property
    def holds(self) -> bool:
        """True if the setpoint can be held to the tolerance."""
        return COVER_95 * self.limit_sigma_N <= self.tolerance * self.setpoint_N

    def document(self) -> dict[str, object]:
        """The figures, by JSON key."""
        return {
            "name": self.name,
            "setpoint_N": self.setpoint_N,
            "tolerance": self.tolerance,
            "capacity_N": self.capacity_N,
            "capacity_set_by": self.capacity_set_by,
            "relief_force_N": self.relief_force_N,
            "area_m2": self.area_m2,
            "series_stiffness_N_per_m": self.series_stiffness_N_per_m,
            "oil_stiffness_N_per_m": self.oil_stiffness_N_per_m,
            "rise_rate_N_per_s": self.rise_rate_N_per_s,
            "slow_rise_rate_N_per_s": self.slow_rise_rate_N_per_s,
            "lag_s": self.lag_s,
            "threshold_overshoot_N": self.threshold_overshoot_N,
            "limit_sigma_N": self.limit_sigma_N,
            "limit_timing_N": self.parts.timing_N,
            "limit_noise_N": self.parts.noise_N,
            "limit_step_N": self.parts.step_N,
            "smallest_setpoint_N": self.smallest_setpoint_N,
            "approach_speed_m_per_s": self.approach_speed_m_per_s,
            "pressing_speed_m_per_s": self.pressing_speed_m_per_s,
            "return_speed_m_per_s": self.return_speed_m_per_s,
            "shortest_pulse_N": self.shortest_pulse_N,
            "controllable_setpoint_N": self.controllable_setpoint_N,
            "frame_deflection_m": self.frame_deflection_m,
            "holds_tolerance": self.holds,
        }


def changeover_force_N(press: PressFile) -> float | None:
    """Force on the work at the pump's changeover, None for a single stage."""
    if press.pump.changeover is None:
        return None
    return press.cylinder.force_N(press.pump.changeover)


def limit_parts(press: PressFile, setpoint_N: float) -> LimitParts:
    """The three terms under the root of `limits.limit_sigma_N`."""
    full_scale = press.cylinder.area_m2 * press.transducer.range
    timing = rise_rate_N_s(press, setpoint_N, slow=True) * math.sqrt(
        2.0 * press.valve.jitter**2 + STEP_S**2 / 12.0
    )
    noise = full_scale * press.transducer.noise / math.sqrt(AVERAGED_SAMPLES)
    step = full_scale / (0.8 * 2**press.adc.bits) / math.sqrt(12.0)
    return LimitParts(timing, noise, step)


def smallest_setpoint_N(press: PressFile, tolerance: float) -> float | None:
    """Smallest S (N) with 1.96 limit_sigma(S) <= tolerance * S, or None when the press has none.

    The limit is constant within a pump stage, so the answer is exact: the first stage's own figure
    if it lies below the changeover, else the changeover or the second stage's figure.
    """
    change = changeover_force_N(press)
    edges = [
        0.0,
        *([change] if change is not None and 0.0 < change < press.capacity_N else []),
        press.capacity_N,
    ]
    for low, high in pairwise(edges):
        candidate = max(low, COVER_95 * limit_sigma_N(press, (low + high) / 2) / tolerance)
        if candidate < high or (high == press.capacity_N and candidate <= high):
            return candidate
    return None


def threshold_lag_s(press: PressFile) -> float:
    """Crossing to closed valve: sensor, mean of four samples, half a step, relay, spool (coast-down too)."""
    samples = (AVERAGED_SAMPLES - 1) / 2 * STEP_S
    return (
        press.transducer.lag
        + samples
        + STEP_S / 2
        + press.valve.relay_delay
        + press.valve.close_delay
        + press.pump.coast_down / 2
    )


def threshold_overshoot_N(press: PressFile, setpoint_N: float) -> float:
    """Force that gets in during the lag at full feed; the pump may change over, the relief caps it."""
    relief = press.cylinder.force_N(press.pump.relief)
    change = changeover_force_N(press)
    left, force = threshold_lag_s(press), setpoint_N
    if change is not None and setpoint_N < change:
        rate = rise_rate_N_s(press, setpoint_N)
        spent = min(left, (change - setpoint_N) / rate)
        force += rate * spent
        left -= spent
        if left > 0.0:
            force = change
    force += rise_rate_N_s(press, force) * left
    return max(0.0, min(force, relief) - setpoint_N)


def size_press(press: PressFile, setpoint_N: float | None = None, tolerance: float = 0.05) -> Sizing:
    """Size a press at a setpoint (N); without one, at its smallest holdable setpoint.

    tolerance: fraction of the setpoint, 0 to 0.5. A press that holds nothing is sized at half its
    capacity.
    """
    smallest = smallest_setpoint_N(press, tolerance)
    at = (
        setpoint_N if setpoint_N is not None else (smallest if smallest is not None else press.capacity_N / 2)
    )
    area = press.cylinder.area_m2
    pressing = press.pump.flow_m3_s(pressure_at_Pa(press, at)) / area
    approach = press.pump.flow_m3_s(0.0)
    rate = rise_rate_N_s(press, at)
    slow = rise_rate_N_s(press, at, slow=True) if press.valve.slow_feed is not None else None
    return Sizing(
        name=press.name,
        setpoint_N=at,
        tolerance=tolerance,
        capacity_N=press.capacity_N,
        capacity_set_by=press.bounded_by,
        relief_force_N=press.cylinder.force_N(press.pump.relief),
        area_m2=area,
        series_stiffness_N_per_m=series_stiffness_N_m(press),
        oil_stiffness_N_per_m=press.oil.bulk_modulus * area**2 / press.oil.trapped_volume,
        rise_rate_N_per_s=rate,
        slow_rise_rate_N_per_s=slow,
        lag_s=threshold_lag_s(press),
        threshold_overshoot_N=threshold_overshoot_N(press, at),
        limit_sigma_N=limit_sigma_N(press, at),
        parts=limit_parts(press, at),
        smallest_setpoint_N=smallest,
        approach_speed_m_per_s=approach / area,
        pressing_speed_m_per_s=pressing,
        return_speed_m_per_s=approach / press.cylinder.annulus_m2
        if press.cylinder.return_ == "powered"
        else None,
        shortest_pulse_N=shortest_pulse_N(press, at),
        controllable_setpoint_N=controllable_setpoint_N(press, tolerance),
        frame_deflection_m=press.capacity_N / press.frame.stiffness,
    )
