"""The parts that lie beside the press to try: those of the demo's invented shop.

A part has a band of force of its own in which it comes out right: below it is not seated, above it is ruined. The
verdict on a part is the plant's true peak against that band, whatever the device says.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from steadyram.press.pressfile import PressFile, apply_change, build_press, read_press_tables
from steadyram.virtual.default_press import default_press
from steadyram.virtual.demo_shop import ORDER, Order

PARTS: Final = ORDER
_PRESS: Final = "the press to try"


def kind_of(job: int) -> Order:
    """Return the kind of part of a job number; the first kind where the number is unknown."""
    return next((each for each in PARTS if each.slot == job), PARTS[0])


def press_for(kind: Order, press_file: Path | None = None) -> PressFile:
    """Return the press with this kind of work under the ram. Raises BadInput for a bad press file."""
    tables = read_press_tables(press_file or default_press())
    for key, value in kind.work.items():
        tables = apply_change(tables, "work", key, value, _PRESS)
    return build_press(tables, _PRESS)


def verdict(kind: Order, peak_N: float) -> str:
    """Return "ruined", "good" or "not seated" for a part that has seen `peak_N`, its true peak."""
    if peak_N > 1000.0 * kind.high_kN:
        return "ruined"
    return "good" if peak_N >= 1000.0 * kind.low_kN else "not seated"
