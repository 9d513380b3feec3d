"""Do reference and transducer agree where there is no pressure?

Carried to the reading at rest, the curve must give no force but the friction of a ram that is about to
move: -F_s. A gauge whose pointer is bent, or a transducer whose zero was taken under pressure, shows here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from steadyram.metrology.curve import Curve, resolution_variance_N2
from steadyram.metrology.friction import Friction
from steadyram.metrology.measurement import Newton, measurement_of
from steadyram.metrology.record import CalibrationRecord
from steadyram.units import show

# Below this part of the largest force a disagreement is not worth a sentence.
TELL_PART = 0.002


@dataclass(frozen=True)
class ZeroDisagreement:
    """What the curve gives at rest beyond the friction (N), its standard uncertainty, and whether that is told."""

    force_N: float
    u_N: float
    significant: bool
    sentence: str


def at_zero(record: CalibrationRecord, curve: Curve, friction: Friction | None) -> ZeroDisagreement | None:
    """Judge the curve at the reading at rest; None where the friction is not known."""
    header = record.header
    gauge = header.reference.kind == "gauge"
    if gauge:
        expected, u_friction = -header.assumed_friction_N, header.assumed_friction_u_N
    elif friction is not None:
        expected, u_friction = -friction.friction_N, friction.u_friction_N
    else:
        return None
    found = float(curve.value(0.0)) - expected
    step = curve.slope_N_per_count(0.0) * header.counts_step
    resolution = next(
        (c.u for c in measurement_of(header).components(Newton(0.0)) if c.name == "reference resolution"), 0.0
    )
    # Carried to zero, what the reference's steps did to the curve grows as the curve's own scatter does.
    runs = len({record.points[i].run for i in curve.rising})
    coarse = 1.0 + resolution_variance_N2(record, runs) / float((curve.point_sd_N**2).mean())
    u = math.sqrt(
        coarse * curve.standard_uncertainty(0.0) ** 2 + u_friction**2 + step**2 / 12.0 + resolution**2
    )
    significant = abs(found) > 2.0 * u and abs(found) > TELL_PART * float(curve.device.force_N.max())
    shown = (
        f"{found / header.area_m2 / 1e5:+.2g} bar"
        if gauge
        else f"{'+' if found > 0.0 else ''}{show(found, 'newton', 'N', 3)}"
    )
    sensor, load = header.sensor, "load" if header.measures == "force" else "pressure"
    sentence = (
        f"the reference disagrees with the {sensor} at zero: where the {sensor} is at rest, the "
        f"{'gauge' if gauge else 'load cell'} would show {shown}; check its pointer or indicator with no "
        f"{load}, and that the zero was taken with the ram at the top"
    )
    return ZeroDisagreement(found, u, significant, sentence)
