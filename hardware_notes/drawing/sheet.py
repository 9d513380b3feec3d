"""A sheet of SVG: lines, shapes, words. Coordinates in pixels, y down; the same input gives the same bytes."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from xml.sax.saxutils import escape

import matplotlib
from fontTools.ttLib import TTFont

INK = "#1b1b1b"


@cache
def _font(weight: str) -> tuple[dict[int, str], dict[str, int], int]:
    """Glyph of each character, advance of each glyph, units an em, of the widest of the common sans-serif fonts."""
    name = "DejaVuSans-Bold.ttf" if weight == "bold" else "DejaVuSans.ttf"
    font = TTFont(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name)
    advances = {glyph: advance for glyph, (advance, _) in font["hmtx"].metrics.items()}
    return font.getBestCmap(), advances, font["head"].unitsPerEm


def width_of(text: str, size: float, weight: str = "normal") -> float:
    """Return the width in pixels that a line of text takes, and is given in every font."""
    glyphs, advances, em = _font(weight)
    return round(sum(advances[glyphs.get(ord(each), ".notdef")] for each in text) * size / em, 1)


class Sheet:
    def __init__(self, width: int, height: int, title: str) -> None:
        self.width, self.height, self.title = width, height, title
        self.parts: list[str] = []

    def line(self, *points: tuple[float, float], dash: str = "", width: float = 2, colour: str = INK) -> None:
        """An open line through the points."""
        path = " ".join(f"{x:g},{y:g}" for x, y in points)
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="{width:g}"{dashed}/>'
        )

    def shape(self, *points: tuple[float, float], fill: str = "white", width: float = 2) -> None:
        """A closed shape."""
        path = " ".join(f"{x:g},{y:g}" for x, y in points)
        self.parts.append(f'<polygon points="{path}" fill="{fill}" stroke="{INK}" stroke-width="{width:g}"/>')

    def box(self, x: float, y: float, w: float, h: float, fill: str = "white", dash: str = "") -> None:
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<rect x="{x:g}" y="{y:g}" width="{w:g}" height="{h:g}" fill="{fill}" stroke="{INK}"'
            f' stroke-width="2"{dashed}/>'
        )

    def circle(self, x: float, y: float, r: float, fill: str = "white") -> None:
        self.parts.append(
            f'<circle cx="{x:g}" cy="{y:g}" r="{r:g}" fill="{fill}" stroke="{INK}" stroke-width="2"/>'
        )

    def dot(self, x: float, y: float) -> None:
        """Lines that cross here are joined."""
        self.parts.append(f'<circle cx="{x:g}" cy="{y:g}" r="4" fill="{INK}"/>')

    def arc(self, x1: float, y1: float, x2: float, y2: float, r: float, sweep: int) -> None:
        self.parts.append(
            f'<path d="M {x1:g} {y1:g} A {r:g} {r:g} 0 0 {sweep} {x2:g} {y2:g}" fill="none"'
            f' stroke="{INK}" stroke-width="2"/>'
        )

    def words(
        self, x: float, y: float, text: str, size: int = 14, anchor: str = "start", weight: str = "normal"
    ) -> None:
        """Lines of text, the first on y."""
        for i, row in enumerate(text.split("\n")):
            # The reader's font is not ours: the width is fixed, so that nothing is clipped or runs into a line.
            fixed = (
                f' textLength="{width_of(row, size, weight):g}" lengthAdjust="spacingAndGlyphs"'
                if row
                else ""
            )
            self.parts.append(
                f'<text x="{x:g}" y="{y + i * (size + 4):g}" font-size="{size}" text-anchor="{anchor}"'
                f' font-weight="{weight}"{fixed}>{escape(row)}</text>'
            )

    def arrow(self, x1: float, y1: float, x2: float, y2: float, head: float = 8, width: float = 2) -> None:
        """A line with a filled head at its end."""
        length = ((x2 - x1) ** 2 + (y2 - y1) ** 2) ** 0.5
        ux, uy = (x2 - x1) / length, (y2 - y1) / length
        bx, by = x2 - ux * head, y2 - uy * head
        self.line((x1, y1), (bx, by), width=width)
        side = head * 0.45
        self.shape(
            (x2, y2),
            (round(bx - uy * side, 2), round(by + ux * side, 2)),
            (round(bx + uy * side, 2), round(by - ux * side, 2)),
            fill=INK,
            width=1,
        )

    def svg(self) -> str:
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width} {self.height}"'
            f' width="{self.width}" height="{self.height}" font-family="sans-serif" role="img">\n'
            f"<title>{escape(self.title)}</title>\n"
            f'<rect width="{self.width}" height="{self.height}" fill="white"/>\n'
        )
        return head + "\n".join(self.parts) + "\n</svg>\n"
