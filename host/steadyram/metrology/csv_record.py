"""A calibration record from a CSV of points and a header file, for points that were taken by hand."""

from __future__ import annotations

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


def record_from_csv(path: Path, header: Header, unit: str | None) -> CalibrationRecord:
    """Read `reference,reading[,direction][,run]`: the reference in `unit`, the reading in counts.

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
