"""From a guided calibration to the same record that every other calibration makes."""

from __future__ import annotations

import os
from pathlib import Path

from steadyram.commission.calibrate import Found
from steadyram.errors import BadInput
from steadyram.metrology.journal import Journal
from steadyram.metrology.record import CalibrationRecord, Header, Point


def record_of(found: Found, header: Header, noise_N: float) -> CalibrationRecord:
    """Header and points. noise_N: standard uncertainty of a mean reading, as a force; it keeps the lowest
    points from counting for more than the sensor can tell.
    """
    gauge = header.reference.kind == "gauge"
    points = []
    for point in found.points:
        reference = point.force_N / header.area_m2 if gauge else point.force_N
        own = header.reference.standard_uncertainty(reference)
        floor = noise_N / header.area_m2 if gauge else noise_N
        points.append(
            Point(
                direction="rising" if point.rising else "falling",
                reference=reference,
                counts=point.counts,
                u_reference=(own**2 + floor**2) ** 0.5,
            )
        )
    full = header.model_copy(
        update={"zero_counts": found.zero_counts, "zero_counts_after": found.zero_after_counts}
    )
    return CalibrationRecord(header=full, points=tuple(points))


def write_journal(record: CalibrationRecord, path: Path) -> None:
    """Write a record as a journal, whole or not at all. Raises BadInput when it exists or cannot be made."""
    if path.exists():
        raise BadInput(
            f"{path} exists already; a calibration record is never overwritten, choose another name."
        )
    part = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        journal = Journal.begin(part, record.header.model_copy(update={"zero_counts_after": None}))
        for point in record.points:
            journal.add(point)
        if record.header.zero_counts_after is not None:
            journal.close_zero(record.header.zero_counts_after)
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)
