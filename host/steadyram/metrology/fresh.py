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
from steadyram.metrology.record import CalibrationRecord


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
    due = ours.due
    if due is not None and day > due.date():
        raise BadInput(
            f"{path}: {day:%Y-%m-%d} is after the calibration was due, {due:%Y-%m-%d}; calibrate anew first."
        )
    if day < ours.made.date():
        raise BadInput(
            f"{path}: {day:%Y-%m-%d} is before the calibration of {ours.made:%Y-%m-%d}; fresh points come after it."
        )


def _day_of(path: Path, record: CalibrationRecord, day: date | None) -> date | None:
    """Return the day of a CSV's points: by their times, or as it was said. Raises BadInput where the two differ."""
    at = [p.at for p in record.points if p.at is not None]
    if not at:
        return day
    days = {t.astimezone(UTC).date() for t in at}
    if day is not None and days != {day}:
        raise BadInput(
            f"{path}: its points were taken on {', '.join(f'{d:%Y-%m-%d}' for d in sorted(days))} by their times, "
            f"not on "
            f"{day:%Y-%m-%d}; leave --points-date out."
        )
    return max(days)


def _refuse_second_day(path: Path, analysis: Analysis, digest: str, taken: str) -> None:
    """Raise BadInput where an earlier document says another day of the same points."""
    for issue in analysis.record.issues:
        if issue.fresh_digest == digest and issue.fresh_taken != taken:
            raise BadInput(
                f"{path}: {issue.title} {issue.name} says that these points were taken on {issue.fresh_taken}, not on "
                f"{taken or 'a day that is not stated'}; points have one day."
            )


def fresh_points(path: Path, analysis: Analysis, unit: str | None, day: date | None) -> FreshPoints:
    """Read fresh points for an analysed calibration; unit, day: of a CSV.

    Raises BadInput for a journal of another press or transducer, for a day beside a journal, and for points that the
    curve was fitted to.
    """
    ours = analysis.record.header
    if path.suffix.lower() == ".csv":
        record = record_from_csv(path, ours, unit)
        day = _day_of(path, record, day)
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        taken, head = ("" if day is None else day.isoformat()), ours
    else:
        if day is not None:
            raise BadInput(f"{path} is a journal and has its date inside; leave --points-date out.")
        record = read_journal(path)
        head, digest = record.header, record.digest
        day, taken = head.made.date(), f"{head.made:%Y-%m-%d}"
        for what in ("press", "transducer"):
            theirs, own = getattr(head, what).serial, getattr(ours, what).serial
            if theirs != own:
                raise BadInput(
                    f"{path}: the fresh points are of the {what} with serial {theirs}, the calibration of {own}; take "
                    "points of the same one."
                )
    if day is not None:
        _refuse_day(path, ours, day)
    _refuse_second_day(path, analysis, digest, taken)
    fitted = {(p.reference, p.counts) for p in analysis.record.points}
    for i, point in enumerate(record.points):
        if (point.reference, point.counts) in fitted:
            raise BadInput(
                f"{path}, {record.row(i)}: this point is one of those that the curve was fitted to; a verification "
                "needs points taken afresh."
            )
    rising = tuple(p for p in record.points if p.direction == "rising")
    return FreshPoints(rising, head, taken, digest, head.zero_counts)
