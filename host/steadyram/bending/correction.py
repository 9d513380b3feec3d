"""From measured bends to the depth of the next one, for one sheet (coil) over one tooling.

Three things that nobody knows beforehand move the angle that a depth leaves: the inside radius this sheet takes in
air, how much more it springs back than the textbook says, and how far the touch that depth is counted from is off
(a sheet thicker than stated does the same). Each has a usual size; measured bends are laid through them by least
squares together with these usual sizes (a Gaussian estimate of greatest likelihood, Gauss-Newton). One bend settles
most of the offset; a second one, at another depth, the gain; later ones average the noise out. Because the three
are those of the sheet and not of the angle, what a bend of 90 degrees taught helps a bend of 120 degrees.

A measurement far from all that is left possible is doubted: before anything was learned, outside what the plan itself
leaves open (`plan_band`); afterwards, beyond five deviations of what is foretold. It changes nothing until it is
measured again and is the same, or until the next one is off the same way; then everything is learned anew, for the
sheet is another one.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from steadyram.bending import geometry, springback
from steadyram.bending.sheet import Sheet
from steadyram.bending.tooling import Tooling
from steadyram.errors import BadInput
from steadyram.late import np

if TYPE_CHECKING:
    import numpy.typing as npt

Array: TypeAlias = "npt.NDArray[np.float64]"

# What is usual, one sigma. Common practice, no source.
RADIUS_SIGMA = 0.35  # of the inside radius by rule, as a logarithm
SPRINGBACK_SIGMA = 0.04  # of the bend angle, more springback than the formula's
TOUCH_SIGMA = 0.02  # of the thickness
# The formulas' slope is no better than this: a bend so far from the angle wanted tells that much less of it.
AFAR_SIGMA = 0.06
# Of one measured bend: a protractor's 0.1 degrees with part against part of one coil, and how well the depth that
# the punch reached is known (not how well the press stops where it should: what was reached is what bent the part).
ANGLE_SIGMA_RAD = math.radians(0.15)
DEPTH_SIGMA_M = 6e-6
# A bend this many sigma from the foretold one is doubted; one this far is no reading of this bend at all.
DOUBT = 5.0
# So many usual sizes of radius and touch the first bend of a sheet stays on the open side by: what is under is struck
# again.
CAUTIOUS = 1.5
_ABSURD_RAD = math.radians(35.0)
_NO_FLANKS_RAD = math.radians(20.0)
_REMEMBERED = 12
_ROUNDS = 6
_STEPS = 50


@dataclass(frozen=True)
class Learned:
    """What a measured bend did: `used`, and how far it was from what had been foretold (rad, + is overbent)."""

    used: bool
    surprise_rad: float
    words: str


class SheetCorrection:
    """What measured bends tell of one sheet over one tooling.

    measure_sigma_rad: one sigma of a measured angle, part against part of one coil in it; depth_sigma_m: of the
    depth the punch truly reached. Angles are bend angles (rad), depths those of the punch past touch (m).
    """

    def __init__(
        self,
        tooling: Tooling,
        sheet: Sheet,
        measure_sigma_rad: float = ANGLE_SIGMA_RAD,
        depth_sigma_m: float = DEPTH_SIGMA_M,
    ) -> None:
        self.tooling, self.sheet = tooling, sheet
        # Foretelling ends nowhere at the die's flanks: a fit whose radius is too large would lie on them and be stuck.
        self._open = tooling.model_copy(update={"die_angle": _NO_FLANKS_RAD})
        self._measure_sigma_rad, self._depth_sigma_m = measure_sigma_rad, depth_sigma_m
        self._radius_m = geometry.inside_radius_m(tooling)
        self._usual = np.array([RADIUS_SIGMA, SPRINGBACK_SIGMA, TOUCH_SIGMA * sheet.thickness_m])
        self._seen: deque[tuple[float, float]] = deque(maxlen=_REMEMBERED)
        self._doubted: tuple[float, float, float] | None = None
        self._before: tuple[list[tuple[float, float]], tuple[float, float, float] | None] = ([], None)
        self._wanted_rad: float | None = None
        self._fit()

    @property
    def bends(self) -> int:
        """Measured bends in use, the newest dozen."""
        return len(self._seen)

    @property
    def radius_m(self) -> float:
        """Inside radius under load as far as it is known."""
        return self._radius_m * math.exp(float(self._state[0]))

    @property
    def springback_share(self) -> float:
        """Springback beyond the textbook's, as a share of the bend angle; negative where there is less."""
        return float(self._state[1])

    def expected_rad(self, depth_m: float) -> float:
        """Released bend angle (rad) foretold for a depth."""
        return self._foretell(depth_m, self._state)

    def sigma_rad(self, depth_m: float) -> float:
        """One sigma (rad) of the next bend about what is foretold."""
        row = self._row(depth_m, self._state)
        return math.sqrt(float(row @ self._spread @ row) + self._noise(depth_m))

    def afar_rad(self, target_rad: float) -> float:
        """One sigma (rad) of what the formulas' slope makes of the way from the nearest bend seen; 0 with none seen.

        Common to all bends at another angle, so that more of them do not lessen it: not in `sigma_rad`.
        """
        return AFAR_SIGMA * min((abs(measured - target_rad) for _, measured in self._seen), default=0.0)

    def next_depth_m(self, target_rad: float) -> float:
        """Depth (m) past touch for a released bend angle of `target_rad`.

        Raises BadInput when what is known asks for more than the tooling can do in air.
        """
        self._wanted_rad = target_rad
        self._fit()
        most_rad = self.expected_rad(self._deepest_m())
        if most_rad < target_rad:
            raise BadInput(
                f"this die overbends to {math.degrees(most_rad):.4g} deg of bend after springback, and "
                f"{math.degrees(target_rad):.4g} are wanted; take a sharper or wider die."
            )
        return self._depth_m(target_rad)

    def cautious_depth_m(self, target_rad: float) -> float:
        """Return the depth (m) of a sheet's first bend that is not to pass `target_rad` (rad, released).

        By the least springback of its band, radius and touch `CAUTIOUS` usual sizes to the unlucky side; no deeper than
        planned.
        """
        low, high = 0.0, self.next_depth_m(target_rad)
        if self.plan_band(high, CAUTIOUS)[1] <= target_rad:
            return high
        for _ in range(_STEPS):
            middle = (low + high) / 2.0
            low, high = (middle, high) if self.plan_band(middle, CAUTIOUS)[1] < target_rad else (low, middle)
        return low

    def deeper_m(self, depth_m: float, measured_rad: float, target_rad: float) -> float:
        """Depth (m) to strike this very part again to, after a stroke to `depth_m` left `measured_rad` of bend.

        Goes by this part's own shortfall, not by what others taught. Raises BadInput as next_depth_m does.
        """
        target_rad = self.expected_rad(depth_m) + max(0.0, target_rad - measured_rad)
        if self.expected_rad(self._deepest_m()) < target_rad:
            raise BadInput("this die cannot bend the part any further; take a sharper or wider die.")
        return max(depth_m, self._depth_m(target_rad))

    def plan_band(self, depth_m: float, sizes: float = 2.0) -> tuple[float, float]:
        """Return the released bend angles (rad) between which a first bend to a depth (m) is expected.

        Radius and touch so many usual sizes off either way, springback anywhere in its own band, and what measuring
        adds: 1.5 deviations a size.
        """
        sheet, away = self.sheet, sizes * TOUCH_SIGMA * self.sheet.thickness_m
        low, high = math.pi, 0.0
        for sign in (-sizes, sizes):
            radius = self._radius_m * math.exp(sign * RADIUS_SIGMA)
            for depth in (depth_m - away, depth_m + away):
                loaded = geometry.angle_for_depth_rad(self._open, sheet.thickness_m, radius, depth)
                leg = geometry.leg_m(self._open, sheet.thickness_m, radius, loaded)
                band = springback.springback_band(sheet, radius, loaded, leg)
                low, high = min(low, loaded - band.high_rad), max(high, loaded - band.low_rad)
        measured = 1.5 * sizes * self._measure_sigma_rad
        return max(0.0, low - measured), high + measured

    def doubt(self, depth_m: float, measured_rad: float) -> tuple[float, float] | None:
        """Return the bend angles (rad) between which a bend to a depth (m) was expected, where this one lies outside.

        None where it is believed; nothing is learned either way.
        """
        if self._seen:
            expected, away = self.expected_rad(depth_m), DOUBT * self.sigma_rad(depth_m)
            low, high = expected - away, expected + away
        else:
            low, high = self.plan_band(depth_m)
        return None if low <= measured_rad <= high else (low, high)

    def withdraw(self) -> None:
        """Take the bend learned last back: everything is as it was before it."""
        seen, self._doubted = self._before
        self._seen = deque(seen, maxlen=_REMEMBERED)
        self._fit()

    def learn(self, depth_m: float, measured_rad: float, *, confirmed: bool = False) -> Learned:
        """Take in a bend: the depth (m) the punch truly reached and the bend angle (rad) measured after release.

        confirmed: measured twice, so that it is believed however far it is from the bends before.
        Raises BadInput for figures no bend could have; nothing is learned from them.
        """
        if not 0.0 < measured_rad < math.pi:
            raise BadInput("a measured angle lies between 0 and 180 deg; measure the included angle again.")
        if not 0.0 < depth_m <= 1.3 * self._deepest_m():
            raise BadInput(
                f"a depth of {depth_m * 1e3:.4g} mm is none this die could have bent with; check the figure."
            )
        surprise = measured_rad - self.expected_rad(depth_m)
        if abs(surprise) > _ABSURD_RAD and not confirmed:
            raise BadInput(
                f"the angle measured is {abs(math.degrees(surprise)):.3g} deg from what this depth "
                f"bends; check that the included angle was measured, and depth, thickness and tooling."
            )
        self._before = (list(self._seen), self._doubted)
        if self._seen and abs(surprise) > DOUBT * self.sigma_rad(depth_m):
            if confirmed:
                self._seen.clear()
                self._doubted = (depth_m, measured_rad, surprise)
            if self._doubted is None or self._doubted[2] * surprise < 0.0:
                self._doubted = (depth_m, measured_rad, surprise)
                return Learned(
                    False,
                    surprise,
                    "far from the bends before, not used: measure again, and see that sheet and tooling are the same",
                )
            self._seen.clear()
            self._seen.extend(
                [(depth_m, measured_rad)] if confirmed else [self._doubted[:2], (depth_m, measured_rad)]
            )
            self._doubted = None
            self._fit()
            words = "measured twice and far" if confirmed else "twice far"
            return Learned(True, surprise, f"{words} from the bends before: learned anew, for another sheet")
        self._doubted = None
        self._seen.append((depth_m, measured_rad))
        self._fit()
        return Learned(True, surprise, "used")

    def _depth_m(self, released_rad: float) -> float:
        low, high = 0.0, self._deepest_m()
        for _ in range(_STEPS):
            middle = (low + high) / 2.0
            low, high = (middle, high) if self.expected_rad(middle) < released_rad else (low, middle)
        return (low + high) / 2.0

    def _foretell(self, depth_m: float, state: Array) -> float:
        radius = self._radius_m * math.exp(float(state[0]))
        loaded = geometry.angle_for_depth_rad(
            self._open, self.sheet.thickness_m, radius, depth_m + float(state[2])
        )
        released = springback.after_release(self.sheet, radius, loaded).released_rad
        return released * (1.0 - float(state[1]))

    def _deepest_m(self) -> float:
        radius = self.radius_m
        steepest = geometry.steepest_rad(self.tooling, self.sheet.thickness_m, radius)
        return geometry.depth_for_angle_m(self.tooling, self.sheet.thickness_m, radius, steepest)

    def _fit(self) -> None:
        """Most likely state given all bends in use and what is usual, and its covariance."""
        self._state = np.zeros(3)
        prior = np.diag(self._usual**-2)
        normal = prior
        for _ in range(_ROUNDS if self._seen else 0):
            normal, pull = prior.copy(), -prior @ self._state
            for depth_m, measured_rad in self._seen:
                row, noise = self._row(depth_m, self._state), self._noise(depth_m)
                if self._wanted_rad is not None:
                    noise += (AFAR_SIGMA * (measured_rad - self._wanted_rad)) ** 2
                normal += np.outer(row, row) / noise
                pull += row * (measured_rad - self._foretell(depth_m, self._state)) / noise
            # No step beyond two usual sizes: the formulas are far from straight out there.
            step = np.linalg.solve(normal, pull)
            self._state = self._state + np.clip(step, -2.0 * self._usual, 2.0 * self._usual)
        self._spread = np.linalg.inv(normal)

    def _row(self, depth_m: float, state: Array) -> Array:
        """How the foretold angle moves with each of the three."""
        row = np.empty(3)
        for k in range(3):
            nudge = np.zeros(3)
            nudge[k] = 0.01 * self._usual[k]
            row[k] = (self._foretell(depth_m, state + nudge) - self._foretell(depth_m, state - nudge)) / (
                2.0 * nudge[k]
            )
        return row

    def _noise(self, depth_m: float) -> float:
        step = 1e-5
        per_m = (
            self._foretell(depth_m + step, self._state) - self._foretell(depth_m - step, self._state)
        ) / (2.0 * step)
        return self._measure_sigma_rad**2 + (per_m * self._depth_sigma_m) ** 2
