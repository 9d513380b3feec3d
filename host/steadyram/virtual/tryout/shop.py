"""The parts that lie beside the press to try, and the jobs that press them. Everything is invented.

A part has a band of force of its own in which it comes out right: below it is not seated, above it is ruined. The
verdict on a part is the plant's true peak against that band, whatever the device says.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from steadyram.press.pressfile import PressFile, apply_change, build_press, read_press_tables
from steadyram.virtual.default_press import default_press

PRESS: Final = "the press to try"


@dataclass(frozen=True)
class PartKind:
    """One kind of part. set_N, low_N, high_N: its job's set force, and the band in which it comes out right."""

    job: int
    name: str
    words: str
    set_N: float
    low_N: float
    high_N: float
    batch: int
    work: dict[str, str]


PARTS: Final = (
    PartKind(
        1,
        "pipe saddle",
        "a pipe saddle formed from strip in a die",
        48_000.0,
        44_000.0,
        52_000.0,
        8,
        {
            "kind": "dimple",
            "plateau": "30 kN",
            "travel": "5 mm",
            "stiffness": "110 kN/mm",
            "scatter": "3 %",
            "gap": "24 mm",
        },
    ),
    PartKind(
        2,
        "rivet nut",
        "a rivet nut drawn into a thin cover: it collapses, then sits",
        16_000.0,
        14_500.0,
        17_500.0,
        10,
        {
            "kind": "clinch",
            "plateau": "10 kN",
            "travel": "1.2 mm",
            "stiffness": "90 kN/mm",
            "scatter": "4 %",
            "gap": "14 mm",
        },
    ),
    PartKind(
        3,
        "hinge bushing",
        "a bronze bushing pressed into a hinge leaf until its collar sits on the leaf",
        26_000.0,
        23_000.0,
        29_000.0,
        12,
        {
            "kind": "press-fit",
            "plateau": "17 kN",
            "travel": "3 mm",
            "stiffness": "90 kN/mm",
            "scatter": "5 %",
            "gap": "18 mm",
        },
    ),
)


def kind_of(job: int) -> PartKind:
    """Return the kind of part of a job number; the first kind where the number is unknown."""
    return next((each for each in PARTS if each.job == job), PARTS[0])


def press_for(kind: PartKind, press_file: Path | None = None) -> PressFile:
    """Return the press with this kind of work under the ram. Raises BadInput for a bad press file."""
    source = press_file or default_press()
    tables = read_press_tables(source)
    for key, value in kind.work.items():
        tables = apply_change(tables, "work", key, value, PRESS)
    return build_press(tables, PRESS)


def verdict(kind: PartKind, peak_N: float) -> str:
    """Return "ruined", "good" or "not seated" for a part that has seen `peak_N`, its true peak."""
    if peak_N > kind.high_N:
        return "ruined"
    return "good" if peak_N >= kind.low_N else "not seated"
