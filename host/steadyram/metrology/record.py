"""The calibration record: its head, every point, and the force on the work at each.

All figures SI; counts are on the 16-bit scale of every board. Checked at the edge by pydantic.
"""

from __future__ import annotations

from steadyram.metrology.header import Header, Point, Strict
from steadyram.metrology.measurement import Newton, measurement_of


class CalibrationRecord(Strict):
    """Header and points; force_N gives each point's force on the work.

    rows: of the points in their file; taken_back: rows of points that whoever calibrated took back;
    digest: of the last line of its chained journal, "" where there is none.
    """

    header: Header
    points: tuple[Point, ...]
    rows: tuple[int, ...] = ()
    taken_back: tuple[int, ...] = ()
    digest: str = ""

    def force_N(self, point: Point) -> Newton:
        """Force on the work at a point, by the measurement model of the reference."""
        return measurement_of(self.header).force(point.reference, point.direction)

    def row(self, index: int) -> str:
        """Name of a point for people: its row in the file, or its number."""
        return f"row {self.rows[index]}" if index < len(self.rows) else f"point {index + 1}"
