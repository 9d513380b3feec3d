"""Force of a part against ram travel past contact, and the draw of one part from a press file's scatter."""

from __future__ import annotations

from dataclasses import dataclass

from steadyram.press.pressfile import Work

# A solid steel block between ram and bed: E A / L = 200 GPa * 7850 mm2 / 157 mm, far stiffer than any frame.
BLOCK_STIFFNESS_N_M = 1.0e10


@dataclass(frozen=True, slots=True)
class Part:
    """One part: corner points of its curve (travel_m, force_N), then `stiffness_N_m` without end."""

    corners: tuple[tuple[float, float], ...]
    stiffness_N_m: float
    gap_m: float

    def force_N(self, x_m: float) -> float:
        """Virgin curve at travel `x_m` past contact."""
        x0, f0 = 0.0, 0.0
        for x1, f1 in self.corners:
            if x_m <= x1:
                return f0 + (f1 - f0) * (x_m - x0) / (x1 - x0) if x_m > x0 else f0
            x0, f0 = x1, f1
        return f0 + self.stiffness_N_m * (x_m - x0)


def make_part(work: Work, plateau_scatter: float = 0.0, travel_scatter: float = 0.0) -> Part:
    """A part of a press file's work but for a bend (see `bend.strip_of`).

    Scatters are standard normal draws, multiplied by `work.scatter`.
    """
    p = work.plateau * max(0.05, 1.0 + work.scatter * plateau_scatter)
    t = work.travel * max(0.05, 1.0 + work.scatter * travel_scatter)
    if work.kind == "clinch":
        corners: tuple[tuple[float, float], ...] = ((t / 5.0, p), (t, 1.1 * p))
    elif work.kind in ("dimple", "press-fit"):
        corners = ((t, p),)
    else:
        corners = ()
    return Part(corners, work.stiffness_N_m, work.gap)


def block(gap_m: float, stiffness_N_m: float = BLOCK_STIFFNESS_N_M) -> Part:
    """A dead stop for calibration and commissioning."""
    return Part((), stiffness_N_m, gap_m)


def no_part(stroke_m: float) -> Part:
    """Nothing under the ram: the end of the stroke is the stop."""
    return Part((), BLOCK_STIFFNESS_N_M, stroke_m)
