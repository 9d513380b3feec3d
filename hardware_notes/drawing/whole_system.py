"""The whole reference build on one sheet: blocks, and the wires between them by the numbers of the wire table."""

from __future__ import annotations

from sheet import Sheet

WIDE, HIGH = 190, 62
# Name of a block: left edge, top edge, words.
BLOCKS = {
    "mains": (20, 60, "E9 main switch\nmains: licensed person"),
    "motor": (280, 60, "E8 motor contactor\nand protection switch"),
    "pump": (560, 60, "H1 motor and pumps"),
    "supply": (20, 190, "E5 supply 24 V\nfuses F1, F2, F3"),
    "safety": (280, 190, "E7 safety relay\nE18 emergency stop"),
    "latch": (560, 190, "E11 cutout relay K5\nswitch H16, monitor K4"),
    "pedal2": (840, 190, "E19 extend pedal\nblock 2"),
    "key": (1120, 190, "E21 key: CONTROLLED\nor PLAIN PEDALS"),
    "relays": (1120, 320, "E10 relays K1, K2, K3\nextend, retract, slow"),
    "valves": (1120, 450, "solenoids Y1 to Y4\nE13, diodes E27"),
    "ram": (1120, 580, "H3 to H12, H19, H20\nvalves and the ram"),
    "dcdc": (20, 320, "E6 converter\n24 to 5 V"),
    "board": (280, 450, "E1 board, E2 converter\nE3 display, E4 knob"),
    "drivers": (840, 320, "E12 drivers 1 to 5\nlamp, buzzer"),
    "sensor": (20, 450, "H13 transducer\ncap side, with gauge H15"),
    "contacts": (280, 580, "E17 contact circuits"),
    "pedals": (20, 580, "E19 pedals, block 1\nE20, E22 switches"),
}
# From block, to block, wire numbers, what they carry.
WIRES = (
    ("mains", "motor", "1 to 3", "mains"),
    ("motor", "pump", "7 to 9, PE", "mains"),
    ("mains", "supply", "10, 11", "mains"),
    ("supply", "safety", "23, 24b", "24 V"),
    ("safety", "motor", "70, 71", "motor, through K5"),
    ("safety", "latch", "30a, 70", "24 V"),
    ("latch", "pedal2", "50", "feeds"),
    ("pedal2", "key", "51a", "feeds"),
    ("key", "relays", "52a, 57", "coils"),
    ("relays", "valves", "55, 60b, 61a", "solenoids"),
    ("drivers", "relays", "81, 82, 83", "coils -"),
    ("board", "drivers", "86, 87, 88, 89, 90", "outputs"),
    ("supply", "dcdc", "24a", "24 V"),
    ("dcdc", "board", "91", "5 V"),
    ("dcdc", "sensor", "92", "5 V"),
    ("sensor", "board", "97, 98", "signal"),
    ("pedals", "contacts", "121a", "to 126a"),
    ("contacts", "board", "121c", "to 129e"),
)
FOOT = """\
Numbers on the lines are those of the wire table, E and H numbers those of the shopping list. Every 0 V goes to the star
bar. Not drawn: retract's supply past the cutout (30b), plain pedals past the relays (53 to 60a), K5's part in the
motor's line (70, 71), the cutout switch's wires (41 to 44), its monitor (47, 128a to 128c), lamps, buttons, the rest of
both tables. Emergency stop, cutout, pedal block 2 and contactor work without the board. Principle only: a licensed
person designs and fits; local codes come first."""


def drawing() -> str:
    """Return the sheet as SVG."""
    s = Sheet(1410, 780, "Reference build: the whole system")
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
