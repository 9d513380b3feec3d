"""The one-minute check: the device's pressure against the press's own mechanical gauge.

A mechanical gauge of class c may be off by c per cent of its range (EN 837-1, from memory). The
check passes while the two agree within that and the calibration's own uncertainty; it looks for a
broken chain, it does not calibrate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from steadyram.errors import BadInput


@dataclass(frozen=True)
class DailyCheck:
    """Pressures in Pa: gauge, device, difference, and the difference allowed."""

    gauge_Pa: float
    device_Pa: float
    difference_Pa: float
    allowed_Pa: float
    zero_shift_counts: float
    zero_allowed_counts: float

    @property
    def passed(self) -> bool:
        """True when pressure and zero both agree."""
        return (
            abs(self.difference_Pa) <= self.allowed_Pa
            and abs(self.zero_shift_counts) <= self.zero_allowed_counts
        )


def daily_check(
    gauge_Pa: float,
    gauge_range_Pa: float,
    gauge_class_percent: float,
    device_force_N: float,
    friction_N: float,
    area_m2: float,
    expanded_N: float,
    zero_counts_now: float,
    zero_counts_cal: float,
    zero_drift_fraction: float = 0.02,
) -> DailyCheck:
    """Compare one pressure while the press holds on a block, and the zero.

    device_force_N: what the device shows; its pressure is (force + friction) / area; expanded_N:
    of the calibration there; zero_drift_fraction: of the transducer's span (52429 counts). Raises
    BadInput when the gauge reads below a quarter of its range, where its class says little.
    """
    if not 0.25 * gauge_range_Pa <= gauge_Pa <= gauge_range_Pa:
        raise BadInput("hold the press between a quarter and the whole of the gauge's range for the check.")
    device_Pa = (device_force_N + friction_N) / area_m2
    allowed = math.hypot(gauge_class_percent / 100.0 * gauge_range_Pa, expanded_N / area_m2)
    return DailyCheck(
        gauge_Pa,
        device_Pa,
        device_Pa - gauge_Pa,
        allowed,
        zero_counts_now - zero_counts_cal,
        zero_drift_fraction * 0.8 * 65536.0,
    )
