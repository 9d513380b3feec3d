"""What a good part is, said once for page, report and proof: the tolerance given, or what this press can hold.

Without a tolerance nobody said what the part needs: limits then tell whether the press did what it can, and an index
of capability against them is shown but not judged.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from steadyram.link.definition import definition
from steadyram.press.limits import AVERAGED_SAMPLES, BAND_SIGMAS, STEP_S


def default_of(name: str) -> int:
    """The default of one of the press settings."""
    return next(field.default for field in definition().settings if field.name == name)


def press_sigma_N(measured: Mapping[str, int], setpoint_N: float) -> float | None:
    """One deviation of the peak that the valve's jitter and the sensor's noise leave, newtons; None if not measured.

    The definition of `press.limits.limit_sigma_N` with measured figures: the rate is that of the feed in force at the
    setpoint, on a dead stop, so a softer part scatters less.
    """
    if not measured.get("char_valid", 0):
        return None
    rate = measured.get("rate_slow_n_s", 0)
    if rate <= 0:
        turn = measured.get("changeover_n", 0)
        rate = measured.get("rate_low_n_s" if 0 < setpoint_N < turn else "rate_high_n_s", 0)
    if rate <= 0:
        return None
    timing = rate * math.hypot(measured.get("jitter_us", 0) / 1e6, STEP_S / math.sqrt(12.0))
    return math.hypot(timing, measured.get("noise_n", 0) / math.sqrt(AVERAGED_SAMPLES))


def held_N(band_ppt: int, measured: Mapping[str, int], setpoint_N: float) -> tuple[float, str]:
    """How far from its setpoint this press may land a part when no tolerance was given, newtons, and why."""
    band = setpoint_N * band_ppt / 1000.0
    sigma = press_sigma_N(measured, setpoint_N)
    own = 0.0 if sigma is None else BAND_SIGMAS * sigma
    if own > band:
        return own, (
            f"no tolerance was given: what this press can hold, {100 * own / setpoint_N:.2g} % of the setpoint either "
            f"way ({BAND_SIGMAS:.2g} deviations of its measured scatter)"
        )
    return band, (
        f"no tolerance was given: the device's own band, {band_ppt / 10:g} % of the setpoint either way"
    )
