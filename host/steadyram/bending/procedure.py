"""A bend list struck part by part: the depth corrected from every angle measured, each stroke asked for.

The press is behind `Stroke`, the person behind `BendingHands`; both can be anything that does what they say.
Nothing moves without the person's yes, and the stroke itself waits for the pedal like any other.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, Protocol

from steadyram.bending.bend_list import BendList, PlannedBend, plan_list
from steadyram.bending.correction import SheetCorrection
from steadyram.bending.crowning import stop_depth_m, true_depth_m
from steadyram.errors import BadInput

TOLERANCE_RAD = math.radians(0.5)
# A stroke of the same part so often at most: each one works the sheet and the measuring errors add up.
STROKES_MOST = 3
# Ceiling of the force over its expected upper end: past it something other than the sheet is under the punch.
_CEILING = 1.25
KEEP_AWAY = "Hands away from punch, die and the sheet that will rise."


@dataclass(frozen=True)
class Reached:
    """Where a stroke ended: the ram's depth past touch (m), its force then (N), and what ended it."""

    depth_m: float
    force_N: float
    stopped_by: Literal["depth", "force"] = "depth"


class Stroke(Protocol):
    """One stroke of the press that stops at a depth, or at a force that must not be passed, whichever is first."""

    def to_depth(self, depth_m: float, ceiling_N: float) -> Reached:
        """Run it: depth of the ram past touch (m), and the force (N) at which it stops in any case."""


class BendingHands(Protocol):
    """The person at the press while bending."""

    def note(self, text: str) -> None:
        """Tell what is going on."""

    def confirm(self, text: str) -> bool:
        """Ask for a yes to the next stroke; False ends the run."""

    def included_angle_rad(self, text: str) -> float | None:
        """Ask for the included angle (rad) measured after release; None when it was not measured."""


@dataclass(frozen=True)
class BendDone:
    """One stroke of a bend. stop_m was asked for, depth_m the punch reached past the bed's bow; angles are included.

    within: measured and inside the tolerance; None when not measured.
    """

    part: int
    number: int
    strike: int
    stop_m: float
    depth_m: float
    force_N: float
    stopped_by: str
    target_rad: float
    measured_rad: float | None
    within: bool | None
    words: str

    def document(self) -> dict[str, object]:
        """As a JSON-ready mapping."""
        return {
            "part": self.part,
            "bend": self.number,
            "strike": self.strike,
            "stop_depth_m": self.stop_m,
            "depth_m": self.depth_m,
            "force_N": self.force_N,
            "stopped_by": self.stopped_by,
            "target_included_angle_rad": self.target_rad,
            "measured_included_angle_rad": self.measured_rad,
            "within_tolerance": self.within,
            "note": self.words,
        }


class BendRun:
    """One bend list on one press with one coil of sheet; what it learns stays from part to part.

    tolerance_rad: of the included angle; strokes_most: of one bend of one part (1: never struck again);
    shim_m: put under the die's middle after the touch was taken. Raises BadInput for a bend that press or tooling
    cannot carry, before anything moves.
    """

    def __init__(
        self,
        bends: BendList,
        stroke: Stroke,
        hands: BendingHands,
        *,
        capacity_N: float | None = None,
        tolerance_rad: float = TOLERANCE_RAD,
        strokes_most: int = STROKES_MOST,
        shim_m: float = 0.0,
        correction: SheetCorrection | None = None,
    ) -> None:
        self._bends, self._stroke, self._hands = bends, stroke, hands
        self._tolerance_rad, self._strokes_most, self._shim_m = tolerance_rad, strokes_most, shim_m
        self.planned = plan_list(bends, capacity_N)
        for each in self.planned:
            if not each.plan.load.allowed:
                raise BadInput(f"bend {each.number}: {each.plan.load.warnings[0]}.")
        self._capacity_N = capacity_N
        self.correction = (
            correction if correction is not None else SheetCorrection(bends.tooling, bends.sheet)
        )
        self._line_load: dict[int, float] = {}

    def part(self, number: int = 1) -> Iterator[BendDone]:
        """Strike all bends of one part, yielding each stroke; ends early where the person says no."""
        for planned in self.planned:
            depth_m = self.correction.next_depth_m(planned.bend.bend_rad)
            for strike in range(1, self._strokes_most + 1):
                done = self._strike(number, planned, strike, depth_m)
                if done is None:
                    return
                yield done
                if done.measured_rad is None or done.within or done.stopped_by != "depth":
                    break
                if done.measured_rad < done.target_rad:
                    self._hands.note(
                        "Overbent: it can only be opened by hand or scrapped. The next one goes less deep."
                    )
                    break
                depth_m = self.correction.deeper_m(
                    done.depth_m, math.pi - done.measured_rad, planned.bend.bend_rad
                )

    def _strike(self, part: int, planned: PlannedBend, strike: int, depth_m: float) -> BendDone | None:
        bend, load = planned.bend, planned.plan.load
        expected_N = self._line_load.get(planned.number, load.line_load_N_m) * bend.length
        ceilings_N = [_CEILING * load.estimate.high_N]
        if self._capacity_N is not None:
            ceilings_N.append(self._capacity_N)
        if self._bends.tooling.rating is not None:
            ceilings_N.append(self._bends.tooling.rating * bend.length)
        stop_m = stop_depth_m(depth_m, expected_N, self._bends.bed, self._shim_m)
        where = f", bend line {bend.position * 1e3:.4g} mm from the edge" if bend.position is not None else ""
        again = "the same part again, " if strike > 1 else ""
        if not self._hands.confirm(
            f"Part {part}, bend {planned.number}{f' ({bend.name})' if bend.name else ''}: {again}"
            f"{math.degrees(bend.angle):.4g} deg{where}. Stop at {stop_m * 1e3:.3f} mm, about "
            f"{expected_N / 1e3:.3g} kN. {KEEP_AWAY}"
        ):
            return None
        reached = self._stroke.to_depth(stop_m, min(ceilings_N))
        punch_m = true_depth_m(reached.depth_m, reached.force_N, self._bends.bed, self._shim_m)
        self._line_load[planned.number] = reached.force_N / bend.length
        if reached.stopped_by == "force":
            self._hands.note(
                f"Stopped by force at {reached.force_N / 1e3:.3g} kN, before the depth: look for a second "
                f"sheet, a wrong one, or tooling that is not what the list says."
            )
        measured_rad = self._hands.included_angle_rad(
            f"Included angle of bend {planned.number} after release (empty: not measured)?"
        )
        within, words = None, "not measured"
        if measured_rad is not None:
            within = abs(measured_rad - bend.angle) <= self._tolerance_rad
            words = "stopped by force: not learned from"
            if reached.stopped_by == "depth":
                words = self.correction.learn(punch_m, math.pi - measured_rad).words
        return BendDone(
            part,
            planned.number,
            strike,
            stop_m,
            punch_m,
            reached.force_N,
            reached.stopped_by,
            bend.angle,
            measured_rad,
            within,
            words,
        )
