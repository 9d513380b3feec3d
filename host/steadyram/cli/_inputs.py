"""Types of parameters that every command shares: plain numbers, and places to write to."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Final

import click

from steadyram.errors import BadInput
from steadyram.plain_file import refuse_place

# Beyond this no count, seed or record number of a command has a use; it is what a database's integer holds.
INTEGER_MOST: Final = 2**63 - 1
_PLAIN = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")


class Number(click.ParamType[float]):
    """A finite number within bounds, in a unit that is said in the help; a quantity with a unit is taken, too.

    low, high: bounds, both allowed values; unit: a unit that pint reads, "" for a plain number.
    """

    name = "number"

    def __init__(self, low: float, high: float, unit: str = "") -> None:
        self.low, self.high, self.unit = low, high, unit

    def convert(self, value: str | float, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number in `unit`; fails with one sentence."""
        text = str(value).strip()
        if _PLAIN.fullmatch(text):
            number = float(text)
        elif self.unit and text and text[0] in "+-.0123456789":
            from steadyram.units import parse

            try:
                number = parse(text, self.unit, what="it")
            except BadInput as error:
                self.fail(str(error), param, ctx)
        else:
            self.fail(f"'{text[:60]}' is not a number{self._of()}; give {self._range()}.", param, ctx)
        if not math.isfinite(number) or not self.low <= number <= self.high:
            self.fail(f"{text[:60]} is out of range; give {self._range()}.", param, ctx)
        return number

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:
        """Return what the help shows in place of the value."""
        return self.unit.upper() + "S" if self.unit == "second" else "NUMBER"

    def _of(self) -> str:
        return f" of {self.unit}s" if self.unit else ""

    def _range(self) -> str:
        unit = f" {self.unit}s" if self.unit else ""
        return f"{_plainly(self.low)} to {_plainly(self.high)}{unit}"


def _plainly(number: float) -> str:
    """Return a number as people write it: 320,000,000, 0.05."""
    return f"{number:,.0f}" if number % 1 == 0 else f"{number:g}"


def _between(low: float, high: float, si_unit: str) -> str:
    """Return bounds in words; a ratio in per cent."""
    scale, unit = (100.0, "%") if si_unit == "dimensionless" else (1.0, si_unit)
    if not math.isfinite(high):
        return f"{_plainly(scale * low)} {unit} or more"
    if not math.isfinite(low):
        return f"at most {_plainly(scale * high)} {unit}"
    return f"{_plainly(scale * low)} to {_plainly(scale * high)} {unit}"


class Measured(click.ParamType[str]):
    """A quantity with its unit, checked before the command begins and handed on as it was written.

    si_unit: unit of its kind; low, high: bounds in that unit, both allowed.
    """

    name = "quantity"

    def __init__(self, si_unit: str, low: float = -math.inf, high: float = math.inf) -> None:
        self.si_unit, self.low, self.high = si_unit, low, high

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return the text; fails with one sentence where it is no such quantity."""
        from steadyram.units import parse

        try:
            found = parse(value, self.si_unit, what="it")
        except BadInput as error:
            self.fail(str(error), param, ctx)
        if not self.low <= found <= self.high:
            self.fail(
                f"'{value}' is out of range; give {_between(self.low, self.high, self.si_unit)}.", param, ctx
            )
        return value


class Words(click.ParamType[str]):
    """Text that says something: given, it is not blank."""

    name = "text"

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return the text without blanks around it; fails with one sentence."""
        if not value.strip():
            self.fail("nothing is written there; write it or leave the option out.", param, ctx)
        return value.strip()


NAMED: Final = Words()


class Place(click.ParamType[Path]):
    """A file or folder that a command will write: refused at once where it could not, before any work is done.

    folder: a folder, which may be there or not; otherwise a file.
    """

    name = "path"

    def __init__(self, *, folder: bool = False) -> None:
        self.folder = folder

    def convert(self, value: str | Path, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """Return the path; fails with one sentence."""
        path = Path(value)
        try:
            refuse_place(path, folder=self.folder)
        except BadInput as error:
            self.fail(str(error), param, ctx)
        return path


PLACE: Final = Place()
FOLDER: Final = Place(folder=True)
