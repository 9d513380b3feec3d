"""Does the calibrated sensitivity agree with the nameplate (range times piston area)?

The device refuses a calibration that differs by more than a factor of two (`services/checks.py` of the
firmware), and so does the host. From 5 % on the difference is told: no transducer and bore of the trade are
that far off, so the reference or its unit is suspect (common practice, no source).
"""

from __future__ import annotations

import math

from steadyram.config import preferences
from steadyram.errors import BadInput
from steadyram.late import np
from steadyram.metrology.header import Header, Point
from steadyram.metrology.record import CalibrationRecord

WARN_PART = 0.05
# Characters of a reason; the journal's row takes no more.
REASON_MOST = 500
REFUSE_FACTOR = 2.0
# A second reference agrees where it differs by no more than this part (own rule).
SECOND_PART = 0.02
# Without a larger one given, a calibration goes to this part of what press and sensor allow (common practice).
LARGEST_PART = 0.9
# What friction and zero may make of a single point, as a part of range times area (common practice, no source).
POINT_SLACK_PART = 0.05


def nameplate_ratio(record: CalibrationRecord) -> float:
    """Return force a count by the rising points over that by the nameplate; ends of the range only."""
    rising = [p for p in record.points if p.direction == "rising"]
    top = max(rising, key=record.force_N)
    low = min(rising, key=record.force_N)
    if top.counts == low.counts:
        raise BadInput("the reading never moves; check transducer and wiring.")
    sensitivity = (record.force_N(top) - record.force_N(low)) / (top.counts - low.counts)
    return float(sensitivity / record.header.nominal_N_per_count)


def plausible_forces(record: CalibrationRecord, point: Point) -> tuple[float, float]:
    """Return the least and largest force (N) that a single point's counts can stand for, by the device's own bound."""
    header = record.header
    nominal = header.nominal_N_per_count * max(0.0, point.counts - header.zero_counts)
    slack = POINT_SLACK_PART * header.area_m2 * header.range_Pa
    return nominal / REFUSE_FACTOR - slack, nominal * REFUSE_FACTOR + slack


def largest_allowed_N(header: Header, rated_N: float | None = None) -> float:
    """Return the largest force (N) to calibrate to: that of the sensor, of the press, and `rated_N`, the least.

    rated_N: the rated force that the device is set to, None if it was not read.
    """
    known = [v for v in (header.rated_N, rated_N) if v is not None]
    return min([header.full_N, *known])


def nameplate_ground(record: CalibrationRecord) -> str:
    """Return the measurement that bears an explanation out, in words; empty where there is none or it does not.

    A measured bore bears it out where the points agree with it to 5 %, a reading of a second reference where it agrees
    with the points to 2 %.
    """
    header, ratio = record.header, nameplate_ratio(record)
    if not header.nameplate_explained.strip():
        return ""
    if header.measured_bore_m is not None and header.measured_bore_by.strip():
        left = ratio * header.area_m2 / (math.pi / 4.0 * header.measured_bore_m**2)
        if abs(left - 1.0) <= WARN_PART:
            return (
                f"bore measured as {header.measured_bore_m * 1e3:.2f} mm by {header.measured_bore_by.strip()}, against "
                f"which the points are {left - 1.0:+.1%} off"
            )
    second = header.second_reference
    if second is not None and (second.what, second.serial) != (
        header.reference.what,
        header.reference.serial,
    ):
        rising = sorted((p.counts, record.force_N(p)) for p in record.points if p.direction == "rising")
        counts, forces = zip(*rising, strict=True)
        if counts[0] <= second.counts <= counts[-1]:
            off = second.force_N / float(np.interp(second.counts, counts, forces)) - 1.0
            if abs(off) <= SECOND_PART:
                return (
                    f"{second.what}, serial {second.serial}, certificate {second.certificate}, read "
                    f"{preferences().force(second.force_N, 4)} at {second.counts:.0f} counts, {100 * off:+.1f} % off "
                    "these points"
                )
    return ""


def nameplate_doubted(record: CalibrationRecord) -> bool:
    """Return whether the points are more than 5 % off the nameplate and no measurement bears out an explanation."""
    return abs(nameplate_ratio(record) - 1.0) > WARN_PART and not nameplate_ground(record)


def discrepancy_told(record: CalibrationRecord) -> str:
    """Return what U does not cover where the nameplate is in doubt, in words; empty where it is not."""
    if not nameplate_doubted(record):
        return ""
    return f"a discrepancy of {100.0 * abs(nameplate_ratio(record) - 1.0):.2g} % with the nameplate"


def refuse_discrepancy(record: CalibrationRecord, accepted: str | None) -> None:
    """Raise BadInput where the nameplate is in doubt and nobody said why the calibration is to be used all the same."""
    told = discrepancy_told(record)
    if told and accepted and len(accepted) > REASON_MOST:
        raise BadInput(f"the reason has {len(accepted)} characters; say it in {REASON_MOST} or fewer.")
    if told and not (accepted or "").strip():
        raise BadInput(
            f"{told[0].upper()}{told[1:]} (bore and range) is not resolved: the device would cut off at another force "
            "by that much if the reference is wrong. Check reference, unit, bore and range; to upload it all the "
            "same, say why with --despite-nameplate TEXT."
        )


def nameplate_warning(record: CalibrationRecord) -> str:
    """Return a sentence when the points are more than 5 % off the nameplate, otherwise an empty text."""
    ratio = nameplate_ratio(record)
    if abs(ratio - 1.0) <= WARN_PART:
        return ""
    told = f"the points give {ratio - 1.0:+.1%} of force a count against bore and range"
    explained = record.header.nameplate_explained.strip()
    if not explained:
        return (
            f"{told}: check the reference and its unit, the bore and the transducer's range before using it"
        )
    ground = nameplate_ground(record)
    if ground:
        return f"{told}; explained: {explained}; on the ground of: {ground}"
    return (
        f"{told}; explained: {explained}; no measurement bears that out (a measured bore with its instrument, or a "
        "reading of a second reference)"
    )
