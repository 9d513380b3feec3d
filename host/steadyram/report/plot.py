"""Hand-made SVG plots: small, inline, coloured by the page's own style so that they follow light and dark.

Coordinates come in as the reader's units; nothing is looked up outside the page. All text is escaped.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from markupsafe import Markup, escape

WIDE, NARROW = (960, 340), (520, 290)
_LEFT, _RIGHT, _TOP, _BOTTOM = 62, 82, 14, 42


def nice_ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round tick values that cover [low, high], steps of 1, 2 or 5 times a power of ten."""
    span = high - low
    if not (math.isfinite(span) and span > 0):
        return [low]
    raw = span / max(1, about)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor * power for factor in (1, 2, 5, 10) if factor * power >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [number * step for number in range(first, last + 1)]


def tick_text(value: float, step: float) -> str:
    """A tick's number with as many decimals as its step needs."""
    decimals = max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0
    return f"{value + 0.0:.{min(decimals, 9)}f}"


@dataclass
class Plot:
    """One plot over [x_low, x_high] × [y_low, y_high]; add marks, then `svg()`."""

    title: str
    x_label: str
    y_label: str
    x_low: float
    x_high: float
    y_low: float
    y_high: float
    x_whole: bool = False
    size: tuple[int, int] = NARROW
    _parts: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        if not self.x_high > self.x_low:
            self.x_low, self.x_high = self.x_low - 0.5, self.x_low + 0.5
        if not self.y_high > self.y_low:
            room = abs(self.y_low) * 0.05 or 1.0
            self.y_low, self.y_high = self.y_low - room, self.y_low + room

    @property
    def _right(self) -> int:
        return self.size[0] - _RIGHT

    @property
    def _floor(self) -> int:
        return self.size[1] - _BOTTOM

    def x(self, value: float) -> float:
        """Horizontal place of a value."""
        return _LEFT + (value - self.x_low) / (self.x_high - self.x_low) * (self._right - _LEFT)

    def y(self, value: float) -> float:
        """Vertical place of a value."""
        return self._floor - (value - self.y_low) / (self.y_high - self.y_low) * (self._floor - _TOP)

    def line(self, xs: Sequence[float], ys: Sequence[float], style: str) -> None:
        """A polyline of class `style`."""
        points = " ".join(f"{self.x(a):.1f},{self.y(b):.1f}" for a, b in zip(xs, ys, strict=True))
        self._parts.append(f'<polyline class="{escape(style)}" points="{points}"/>')

    def level(self, value: float, style: str, label: str = "") -> None:
        """A horizontal line across the plot, with a label in the right margin."""
        if not self.y_low <= value <= self.y_high:
            return
        at = self.y(value)
        self._parts.append(
            f'<line class="{escape(style)}" x1="{_LEFT}" x2="{self._right}" y1="{at:.1f}" y2="{at:.1f}"/>'
        )
        if label:
            self._parts.append(
                f'<text class="lab" x="{self._right + 6}" y="{at + 4:.1f}">{escape(label)}</text>'
            )

    def band(self, low: float, high: float) -> None:
        """A shaded band between two levels."""
        top, bottom = self.y(min(high, self.y_high)), self.y(max(low, self.y_low))
        if bottom > top:
            self._parts.append(
                f'<rect class="band" x="{_LEFT}" width="{self._right - _LEFT}" y="{top:.1f}" '
                f'height="{bottom - top:.1f}"/>'
            )

    def area(self, xs: Sequence[float], lows: Sequence[float], highs: Sequence[float], style: str) -> None:
        """The area of class `style` between two lines."""
        there = [f"{self.x(a):.1f},{self.y(b):.1f}" for a, b in zip(xs, highs, strict=True)]
        back = [f"{self.x(a):.1f},{self.y(b):.1f}" for a, b in zip(xs, lows, strict=True)]
        self._parts.append(f'<polygon class="{escape(style)}" points="{" ".join(there + back[::-1])}"/>')

    def dot(self, x: float, y: float, style: str, tip: str) -> None:
        """A point whose tooltip is `tip`; class "odd" is drawn as a diamond, so that colour is not all."""
        a, b = self.x(x), self.y(min(max(y, self.y_low), self.y_high))
        if "odd" in style:
            shape = f'<path class="{escape(style)}" d="M{a:.1f} {b - 6:.1f}l6 6-6 6-6-6z">'
            end = "</path>"
        else:
            shape = f'<circle class="{escape(style)}" cx="{a:.1f}" cy="{b:.1f}" r="3.2">'
            end = "</circle>"
        self._parts.append(f"{shape}<title>{escape(tip)}</title>{end}")

    def cloud(self, xs: Sequence[float], ys: Sequence[float]) -> None:
        """Many points as one path without tooltips; points that fall on the same pixel are drawn once."""
        spots = dict.fromkeys(
            (round(self.x(a)), round(self.y(min(max(b, self.y_low), self.y_high))))
            for a, b in zip(xs, ys, strict=True)
        )
        if spots:
            path = "".join(f"M{a} {b}h0" for a, b in spots)
            self._parts.append(f'<path class="cloud" d="{path}"/>')

    def bars(self, edges: Sequence[float], heights: Sequence[float]) -> None:
        """Bars between edges, from the bottom up."""
        for left, right, height in zip(edges[:-1], edges[1:], heights, strict=True):
            if height > 0:
                top = self.y(height)
                self._parts.append(
                    f'<rect class="bar" x="{self.x(left):.1f}" width="{self.x(right) - self.x(left) - 1:.1f}" '
                    f'y="{top:.1f}" height="{self._floor - top:.1f}"/>'
                )

    def upright(self, value: float, style: str) -> None:
        """A vertical line at a value."""
        if self.x_low <= value <= self.x_high:
            at = self.x(value)
            self._parts.append(
                f'<line class="{escape(style)}" x1="{at:.1f}" x2="{at:.1f}" y1="{_TOP}" y2="{self._floor}"/>'
            )

    def svg(self) -> Markup:
        """The whole plot."""
        middle, bottom = (_LEFT + self._right) / 2, self.size[1] - 6
        out = [
            f'<svg viewBox="0 0 {self.size[0]} {self.size[1]}" role="img" '
            + f'aria-label="{escape(self.title)}">',
            *self._grid(),
            *self._parts,
            f'<text class="ax" x="{middle:.0f}" y="{bottom}" text-anchor="middle">'
            f"{escape(self.x_label)}</text>",
            f'<text class="ax" transform="translate(13 {(_TOP + self._floor) / 2:.0f}) rotate(-90)" '
            f'text-anchor="middle">{escape(self.y_label)}</text>',
            "</svg>",
        ]
        return Markup("".join(out))

    def _grid(self) -> list[str]:
        parts = []
        ticks = nice_ticks(self.y_low, self.y_high)
        step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
        for value in ticks:
            at = self.y(value)
            parts.append(
                f'<line class="grid" x1="{_LEFT}" x2="{self._right}" y1="{at:.1f}" y2="{at:.1f}"/>'
                f'<text class="tick" x="{_LEFT - 6}" y="{at + 4:.1f}" text-anchor="end">'
                f"{tick_text(value, step)}</text>"
            )
        floor = self._floor
        ticks = nice_ticks(self.x_low, self.x_high, 8)
        step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
        for value in ticks:
            if self.x_whole and abs(value - round(value)) > 1e-6:
                continue
            parts.append(
                f'<line class="grid tickmark" x1="{self.x(value):.1f}" x2="{self.x(value):.1f}" '
                f'y1="{floor}" y2="{floor + 5}"/>'
                f'<text class="tick" x="{self.x(value):.1f}" y="{floor + 18}" text-anchor="middle">'
                f"{tick_text(value, max(step, 1.0) if self.x_whole else step)}</text>"
            )
        parts.append(f'<line class="axis" x1="{_LEFT}" x2="{self._right}" y1="{floor}" y2="{floor}"/>')
        return parts
