"""The calibration record: its head, every point, and the force on the work at each.

All figures SI; counts are on the 16-bit scale of every board. Checked at the edge by pydantic.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from itertools import pairwise
from typing import Literal

from pydantic import AwareDatetime, Field

from steadyram.metrology.header import Header, Point, RunStart, Strict
from steadyram.metrology.measurement import Newton, measurement_of

PRELOADS_FIRST, PRELOADS_RESEATED = 3, 1
DIGEST_DIGITS = 10
CONTENT_DIGITS = 6


class Issue(Strict):
    """A document that was made of a record: its issue (1 for the first), name and title, when, and of which content.

    contents: SHA-256 digest of everything that it says but its date; replaces, reason: of an amended document;
    fresh_digest, fresh_taken: of the fresh points that it was judged with, and the day that was said of them.
    """

    issue: int
    name: str
    title: str
    at: AwareDatetime
    contents: str
    replaces: str = ""
    reason: str = ""
    fresh_digest: str = ""
    fresh_taken: str = ""


# Texts of the header that may be corrected after the calibration: names and descriptions, no figure and no date.
CORRECTABLE = (
    "laboratory", "customer", "location", "note",
    *(f"{table}.{key}" for table in ("press", "transducer", "reference") for key in ("what", "serial", "condition")),
    "reference.certificate", "reference.calibrated_by", "reference.accreditation",
)  # fmt: skip


class Correction(Strict):
    """A text of the header that was corrected after the calibration: its key, what it was and is, why and when."""

    key: Literal[CORRECTABLE]  # type: ignore[valid-type]
    was: str = Field(max_length=2000)
    now: str = Field(max_length=2000)
    reason: str = Field(min_length=1, max_length=200)
    at: AwareDatetime


class ReadBack(Strict):
    """The calibration that a device held when it was asked: its identity, firmware, and the fields."""

    device: str
    firmware: str
    at: AwareDatetime
    fields: dict[str, int]


class Acceptance(Strict):
    """Why a calibration that is off the nameplate was uploaded all the same; `told` is the discrepancy in words."""

    told: str
    why: str = Field(min_length=1, max_length=500)
    at: AwareDatetime


class CalibrationRecord(Strict):
    """Header and points; force_N gives each point's force on the work.

    rows: of the points in their file; taken_back: rows of points that whoever calibrated took back; starts: what was
    done before each run; digest: of the last line of the calibration in its chained journal, "" where there is none;
    issues, read_backs, corrections, acceptances: what was added to the journal afterwards; the header is the
    corrected one.
    """

    header: Header
    points: tuple[Point, ...]
    rows: tuple[int, ...] = ()
    taken_back: tuple[int, ...] = ()
    starts: tuple[RunStart, ...] = ()
    digest: str = ""
    issues: tuple[Issue, ...] = ()
    read_backs: tuple[ReadBack, ...] = ()
    corrections: tuple[Correction, ...] = ()
    acceptances: tuple[Acceptance, ...] = ()

    @property
    def reseated(self) -> bool:
        """True when the reference was re-seated before every run but the first.

        A journal holds an answer for each run and only these count; a CSV of points has the header's statement.
        """
        if self.starts or self.digest:
            later = {p.run for p in self.points} - {min((p.run for p in self.points), default=1)}
            return bool(later) and all(self._start(run).reseated is True for run in later)
        return self.header.reseated is True

    def read_back_of(self, fields: Mapping[str, int]) -> ReadBack | None:
        """Return the first time that a device held these fields when it was asked, None if it never did."""
        return next(
            (h for h in self.read_backs if {k: h.fields.get(k) for k in fields} == dict(fields)), None
        )

    @property
    def preloaded(self) -> bool:
        """True when the highest force was put on three times before the first run, and again after each re-seating.

        Three times: ISO 7500-1 (extract of the 2015 edition); once after a re-seating: ISO 376 (from memory).
        """
        runs = sorted({p.run for p in self.points})
        wanted = [PRELOADS_FIRST, *[PRELOADS_RESEATED] * (len(runs) - 1)]
        return all((self._start(run).preloads or 0) >= least for run, least in zip(runs, wanted, strict=True))

    @property
    def zero_returns_counts(self) -> tuple[float, ...] | None:
        """Zero after each run less the zero before it, None unless every run has both."""
        runs = sorted({p.run for p in self.points})
        before = [self._start(run).zero_counts for run in runs]
        after = [self._start(b).zero_after_previous_counts for _, b in pairwise(runs)]
        after.append(self.header.zero_counts_after)
        pairs = [(a, b) for a, b in zip(after, before, strict=True) if a is not None and b is not None]
        return tuple(a - b for a, b in pairs) if len(pairs) == len(runs) else None

    @property
    def worst_zero_return_counts(self) -> float | None:
        """Worst zero return of a run (counts), over all runs together where each run's was not read."""
        together = self.header.zero_return_counts
        if together is None:
            return None
        return max((*(self.zero_returns_counts or ()), together), key=abs)

    @property
    def reference_zeros(self) -> tuple[float, ...]:
        """What the reference showed at rest (N or Pa by its kind), as often as it was read."""
        told = [self.header.reference.zero_reading, *(s.reference_zero for s in self.starts)]
        return tuple(v for v in told if v is not None)

    def _start(self, run: int) -> RunStart:
        return next((s for s in self.starts if s.run == run), RunStart(run=run))

    def force_N(self, point: Point) -> Newton:
        """Force on the work at a point, by the measurement model of the reference."""
        return measurement_of(self.header).force(point.reference, point.direction)

    def row(self, index: int) -> str:
        """Name of a point for people: its row in the file, or its number."""
        return f"row {self.rows[index]}" if index < len(self.rows) else f"point {index + 1}"


def document_number(record: CalibrationRecord) -> str:
    """Return the number of every document of a record: the calibration's, and ten digits of the record's digest."""
    digest = record.digest
    if not digest:
        content = record.model_dump_json(include={"header", "points", "starts"})
        digest = hashlib.sha256(content.encode("utf-8")).hexdigest()
    return f"{record.header.number}-{digest[:DIGEST_DIGITS]}"


def issue_name(record: CalibrationRecord, issue: int, contents: str) -> str:
    """Return number and issue as one name, with the first digits of its contents' digest: other contents, other name.

    Rows that were cut off a journal's end do not show in it; the name then differs all the same.
    """
    return f"{document_number(record)}/{issue}-{contents[:CONTENT_DIGITS]}"


def corrected(header: Header, correction: Correction) -> Header:
    """Return the header with one text corrected. Raises ValidationError for a text that has no place there."""
    document = header.model_dump()
    table, _, key = correction.key.rpartition(".")
    (document[table] if table else document)[key] = correction.now
    return Header.model_validate(document)


def text_of(header: Header, key: str) -> str:
    """Return a text of the header by its key."""
    table, _, name = key.rpartition(".")
    return str(getattr(getattr(header, table) if table else header, name))
