"""What a part landed by, force or depth, and which of the two a job's parts are held to; SI: newtons, metres.

A part landed where the cutoff ended its stroke at what the job asks for, with its window met. A job that stops on
whichever comes first lands some parts by one and some by the other: what is charted is what ended more of them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from steadyram.link.definition import definition
from steadyram.link.records import CycleRecord, DeviceJob

Quantity = Literal["force", "depth"]
# The device calls a part over that is this many of its own deviations past the depth (firmware core/controller.py).
OVER_SIGMAS: Final = 4
# A depth at its limit is within it, whatever a micrometre becomes as a float of metres; nothing to a force.
ROUNDING: Final = 1e-9
_STEP_S: Final = 1e-3


@dataclass(frozen=True, slots=True)
class Landed:
    """Records of one job that landed; `charted` are those of them that did so by `quantity`, without first parts."""

    quantity: Quantity
    by: Mapping[int, Quantity]
    landed: tuple[CycleRecord, ...]
    charted: tuple[CycleRecord, ...]

    def count(self, quantity: Quantity) -> int:
        """How many landed by it."""
        return sum(each == quantity for each in self.by.values())


class ByLanding:
    """What reads its parts through a `landing`."""

    __slots__ = ()
    landing: Landed

    @property
    def quantity(self) -> Quantity:
        """What is charted."""
        return self.landing.quantity

    @property
    def landed(self) -> tuple[CycleRecord, ...]:
        """Records that landed, by force or by depth."""
        return self.landing.landed

    @property
    def charted(self) -> tuple[CycleRecord, ...]:
        """Landed records that the figures and charts are of."""
        return self.landing.charted


def landed_by(record: CycleRecord, job: DeviceJob | None) -> Quantity | None:
    """What ended a stroke as the job asks; None for a stroke that did not land. job: as it was run, if known."""
    if "cutoff" not in record.flags:
        return None
    stop, target_um = record.stop, record.values.get("target_um", 0)
    if stop == "depth" or (stop == "over" and 0 < target_um < record.values.get("depth_um", 0)):
        return "depth"
    if stop == "over" and target_um:
        # Short of the depth: past the set force in a job of whichever comes first, else past the limit on force.
        return (
            "force"
            if job is not None and job.fields.get("stop_on") == definition().value("stop_on", "first")
            else None
        )
    return "force" if stop in ("setpoint", "over") else None


def landed_of(records: Sequence[CycleRecord], jobs: Mapping[tuple[int, int], DeviceJob]) -> Landed:
    """Those of one job's records that landed. jobs: by slot and CRC, as they were run."""
    by: dict[int, Quantity] = {}
    for record in records:
        found = landed_by(record, jobs.get((record["job"], record["job_crc"])))
        if found is not None:
            by[record.seq] = found
    deep = sum(each == "depth" for each in by.values())
    if by:
        quantity: Quantity = "depth" if 2 * deep >= len(by) else "force"
    else:
        quantity = "depth" if any(record.values.get("target_um", 0) for record in records) else "force"
    landed = tuple(record for record in records if record.seq in by)
    alike = tuple(record for record in landed if by[record.seq] == quantity)
    # A first part comes up to its force from below, by design: it would widen every chart that it stands in.
    later = tuple(record for record in alike if "first" not in record.flags)
    return Landed(quantity, by, landed, later or alike)


def value_of(record: CycleRecord, quantity: Quantity) -> float:
    """What a part is held by: its highest force (N), or the ram's travel from the top once settled (m)."""
    return float(record["peak_n"]) if quantity == "force" else record.values.get("depth_um", 0) / 1e6


def target_of(record: CycleRecord, quantity: Quantity) -> float:
    """What the stroke was to reach: the setpoint (N), or the depth asked for (m)."""
    return float(record["setpoint_n"]) if quantity == "force" else record.values.get("target_um", 0) / 1e6


def mean_sd(values: Sequence[float]) -> tuple[float | None, float | None]:
    """Mean and sample standard deviation; None for what so few values do not have."""
    if not values:
        return None, None
    mean = math.fsum(values) / len(values)
    if len(values) < 2:
        return mean, None
    return mean, math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1))


def depth_sigma_m(settings: Mapping[str, int], calibration: Mapping[str, int]) -> float | None:
    """One deviation (m) of where a stop on depth comes to rest, as the device reckons it (firmware core/depth.py).

    settings, calibration: of the protocol, in its units. None where they know of no ram position.
    """
    speed_m_s = settings.get("speed_um_s", 0) / 1e6
    encoder = settings.get("position_kind", 0) == definition().value("position_kind", "encoder")
    scale = abs(calibration.get("position_step_nm" if encoder else "position_um_64k", 0))
    if not speed_m_s or not scale:
        return None
    slow_m_s = settings.get("speed_slow_um_s", 0) / 1e6 if settings.get("slow_fitted", 0) else 0.0
    valve = (slow_m_s or speed_m_s) * math.hypot(settings["jitter_us"] / 1e6, _STEP_S / math.sqrt(12.0))
    step = 1e-6 * (scale / 1e3 if encoder else scale / 4096) + 1e-6
    noise = max(settings.get("position_noise_um", 0) / 2e6, step / 3)
    return max(1e-6, max(valve, noise) + min(valve, noise) / 4)
