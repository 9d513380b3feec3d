"""Does the calibrated sensitivity agree with the nameplate (range times piston area)?

The device refuses a calibration that differs by more than a factor of two (`services/checks.py` of the
firmware), and so does the host. From 5 % on the difference is told: no transducer and bore of the trade are
that far off, so the reference or its unit is suspect (common practice, no source).
"""

from __future__ import annotations

from steadyram.errors import BadInput
from steadyram.metrology.header import Header, Point
from steadyram.metrology.record import CalibrationRecord

WARN_PART = 0.05
REFUSE_FACTOR = 2.0
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


def nameplate_doubted(record: CalibrationRecord) -> bool:
    """Return whether the points are more than 5 % off the nameplate and nothing in the header explains it."""
    return abs(nameplate_ratio(record) - 1.0) > WARN_PART and not record.header.nameplate_explained


def nameplate_warning(record: CalibrationRecord) -> str:
    """Return a sentence when the points are more than 5 % off the nameplate, otherwise an empty text."""
    ratio = nameplate_ratio(record)
    if abs(ratio - 1.0) <= WARN_PART:
        return ""
    told = f"the points give {ratio - 1.0:+.1%} of force a count against bore and range"
    if record.header.nameplate_explained:
        return f"{told}; explained in the header: {record.header.nameplate_explained}"
    return f"{told}: check the reference and its unit, the bore and the transducer's range before using it"
