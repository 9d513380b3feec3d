"""A part's bends in the order they are struck, as a TOML file.

    name = "bracket"
    material = "mild-steel-cold-rolled"     # or yield, tensile and modulus
    thickness = "2 mm"
    blank = "180 mm"                        # flat length across the bends, to check the last flange

    [tooling]
    opening = "16 mm"
    punch_radius = "1 mm"
    shoulder_radius = "2 mm"
    die_angle = "60 deg"
    rating = "600 kN/m"

    [[bend]]
    angle = "90 deg"                        # included: what a protractor shows
    length = "300 mm"
    position = "40 mm"                      # on the flat blank, from edge A to the bend line

    [bed]                                   # optional: its bow is taken out of the depth
    span = "600 mm"
    inertia = "1500 cm^4"

Edge A is the edge of the blank that every position counts from; edge B lies across from it. Which of them goes
against the back gauge is said at each bend.

Instead of [[bend]] tables, `bends_csv = "bends.csv"` names a file beside it with the columns angle, length and
position, and name if wanted, each value with its unit.
"""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, Field, ValidationError, model_validator

from steadyram.bending.crowning import Bed
from steadyram.bending.plan import BendPlan, plan_bend
from steadyram.bending.quantities import Angle, Length, Modulus, Ratio, Strength, Table, Thickness
from steadyram.bending.sheet import Sheet, sheet_of
from steadyram.bending.tooling import Tooling
from steadyram.errors import BadInput
from steadyram.plain_file import read_plain
from steadyram.toml_text import parse_toml

_FILE_MOST = 200_000
_BENDS_MOST = 100
_EXAMPLE = "see `steadyram bend check --help` for an example"
_COLUMNS = ("name", "angle", "length", "position")


def _shown(text: str) -> str:
    if not text.isprintable():
        raise ValueError("has signs in it that cannot be shown; write it with plain letters")
    return text


Words = Annotated[str, Field(max_length=200), AfterValidator(_shown)]


class Bend(Table):
    """One bend: included angle (rad), length (m), position of the bend line on the flat blank (m)."""

    angle: Angle
    length: Length
    position: Length | None = None
    name: Words = ""

    @property
    def bend_rad(self) -> float:
        """Bend angle: 0 is flat."""
        return math.pi - self.angle


class BendList(Table):
    """A whole bend list; lengths in metres, strengths in pascals."""

    name: Words = ""
    material: Words | None = None
    yield_: Strength | None = Field(default=None, alias="yield")
    tensile: Strength | None = None
    modulus: Modulus | None = None
    thickness: Thickness
    k_factor: Ratio | None = None
    blank: Length | None = None
    tooling: Tooling
    bed: Bed | None = None
    bends_csv: Words | None = None
    bend: Annotated[list[Bend], Field(min_length=1, max_length=_BENDS_MOST)]

    @model_validator(mode="after")
    def _placed(self) -> BendList:
        if self.blank is not None and any((each.position or 0.0) >= self.blank for each in self.bend):
            raise ValueError("a bend's position is beyond the blank; check position and blank")
        return self

    @property
    def sheet(self) -> Sheet:
        """The sheet. Raises BadInput when its figures are missing or contradict each other."""
        return sheet_of(
            self.thickness,
            self.material,
            yield_Pa=self.yield_,
            tensile_Pa=self.tensile,
            modulus_Pa=self.modulus,
        )


@dataclass(frozen=True)
class PlannedBend:
    """One bend of a list with its plan and what the list as a whole says against it."""

    number: int
    bend: Bend
    plan: BendPlan
    warnings: tuple[str, ...]


def plan_list(bends: BendList, capacity_N: float | None = None) -> list[PlannedBend]:
    """Plan every bend of a list, with the flanges between them checked.

    What is not checked: whether a leg already bent meets the punch or its holder. Raises BadInput as plan_bend does,
    naming the bend.
    """
    sheet = bends.sheet
    planned = []
    for number, bend in enumerate(bends.bend, start=1):
        try:
            plan = plan_bend(
                bends.tooling,
                sheet,
                bend.length,
                bend.bend_rad,
                k_factor=bends.k_factor,
                bed=bends.bed,
                capacity_N=capacity_N,
            )
        except BadInput as error:
            raise BadInput(f"bend {number}: {error}") from None
        planned.append(
            PlannedBend(number, bend, plan, (*plan.warnings, *_flange_warnings(bends, bend, plan)))
        )
    return planned


def _flange_warnings(bends: BendList, bend: Bend, plan: BendPlan) -> list[str]:
    if bend.position is None:
        return []
    edges = [("edge A", 0.0)]
    if bends.blank is not None:
        edges.append(("edge B", bends.blank))
    edges += [
        (f"bend {number}", other.position)
        for number, other in enumerate(bends.bend, start=1)
        if other is not bend and other.position is not None
    ]
    return [
        f"only {abs(bend.position - place) * 1e3:.4g} mm to {what}, and this die needs "
        f"{plan.least_flange_m * 1e3:.4g} mm: the flange falls into the V; take a narrower die"
        for what, place in edges
        if abs(bend.position - place) < plan.least_flange_m
    ]


def read_bend_list(path: str | Path) -> BendList:
    """Read a bend list. Raises BadInput with one sentence that names file, bend, key and remedy."""
    tables = _toml(path)
    beside = tables.get("bends_csv")
    if isinstance(beside, str):
        if "bend" in tables:
            raise BadInput(f"{path}: give the bends either in [[bend]] tables or in bends_csv, not in both.")
        if Path(beside).name != beside:
            raise BadInput(f"{path}: bends_csv is the name of a file beside the list, without a folder.")
        tables["bend"] = _rows(Path(path).parent / beside)
    return build_bend_list(tables, str(path))


def build_bend_list(tables: dict[str, Any], origin: str) -> BendList:
    """Validate raw tables. Raises BadInput with one sentence for the first thing wrong."""
    try:
        return BendList.model_validate(tables)
    except ValidationError as error:
        raise BadInput(f"{origin}: {first_error(error)}; {_EXAMPLE}.") from None


def first_error(error: ValidationError) -> str:
    """The first complaint of a pydantic model, as part of a sentence."""
    first = error.errors()[0]
    places = [f"{part + 1}" if isinstance(part, int) else str(part) for part in first["loc"]]
    where = " ".join(places) if places else "the table"
    if first["type"] == "extra_forbidden":
        return f"{where[:80]} is not a known key"
    if first["type"] == "missing":
        return f"{where} is missing"
    message = first["msg"].removeprefix("Value error, ").removeprefix("Input ")
    return f"{where} {message[:300]}" if places else message[:300]


def _toml(path: str | Path) -> dict[str, Any]:
    text = _text(path, "bend list", "a TOML file")
    try:
        return parse_toml(text)
    except ValueError as error:
        raise BadInput(f"The bend list {path} is not TOML ({error}); {_EXAMPLE}.") from None


def _text(path: str | Path, what: str, kind: str) -> str:
    try:
        raw = read_plain(path, _FILE_MOST)
    except OSError as error:
        raise BadInput(
            f"The {what} {path} cannot be read ({error.strerror}); give the path of {kind}."
        ) from None
    if len(raw) > _FILE_MOST:
        raise BadInput(f"The {what} {path} is too large to be one; give the path of {kind}.")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadInput(f"The {what} {path} is not text in UTF-8; save it as such.") from None


def _rows(path: Path) -> list[dict[str, str]]:
    lines = [
        line for line in _text(path, "table of bends", "a CSV file").splitlines() if not line.startswith("#")
    ]
    reader = csv.DictReader(io.StringIO("\n".join(lines)), strict=True)
    try:
        header = [(name or "").strip() for name in reader.fieldnames or []]
        if not {"angle", "length"} <= set(header) or not set(header) <= set(_COLUMNS):
            raise BadInput(
                f"{path}: the columns must be angle, length, and position and name if wanted, not "
                f"{', '.join(header)[:120]}."
            )
        reader.fieldnames = header
        rows = []
        for row in reader:
            if None in row or None in row.values():
                raise BadInput(
                    f"{path}: line {reader.line_num} has not as many values as the header has columns."
                )
            rows.append({key: value.strip() for key, value in row.items() if value.strip()})
    except csv.Error as error:
        raise BadInput(f"{path}: not a CSV file ({error}); write one bend a line.") from None
    return rows
