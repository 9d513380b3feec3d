"""The air bend's geometry, drawn to scale from the tool's own formula."""

from __future__ import annotations

import math

from sheet import Sheet

from steadyram.bending import geometry
from steadyram.bending.tooling import Tooling

SCALE = 17_000.0  # pixels a metre
MIDDLE, TOP = 330.0, 200.0  # of the die, in pixels
THICKNESS, RADIUS = 2.5e-3, 2.6e-3
TOOLING = Tooling(opening="20 mm", punch_radius="2.6 mm", shoulder_radius="2 mm", die_angle="70 deg")
HALF = math.radians(45.0)
LEG = 13e-3


def at(x: float, y: float) -> tuple[float, float]:
    """Metres from the middle of the die's top face, y up, to pixels."""
    return round(MIDDLE + x * SCALE, 1), round(TOP - y * SCALE, 1)


def arc(centre: tuple[float, float], radius: float, first: float, last: float) -> list[tuple[float, float]]:
    """Points of an arc; angles from straight down, anticlockwise."""
    steps = 24
    return [
        at(
            centre[0] + radius * math.sin(first + (last - first) * k / steps),
            centre[1] - radius * math.cos(first + (last - first) * k / steps),
        )
        for k in range(steps + 1)
    ]


def drawing() -> str:
    """The picture of hardware_notes/press_brake.md."""
    page = Sheet(760, 520, "Air bend: punch, sheet and V die")
    half_opening, shoulder = TOOLING.opening / 2, TOOLING.shoulder_radius
    depth = geometry.depth_for_angle_m(TOOLING, THICKNESS, RADIUS, 2 * HALF)
    centre = (0.0, THICKNESS - depth + RADIUS)

    flank = (math.pi - TOOLING.die_angle) / 2  # of the V, from level
    corner = (half_opening - shoulder * math.sin(flank), -shoulder + shoulder * math.cos(flank))
    bottom = (0.6e-3, corner[1] - (corner[0] - 0.6e-3) * math.tan(flank))
    right = [
        at(*bottom),
        *reversed(arc((half_opening, -shoulder), shoulder, math.pi, math.pi + flank)),
        at(17e-3, 0.0),
        at(17e-3, bottom[1] - 2e-3),
    ]
    page.shape(*right, *[(2 * MIDDLE - x, y) for x, y in reversed(right)], fill="#e6e6e6")

    across, up = math.cos(HALF), math.sin(HALF)

    def face(radius: float, side: int) -> list[tuple[float, float]]:
        bent = arc(centre, radius, 0.0, side * HALF)
        end = (centre[0] + side * (radius * up + LEG * across), centre[1] - radius * across + LEG * up)
        return [*bent, at(*end)]

    upper, lower = [[*reversed(face(r, -1)), *face(r, 1)] for r in (RADIUS, RADIUS + THICKNESS)]
    page.shape(*upper, *reversed(lower), fill="#b9cfe0")

    punch = arc(centre, RADIUS, -math.radians(60), math.radians(60))
    tall = centre[1] + 12e-3
    page.shape(at(-4e-3, tall), *punch, at(4e-3, tall), fill="#f4f4f4")
    for y in (THICKNESS, 0.0):
        page.line(at(-15e-3, y), at(15e-3, y), dash="5 4", width=1)

    def measure(a: tuple[float, float], b: tuple[float, float]) -> None:
        page.arrow(*a, *b)
        page.arrow(*b, *a)

    measure(at(0.0, THICKNESS), at(0.0, centre[1] - RADIUS))
    page.words(*at(0.3e-3, 1.0e-3), "depth", 13)
    measure(at(14e-3, THICKNESS), at(14e-3, 0.0))
    page.words(*at(14.6e-3, 0.9e-3), "t, flat sheet", 13)
    low = -15.6e-3
    for side in (-1, 1):
        page.line(at(side * half_opening, 0.0), at(side * half_opening, low - 0.5e-3), dash="2 4", width=1)
    measure(at(-half_opening, low), at(half_opening, low))
    page.words(MIDDLE, at(0, low)[1] + 18, "opening V", 14, "middle")
    page.words(*at(-18.5e-3, 10e-3), "bend angle under load: 2a;\nit springs back on release", 13)
    page.words(*at(4.6e-3, 10e-3), "punch; inside radius r", 13)
    page.words(*at(10.6e-3, -2.2e-3), "shoulder\nradius s", 13)
    formula = "depth = V/2 tan a - (r + t + s)(1/cos a - 1), from a punch that touches flat sheet"
    page.words(20, 508, formula, 14, weight="bold")
    return page.svg()
