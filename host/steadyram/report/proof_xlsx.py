"""The proof of a batch as a workbook: the first sheet says what was found, the second has every stroke."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from typing import Any

from steadyram.config import Preferences
from steadyram.report import proof_text as words
from steadyram.report.page import clean
from steadyram.report.proof import Proof
from steadyram.report.proof_csv import proof_rows

_TIMES = ("at_utc", "verdict_utc")


def proof_xlsx(proof: Proof, units: Preferences) -> bytes:
    """The whole workbook; times are dates of the spreadsheet, in UTC, and texts are never formulas."""
    from openpyxl import Workbook
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    book = Workbook()
    front = book.active
    front.title = "proof"
    _text(front, 1, 1, words.headline(proof)).font = Font(bold=True)
    row = 3
    for finding in words.proof_findings(proof, units):
        _text(front, row, 1, "look at this" if finding.grave else "note")
        _text(front, row, 2, finding.text)
        row += 1
    for key, value in [
        *words.fact_rows(proof, units),
        *((a, b) for a, b, _ in words.index_rows(proof, units)),
    ]:
        row += 1
        _text(front, row, 1, key)
        _text(front, row, 2, value)
    front.column_dimensions["A"].width, front.column_dimensions["B"].width = 24, 100
    sheet = book.create_sheet("strokes")
    rows = proof_rows(proof)
    keys = list(dict.fromkeys(key for each in rows for key in each))
    for column, key in enumerate(keys, start=1):
        _text(sheet, 1, column, key).font = Font(bold=True)
        sheet.column_dimensions[get_column_letter(column)].width = max(10, len(key) + 2)
    for number, each in enumerate(rows, start=2):
        for column, key in enumerate(keys, start=1):
            _put(sheet, number, column, key, each.get(key))
    sheet.freeze_panes = "A2"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _put(sheet: Any, row: int, column: int, key: str, value: Any) -> None:
    if value is None or value == "":
        return
    if key in _TIMES:
        moment = datetime.strptime(str(value), "%Y-%m-%d %H:%M:%S").replace(tzinfo=UTC)
        # A spreadsheet's times have no zone; the column's name says that they are UTC.
        sheet.cell(row, column, moment.replace(tzinfo=None)).number_format = "yyyy-mm-dd hh:mm:ss"
    elif isinstance(value, list):
        _text(sheet, row, column, " ".join(str(each) for each in value))
    elif isinstance(value, str):
        _text(sheet, row, column, value)
    else:
        sheet.cell(row, column, value)


def _text(sheet: Any, row: int, column: int, text: str) -> Any:
    """A cell of text, whatever it begins with: a job's name is anybody's."""
    cell = sheet.cell(row, column)
    cell.value = clean(text)
    cell.data_type = "s"
    return cell
