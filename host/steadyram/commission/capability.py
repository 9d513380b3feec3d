"""What a press can hold, from what the dead-stop test measured on it (not from a press file).

The scatter of the peak of the best possible on/off cutoff is the definition of `press.limits.limit_sigma_N`
with measured figures in it: two jitters (relay and spool) are what one actuation's measured jitter already
holds, rates are those on the block (a softer part is kinder), and the sensor's noise is that of one sample.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from steadyram.commission.measured import Characteristics
from steadyram.press.limits import AVERAGED_SAMPLES, STEP_S
from steadyram.press.sizing import COVER_95

TOLERANCE = 0.05


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


def cautions(measured: Characteristics, ways: list[Feed]) -> list[str]:
    """Sentences that a user should read before trusting the table."""
    out = [
        "Measured on a solid block, the stiffest work there is: softer parts rise slower and scatter less."
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
