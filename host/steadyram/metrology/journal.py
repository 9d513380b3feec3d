"""The journal of a calibration in progress: one line for the header, one a point, each flushed to disk.

An interruption loses at most the point that was being written: a torn last line is dropped when the
journal is opened again. JSON Lines; the header line is `{"header": {...}}`, points `{"point": {...}}`,
the closing zero `{"zero_counts_after": ...}`. A point that was mistyped is taken back by `{"taken_back": ROW}`; its own
line stays. `{"run_begun": {...}}` holds what was answered and read before a run, `{"ambient_end_C": ...}` the
temperature at the end. After the calibration come what a device held when it was asked, `{"read_back": {...}}`, and the
documents that were made of it, `{"issued": {...}}`; from the first of these on no point is taken. A text of the header
that was wrong is corrected by `{"corrected": {...}}` with a reason; the header's own line stays.

Each line carries in `chain` the SHA-256 digest of its own content and of the line before, so that a changed,
added or removed line shows, and is named by its row; the digest of the last line stands for the whole record. Lines
cut off at the end do not show in the chain: what is left lacks the closing zero and earns no class.
A chain shows an edit by hand or a damaged disk. It is no signature: whoever can run this program can write a
new one, so the digest is printed on the certificate. Journals of before carry none and are said to.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
from datetime import datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from steadyram.errors import BadInput
from steadyram.metrology.header import Environment, Header, Point, RunStart
from steadyram.metrology.record import (
    CORRECTABLE,
    Acceptance,
    CalibrationRecord,
    Correction,
    Issue,
    ReadBack,
    corrected,
    text_of,
)
from steadyram.metrology.text_file import read_bytes

MAX_BYTES = 5_000_000
CHAIN = "chain"


class Journal:
    """An open journal; `record` is what it holds so far."""

    def __init__(self, path: Path, record: CalibrationRecord, lines: int = 0, tip: str = "") -> None:
        """lines: rows of the file; tip: digest of the last of them."""
        self.path = path
        self.record = record
        self._lines = lines
        self._tip = tip
        self._chained = bool(tip) or not lines

    @classmethod
    def begin(cls, path: Path, header: Header) -> Journal:
        """Make a new journal. Raises BadInput if the file exists or cannot be made."""
        try:
            with path.open("x", encoding="utf-8"):
                pass
        except FileExistsError:
            raise BadInput(f"{path} exists already; resume it, or choose another name.") from None
        except OSError as error:
            raise BadInput(f"{path} cannot be made ({error.strerror}); choose another place.") from None
        journal = cls(path, CalibrationRecord(header=header, points=(), rows=(), digest=""))
        digest = journal._append({"header": header.model_dump(mode="json")})
        journal.record = journal.record.model_copy(update={"digest": digest})
        return journal

    @classmethod
    def resume(cls, path: Path) -> Journal:
        """Open a journal again; a torn last line is cut off the file."""
        raw = read_bytes(path, MAX_BYTES, "a calibration journal")
        whole = raw[: raw.rfind(b"\n") + 1]
        journal = cls(path, *_parse(whole, path))
        if len(whole) != len(raw):
            with path.open("r+b") as out:
                out.truncate(len(whole))
        return journal

    def add(self, point: Point) -> None:
        """Append a point and flush it to disk. Raises BadInput once a document was made of the record."""
        self._refuse_finished()
        digest = self._append({"point": point.model_dump(mode="json")})
        rows = (*self.record.rows, self._lines)
        self.record = self.record.model_copy(
            update={"points": (*self.record.points, point), "rows": rows, "digest": digest}
        )

    def take_back(self) -> int:
        """Take the newest point back; returns its row. Raises BadInput where there is none."""
        self._refuse_finished()
        if not self.record.points:
            raise BadInput("There is no point to take back.")
        if any(start.run > self.record.points[-1].run for start in self.record.starts):
            raise BadInput(
                "The newest point is of the run before, and this run has begun: it cannot be taken again in its place. "
                "Begin a new journal if it is wrong."
            )
        row = self.record.rows[-1]
        digest = self._append({"taken_back": row})
        self.record = self.record.model_copy(
            update={
                "points": self.record.points[:-1],
                "rows": self.record.rows[:-1],
                "taken_back": (*self.record.taken_back, row),
                "digest": digest,
            }
        )
        return row

    def begin_run(self, start: RunStart) -> None:
        """Append what was done before a run."""
        self._refuse_finished()
        digest = self._append({"run_begun": start.model_dump(mode="json")})
        self.record = self.record.model_copy(
            update={"starts": (*self.record.starts, start), "digest": digest}
        )

    def end_temperature(self, ambient_C: float) -> None:
        """Append the ambient temperature at the end (degrees Celsius)."""
        digest = self._append({"ambient_end_C": ambient_C})
        self.record = self.record.model_copy(
            update={"header": _ended_at(self.record.header, ambient_C), "digest": digest}
        )

    def issued(self, issue: Issue) -> None:
        """Append that a document was made of the record; the record's own digest stays."""
        self._append({"issued": issue.model_dump(mode="json")})
        self.record = self.record.model_copy(update={"issues": (*self.record.issues, issue)})

    def read_back(self, held: ReadBack) -> None:
        """Append what a device held when it was asked; the record's own digest stays."""
        self._append({"read_back": held.model_dump(mode="json")})
        self.record = self.record.model_copy(update={"read_backs": (*self.record.read_backs, held)})

    def accept(self, accepted: Acceptance) -> None:
        """Append why a calibration that is off the nameplate is used; the record's own digest stays."""
        self._append({"accepted": accepted.model_dump(mode="json")})
        self.record = self.record.model_copy(update={"acceptances": (*self.record.acceptances, accepted)})

    def correct(self, key: str, text: str, reason: str, at: datetime) -> Correction:
        """Append the correction of one text of the header. Raises BadInput for a key that is none of them."""
        if key not in CORRECTABLE:
            raise BadInput(
                f"{key} is no text that can be corrected after the calibration; these are: {', '.join(CORRECTABLE)}. "
                "A wrong figure needs a new calibration."
            )
        was = text_of(self.record.header, key)
        if text.strip() == was:
            raise BadInput(f"{key} is '{was[:60]}' already; there is nothing to correct.")
        try:
            made = Correction(key=key, was=was, now=text.strip(), reason=reason.strip(), at=at)
            header = corrected(self.record.header, made)
        except ValidationError as error:
            raise BadInput(f"{key}: {error.errors()[0]['msg'][:120]}; give another text.") from None
        self._append({"corrected": made.model_dump(mode="json")})
        self.record = self.record.model_copy(
            update={"header": header, "corrections": (*self.record.corrections, made)}
        )
        return made

    def _refuse_finished(self) -> None:
        if self.record.issues:
            raise BadInput(
                f"{self.path}: {self.record.issues[-1].name} was made of this record, so it takes no more points; "
                "begin a new journal."
            )

    def close_zero(self, counts: float) -> None:
        """Append the reading at rest after the last run."""
        digest = self._append({"zero_counts_after": counts})
        header = self.record.header.model_copy(update={"zero_counts_after": counts})
        self.record = self.record.model_copy(update={"header": header, "digest": digest})

    def _append(self, document: dict[str, object]) -> str:
        """Write one line; returns its digest, "" in a journal that was begun without."""
        digest = chained(self._tip, document) if self._chained else ""
        if digest:
            document = document | {CHAIN: digest}
        try:
            with self.path.open("ab") as out:
                out.write(json.dumps(document, allow_nan=False).encode("ascii") + b"\n")
                out.flush()
                os.fsync(out.fileno())
        except OSError as error:
            raise BadInput(
                f"{self.path} cannot be written ({error.strerror}); free the disk and resume."
            ) from None
        self._lines += 1
        self._tip = digest
        return digest


def _ended_at(header: Header, ambient_C: float) -> Header:
    told = header.environment.model_dump() | {"ambient_end_C": ambient_C}
    return header.model_copy(update={"environment": Environment.model_validate(told)})


def chained(before: str, document: dict[str, object]) -> str:
    """Return the digest of a line's content and of the digest before it, as hexadecimal."""
    text = json.dumps(document, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(f"{before}\n{text}".encode("ascii")).hexdigest()


def read_journal(path: Path) -> CalibrationRecord:
    """Read a journal without changing it. Raises BadInput, the row named, when it is none."""
    raw = read_bytes(path, MAX_BYTES, "a calibration journal")
    return _parse(raw[: raw.rfind(b"\n") + 1], path)[0]


class _Read:
    """What the rows of a journal held so far."""

    def __init__(self) -> None:
        self.header: Header | None = None
        self.points: list[Point] = []
        self.rows: list[int] = []
        self.taken_back: list[int] = []
        self.starts: list[RunStart] = []
        self.issues: list[Issue] = []
        self.held: list[ReadBack] = []
        self.corrections: list[Correction] = []
        self.acceptances: list[Acceptance] = []
        self.digest = ""

    @property
    def finished(self) -> bool:
        """True once something was made of the calibration."""
        return bool(self.issues)

    def take(self, number: int, document: dict[str, Any], digest: str) -> bool:
        """Take one row; False when it has no place here. Raises ValidationError, ValueError, TypeError."""
        ((kind, value),) = document.items()
        if kind == "header" and self.header is None:
            self.header = Header.model_validate_json(json.dumps(value))
        elif self.header is None:
            return False
        elif kind == "issued":
            self.issues.append(Issue.model_validate(value))
            return True
        elif kind == "read_back":
            self.held.append(ReadBack.model_validate(value))
            return True
        elif kind == "accepted":
            self.acceptances.append(Acceptance.model_validate(value))
            return True
        elif kind == "corrected":
            self.corrections.append(Correction.model_validate(value))
            self.header = corrected(self.header, self.corrections[-1])
            return True
        elif self.finished:
            return False
        elif kind == "point":
            self.points.append(Point.model_validate(value))
            self.rows.append(number)
        elif kind == "taken_back" and self.rows and value == self.rows[-1]:
            self.points.pop()
            self.taken_back.append(self.rows.pop())
        elif kind == "run_begun":
            self.starts.append(RunStart.model_validate(value))
        elif kind == "zero_counts_after":
            self.header = self.header.model_copy(update={"zero_counts_after": _number(value)})
        elif kind == "ambient_end_C":
            self.header = _ended_at(self.header, _number(value))
        else:
            return False
        self.digest = digest
        return True

    def record(self, header: Header) -> CalibrationRecord:
        """Return the record that the rows make."""
        return CalibrationRecord(
            header=header,
            points=tuple(self.points),
            rows=tuple(self.rows),
            taken_back=tuple(self.taken_back),
            starts=tuple(self.starts),
            digest=self.digest,
            issues=tuple(self.issues),
            read_backs=tuple(self.held),
            corrections=tuple(self.corrections),
            acceptances=tuple(self.acceptances),
        )


def _number(value: object) -> float:
    number = float(value)  # type: ignore[arg-type]
    if not math.isfinite(number):
        raise ValueError
    return number


def _parse(raw: bytes, path: Path) -> tuple[CalibrationRecord, int, str]:
    """Return the record, the number of rows and the digest of the last of them."""
    read, number = _Read(), 0
    tip: str | None = None
    for number, line in enumerate(raw.splitlines(), start=1):
        where = f"{path}, row {number}"
        try:
            document = json.loads(line)
        except (UnicodeDecodeError, ValueError, RecursionError):
            raise BadInput(
                f"{where}: this is not a calibration journal; give the file that 'new' made."
            ) from None
        told = document.pop(CHAIN, "") if isinstance(document, dict) else ""
        if not isinstance(document, dict) or len(document) != 1:
            raise BadInput(f"{where}: expected a header or a point; correct the row or take it out.")
        tip = _follow(tip, document, told, where)
        try:
            if not read.take(number, document, tip):
                raise BadInput(f"{where}: expected a header first and points after it.")
        except ValidationError as error:
            first = error.errors()[0]
            key = ".".join(str(p) for p in first["loc"]) or "it"
            message = first["msg"].removeprefix("Value error, ")
            raise BadInput(f"{where}: {key}: {message[:200]}; correct the row.") from None
        except (TypeError, ValueError):
            raise BadInput(f"{where}: the value is not a number; take the row out.") from None
    if read.header is None:
        raise BadInput(f"{path} holds no calibration; make one with 'calibration by-hand'.")
    return read.record(read.header), number, tip or ""


def _follow(before: str | None, document: dict[str, object], told: object, where: str) -> str:
    """Check a line's digest against the line before (None: it is the first); returns it, "" without a chain."""
    if before == "" or (before is None and not told):
        if told:
            raise BadInput(
                f"{where}: this row carries a digest and the ones before do not; restore the journal."
            )
        return ""
    try:
        due = chained(before or "", document)
    except ValueError:
        due = ""
    if told != due:
        raise BadInput(
            f"{where}: its digest does not match: this row was changed after it was written, or one was added or "
            "taken out before it; restore the journal from a copy, or calibrate again."
        )
    return due
