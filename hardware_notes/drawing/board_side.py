"""The board's half of the cabinet: carrier with its pins as they sit, converter, dividers, each screw with its wire."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

from sheet import Sheet

from steadyram.press.parts_list import tables
from steadyram.press.pressfile import read_press
from steadyram.press.sizing_parts import Wiring

PRESSES = Path(__file__).resolve().parents[1] / "presses"
PITCH = 25
LEFT, TOP = 400, 80
WIDE = 150
# Devices beside the carrier, and the start of their terminals' names in the wire list.
BLOCKS = (
    ("E2 converter", "converter E2:"),
    ("E16 divider 1: signal", "divider 1 "),
    ("E16 divider 2: supply", "divider 2 "),
    ("E3 display", "display "),
    ("sensor's plug", "sensor plug "),
    ("E6 24 to 5 V", "converter E6 output "),
)
FOOT = """\
Pins as they sit, board seen from above, USB at the top: number of the pin inside, wire and its other end outside.
From the wire list of the reference build; another press has those of its own list only (a hand pump: no 5, 7, 22, 24).
Divider: 10 kΩ from top to middle; 15 kΩ and 100 nF from middle to the star bar; Schottky diodes from middle to 3.3 V
and from the star bar to middle, band to the plus side."""


def ends(rows: Iterable[dict[str, str]]) -> list[tuple[str, str, str]]:
    """Return (terminal, wire number, other end) for both ends of each wire."""
    found = []
    for row in rows:
        found += [(row["from"], row["number"], row["to"]), (row["to"], row["number"], row["from"])]
    return found


def drawing() -> str:
    """Return the sheet as SVG."""
    every = ends(tables(read_press(PRESSES / "two-stage-slow.toml"), Wiring())["wire"])
    s = Sheet(1400, 750, "Board side: carrier, converter, dividers")
    s.words(20, 30, s.title, 18, weight="bold")
    _carrier(s, every)
    y = TOP - 26
    for title, start in BLOCKS:
        y = _block(s, y, title, [each for each in every if start in each[0]], start)
    s.words(20, 680, FOOT, 13)
    return s.svg()


def _carrier(s: Sheet, every: list[tuple[str, str, str]]) -> None:
    s.box(LEFT, TOP - 20, WIDE, 20 * PITCH + 20, "#eef3ee")
    s.box(LEFT + WIDE / 2 - 22, TOP - 34, 44, 24, "#d8d8d8")
    s.words(LEFT + WIDE / 2, TOP - 16, "USB", 11, "middle")
    s.words(LEFT + WIDE / 2, TOP + 10 * PITCH, "E1 on its\ncarrier", 13, "middle")
    wires: dict[int, list[str]] = {}
    for terminal, number, other in every:
        # A part in the wire stands before the pin: "Schottky diode, band to board pin 39".
        pin = re.search(r"board pin (\d+)$", terminal)
        if pin:
            part = terminal[: pin.start()].removesuffix("band to ").rstrip(", ")
            words = f"{number}  {other}" + (f", by a {part}" if part else "")
            wires.setdefault(int(pin[1]), []).append(words)
    for pin in range(1, 41):
        row = pin - 1 if pin <= 20 else 40 - pin
        y = TOP + 10 + row * PITCH
        left = pin <= 20
        words = "; ".join(wires.get(pin, []))
        s.words(LEFT + (6 if left else WIDE - 6), y + 4, str(pin), 12, "start" if left else "end")
        if words:
            x = LEFT - 30 if left else LEFT + WIDE + 30
            s.line((LEFT if left else LEFT + WIDE, y), (x, y))
            s.words(x - 6 if left else x + 6, y + 4, words, 12, "end" if left else "start")


def _block(s: Sheet, y: float, title: str, rows: list[tuple[str, str, str]], start: str) -> float:
    """Draw one device with its screws; return where the next may begin."""
    high = 20 + 19 * len(rows)
    s.box(950, y, 430, high, "#eef3ee")
    s.words(958, y + 15, title, 12, weight="bold")
    for i, (terminal, number, other) in enumerate(rows):
        s.words(966, y + 33 + 19 * i, terminal.partition(start)[2], 12)
        s.words(1040, y + 33 + 19 * i, f"{number}  {other}", 12)
    return y + high + 8
