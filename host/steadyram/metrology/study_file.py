"""Reading a gauge study from CSV: `part,operator,reading`, every part by every operator, repeated."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import TYPE_CHECKING

from steadyram.errors import BadInput
from steadyram.late import np
from steadyram.metrology.points_file import exact_number
from steadyram.metrology.text_file import read_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

MAX_BYTES = 1_000_000


def read_study(path: Path) -> NDArray[np.float64]:
    """Readings of shape (parts, operators, repeats). Raises BadInput with the row named."""
    text = read_text(path, MAX_BYTES, "a gauge study")
    cells: dict[tuple[str, str], list[float]] = {}
    header: list[str] | None = None
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        try:
            fields = [f.strip() for f in next(csv.reader([line], strict=True))]
        except csv.Error:
            raise BadInput(f"{path}, row {number}: the quotes do not close; correct the row.") from None
        if header is None:
            header = [f.lower() for f in fields]
            if not {"part", "operator", "reading"} <= set(header):
                raise BadInput(f"{path}, row {number}: expected a header 'part,operator,reading'.")
            continue
        if len(fields) != len(header):
            raise BadInput(
                f"{path}, row {number}: {len(fields)} fields, but the header has {len(header)}; correct it."
            )
        row = dict(zip(header, fields, strict=True))
        value = float(exact_number(row["reading"], f"{path}, row {number}: reading"))
        cells.setdefault((row["part"], row["operator"]), []).append(value)
    parts = list(dict.fromkeys(p for p, _ in cells))
    operators = list(dict.fromkeys(o for _, o in cells))
    repeats = {len(v) for v in cells.values()}
    if len(cells) != len(parts) * len(operators) or len(repeats) != 1:
        raise BadInput(
            f"{path}: every part must be read by every operator the same number of times; complete the study."
        )
    return np.asarray([[cells[p, o] for o in operators] for p in parts], dtype=np.float64)
