"""The contact-and-driver board: holes, strips, cuts and parts from strip_board.toml, as tables and as a drawing."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sheet import INK, Sheet

NOTES = Path(__file__).resolve().parents[1]
PITCH = 19.0
LEFT, TOP = 190.0, 70.0
COLOURS = {"resistor": "#f3e3c3", "capacitor": "#cfe0f2", "transistor": "#d8d8d8", "diode": "#f2cfcf"}
Hole = tuple[int, int]  # column, row


@dataclass(frozen=True)
class Part:
    """One part: its circuit and name, what it is, and the holes of its legs."""

    circuit: str
    name: str
    kind: str
    holes: tuple[Hole, ...]


@dataclass(frozen=True)
class Board:
    """Everything that is soldered: parts, wires that leave (net, hole), links, and the holes where a strip is cut."""

    columns: int
    rows: int
    parts: tuple[Part, ...]
    wires: tuple[tuple[str, Hole], ...]
    links: tuple[tuple[Hole, Hole], ...]
    cuts: frozenset[Hole]


def read() -> dict[str, Any]:
    """Return the board's file."""
    return tomllib.loads((NOTES / "strip_board.toml").read_text(encoding="utf-8"))


def board() -> Board:
    """Lay every circuit of the file out on the board."""
    found = read()
    parts: list[Part] = []
    wires = [(rail["net"], (0, rail["row"])) for rail in found["rail"] if rail["words"]]
    cuts: set[Hole] = set()
    for bank in (found["contacts"], found["drivers"]):
        for index, circuit in enumerate(bank["circuits"]):
            left = bank["first_column"] + index * bank["pitch"]

            def at(hole: list[int], left: int = left) -> Hole:
                return left + hole[0], hole[1]

            parts += [
                Part(circuit, each["name"], each["kind"], (at(each["from"]), at(each["to"])))
                for each in bank["parts"]
            ]
            if "transistor" in bank:
                legs = bank["transistor"]
                holes = tuple((left + legs["column"], legs[leg]) for leg in ("gate", "drain", "source"))
                parts.append(Part(circuit, "transistor", "transistor", holes))
            wires += [(f"{circuit} {each['net']}", at(each["hole"])) for each in bank["wires"]]
            # Before its first circuit, too: the strips of a bank end there.
            cuts |= {(left - 1, row) for row in bank["cut_rows"]}
    parts += [
        Part("board", each["name"], each["kind"], (tuple(each["from"]), tuple(each["to"])))
        for each in found["single"]
    ]
    links = tuple(((each["column"], each["from"]), (each["column"], each["to"])) for each in found["link"])
    sizes = found["board"]
    return Board(sizes["columns"], sizes["rows"], tuple(parts), tuple(wires), links, frozenset(cuts))


def drawing() -> str:
    """Return the board as SVG, seen from the parts; the cuts are on the other side."""
    found, b = read(), board()
    wide, high = LEFT + b.columns * PITCH + 40, TOP + b.rows * PITCH + 150
    s = Sheet(round(wide), round(high), found["board"]["title"])
    s.words(20, 30, s.title, 18, weight="bold")
    for row in range(b.rows):
        y = TOP + row * PITCH
        s.line((LEFT - 8, y), (LEFT + (b.columns - 1) * PITCH + 8, y), width=9, colour="#f0e4d8")
        s.words(LEFT - 14, y + 4, str(row), 10, "end")
    for column in range(0, b.columns, 2):
        s.words(LEFT + column * PITCH, TOP - 14, str(column), 10, "middle")
    for column, row in sorted(b.cuts):
        x, y = _place((column, row))
        s.shape((x - 6, y - 6), (x + 6, y - 6), (x + 6, y + 6), (x - 6, y + 6), fill="white", width=1)
        s.line((x - 6, y - 6), (x + 6, y + 6), width=1)
        s.line((x - 6, y + 6), (x + 6, y - 6), width=1)
    for begin, end in b.links:
        s.line(_place(begin), _place(end), width=2, colour="#b03020")
        s.dot(*_place(begin))
        s.dot(*_place(end))
    for part in b.parts:
        _part(s, part)
    for rail in found["rail"]:
        if rail["words"]:
            x, y = _place((0, rail["row"]))
            s.circle(x, y, 5)
            s.words(10, y - 4, rail["words"].replace(", ", "\n", 1), 10)
    for net, (column, row) in b.wires:
        if " " in net:
            x, y = _place((column, row))
            s.circle(x, y, 5)
    _names(s, found)
    s.words(20, TOP + b.rows * PITCH + 22, _legend(), 12)
    return s.svg()


def _place(hole: Hole) -> tuple[float, float]:
    return LEFT + hole[0] * PITCH, TOP + hole[1] * PITCH


def _part(s: Sheet, part: Part) -> None:
    (x, y), (_, end) = _place(part.holes[0]), _place(part.holes[-1])
    anode, cathode = y, end
    y, end = min(y, end), max(y, end)
    s.line((x, y), (x, end), width=1.5)
    body = (end - y) * (0.5 if part.kind == "resistor" else 0.6)
    middle = (y + end) / 2
    half = 5 if part.kind == "resistor" else 6
    if part.kind == "transistor":
        body = end - y + 10
    corners = ((x - half, middle - body / 2), (x + half, middle - body / 2))
    corners += ((x + half, middle + body / 2), (x - half, middle + body / 2))
    s.shape(*corners, fill=COLOURS[part.kind], width=1)
    if part.kind == "diode":
        band = middle + (body / 2 - 3) * (1 if cathode > anode else -1)
        s.line((x - half, band), (x + half, band), width=3)
    for hole in part.holes:
        s.parts.append(f'<circle cx="{_place(hole)[0]:g}" cy="{_place(hole)[1]:g}" r="3" fill="{INK}"/>')
    if part.kind == "transistor":
        for letter, hole in zip("GDS", part.holes, strict=True):
            s.words(x - half - 3, _place(hole)[1] + 4, letter, 10, "end")


def _names(s: Sheet, found: dict[str, Any]) -> None:
    """Names of circuits, with the board pin of each, and what goes out at the open circles."""
    pins = tomllib.loads((NOTES / "board_pins.toml").read_text(encoding="utf-8"))
    for bank, row in (("contacts", 10), ("drivers", 21)):
        table = found[bank]
        for index, circuit in enumerate(table["circuits"]):
            x = LEFT + (table["first_column"] + index * table["pitch"]) * PITCH - 6
            y = TOP + row * PITCH + 10
            s.words(x, y, f"{circuit.removeprefix('in_')}\npin {pins[circuit]}", 11)


def _legend() -> str:
    values = tomllib.loads((NOTES / "electronics" / "values.toml").read_text(encoding="utf-8"))
    contact, driver = values["contact"], values["driver"]
    outer = contact["pull_up_ohm"] + contact["series_ohm"]
    return (
        f"Contacts, rows 1 to 9: {contact['pull_up_ohm']} Ω from row 1 to 5, {contact['filter_nf']} nF from 5 to 7, "
        f"{contact['series_ohm']} Ω from 5 to 9, {contact['pin_series_ohm']} Ω from 5 to 3 (standing).\n"
        "Schottky diodes, band = cathode, from 3 to 1 (standing) and from 7 to 3. Open circles: row 3 to the "
        "board's pin, row 9 to the contact.\n"
        f"Drivers, rows 12 to 20: {driver['gate_ohm']} Ω from 12 to 16, transistor in 16 G, 17 D, 18 S, "
        f"{driver['pull_down_ohm']} Ω from 16 to 20. Open circles: row 12 to the pin, row 17 to the coil's minus.\n"
        f"Column 61, from 1 to 7: {values['rail']['bleeder_ohm']} Ω, the rail's bleeder. Red: wire links; they join "
        "rows 7, 18 and 20. The other side of each contact goes to the star bar; each coil's diode sits at the coil.\n"
        "Crossed squares: strip cut, on the copper side: there columns count from the right. Transistor: look at "
        "the order of its legs; in another order than gate, drain, source cross the legs, not the strips.\n"
        "Before power: ohmmeter, red lead on 3.3 V, black on 0 V: the bleeder; black on each row-9 wire: some "
        f"{outer} Ω; between neighbours of one row above 1 kΩ."
    )
