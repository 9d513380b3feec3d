"""The journal of a calibration in progress: one line for the header, one a point, each flushed to disk.

An interruption loses at most the point that was being written: a torn last line is dropped when the
journal is opened again. JSON Lines; the header line is `{"header": {...}}`, points `{"point": {...}}`,
the closing zero `{"zero_counts_after": ...}`. A point that was mistyped is taken back by `{"taken_back": ROW}`; its own
line stays.

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
from pathlib import Path

from pydantic import ValidationError

from steadyram.errors import BadInput
from steadyram.metrology.header import Header, Point
from steadyram.metrology.record import CalibrationRecord
from steadyram.metrology.text_file import read_bytes

MAX_BYTES = 5_000_000
CHAIN = "chain"


class Journal:
    """An open journal; `record` is what it holds so far."""

    def __init__(self, path: Path, record: CalibrationRecord) -> None:
        self.path = path
        self.record = record
        self._chained = bool(record.digest) or not record.points
        closed = record.header.zero_counts_after is not None
        self._lines = 1 + len(record.points) + 2 * len(record.taken_back) + closed

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
        journal._lines = 0
        digest = journal._append({"header": header.model_dump(mode="json")})
        journal.record = journal.record.model_copy(update={"digest": digest})
        return journal

    @classmethod
    def resume(cls, path: Path) -> Journal:
        """Open a journal again; a torn last line is cut off the file."""
        raw = read_bytes(path, MAX_BYTES, "a calibration journal")
        whole = raw[: raw.rfind(b"\n") + 1]
        journal = cls(path, _parse(whole, path))
        if len(whole) != len(raw):
            with path.open("r+b") as out:
                out.truncate(len(whole))
        return journal

    def add(self, point: Point) -> None:
        """Append a point and flush it to disk."""
        digest = self._append({"point": point.model_dump(mode="json")})
        rows = (*self.record.rows, self._lines)
        self.record = self.record.model_copy(
            update={"points": (*self.record.points, point), "rows": rows, "digest": digest}
        )

    def take_back(self) -> int:
        """Take the newest point back; returns its row. Raises BadInput where there is none."""
        if not self.record.points:
            raise BadInput("There is no point to take back.")
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

    def close_zero(self, counts: float) -> None:
        """Append the reading at rest after the last run."""
        digest = self._append({"zero_counts_after": counts})
        header = self.record.header.model_copy(update={"zero_counts_after": counts})
        self.record = self.record.model_copy(update={"header": header, "digest": digest})

    def _append(self, document: dict[str, object]) -> str:
        """Write one line; returns its digest, "" in a journal that was begun without."""
        digest = chained(self.record.digest, document) if self._chained else ""
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
        return digest


def chained(before: str, document: dict[str, object]) -> str:
    """Return the digest of a line's content and of the digest before it, as hexadecimal."""
    text = json.dumps(document, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(f"{before}\n{text}".encode("ascii")).hexdigest()


def read_journal(path: Path) -> CalibrationRecord:
    """Read a journal without changing it. Raises BadInput, the row named, when it is none."""
    raw = read_bytes(path, MAX_BYTES, "a calibration journal")
    return _parse(raw[: raw.rfind(b"\n") + 1], path)


def _parse(raw: bytes, path: Path) -> CalibrationRecord:
    header: Header | None = None
    points: list[Point] = []
    rows: list[int] = []
    taken_back: list[int] = []
    zero_after: float | None = None
    digest: str | None = None
    for number, line in enumerate(raw.splitlines(), start=1):
        where = f"{path}, row {number}"
        try:
            document = json.loads(line)
        except (ValueError, RecursionError):
            raise BadInput(
                f"{where}: this is not a calibration journal; give the file that 'new' made."
            ) from None
        told = document.pop(CHAIN, "") if isinstance(document, dict) else ""
        if not isinstance(document, dict) or len(document) != 1:
            raise BadInput(f"{where}: expected a header or a point; correct the row or take it out.")
        digest = _follow(digest, document, told, where)
        try:
            if "header" in document and header is None:
                header = Header.model_validate_json(json.dumps(document["header"]))
            elif "point" in document and header is not None:
                points.append(Point.model_validate(document["point"]))
                rows.append(number)
            elif "taken_back" in document and rows and document["taken_back"] == rows[-1]:
                points.pop()
                taken_back.append(rows.pop())
            elif "zero_counts_after" in document and header is not None:
                zero_after = float(document["zero_counts_after"])
                if not math.isfinite(zero_after):
                    raise ValueError
            else:
                raise BadInput(f"{where}: expected a header first and points after it.")
        except ValidationError as error:
            first = error.errors()[0]
            key = ".".join(str(p) for p in first["loc"]) or "it"
            message = first["msg"].removeprefix("Value error, ")
            raise BadInput(f"{where}: {key}: {message[:200]}; correct the row.") from None
        except (TypeError, ValueError):
            raise BadInput(f"{where}: the closing zero is not a number; take the row out.") from None
    if header is None:
        raise BadInput(f"{path} holds no calibration; make one with 'calibration by-hand'.")
    if zero_after is not None:
        header = header.model_copy(update={"zero_counts_after": zero_after})
    return CalibrationRecord(
        header=header,
        points=tuple(points),
        rows=tuple(rows),
        taken_back=tuple(taken_back),
        digest=digest or "",
    )


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
