"""Hydraulic symbols after ISO 1219-1, drawn on a Sheet. Every function returns the places to join lines to.

Shapes from memory of the standard: solid triangle = oil under pressure, open triangle = air, spring = zigzag,
dashed line = pilot, squares of a valve = its positions, the one that the lines join = at rest.
"""

from __future__ import annotations

from sheet import INK, Sheet


def tank(s: Sheet, x: float, y: float) -> tuple[float, float]:
    """Reservoir; the line comes down to (x, y)."""
    s.line((x - 16, y), (x - 16, y + 14), (x + 16, y + 14), (x + 16, y))
    s.line((x, y), (x, y + 8))
    return x, y


def pump(s: Sheet, x: float, y: float, drive: str = "M", label: str = "") -> dict[str, tuple[float, float]]:
    """Fixed displacement pump, delivery up; drive "M" electric motor, "hand" a lever, "air" an air motor."""
    s.circle(x, y, 24)
    s.shape((x, y - 24), (x - 10, y - 8), (x + 10, y - 8), fill=INK)
    if drive == "M":
        s.line((x - 24, y - 3), (x - 46, y - 3))
        s.line((x - 24, y + 3), (x - 46, y + 3))
        s.circle(x - 66, y, 20)
        s.words(x - 66, y + 6, "M", 18, "middle")
    elif drive == "hand":
        s.line((x - 24, y), (x - 60, y))
        s.line((x - 60, y + 12), (x - 84, y - 30), width=4)
        s.circle(x - 60, y, 4, INK)
    elif drive == "air":
        s.line((x - 24, y - 3), (x - 46, y - 3))
        s.line((x - 24, y + 3), (x - 46, y + 3))
        s.circle(x - 66, y, 20)
        s.shape((x - 66, y + 4), (x - 75, y + 18), (x - 57, y + 18), fill="white")
    if label:
        s.words(x + 32, y + 5, label, 13)
    return {"out": (x, y - 24), "in": (x, y + 24), "drive": (x - 66, y + 20)}


def check(s: Sheet, x: float, y: float, pilot: bool = False) -> dict[str, tuple[float, float]]:
    """Spring-loaded check valve on a vertical line, free upwards; a pilot line opens it by pressure from there."""
    s.line((x, y + 26), (x, y + 12))
    s.circle(x, y, 7)
    s.line((x - 12, y + 2), (x, y + 12), (x + 12, y + 2))
    s.line((x, y - 7), (x, y - 26))
    # Its spring stands over the ball, beside the line.
    s.line((x + 4, y - 6), (x + 8, y - 9), (x + 2, y - 12), (x + 8, y - 15), (x + 2, y - 18), width=1.5)
    if pilot:
        s.box(x - 22, y - 20, 44, 40, fill="none")
        s.line((x + 22, y + 4), (x + 34, y + 4), dash="5 4")
    return {"in": (x, y + 26), "out": (x, y - 26), "pilot": (x + 34, y + 4)}


def relief(s: Sheet, x: float, y: float, label: str = "") -> dict[str, tuple[float, float]]:
    """Pressure relief valve: inlet from above at (x, y - 40), tank line at (x, y + 40)."""
    s.box(x - 18, y - 18, 36, 36)
    s.line((x, y - 40), (x, y - 18))
    s.arrow(x - 8, y - 16, x - 8, y + 16)
    s.line((x, y + 18), (x, y + 40))
    s.line((x, y - 30), (x - 30, y - 30), (x - 30, y), (x - 18, y), dash="5 4")
    zigzag(s, x + 18, y, 24)
    s.arrow(x + 20, y + 16, x + 40, y - 16, 7, 1.5)
    if label:
        s.words(x + 50, y + 5, label, 13)
    return {"in": (x, y - 40), "out": (x, y + 40)}


def zigzag(s: Sheet, x: float, y: float, length: float) -> None:
    """A spring to the right of x."""
    n = 6
    points = [(x + length * i / n, y + (0 if i in (0, n) else (-7 if i % 2 else 7))) for i in range(n + 1)]
    s.line(*points, width=1.5)


def spring_left(s: Sheet, x: float, y: float, length: float) -> None:
    zigzag(s, x - length, y, length)


def solenoid(s: Sheet, x: float, y: float, label: str, left: bool) -> None:
    """A solenoid that touches the valve's end at (x, y - 15 .. y + 15)."""
    x0 = x - 34 if left else x
    s.box(x0, y - 15, 34, 30)
    s.line((x0 + 10, y + 15), (x0 + 24, y - 15))
    # beside the valve's corner, never across it
    s.words(x0 + 30 if left else x0 + 4, y + 34, label, 13, "end" if left else "start", "bold")


def valve_43(
    s: Sheet, x: float, y: float, centre: str, solenoids: tuple[str, str]
) -> dict[str, tuple[float, float]]:
    """4/3 valve, centre square at (x, y).

    centre: "open" (all joined) or "relieved" (P shut, A and B to T); solenoids: what stands at the left and the right.
    """
    w = 64
    for i in (-1, 0, 1):
        s.box(x + i * w - w / 2, y - w / 2, w, w)
    a, b = x - 14, x + 14
    top, low = y - w / 2, y + w / 2
    # extend (left square): P to A, B to T
    s.arrow(a - w, low - 4, a - w, top + 4)
    s.arrow(b - w, top + 4, b - w, low - 4)
    # retract (right square): P to B, A to T
    s.arrow(a + w, low - 4, b + w, top + 4)
    s.arrow(a + w, top + 4, b + w, low - 4)
    if centre == "relieved":
        s.line((a, low), (a, low - 12))
        s.line((a - 7, low - 12), (a + 7, low - 12))
        s.line((a, top), (a, y), (b, y))
        s.line((b, top), (b, low))
    else:
        s.line((a, top), (a, low))
        s.line((b, top), (b, low))
        s.line((a, y), (b, y))
    solenoid(s, x - 1.5 * w - 26, y, solenoids[0], True)
    spring_left(s, x - 1.5 * w, y, 26)
    zigzag(s, x + 1.5 * w, y, 26)
    solenoid(s, x + 1.5 * w + 26, y, solenoids[1], False)
    for name, px, py, dy in (("A", a, top, -6), ("B", b, top, -6), ("P", a, low, 16), ("T", b, low, 16)):
        s.words(px - (14 if px == a else -6), py + dy, name, 12)
    return {"A": (a, top), "B": (b, top), "P": (a, low), "T": (b, low)}


def valve_22(
    s: Sheet, x: float, y: float, label: str, rest: str = "closed", actuator: str = "solenoid"
) -> dict[str, tuple[float, float]]:
    """2/2 poppet valve on a vertical line; the square at rest is the right one, the lines join it at x.

    One that is closed at rest feeds upwards, one that is open at rest lets oil down to the tank.
    """
    w = 48
    s.box(x - 1.5 * w, y - w / 2, w, w)
    s.box(x - w / 2, y - w / 2, w, w)
    open_x, shut_x = (x - w, x) if rest == "closed" else (x, x - w)
    reach = (w / 2 - 4) * (1 if rest == "closed" else -1)
    s.arrow(open_x, y + reach, open_x, y - reach)
    # A poppet: shut it is a ball that the pressure holds on its seat; from below where the valve feeds upwards.
    seat = -1 if rest == "closed" else 1
    s.line((shut_x, y - seat * w / 2), (shut_x, y - seat * 8))
    s.line((shut_x, y + seat * w / 2), (shut_x, y + seat * 12))
    s.circle(shut_x, y - seat, 6)
    s.line((shut_x - 10, y + seat * 2), (shut_x, y + seat * 12), (shut_x + 10, y + seat * 2))
    if actuator == "solenoid":
        solenoid(s, x - 1.5 * w, y, label, True)
    else:
        s.line((x - 1.5 * w, y), (x - 1.5 * w - 22, y))
        s.line((x - 1.5 * w - 22, y + 14), (x - 1.5 * w - 22, y - 14), width=4)
        s.words(x - 1.5 * w - 28, y + 5, label, 13, "end")
    zigzag(s, x + w / 2, y, 24)
    return {"top": (x, y - w / 2), "low": (x, y + w / 2)}


def valve_32_air(s: Sheet, x: float, y: float, label: str) -> dict[str, tuple[float, float]]:
    """3/2 air valve: at rest the outlet is vented, energised it joins the supply."""
    w = 48
    s.box(x - 1.5 * w, y - w / 2, w, w)
    s.box(x - w / 2, y - w / 2, w, w)
    s.arrow(x - w - 10, y + w / 2 - 4, x - w - 10, y - w / 2 + 4)
    s.line((x - w + 10, y + w / 2), (x - w + 10, y + 12))
    s.line((x - w + 3, y + 12), (x - w + 17, y + 12))
    s.line((x - 10, y + w / 2), (x - 10, y + 12))
    s.line((x - 17, y + 12), (x - 3, y + 12))
    s.arrow(x - 10, y - w / 2 + 4, x + 10, y + w / 2 - 4)
    solenoid(s, x - 1.5 * w, y, label, True)
    zigzag(s, x + w / 2, y, 24)
    s.shape((x + 10, y + w / 2 + 12), (x + 4, y + w / 2), (x + 16, y + w / 2), fill="white", width=1.5)
    return {"out": (x - 10, y - w / 2), "supply": (x - 10, y + w / 2)}


def restrictor(s: Sheet, x: float, y: float, label: str = "") -> dict[str, tuple[float, float]]:
    """A fixed restriction on a vertical line."""
    s.line((x, y - 22), (x, y + 22))
    s.arc(x - 12, y - 14, x - 12, y + 14, 17, 1)
    s.arc(x + 12, y - 14, x + 12, y + 14, 17, 0)
    if label:
        s.words(x + 20, y + 5, label, 13)
    return {"top": (x, y - 22), "low": (x, y + 22)}


def cylinder(s: Sheet, x: float, y: float, spring: bool, label: str) -> dict[str, tuple[float, float]]:
    """Upright cylinder, rod down; (x, y) is the middle of its top."""
    s.box(x - 36, y, 72, 130)
    s.box(x - 36, y + 38, 72, 16, fill="#d8d8d8")
    s.box(x - 8, y + 54, 16, 116, fill="#d8d8d8")
    if spring:
        for i in range(6):
            s.line((x - 28, y + 60 + 11 * i), (x - 12, y + 66 + 11 * i), width=1.5)
            s.line((x + 12, y + 60 + 11 * i), (x + 28, y + 66 + 11 * i), width=1.5)
    s.words(x + 48, y + 24, label, 13)
    return {"cap": (x - 36, y + 16), "rod": (x - 36, y + 114), "ram": (x, y + 170)}


def filter_(s: Sheet, x: float, y: float) -> None:
    s.shape((x, y - 16), (x + 16, y), (x, y + 16), (x - 16, y))
    s.line((x - 16, y), (x + 16, y), dash="4 3", width=1.5)


def gauge(s: Sheet, x: float, y: float) -> tuple[float, float]:
    s.circle(x, y, 16)
    s.arrow(x - 9, y + 9, x + 10, y - 9, 7, 1.5)
    return x, y + 16


def strainer(s: Sheet, x: float, y: float) -> None:
    """Suction strainer on a pump's inlet."""
    s.shape((x, y - 10), (x + 10, y), (x, y + 10), (x - 10, y))
    s.line((x - 10, y), (x + 10, y), dash="3 2", width=1.5)


def isolator(s: Sheet, x: float, y: float) -> None:
    """Isolating valve of a gauge on a vertical line."""
    s.shape((x - 6, y - 7), (x + 6, y - 7), (x, y))
    s.shape((x - 6, y + 7), (x + 6, y + 7), (x, y))


def transducer(s: Sheet, x: float, y: float, label: str) -> tuple[float, float]:
    """Pressure transducer with an analogue electrical output; joined from below through its snubber."""
    s.box(x - 18, y - 18, 36, 36)
    s.line((x - 18, y + 18), (x + 18, y - 18))
    s.words(x - 12, y - 3, "p", 12)
    s.words(x + 3, y + 14, "U", 12)
    restrictor(s, x, y + 40)
    s.words(x + 26, y - 2, label, 13)
    return x, y + 62


def unloader(s: Sheet, x: float, y: float, label: str = "") -> dict[str, tuple[float, float]]:
    """Unloading valve: opens to tank by a pilot line from outside; inlet from above at (x, y - 40)."""
    s.box(x - 18, y - 18, 36, 36)
    s.line((x, y - 40), (x, y - 18))
    s.arrow(x - 8, y - 16, x - 8, y + 16)
    s.line((x, y + 18), (x, y + 40))
    zigzag(s, x + 18, y, 24)
    if label:
        s.words(x + 48, y + 5, label, 12)
    return {"in": (x, y - 40), "out": (x, y + 40), "pilot": (x - 18, y)}


def flow_control(s: Sheet, x: float, y: float, label: str = "") -> dict[str, tuple[float, float]]:
    """Pressure-compensated flow control valve on a vertical line: adjustable restriction in a frame with its arrow."""
    found = restrictor(s, x, y)
    s.arrow(x - 20, y + 18, x + 20, y - 18, 7, 1.5)
    s.box(x - 26, y - 22, 52, 44, fill="none")
    s.arrow(x + 18, y + 14, x + 18, y - 6, 6, 1.5)
    if label:
        s.words(x + 34, y - 16, label, 13)
    return found


def shut_off(s: Sheet, x: float, y: float, label: str = "") -> dict[str, tuple[float, float]]:
    """Shut-off valve on a vertical line, worked by hand and shut at rest."""
    s.line((x, y - 22), (x, y - 12))
    s.shape((x - 10, y - 12), (x + 10, y - 12), (x, y))
    s.shape((x - 10, y + 12), (x + 10, y + 12), (x, y))
    s.line((x, y + 12), (x, y + 22))
    s.line((x, y), (x - 20, y), width=1.5)
    s.line((x - 20, y - 8), (x - 20, y + 8), width=3)
    if label:
        s.words(x + 22, y - 14, label, 12)
    return {"top": (x, y - 22), "low": (x, y + 22)}


def counterbalance(s: Sheet, x: float, y: float) -> dict[str, tuple[float, float]]:
    """Counterbalance valve on a vertical line: cylinder above, directional valve below, free upwards past its check.

    Opens downwards by the pressure above it or by its pilot, against its spring.
    """
    found = relief(s, x, y)
    s.line((x, y - 40), (x + 62, y - 40), (x + 62, y - 26))
    s.line((x, y + 40), (x + 62, y + 40), (x + 62, y + 26))
    check(s, x + 62, y)
    return {"cylinder": found["in"], "valve": found["out"], "pilot": (x - 18, y + 10)}


def bypass_filter(s: Sheet, x: float, y: float) -> None:
    """Filter on a vertical line with a spring-loaded bypass, flow downwards."""
    filter_(s, x, y)
    s.dot(x, y - 26)
    s.dot(x, y + 26)
    s.line((x, y - 26), (x + 36, y - 26), (x + 36, y - 7))
    s.circle(x + 36, y, 6)
    s.line((x + 26, y - 2), (x + 36, y - 9), (x + 46, y - 2))
    s.line((x + 36, y + 6), (x + 36, y + 26), (x, y + 26))


def pressure_switch(s: Sheet, x: float, y: float) -> tuple[float, float]:
    """Pressure switch, joined from below through its snubber."""
    s.box(x - 18, y - 18, 36, 36)
    s.line((x - 10, y + 8), (x + 8, y - 4))
    s.circle(x - 10, y + 8, 2.5)
    s.circle(x + 10, y + 2, 2.5)
    s.line((x + 18, y), (x + 30, y), width=1.5)
    restrictor(s, x, y + 40)
    return x, y + 62


def diverter(s: Sheet, x: float, y: float) -> dict[str, tuple[float, float]]:
    """3/2 valve worked by hand, inlet below: at rest to the right outlet, moved to the left one."""
    w = 48
    s.box(x - w, y - w / 2, w, w)
    s.box(x, y - w / 2, w, w)
    low, top = y + w / 2, y - w / 2
    for middle, to, shut in ((x + 24, x + 36, x + 12), (x - 24, x - 36, x - 12)):
        s.arrow(middle, low - 4, to, top + 4)
        s.line((shut, top), (shut, top + 12))
        s.line((shut - 6, top + 12), (shut + 6, top + 12))
    s.line((x - w, y), (x - w - 18, y))
    s.line((x - w - 18, y + 14), (x - w - 18, y - 14), width=4)
    return {"in": (x + 24, low), "press": (x + 36, top), "other": (x + 12, top)}


def quick_exhaust(s: Sheet, x: float, y: float) -> dict[str, tuple[float, float]]:
    """Quick exhaust valve in a vertical air line: supply from below, consumer above, exhaust at the left.

    The ball is lifted against the exhaust seat by the supply, and shuts the supply when that is vented.
    """
    s.box(x - 26, y - 20, 40, 40)
    s.line((x, y + 20), (x, y + 10))
    s.line((x - 7, y + 12), (x, y + 5), (x + 7, y + 12))
    s.circle(x, y - 1, 6)
    s.line((x, y - 7), (x, y - 20))
    s.line((x - 14, y - 8), (x - 8, y - 1), (x - 14, y + 6))
    s.line((x - 14, y - 1), (x - 44, y - 1))
    s.shape((x - 54, y - 1), (x - 44, y - 7), (x - 44, y + 5), fill="white", width=1.5)
    return {"supply": (x, y + 20), "out": (x, y - 20), "exhaust": (x - 54, y - 1)}
