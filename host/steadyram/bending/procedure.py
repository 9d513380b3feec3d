"""A bend list struck part by part: the depth corrected from every angle measured, each stroke asked for.

The press is behind `Stroke`, the person behind `BendingHands`; both can be anything that does what they say.
Nothing moves without the person's yes, and the stroke itself waits for the pedal like any other.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal, Protocol

from steadyram.bending.bend_list import BendList, PlannedBend, plan_list
from steadyram.bending.correction import SheetCorrection
from steadyram.bending.crowning import stop_depth_m, true_depth_m
from steadyram.bending.gauging import gauge_words
from steadyram.config import preferences
from steadyram.errors import BadInput

TOLERANCE_RAD = math.radians(0.5)
# A stroke of the same part so often at most: each one works the sheet and the measuring errors add up.
STROKES_MOST = 3
# Ceiling of the force over its expected upper end: past it something other than the sheet is under the punch.
_CEILING = 1.25
_SPARE_SIGMAS = 2.0
# Two readings of one bend that are no further apart are the same: three deviations of their difference (a protractor's
# 0.1 degrees each, from memory), rounded up to half a degree.
_SAME_RAD = math.radians(0.5)
# Half a degree read off as half a degree is within half a degree.
_ROUNDING_RAD = 1e-9
KEEP_AWAY = "Hands away from punch, die and the sheet that will rise."


@dataclass(frozen=True)
class Reached:
    """Where a stroke ended: the ram's depth past touch (m), its force then (N), and what ended it."""

    depth_m: float
    force_N: float
    stopped_by: Literal["depth", "force"] = "depth"


Doubted = Literal["measure", "keep", "skip", "stop"]


class Withdrawn(Exception):
    """Raised by a person's hands at the yes to a stroke: the angle entered last was wrong."""


class Stroke(Protocol):
    """One stroke of the press that stops at a depth, or at a force that must not be passed, whichever is first."""

    def to_depth(self, depth_m: float, ceiling_N: float, fresh: bool = True) -> Reached:
        """Run it: depth of the ram past touch (m), and the force (N) at which it stops in any case.

        fresh: the sheet lies flat on the die here, so that where the punch meets it can be felt; False strikes the
        bend under the punch again.
        """


class BendingHands(Protocol):
    """The person at the press while bending."""

    def note(self, text: str) -> None:
        """Tell what is going on."""

    def confirm(self, text: str) -> bool:
        """Ask for a yes to the next stroke; False ends the run."""

    def included_angle_rad(self, text: str) -> float | None:
        """Ask for the included angle (rad) measured after release; None when it was not measured."""

    def doubted(self, text: str) -> Doubted:
        """Ask what to do with a reading that is not believed: measure again, keep it unused, skip it, or stop."""
        return "keep"


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
    # False: the angle was doubted, so nothing was learned from it and no stroke is sized by it.
    used: bool = True

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
            "used": self.used,
        }


@dataclass(frozen=True)
class Step:
    """A stroke that is about to be asked for. Angles rad, included; lengths m, forces N.

    planned_m: what the plan alone asks for at the first stroke of this bend; stop_m: what is asked for now.
    """

    part: int
    number: int
    name: str
    strike: int
    angle_rad: float
    position_m: float | None
    gauge: str
    planned_m: float
    stop_m: float
    expected_N: float

    @property
    def words(self) -> str:
        """The step in a line."""
        where = f", {self.gauge}" if self.gauge else ""
        again = "the same part again, " if self.strike > 1 else ""
        return (
            f"Part {self.part}, bend {self.number}{f' ({self.name})' if self.name else ''}: {again}"
            f"{math.degrees(self.angle_rad):.4g} deg{where}. Stop at {self.stop_m * 1e3:.3f} mm, about "
            f"{preferences().force(self.expected_N, 3)}."
        )


@dataclass(frozen=True)
class Struck:
    """A stroke that was made and whose angle is not known yet."""

    part: int
    number: int
    strike: int
    stop_m: float
    reached: Reached


class BendRun:
    """One bend list on one press with one coil of sheet; what it learns stays from part to part.

    tolerance_rad: of the included angle; strokes_most: of one bend of one part (1: never struck again);
    shim_m: put under the die's middle after the touch was taken; keep: called with each stroke before its angle is
    asked for, so that a run cut off there can be gone on with; ready: called with each step before the person's yes is
    asked for. Raises BadInput for a bend that press or tooling
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
        keep: Callable[[Struck], None] = lambda struck: None,
        ready: Callable[[Step], None] = lambda step: None,
    ) -> None:
        self._keep, self._ready = keep, ready
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
        self._last: tuple[Struck, BendDone] | None = None
        self._amend: Callable[[BendDone], None] = lambda done: None
        self.stopped = False

    def when_amended(self, amend: Callable[[BendDone], None]) -> None:
        """Have `amend` called with the last stroke anew whenever the person takes its angle back."""
        self._amend = amend

    def part(self, number: int = 1, after: BendDone | None = None) -> Iterator[BendDone]:
        """Strike all bends of one part, yielding each stroke; ends early where the person says no.

        after: the last stroke already made of this part; what comes next is what would have come next.
        """
        for planned in self.planned:
            done = after if after is not None and planned.number == after.number else None
            if after is not None and done is None and planned.number < after.number:
                continue
            strike, depth_m = 1, 0.0
            if done is None:
                depth_m = self._first_depth_m(planned.bend.bend_rad)
            while True:
                if done is not None:
                    if not self._goes_on(done):
                        break
                    assert done.measured_rad is not None
                    strike = done.strike + 1
                    depth_m = self.correction.deeper_m(
                        done.depth_m, math.pi - done.measured_rad, planned.bend.bend_rad
                    )
                try:
                    struck = self._strike(number, planned, strike, depth_m)
                except Withdrawn:
                    amended = self._withdraw()
                    if self.stopped:
                        return
                    if amended is not None and (amended.part, amended.number) == (number, planned.number):
                        done = amended
                    elif done is None:
                        depth_m = self._first_depth_m(planned.bend.bend_rad)
                    continue
                if struck is None:
                    return
                done = self.measured(struck)
                yield done
                if self.stopped:
                    return

    def _first_depth_m(self, target_rad: float) -> float:
        """Depth of the first stroke of a bend: on the open side by what is not known, where it may be struck again."""
        if self._strokes_most == 1:
            return self.correction.next_depth_m(target_rad)
        if not self.correction.bends:
            return self.correction.cautious_depth_m(target_rad + self._tolerance_rad)
        depth_m = self.correction.next_depth_m(target_rad)
        sigma_rad = math.hypot(self.correction.sigma_rad(depth_m), self.correction.afar_rad(target_rad))
        spare_rad = _SPARE_SIGMAS * sigma_rad - self._tolerance_rad
        if not 0.0 < spare_rad < target_rad:
            return depth_m
        return self.correction.next_depth_m(target_rad - spare_rad)

    def remember(self, done: BendDone) -> None:
        """Take in a stroke of an earlier session: its force, and its angle where it was learned from."""
        bend = self.planned[done.number - 1].bend
        self._line_load[done.number] = done.force_N / bend.length
        if done.measured_rad is not None and done.stopped_by == "depth" and done.used:
            self.correction.learn(done.depth_m, math.pi - done.measured_rad, confirmed=True)

    def finished(self, done: BendDone) -> bool:
        """True when a part needs nothing more after this stroke."""
        return done.number >= len(self.planned) and not self._goes_on(done, told=True)

    def _goes_on(self, done: BendDone, told: bool = False) -> bool:
        """Whether this bend of this part is struck again; what cannot be mended is said unless `told`."""
        if done.measured_rad is None or done.within or done.stopped_by != "depth" or not done.used:
            return False
        if done.measured_rad < done.target_rad:
            if not told:
                self._hands.note(
                    "Overbent: it can only be opened by hand or scrapped. The next one goes less deep."
                )
            return False
        return done.strike < self._strokes_most

    def _strike(self, part: int, planned: PlannedBend, strike: int, depth_m: float) -> Struck | None:
        bend, load = planned.bend, planned.plan.load
        expected_N = self._line_load.get(planned.number, load.line_load_N_m) * bend.length
        ceilings_N = [_CEILING * load.estimate.high_N]
        if self._capacity_N is not None:
            ceilings_N.append(self._capacity_N)
        if self._bends.tooling.rating is not None:
            ceilings_N.append(self._bends.tooling.rating * bend.length)
        stop_m = stop_depth_m(depth_m, expected_N, self._bends.bed, self._shim_m)
        step = Step(
            part,
            planned.number,
            bend.name,
            strike,
            bend.angle,
            bend.position,
            gauge_words(self._bends, planned.number),
            planned.plan.stop_m,
            stop_m,
            expected_N,
        )
        self._ready(step)
        if not self._hands.confirm(f"{step.words} {KEEP_AWAY}"):
            return None
        reached = self._stroke.to_depth(stop_m, min(ceilings_N), strike == 1)
        struck = Struck(part, planned.number, strike, stop_m, reached)
        self._keep(struck)
        return struck

    def measured(self, struck: Struck) -> BendDone:
        """Ask for the angle that a stroke left, and learn from it."""
        reached, bend = struck.reached, self.planned[struck.number - 1].bend
        punch_m = true_depth_m(reached.depth_m, reached.force_N, self._bends.bed, self._shim_m)
        self._line_load[struck.number] = reached.force_N / bend.length
        if reached.stopped_by == "force":
            self._hands.note(
                f"Stopped by force at {preferences().force(reached.force_N, 3)}, before the depth: look for a second "
                f"sheet, a wrong one, or tooling that is not what the list says."
            )
        done = BendDone(
            struck.part,
            struck.number,
            struck.strike,
            struck.stop_m,
            punch_m,
            reached.force_N,
            reached.stopped_by,
            bend.angle,
            None,
            None,
            "not measured",
        )
        done = self._read(done)
        self._last = (struck, done)
        return done

    def _read(self, done: BendDone) -> BendDone:
        """Ask for the angle of a stroke until it is believed, or the person has said what becomes of it."""
        question = f"Included angle of bend {done.number} after release (empty: not measured)?"
        before: list[float] = []
        while True:
            angle = self._hands.included_angle_rad(question)
            if angle is None:
                return done
            within = abs(angle - done.target_rad) <= self._tolerance_rad + _ROUNDING_RAD
            if done.stopped_by != "depth":
                return replace(
                    done, measured_rad=angle, within=within, words="stopped by force: not learned from"
                )
            same = next((each for each in before if abs(each - angle) <= _SAME_RAD), None)
            expected = self.correction.doubt(done.depth_m, math.pi - angle)
            # Of a sheet that nothing is known of one reading says what the next part is struck by: it takes two.
            if same is not None or (expected is None and self.correction.bends):
                taken = angle if same is None else (angle + same) / 2.0
                return self._learned(replace(done, measured_rad=taken, within=within), same is not None)
            before.append(angle)
            if expected is None:
                question = (
                    f"Included angle of bend {done.number} once more, the protractor taken off and put on again (the "
                    "first bend of a sheet is measured twice)?"
                )
                continue
            question = f"Included angle of bend {done.number}, measured again?"
            choice = self._hands.doubted(self._doubt_words(done, angle, expected))
            if choice == "measure":
                continue
            if choice == "keep":
                return replace(done, measured_rad=angle, within=within, words="doubted: not used", used=False)
            self.stopped = choice == "stop"
            return replace(done, used=False, words="doubted: left out")

    def _learned(self, done: BendDone, confirmed: bool) -> BendDone:
        assert done.measured_rad is not None
        try:
            found = self.correction.learn(done.depth_m, math.pi - done.measured_rad, confirmed=confirmed)
        except BadInput as error:
            self._hands.note(str(error))
            return replace(done, words="doubted: not used", used=False)
        return replace(done, words=found.words, used=found.used)

    def _doubt_words(self, done: BendDone, angle_rad: float, expected: tuple[float, float]) -> str:
        """The reading, what was expected, and what a usual slip would make of it."""
        low, high = (math.degrees(math.pi - each) for each in reversed(expected))
        text = (
            f"{math.degrees(angle_rad):.1f} deg is not used: {low:.1f} to {high:.1f} deg was expected of bend "
            f"{done.number} at this depth."
        )
        turned = math.degrees(math.pi - angle_rad)
        if low <= turned <= high:
            text += f" {turned:.1f} deg would fit: read the angle between the two legs."
        return text

    def _withdraw(self) -> BendDone | None:
        """Take the last angle back, with what was learned from it, and ask for it anew."""
        if self._last is None:
            self._hands.note("No angle was entered that could be taken back.")
            return None
        struck, done = self._last
        if done.measured_rad is not None and done.used:
            self.correction.withdraw()
        amended = self._read(replace(done, measured_rad=None, within=None, words="not measured", used=True))
        self._last = (struck, amended)
        self._amend(amended)
        return amended
