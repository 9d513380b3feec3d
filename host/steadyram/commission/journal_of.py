"""From a guided calibration to the same record that every other calibration makes."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from pathlib import Path

from steadyram.commission.calibrate import Found
from steadyram.commission.calibrate import Point as Measured
from steadyram.errors import BadInput
from steadyram.metrology.header import Header, Point
from steadyram.metrology.journal import Journal, read_journal
from steadyram.metrology.measurement import instrument_uncertainty
from steadyram.metrology.record import CalibrationRecord
from steadyram.plain_file import refuse_place


def record_of(found: Found, header: Header, noise_N: float) -> CalibrationRecord:
    """Header and points. noise_N: standard uncertainty of a mean reading, as a force; it keeps the lowest
    points from counting for more than the sensor can tell.
    """
    full = header.model_copy(
        update={
            "zero_counts": found.zero_counts,
            "zero_counts_before": found.zero_before_counts,
            "zero_counts_after": found.zero_after_counts,
            "fluctuation_counts": found.fluctuation_counts,
        }
    )
    return CalibrationRecord(header=full, points=_points(found.points, header, noise_N), starts=found.starts)


def _points(measured: Iterable[Measured], header: Header, noise_N: float) -> tuple[Point, ...]:
    gauge = header.reference.kind == "gauge"
    points = []
    for point in measured:
        reference = point.force_N / header.area_m2 if gauge else point.force_N
        own = instrument_uncertainty(header.reference, reference)
        floor = noise_N / header.area_m2 if gauge else noise_N
        points.append(
            Point(
                run=point.run,
                direction="rising" if point.rising else "falling",
                reference=reference,
                counts=point.counts,
                u_reference=(own**2 + floor**2) ** 0.5,
                at=point.at,
            )
        )
    return tuple(points)


def write_journal(record: CalibrationRecord, path: Path) -> None:
    """Write a record as a journal, whole or not at all. Raises BadInput when it exists or cannot be made."""
    if path.exists():
        raise BadInput(
            f"{path} exists already; a calibration record is never overwritten, choose another name."
        )
    refuse_place(path)
    _write_whole(record, path)


def _write_whole(record: CalibrationRecord, path: Path) -> None:
    part = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        told, ended = record.header.environment, record.header.environment.ambient_end_C
        bare = {"zero_counts_after": None, "environment": told.model_copy(update={"ambient_end_C": None})}
        journal = Journal.begin(part, record.header.model_copy(update=bare))
        starts = list(record.starts)
        for point in record.points:
            while starts and starts[0].run <= point.run:
                journal.begin_run(starts.pop(0))
            journal.add(point)
        if ended is not None:
            journal.end_temperature(ended)
        if record.header.zero_counts_after is not None:
            journal.close_zero(record.header.zero_counts_after)
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)


class Partial:
    """What a guided calibration has taken so far, beside the record it will become, so that a killed one leaves it.

    A rise begun anew does not join one that was let off (friction and hysteresis), so the points are there to be
    looked at and compared, and a new run takes all of them again.
    """

    def __init__(self, target: Path, header: Header, noise_N: float) -> None:
        self.path = partial_path(target)
        self._header = header
        self._noise_N = noise_N

    def keep(self, zero_counts: float, points: Sequence[Measured]) -> None:
        """Write the zero and the points so far, whole; called after each of them. Raises BadInput."""
        header = self._header.model_copy(update={"zero_counts": zero_counts})
        record = CalibrationRecord(header=header, points=_points(points, header, self._noise_N))
        _write_whole(record, self.path)

    def done(self) -> None:
        """The record itself is written: what was on the way is no longer needed."""
        self.path.unlink(missing_ok=True)


def partial_path(target: Path) -> Path:
    """Where a calibration keeps its points until `target` is written."""
    return target.with_name(f"{target.stem}.unfinished{target.suffix}")


def set_aside_unfinished(target: Path) -> str:
    """Keep what an earlier run of the same calibration left, under a name of its own; a sentence on it, or "".

    Raises BadInput when it cannot be renamed.
    """
    left = partial_path(target)
    if not left.exists():
        return ""
    number = 1
    while (aside := left.with_name(f"{left.stem}-{number}{left.suffix}")).exists():
        number += 1
    try:
        points = len(read_journal(left).points)
    except BadInput:
        points = 0
    try:
        os.replace(left, aside)
    except OSError as error:
        raise BadInput(f"{left} cannot be renamed ({error.strerror}); move it away.") from None
    return (
        f"An earlier run of this calibration stopped after {points} point{'' if points == 1 else 's'}: they are kept "
        f"in {aside} to be looked at. All points are taken anew, since the force was let off in between."
    )
