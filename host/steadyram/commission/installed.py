"""What the device in front of us is set to, as the procedures need it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from steadyram.device import Device
from steadyram.errors import CheckFailed


@dataclass(frozen=True)
class Installed:
    """Figures of the settings in force, SI; `span_counts` from no pressure to full range.

    full_N: force at full reading by the nameplates; range_Pa: the pressure that gives it on the piston.
    """

    area_m2: float
    full_N: float
    measures_force: bool
    span_counts: int
    counts_step: int
    capacity_N: float
    holds_load: bool
    slow_fitted: bool
    burst: bool

    @property
    def range_Pa(self) -> float:
        """Pressure at full reading, of a force sensor the one that corresponds to it on this piston."""
        return self.full_N / self.area_m2

    @property
    def counts_per_N(self) -> float:
        """Nameplate sensitivity."""
        return self.span_counts / self.full_N


def installed(device: Device) -> Installed:
    """Read the settings in force. Raises CheckFailed when they are nonsense, LinkError, DeviceRefusal."""
    values = device.settings().values
    span = values["counts_full"] - values["counts_zero"]
    if span < 1000:
        raise CheckFailed(
            "The settings' counts_zero and counts_full leave no span; push the press's settings first."
        )
    area_m2 = math.pi / 4 * (values["bore_um"] / 1e6) ** 2
    by_force = bool(values["sensor_measures"])
    return Installed(
        area_m2=area_m2,
        full_N=values["cell_n"] * values["amplifier_uv_v"] / values["cell_uv_v"]
        if by_force
        else area_m2 * values["range_kpa"] * 1e3,
        measures_force=by_force,
        span_counts=span,
        counts_step=values["counts_step"],
        capacity_N=float(values["capacity_n"]),
        holds_load=bool(values["holds_load"]),
        slow_fitted=bool(values["slow_fitted"]),
        burst=bool(values["burst_feed"]),
    )
