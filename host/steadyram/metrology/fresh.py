"""Fresh points: taken after a calibration to verify it, with their own date, reference and digest.

They are a file of points, whose date has to be given, or a journal taken by hand, which has all of it inside.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

from steadyram.errors import BadInput
from steadyram.metrology.analyse import Analysis
from steadyram.metrology.csv_record import record_from_csv
from steadyram.metrology.header import Header, Point
from steadyram.metrology.journal import read_journal


@dataclass(frozen=True)
class FreshPoints:
    """Rising points with the header of their reference; taken: on which day (ISO 8601, "" where it was not said).

    digest: SHA-256 of the file, of a journal that of its chain; zero_counts: reading at rest before them.
    """

    points: tuple[Point, ...]
    header: Header
    taken: str
    digest: str
    zero_counts: float


def _refuse_day(path: Path, ours: Header, day: date) -> None:
    """Raise BadInput for a day on which fresh points of this calibration cannot have been taken."""
    today = datetime.now(UTC).date()
    if day > today:
        raise BadInput(
            f"{path}: {day:%Y-%m-%d} is yet to come; give the day on which the fresh points were taken."
        )
    if day < ours.made.date():
        raise BadInput(
            f"{path}: {day:%Y-%m-%d} is before the calibration of {ours.made:%Y-%m-%d}; fresh points come after it."
        )


def fresh_points(path: Path, analysis: Analysis, unit: str | None, day: date | None) -> FreshPoints:
    """Read fresh points for an analysed calibration; unit, day: of a CSV.

    Raises BadInput for a journal of another press or transducer, for a day beside a journal, and for points that the
    curve was fitted to.
    """
    ours = analysis.record.header
    if path.suffix.lower() == ".csv":
        if day is not None:
            _refuse_day(path, ours, day)
        record = record_from_csv(path, ours, unit)
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        taken, head = ("" if day is None else day.isoformat()), ours
    else:
        if day is not None:
            raise BadInput(f"{path} is a journal and has its date inside; leave --points-date out.")
        record = read_journal(path)
        head, digest = record.header, record.digest
        taken = f"{head.made:%Y-%m-%d}"
        for what in ("press", "transducer"):
            theirs, own = getattr(head, what).serial, getattr(ours, what).serial
            if theirs != own:
                raise BadInput(
                    f"{path}: the fresh points are of the {what} with serial {theirs}, the calibration of {own}; take "
                    "points of the same one."
                )
    fitted = {(p.reference, p.counts) for p in analysis.record.points}
    for i, point in enumerate(record.points):
        if (point.reference, point.counts) in fitted:
            raise BadInput(
                f"{path}, {record.row(i)}: this point is one of those that the curve was fitted to; a verification "
                "needs points taken afresh."
            )
    rising = tuple(p for p in record.points if p.direction == "rising")
    return FreshPoints(rising, head, taken, digest, head.zero_counts)
