"""A calibration record from a CSV of points and a header file, for points that were taken by hand."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

from pydantic import ValidationError

from steadyram.config import preferences
from steadyram.errors import BadInput, UnitError
from steadyram.metrology.header import Header, Point
from steadyram.metrology.points_file import read_points
from steadyram.metrology.record import CalibrationRecord
from steadyram.units import parse


def default_unit(header: Header) -> str:
    """Return the unit of typed readings that carry none: the user's, of pressure for a gauge."""
    units = preferences()
    return units.pressure_unit if header.reference.kind == "gauge" else units.force_unit


def csv_unit(header: Header) -> str:
    """Return the unit of a CSV's reference column where none is given: a file means the same to every user."""
    return "bar" if header.reference.kind == "gauge" else "N"


def csv_unit_told(path: Path, header: Header) -> str:
    """Return the sentence that says in what unit a CSV was read for want of one, and what to do."""
    return f"{path}: the reference column is taken in {csv_unit(header)}; --reference-unit says otherwise."


def reference_factor(header: Header, unit: str | None) -> float:
    """SI value of one unit of the reference. Raises BadInput when the reference is not read in that unit."""
    gauge = header.reference.kind == "gauge"
    si, given = "pascal" if gauge else "newton", unit or csv_unit(header)
    try:
        return parse(f"1 {given}", si)
    except UnitError:
        example = "bar or psi" if gauge else "kN or lbf"
        raise BadInput(
            f"a {header.reference.kind} is not read in {given}; give a --reference-unit such as {example}."
        ) from None


def _time(text: str, path: Path, line: int) -> datetime:
    """Read a time of day with its offset from UTC. Raises BadInput with the row named."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        at = None
    if at is None or at.tzinfo is None:
        raise BadInput(
            f"{path}, row {line}: the time {text[:30]!r} is not one such as 2026-01-31T14:05:00+01:00 or "
            "2026-01-31T13:05:00Z; correct it."
        )
    if at > datetime.now(UTC):
        raise BadInput(f"{path}, row {line}: the time {text[:30]} is yet to come; correct it.")
    return at


def dated(record: CalibrationRecord, day: date | None) -> CalibrationRecord:
    """Return a CSV's record with the date of the calibration: by its points' times, or as said; else not recorded.

    day: as said, None if not. Raises BadInput for a day to come and for one that the points' times contradict.
    """
    at = [p.at for p in record.points if p.at is not None]
    if day is not None and day > datetime.now(UTC).date():
        raise BadInput(f"{day:%Y-%m-%d} is yet to come; give the day on which the points were taken.")
    if at and day is not None and min(at).astimezone(UTC).date() != day:
        raise BadInput(
            f"the points were taken on {min(at).astimezone(UTC):%Y-%m-%d} by their times, not on {day:%Y-%m-%d}; leave "
            "--calibrated-on out."
        )
    made = min(at) if at else None if day is None else datetime(day.year, day.month, day.day, tzinfo=UTC)
    update = {"made_recorded": False} if made is None else {"made": made}
    return record.model_copy(update={"header": record.header.model_copy(update=update)})


def record_from_csv(path: Path, header: Header, unit: str | None) -> CalibrationRecord:
    """Read `reference,reading[,direction][,run][,time]`: the reference in `unit`, the reading in counts.

    unit: default as `csv_unit`. Without a run column a new run begins each time the direction
    turns from falling to rising. Raises BadInput with the row named.
    """
    points = read_points(path)
    factor = reference_factor(header, unit)
    out: list[Point] = []
    run = 1
    for i, line in enumerate(points.lines):
        direction = points.direction[i] or "rising"
        if out and out[-1].direction == "falling" and direction == "rising":
            run += 1
        label = points.run[i]
        try:
            number = int(label) if label is not None else run
            out.append(
                Point.model_validate(
                    {
                        "run": number,
                        "direction": direction,
                        "reference": float(points.reference[i]) * factor,
                        "counts": float(points.reading[i]),
                        "at": None if points.time[i] is None else _time(points.time[i] or "", path, line),
                    }
                )
            )
        except ValidationError as error:
            first = error.errors()[0]
            key = ".".join(str(part) for part in first["loc"])
            raise BadInput(f"{path}, row {line}: {key}: {first['msg'][:150]}; correct the row.") from None
        except ValueError:
            raise BadInput(
                f"{path}, row {line}: the run {label!r:.20} is not a number; number the runs 1, 2, 3."
            ) from None
    return CalibrationRecord(header=header, points=tuple(out), rows=points.lines)
