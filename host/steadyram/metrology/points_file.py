"""Reading the points of a fit from a CSV file, refusing nonsense with the row named.

Columns `reference,reading[,direction][,run][,...]` (`x,y` is taken as the same); lines that begin
with `#` are comments. Numbers are kept as exact decimals. Rows are named by their line in the file.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from pathlib import Path

from steadyram.errors import BadInput
from steadyram.metrology.text_file import read_text

MAX_BYTES = 20_000_000
MAX_POINTS = 200_000
# Beyond this a number is a slip of the keyboard, and exact fractions would grow without bound.
MAX_EXPONENT = 60

_RISING = {"rising", "up", "increasing"}
_FALLING = {"falling", "down", "decreasing"}


@dataclass(frozen=True)
class Points:
    """What the file holds: exact numbers and the line each came from.

    direction: "rising", "falling" or None a point; run: the run's label or None; weights: the
    chosen column or None; time: the text of the time column or None.
    """

    lines: tuple[int, ...]
    reference: tuple[Fraction, ...]
    reading: tuple[Fraction, ...]
    direction: tuple[str | None, ...]
    run: tuple[str | None, ...]
    weights: tuple[Fraction, ...] | None
    time: tuple[str | None, ...] = ()


def exact_number(text: str, where: str) -> Fraction:
    """Read a decimal number exactly; BadInput naming `where` if it is none, not finite or absurd."""
    stripped = text.strip()
    if not stripped:
        raise BadInput(f"{where} is empty; give a number or take the row out.")
    try:
        if not re.fullmatch(r"[-+.0-9A-Za-z]{1,60}", stripped):
            raise InvalidOperation
        value = Decimal(stripped)
    except InvalidOperation:
        shown = stripped if len(stripped) <= 30 else stripped[:30] + "..."
        raise BadInput(f"{where} is {shown!r}, which is not a number; write 12.5 or 1.25e3.") from None
    if not value.is_finite():
        raise BadInput(f"{where} is not a finite number; take the row out or measure it again.")
    if value and abs(value.adjusted()) > MAX_EXPONENT:
        raise BadInput(f"{where} is outside anything that can be measured; check the number.")
    return Fraction(value)


def read_points(path: Path, *, weights_column: str | None = None) -> Points:
    """Read the points of `path`.

    Raises BadInput with the row named: not text, no header, a missing column, a field that is no
    number, a weight that is not positive, an unknown direction.
    """
    text = read_text(path, MAX_BYTES, "a CSV of points")
    numbered = [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not numbered:
        raise BadInput(f"{path} has no points; give a header 'reference,reading' and rows below it.")
    header_line, header_text = numbered[0]
    header = [name.strip().strip('"').lower() for name in header_text.split(",")]
    aliases = {"x": "reference", "y": "reading"}
    if "reference" not in header and "reading" not in header:
        header = [aliases.get(name, name) for name in header]
    if "reference" not in header or "reading" not in header:
        raise BadInput(
            f"{path}, row {header_line}: expected a header 'reference,reading[,direction]' and found "
            f"{header_text[:60]!r}; name the columns in the first row."
        )
    repeated = next((name for name in header if name and header.count(name) > 1), None)
    if repeated:
        raise BadInput(f"{path}, row {header_line}: the column {repeated!r} is there twice; rename one.")
    chosen = weights_column.strip().lower() if weights_column is not None else None
    if chosen is not None and chosen not in header:
        raise BadInput(f"{path} has no column {weights_column!r}; its columns are {', '.join(header)}.")
    if len(numbered) - 1 > MAX_POINTS:
        raise BadInput(f"{path} has more than {MAX_POINTS} points; thin them out.")
    lines: list[int] = []
    reference: list[Fraction] = []
    reading: list[Fraction] = []
    direction: list[str | None] = []
    run: list[str | None] = []
    weights: list[Fraction] = []
    time: list[str | None] = []
    for number, line in numbered[1:]:
        try:
            fields = next(csv.reader([line], strict=True))
        except csv.Error:
            raise BadInput(f"{path}, row {number}: the quotes do not close; correct the row.") from None
        where = f"{path}, row {number}"
        if len(fields) != len(header):
            raise BadInput(f"{where}: {len(fields)} fields, but the header has {len(header)}; correct it.")
        row = dict(zip(header, fields, strict=True))
        lines.append(number)
        reference.append(exact_number(row["reference"], f"{where}: reference"))
        reading.append(exact_number(row["reading"], f"{where}: reading"))
        way = row.get("direction", "").strip().lower()
        if way in _RISING:
            direction.append("rising")
        elif way in _FALLING:
            direction.append("falling")
        elif way:
            raise BadInput(f"{where}: direction is {way[:20]!r}; write rising or falling.")
        else:
            direction.append(None)
        run.append(row.get("run", "").strip() or None)
        time.append(row.get("time", "").strip() or None)
        if chosen is not None:
            weight = exact_number(row[chosen], f"{where}: weight")
            if weight <= 0:
                raise BadInput(f"{where}: the weight is not positive; weights are 1/sigma squared.")
            weights.append(weight)
    if not lines:
        raise BadInput(f"{path} has a header and no points below it; add rows.")
    return Points(
        tuple(lines),
        tuple(reference),
        tuple(reading),
        tuple(direction),
        tuple(run),
        tuple(weights) if chosen is not None else None,
        tuple(time),
    )


def refuse_wrong_way(points: Points, where: str) -> None:
    """Refuse a rising run that falls, or a falling run that rises; the row is named.

    A new run begins when the direction or the run's label changes, or when a run of no label starts
    again within a tenth of its span from its own first point.
    """
    first = 0
    for i in range(1, len(points.lines)):
        way, run = points.direction[i], points.run[i]
        if way is None or way != points.direction[i - 1] or run != points.run[i - 1]:
            first = i
            continue
        value, last, start = points.reference[i], points.reference[i - 1], points.reference[first]
        step = value - last
        if step == 0 or (step > 0) == (way == "rising"):
            continue
        if run is None and abs(value - start) <= abs(last - start) / 10:
            first = i
            continue
        moves, other = ("falls", "falling") if step < 0 else ("rises", "rising")
        raise BadInput(
            f"{where}, row {points.lines[i]}: the reference {moves} from {float(last):g} to "
            f"{float(value):g} on a "
            f"{way} run; take the run again, or mark the row {other}."
        )


def refuse_wrong_magnitude(
    lines: Sequence[int], reference: Sequence[Fraction], reading: Sequence[Fraction], where: str
) -> None:
    """Refuse points an order of magnitude off the others (a slipped decimal point); the row is named.

    A line through medians (Theil and Sen) predicts each reading; a point is refused when it is off
    by more than half the readings' own span, by more than 20 robust standard deviations, and no
    other reading is as far away. It is meant for slips, not for scatter.
    """
    n = len(lines)
    if n < 4:
        return
    xs = [float(v) for v in reference]
    ys = [float(v) for v in reading]
    order = sorted(range(n), key=lambda i: xs[i])
    # Every pair while that is cheap; beyond, pairs half the data apart.
    pairs = (
        [(i, j) for i in range(n) for j in range(n) if xs[j] > xs[i]]
        if n <= 60
        else [(order[i], order[i + n // 2]) for i in range(n - n // 2)]
    )
    slopes = sorted((ys[j] - ys[i]) / (xs[j] - xs[i]) for i, j in pairs if xs[j] > xs[i])
    if not slopes:
        return
    slope = slopes[len(slopes) // 2]
    offset = sorted(y - slope * x for x, y in zip(xs, ys, strict=True))[n // 2]
    deviations = [abs(y - slope * x - offset) for x, y in zip(xs, ys, strict=True)]
    robust_sd = 1.4826 * sorted(deviations)[n // 2]
    span = abs(slope) * (max(xs) - min(xs))
    worst = max(range(n), key=lambda i: deviations[i])
    if span > 0.0 and deviations[worst] > max(20.0 * robust_sd, 0.5 * span):
        expected = slope * xs[worst] + offset
        raise BadInput(
            f"{where}, row {lines[worst]}: the reading {ys[worst]:g} at reference {xs[worst]:g} is out "
            f"of scale with the others (about {expected:.3g} would fit); check decimal point and unit."
        )
