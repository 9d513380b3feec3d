"""Is a calibration plausible at all? Nonsense is refused with the row named."""

from __future__ import annotations

from fractions import Fraction

from steadyram.errors import BadInput
from steadyram.metrology.nameplate import REFUSE_FACTOR, nameplate_ratio
from steadyram.metrology.points_file import refuse_wrong_magnitude
from steadyram.metrology.record import CalibrationRecord

MIN_LEVELS = 3
FALL_TOLERANCE = 1e-9


def refuse_nonsense(record: CalibrationRecord, where: str) -> None:
    """Raise BadInput, naming file and row, for a record that no calibration can come from.

    Refused: no points, a reference that never moves, fewer than three different rising forces, two
    equal rising points in one run, a rising run that falls or a falling run that rises (in
    reference or reading), a reading that does not follow, points out of scale with the others, a
    sensitivity a factor of two or more off the nameplate's, a force above 1.5 times the range.
    """
    points = record.points
    if not points:
        raise BadInput(f"{where} has no points; take at least {MIN_LEVELS} rising ones.")
    forces = [record.force_N(p) for p in points]
    rising = [i for i, p in enumerate(points) if p.direction == "rising"]
    if max(forces) - min(forces) <= 0.0:
        raise BadInput(
            f"{where}, {record.row(0)} to {record.row(len(points) - 1)}: the reference never moves "
            f"({forces[0]:g} throughout); check that it reads and that the ram presses on it."
        )
    for i in range(1, len(points)):
        a, b = points[i - 1], points[i]
        if a.run != b.run or a.direction != b.direction:
            continue
        step = b.reference - a.reference
        if b.direction == "rising" and step == 0.0:
            raise BadInput(
                f"{where}, {record.row(i)}: the reference {b.reference:g} is there twice in one rising "
                f"run; points must "
                "be distinct."
            )
        if (step < 0.0) == (b.direction == "rising") and step != 0.0:
            other = "falls" if step < 0.0 else "rises"
            raise BadInput(
                f"{where}, {record.row(i)}: the reference {other} from {a.reference:g} to "
                f"{b.reference:g} on a "
                f"{b.direction} run; take the run again."
            )
        if step != 0.0 and (b.counts - a.counts) * step <= 0.0:
            raise BadInput(
                f"{where}, {record.row(i)}: the reading goes from {a.counts:g} to {b.counts:g} counts "
                f"while the "
                f"reference goes from {a.reference:g} to {b.reference:g}; check transducer and wiring."
            )
    levels = {round(forces[i], 9) for i in rising}
    if len(levels) < MIN_LEVELS:
        raise BadInput(
            f"{where}: {len(levels)} different rising force(s); a calibration needs at least {MIN_LEVELS}."
        )
    refuse_wrong_magnitude(
        [record.rows[i] if record.rows else i + 1 for i in rising],
        [Fraction(forces[i]) for i in rising],
        [Fraction(points[i].counts) for i in rising],
        where,
    )
    top = max(rising, key=lambda i: forces[i])
    ratio = nameplate_ratio(record)
    if not 1.0 / REFUSE_FACTOR < ratio < REFUSE_FACTOR:
        raise BadInput(
            f"{where}, {record.row(top)}: the points give {ratio:.3g} times the force a count that "
            + (
                "the sensor's full output promises; check the unit of the reference and that force."
                if record.header.measures == "force"
                else "bore and range promise; check the unit of the reference, the bore and the transducer's range."
            )
        )
    largest = record.header.area_m2 * record.header.range_Pa
    for i, force in enumerate(forces):
        if not -0.05 * largest <= force <= 1.5 * largest:
            raise BadInput(
                f"{where}, {record.row(i)}: a force of {force:g} N is outside what "
                f"{_what_sees(record)} "
                f"({largest:.4g} N); check the unit and the decimal point."
            )


def _what_sees(record: CalibrationRecord) -> str:
    if record.header.measures == "force":
        return "the force sensor can see"
    return "the transducer can see on this cylinder"
