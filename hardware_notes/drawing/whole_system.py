"""The whole reference build on one sheet: blocks, and the wires between them by the numbers of the wire table."""

from __future__ import annotations

from sheet import Sheet

WIDE, HIGH = 190, 62
# Name of a block: left edge, top edge, words.
BLOCKS = {
    "mains": (20, 60, "E9 main switch\nmains: licensed person"),
    "motor": (260, 60, "E8 motor contactor\nand protection switch"),
    "pump": (500, 60, "H1 motor and pumps"),
    "supply": (20, 190, "E5 supply 24 V\nfuses F1, F2, F3"),
    "safety": (260, 190, "E7 safety relay\nE18 emergency stop"),
    "latch": (500, 190, "H16, E11 over-force\ncutout and its latch"),
    "key": (740, 190, "E21 key: CONTROLLED\nor PLAIN PEDALS"),
    "relays": (740, 320, "E10 relays K1, K2, K3\nextend, retract, slow"),
    "valves": (980, 190, "solenoids Y1 to Y4\nE13 suppressors"),
    "dcdc": (20, 320, "E6 converter\n24 to 5 V"),
    "board": (260, 450, "E1 board, E2 converter\nE3 display, E4 knob"),
    "drivers": (740, 450, "E12 drivers 1 to 5\nlamp, buzzer"),
    "sensor": (20, 450, "H13 transducer\ncap side, with gauge H15"),
    "contacts": (260, 580, "E17 contact circuits"),
    "pedals": (20, 580, "E19 pedals, E20 selectors\nE22 top switch"),
    "ram": (980, 320, "H3 to H12 valves\nand the ram"),
}
# From block, to block, wire numbers, what they carry.
WIRES = (
    ("mains", "motor", "1-3, PE", "mains"),
    ("motor", "pump", "1-3, PE", "mains"),
    ("mains", "supply", "4, 5", "mains"),
    ("supply", "safety", "20", "24 V"),
    ("safety", "motor", "35", "motor"),
    ("safety", "latch", "21", "24 V"),
    ("latch", "key", "22", "feed"),
    ("key", "relays", "23, 25", "coils"),
    ("key", "valves", "27-29", "feed"),
    ("relays", "drivers", "41-45", "coil -"),
    ("board", "drivers", "51-55", "outputs"),
    ("supply", "dcdc", "12", "24 V"),
    ("dcdc", "board", "61", "5 V"),
    ("dcdc", "sensor", "62", "5 V"),
    ("sensor", "board", "65, 66", "signal"),
    ("pedals", "contacts", "81-94", "signals"),
    ("contacts", "board", "81-94", "contacts"),
)
FOOT = """\
Numbers on the lines are those of the wire table, E and H numbers those of the shopping list. Every 0 V goes to the
star bar. Not drawn: retract's supply past the cutout (21), plain pedals past the key (24, 26), lamps and buttons, the
cutout switch's own wires (36-38), the rest of both tables. Emergency stop, cutout and contactor work without the board.
Principle only: a licensed person designs and fits; local codes come first."""


def drawing() -> str:
    """Return the sheet as SVG."""
    s = Sheet(1200, 760, "Reference build: the whole system")
    s.words(20, 30, s.title, 18, weight="bold")
    for begin, end, numbers, carries in WIRES:
        _wire(s, begin, end, numbers, carries)
    for x, y, words in BLOCKS.values():
        s.box(x, y, WIDE, HIGH, "#eef3ee")
        s.words(x + 10, y + (25 if "\n" in words else 36), words, 13)
    x, y, _ = BLOCKS["valves"]
    s.arrow(x + WIDE / 2, y + HIGH, x + WIDE / 2, y + HIGH + 68)
    s.words(x + WIDE / 2 + 8, y + HIGH + 40, "oil", 12)
    s.words(20, 692, FOOT, 12)
    return s.svg()


def _wire(s: Sheet, begin: str, end: str, numbers: str, carries: str) -> None:
    """A straight line where the blocks are in one row or column, an elbow otherwise; its words beside it."""
    (x1, y1, _), (x2, y2, _) = BLOCKS[begin], BLOCKS[end]
    if y1 == y2:
        x1 += WIDE
        y = y1 + HIGH / 2
        s.arrow(x1, y, x2, y)
        s.words((x1 + x2) / 2, y - 6, numbers, 12, "middle")
        s.words((x1 + x2) / 2, y + 16, carries, 12, "middle")
        return
    down = y2 > y1
    if x1 == x2:
        x = x1 + WIDE / 2
        begin_y, end_y = (y1 + HIGH, y2) if down else (y1, y2 + HIGH)
        s.arrow(x, begin_y, x, end_y)
        s.words(x + 8, (begin_y + end_y) / 2 + 4, f"{numbers}: {carries}", 12)
        return
    x, y = x2 + WIDE / 2, y1 + HIGH / 2
    s.line((x1 + WIDE, y), (x, y))
    s.arrow(x, y, x, y2 if down else y2 + HIGH)
    s.words(x1 + WIDE + 8, y - 6, f"{numbers}: {carries}", 12)
