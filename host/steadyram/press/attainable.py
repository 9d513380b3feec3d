"""The attainable limit: how close the best on/off cutoff lands, worked out from press file, setpoint and work alone.

`limits.limit_sigma_N` is the jitter of one closing. It says nothing of the shortest pulse, of the plateau, of the
parts' scatter, of friction that differs from stroke to stroke, or of the time allowed. Here an oracle plays the
stroke: it knows the press, the valve's lags and their jitter and the distribution of the job's parts exactly, but
neither this part's own draw nor the next jitter. It minimises the mean square of its error within `budget_s` more
than a plain threshold takes.

How it plays:

1. *First feed*: closed at a time since contact, at a level of force, or at whichever comes first; where a slow feed
   is fitted, that goes on from there to a level of its own. The levels are searched for the least mean square.
2. *Pulses*: dynamic programming over the oil that is left and the moves that are left, for a grid of known parts
   (`_Tables`). A part whose knee has not been met yet is a set of candidates that agree with what was seen; the move
   with the least expected loss over them is made (the "QMDP" approximation of a partly observed process; Littman,
   Cassandra & Kaelbling 1995, from memory).
3. *Report*: fresh parts, with what no sensor on the oil can see (friction and zero of this stroke) added.

It is a policy, found by search, so its p95 is an upper bound of what is attainable, near it where a closed form
exists (see the tests). Left out: leak-down, ripple, breakaway, switching spikes, cold oil, line lag in the first
feed's slope, calibration error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from steadyram.config import preferences
from steadyram.press.pressfile import PressFile

Array = npt.NDArray[np.float64]

STEP_S: Final = 0.001
BUDGET_S: Final = 0.5
# A landing is judged by the mean of this many samples at rest; a feed by the mean of four, half of which is its lag.
_REST_SAMPLES: Final = 14
_FEED_LAG_S: Final = 0.0015
_MOST_MOVES: Final = 6
_SEARCH_PARTS: Final = 160
_REPORT_PARTS: Final = 2000
_GRID_P: Final = np.array([-1.7, 0.0, 1.7])
_GRID_T: Final = np.array([-2.2, -1.1, 0.0, 1.1, 2.2])
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(5)
_SHARES: Final = _WEIGHTS / _WEIGHTS.sum()


@dataclass(frozen=True)
class Attainable:
    """What the oracle reached: forces in newtons, times in seconds; `policy` says how its first feed ends."""

    p95_N: float
    mean_error_N: float
    over_share: float
    pulses: float
    policy: str


class _Curves:
    """Force against oil since contact (m3) of many parts at once; three straight pieces each."""

    def __init__(self, press: PressFile, plateau: Array, travel: Array) -> None:
        area = press.cylinder.area_m2
        give = area / press.frame.stiffness + press.oil.trapped_volume / press.oil.bulk_modulus / area
        self.steep = 1.0 / (area / press.work.stiffness_N_m + give)
        p, t = np.maximum(plateau, 1.0), np.maximum(travel, 1e-6)
        if press.work.kind == "clinch":
            self.f1, x1, self.f2, x2 = p, t / 5.0, 1.1 * p, t
        elif press.work.kind == "dead-stop":
            self.f1, self.f2 = np.ones_like(p), 2.0 * np.ones_like(p)
            x1, x2 = self.f1 / press.work.stiffness_N_m, self.f2 / press.work.stiffness_N_m
        else:
            self.f1, x1 = 0.5 * p, 0.5 * t
            self.f2, x2 = p, t
        self.y1, self.y2 = area * x1 + self.f1 * give, area * x2 + self.f2 * give
        self.area, self.give = area, give
        friction = press.cylinder.seal_friction
        change = press.pump.changeover
        self.low, self.high = press.pump.flow_m3_s(0.0), press.pump.flow_m3_s(math.inf)
        self.f_change = math.inf if change is None else max(1e-9, change * area - friction)
        self.y_change = self.oil(np.full_like(p, min(self.f_change, 1e12)))

    def force(self, y: Array) -> Array:
        early = np.maximum(y, 0.0) * (self.f1 / self.y1)
        middle = self.f1 + (y - self.y1) * ((self.f2 - self.f1) / (self.y2 - self.y1))
        return np.where(
            y < self.y1, early, np.where(y < self.y2, middle, self.f2 + (y - self.y2) * self.steep)
        )

    def oil(self, force: Array) -> Array:
        early = force * (self.y1 / self.f1)
        middle = self.y1 + (force - self.f1) * ((self.y2 - self.y1) / (self.f2 - self.f1))
        late = self.y2 + (force - self.f2) / self.steep
        return np.where(force < self.f1, early, np.where(force < self.f2, middle, late))

    def time(self, y: Array) -> Array:
        """Return the full feed's time since contact at oil y."""
        first = np.minimum(y, self.y_change)
        return first / self.low + np.maximum(0.0, y - self.y_change) / self.high

    def oil_at(self, time: Array) -> Array:
        """Return the oil let in by full feed at a time since contact."""
        turn = self.y_change / self.low
        return np.minimum(time, turn) * self.low + np.maximum(0.0, time - turn) * self.high

    def slope(self, y: Array) -> Array:
        """Return newtons a second at full feed."""
        per_oil = np.where(
            y < self.y1,
            self.f1 / self.y1,
            np.where(y < self.y2, (self.f2 - self.f1) / (self.y2 - self.y1), self.steep),
        )
        return per_oil * np.where(y < self.y_change, self.low, self.high)

    def part(self, index: Any) -> _Curves:
        """Return the curves of some of the parts, or of all with another shape."""
        cut = object.__new__(_Curves)
        cut.__dict__ = dict(self.__dict__)
        for name in ("f1", "f2", "y1", "y2", "y_change"):
            setattr(cut, name, getattr(self, name)[index])
        return cut


class _Chain:
    """What valve and sensor do, in seconds and newtons."""

    def __init__(self, press: PressFile) -> None:
        v, t = press.valve, press.transducer
        self.slew, self.overlap = v.slew, v.overlap
        ramp = v.slew * (1.0 - v.overlap) / 2.0
        self.open_s = v.relay_delay + v.open_delay + v.slew * v.overlap + ramp
        self.close_s = v.relay_delay + v.close_delay + ramp + press.pump.coast_down / 2.0
        # A pulse sends the spool open for its width less this.
        self.short_s = v.open_delay - v.close_delay
        self.edge_s = math.sqrt(2.0) * v.jitter
        self.pulse_s = 2.0 * v.jitter
        self.least_s = max(STEP_S, math.ceil(v.pull_in * v.relay_delay / STEP_S - 1e-6) * STEP_S)
        self.slow = None if v.slow_feed is None else min(v.slow_feed, press.pump.flow_m3_s(math.inf))
        line_s = (
            0.0 if t.line_frequency is None else 1.0 / (t.line_damping * 2.0 * math.pi * t.line_frequency)
        )
        self.see_s = (
            t.lag
            + _FEED_LAG_S
            + (0.0 if t.line_frequency is None else 2.0 * t.line_damping / (2.0 * math.pi * t.line_frequency))
        )
        self.settle_s = self.close_s + 4.0 * t.lag + min(3.0 * line_s, 0.1) + _REST_SAMPLES * STEP_S
        full = press.cylinder.area_m2 * t.range
        step = full / (0.8 * 2**press.adc.bits) / math.sqrt(12.0)
        self.feed_noise_N = math.hypot(full * t.noise, step) / 2.0
        self.rest_noise_N = math.hypot(full * t.noise, step) / math.sqrt(_REST_SAMPLES)
        # Friction and zero of this stroke: the oil's pressure does not show them.
        self.unseen_N = math.hypot(
            press.cylinder.friction_scatter * press.cylinder.seal_friction, t.zero_wander * full
        )
        self.holds = v.load_holding

    def let_in(self, stay_s: Array) -> Array:
        """Return the seconds of full flow of a spool that is sent open for a time."""
        stay = np.maximum(0.0, stay_s)
        if self.slew <= 0.0:
            return stay
        share = np.minimum(stay / self.slew, 1.0) - self.overlap
        ramps = self.slew * np.maximum(0.0, share) ** 2 / (1.0 - self.overlap)
        return np.where(stay < self.slew, ramps, np.maximum(0.0, stay - self.overlap * self.slew))


class _Tables:
    """Least expected loss by oil left (seconds of full feed) and moves left, for known parts.

    value[k][g, i]: part g of the grid, oil left grid[i], k moves left.
    """

    def __init__(self, curves: _Curves, chain: _Chain, setpoint_N: float, moves: int, reach_s: float) -> None:
        self.curves, self.chain = curves, chain
        parts = len(curves.f1)
        column = curves.part((slice(None), None))
        self.goal_y = column.oil(np.full((parts, 1), setpoint_N))
        self.goal = column.time(self.goal_y)
        spread = max(chain.pulse_s, 2e-4)
        slow_share = 1.0 if chain.slow is None else chain.slow / curves.high
        fine = max(spread * min(1.0, 4.0 * slow_share) / 5.0, 2e-5)
        low, high = -8.0 * spread - 0.003, reach_s
        count = int(min(900, max(160, (high - low) / fine)))
        # Close together about the setpoint, further apart where a move is long.
        bend = np.linspace(-1.0, 1.0, count)
        scale = np.sinh(3.0)
        self.grid = np.where(bend < 0, -low * np.sinh(3 * bend) / scale, high * np.sinh(3 * bend) / scale)
        self._low, self._high, self._count = low, high, count
        self.moves = self._candidates(spread)
        y = column.oil_at(self.goal - self.grid[None])
        error = column.force(y) - setpoint_N
        blur = chain.rest_noise_N**2
        stop = (error**2 + blur) / setpoint_N**2
        self.value = [stop]
        for _ in range(moves):
            best = stop.copy()
            for move in self.moves:
                np.minimum(best, self._expected(self.value[-1], move, y, column), out=best)
            self.value.append(best)

    def _candidates(self, spread: float) -> list[tuple[bool, float]]:
        """Return (slow feed?, width in seconds) of the moves that are tried."""
        longest = self._high + self.chain.short_s + self.chain.overlap * self.chain.slew + 3 * spread
        found, width = [], self.chain.least_s
        while width <= max(longest, self.chain.least_s):
            found.append((False, width))
            width += STEP_S * max(1, round(0.12 * (width - self.chain.least_s) / STEP_S))
        if self.chain.slow is not None:
            width = self.chain.least_s
            while width <= 0.4:
                found.append((True, width))
                width += STEP_S * max(1, round(0.2 * (width - self.chain.least_s) / STEP_S))
        return found

    def flows(self, move: tuple[bool, float]) -> list[tuple[float, float]]:
        """Return (weight, seconds of flow) of a move over its jitter."""
        stay = np.asarray(move[1] - self.chain.short_s + self.chain.pulse_s * _NODES)
        return list(zip(_SHARES.tolist(), self.chain.let_in(stay).tolist(), strict=True))

    def look(self, value: Array, part: Any, left: Array) -> Array:
        """Interpolate a table at oil left, part by part."""
        scale = np.sinh(3.0)
        span = np.where(left < 0, -self._low, self._high)
        place = np.arcsinh(np.clip(left / span, -1.0, 1.0) * scale) / 3.0
        at = (place + 1.0) * 0.5 * (self._count - 1)
        index = np.minimum(at.astype(np.int64), self._count - 2)
        share = at - index
        found: Array = value[part, index] * (1.0 - share) + value[part, index + 1] * share
        return found

    def _expected(self, value: Array, move: tuple[bool, float], y: Array, column: _Curves) -> Array:
        rows = np.arange(len(value))[:, None]
        total = np.zeros_like(y)
        for weight, flow in self.flows(move):
            left = (
                self.grid[None] - flow
                if not move[0]
                else self.goal - column.time(y + flow * (self.chain.slow or 0.0))
            )
            total += weight * self.look(value, rows, left)
        return total


@dataclass(frozen=True)
class _First:
    """How the first feed ends: time since contact (s), force (N), force at which the slow feed ends (N)."""

    at_s: float | None
    at_N: float | None
    slow_N: float | None

    def __str__(self) -> str:
        how = [] if self.at_s is None else [f"at {1000 * self.at_s:.1f} ms since contact"]
        how += [] if self.at_N is None else [f"at {preferences().force(self.at_N, 3)}"]
        return (
            "full feed "
            + " or ".join(how)
            + ("" if self.slow_N is None else f", slow feed to {preferences().force(self.slow_N, 3)}")
        )


class _Oracle:
    def __init__(self, press: PressFile, setpoint_N: float, budget_s: float) -> None:
        self.press, self.setpoint, self.budget = press, setpoint_N, budget_s
        self.chain = _Chain(press)
        work = press.work
        self.plain = work.kind == "dead-stop" or work.scatter <= 0.0
        self.mean = _Curves(press, np.array([work.plateau]), np.array([work.travel]))
        if self.plain:
            grid = self.mean
        else:
            p, t = np.meshgrid(1 + work.scatter * _GRID_P, 1 + work.scatter * _GRID_T, indexing="ij")
            grid = _Curves(press, work.plateau * p.ravel(), work.travel * t.ravel())
        goal = grid.time(grid.oil(np.full_like(grid.f1, setpoint_N)))
        self.goal_s = float(self.mean.time(self.mean.oil(np.array([setpoint_N])))[0])
        self.goal_sd = 0.0 if self.plain else float(np.std(goal)) / 1.2
        move_s = self.chain.settle_s + max(self.chain.least_s, self.chain.open_s - self.chain.close_s)
        self.move_s = move_s
        moves = min(_MOST_MOVES, int(budget_s / move_s)) if self.chain.holds else 0
        reach = max(0.03, 6 * self.goal_sd + 0.02, 8 * self.chain.pulse_s)
        self.tables = _Tables(grid, self.chain, setpoint_N, moves, reach)

    # ------------------------------------------------------------------ one play
    def play(self, first: _First, count: int, seed: int) -> tuple[Array, Array]:
        """Return error (N) and pulses of each of `count` fresh parts; the same seed draws the same parts."""
        rng = np.random.Generator(np.random.PCG64(seed))
        work, chain = self.press.work, self.chain
        draws = rng.standard_normal((2, count))
        scatter = 0.0 if self.plain else work.scatter
        curves = _Curves(
            self.press, work.plateau * (1 + scatter * draws[0]), work.travel * (1 + scatter * draws[1])
        )
        y, spent = self._first_feed(first, curves, count, rng)
        pulses = np.zeros(count)
        left = self.budget - spent
        rest = np.full(count, True)
        for _ in range(len(self.tables.value) - 1 if chain.holds else 0):
            rest &= left >= self.move_s
            if not rest.any():
                break
            index = np.nonzero(rest)[0]
            move = self._choose(curves.part(index), y[index], left[index], rng)
            rest[index[move < 0]] = False
            go, move = index[move >= 0], move[move >= 0]
            widths = np.array([m[1] for m in self.tables.moves])[move] if len(move) else np.zeros(0)
            slow = (
                np.array([m[0] for m in self.tables.moves], dtype=bool)[move]
                if len(move)
                else np.zeros(0, bool)
            )
            flow = chain.let_in(widths - chain.short_s + chain.pulse_s * rng.standard_normal(len(go)))
            ones = curves.part(go)
            full_y = ones.oil_at(ones.time(y[go]) + flow)
            y[go] = np.where(slow, y[go] + flow * (chain.slow or 0.0), full_y)
            left[go] -= widths + chain.settle_s
            pulses[go] += 1
        return curves.force(y) - self.setpoint, pulses

    def _first_feed(
        self, first: _First, curves: _Curves, count: int, rng: np.random.Generator
    ) -> tuple[Array, Array]:
        """Return oil after the first feed (full, then slow) and the time spent past the plain threshold's."""
        chain = self.chain
        jitter, phase, noise = (
            rng.standard_normal((2, count)),
            rng.random((2, count)),
            rng.standard_normal((2, count)),
        )
        goal = curves.time(curves.oil(np.full(count, self.setpoint)))
        command = np.full(count, np.inf)
        if first.at_s is not None:
            command = np.full(count, first.at_s) + STEP_S * (phase[0] - 0.5)
        if first.at_N is not None:
            level = np.maximum(first.at_N + chain.feed_noise_N * noise[0], 1.0)
            command = np.minimum(command, curves.time(curves.oil(level)) + chain.see_s + STEP_S * phase[0])
        end = np.maximum(0.0, command + chain.close_s + chain.edge_s * jitter[0])
        y = curves.oil_at(end)
        spent = end - goal
        if first.slow_N is not None and chain.slow is not None:
            level = np.maximum(first.slow_N + chain.feed_noise_N * noise[1], 1.0)
            wait = (curves.oil(level) - y) / chain.slow
            wait = np.where(wait > 0, wait + chain.see_s + STEP_S * phase[1], 0.0)
            # The slow valve closes no sooner than the full one does.
            on = np.maximum(0.0, wait + np.where(wait > 0, chain.close_s + chain.edge_s * jitter[1], 0.0))
            on = np.minimum(on, np.maximum(0.0, self.budget - np.maximum(spent, 0.0)))
            y = y + on * chain.slow
            spent = spent + on
        return y, np.maximum(spent, 0.0)

    def _choose(
        self, curves: _Curves, y: Array, left: Array, rng: np.random.Generator
    ) -> npt.NDArray[np.int64]:
        """Return the number of the best move for each part, -1 to stop."""
        seen = curves.force(y) + self.chain.rest_noise_N * rng.standard_normal(len(y))
        candidates, weights, grid = self._candidates(curves, y, seen)
        here = candidates.oil(np.broadcast_to(seen[:, None], candidates.f1.shape))
        goal_y = candidates.oil(np.full_like(here, self.setpoint))
        goal = candidates.time(goal_y)
        remaining = goal - candidates.time(here)
        tables = self.tables
        level = np.clip((left / self.move_s).astype(np.int64), 1, len(tables.value) - 1)
        best = (weights * tables.look(tables.value[0], grid, remaining)).sum(1)
        chosen = np.full(len(y), -1)
        stacked = np.stack(tables.value)
        for number, move in enumerate(tables.moves):
            cost = np.zeros(len(y))
            for weight, flow in tables.flows(move):
                slow_oil = flow * (self.chain.slow or 0.0)
                after = goal - candidates.time(here + slow_oil) if move[0] else remaining - flow
                cost += weight * (weights * self._look_at(stacked, level - 1, grid, after)).sum(1)
            better = (cost < best - 1e-12) & (move[1] + self.chain.settle_s <= left)
            best = np.where(better, cost, best)
            chosen = np.where(better, number, chosen)
        return chosen

    def _look_at(self, stacked: Array, level: npt.NDArray[np.int64], grid: Array, after: Array) -> Array:
        flat = stacked.reshape(-1, stacked.shape[-1])
        rows = level[:, None] * stacked.shape[1] + grid
        return self.tables.look(flat, rows, after)

    def _candidates(self, curves: _Curves, y: Array, seen: Array) -> tuple[_Curves, Array, Any]:
        """Return parts that agree with force `seen` at oil `y`, their weights, and their places in the grid.

        Past its knee a part is known. Before it, travel t is unknown: each t of a set goes with the plateau that
        gives the force seen.
        """
        count = len(y)
        if self.plain:
            return curves.part((slice(None), None)), np.ones((count, 1)), np.zeros((count, 1), dtype=np.int64)
        work, press = self.press.work, self.press
        z = np.linspace(-2.6, 2.6, 7)
        travel = np.broadcast_to(work.travel * (1 + work.scatter * z), (count, 7))
        x = np.maximum((y - seen * curves.give) / curves.area, 1e-7)[:, None]
        share = x / travel
        bent = np.where(share < 0.2, 5.0 * share, 1.0 + 0.1 * (share - 0.2) / 0.8)
        shape = bent if work.kind == "clinch" else share
        plateau = np.maximum(seen, 1.0)[:, None] / np.maximum(shape, 1e-6)
        z_p = (plateau / work.plateau - 1) / work.scatter
        weights = np.exp(-0.5 * np.minimum(z_p**2, 80.0) - 0.5 * z[None] ** 2) * (travel > x) + 1e-12 * (
            travel == travel[:, -1:]
        )
        known = y >= curves.y2
        plateau = np.where(known[:, None], self._own(curves, work.kind)[:, None], plateau)
        # The place of the knee of a known part, from its own curve.
        own_travel = ((curves.y2 - curves.f2 * curves.give) / curves.area)[:, None]
        travel = np.where(known[:, None], own_travel, travel)
        weights = np.where(known[:, None], 1.0, weights)
        weights = weights / weights.sum(1, keepdims=True)
        row = np.abs((plateau / work.plateau - 1)[..., None] / work.scatter - _GRID_P).argmin(-1)
        column = np.abs((travel / work.travel - 1)[..., None] / work.scatter - _GRID_T).argmin(-1)
        return _Curves(press, plateau, travel), weights, row * len(_GRID_T) + column

    @staticmethod
    def _own(curves: _Curves, kind: str) -> Array:
        return curves.f1 if kind == "clinch" else curves.f2

    # ------------------------------------------------------------------ search
    def loss(self, first: _First, seed: int = 11) -> float:
        """Return the mean square of the error, as a share of the setpoint, over the search's parts."""
        error, _ = self.play(first, _SEARCH_PARTS, seed)
        return float(np.mean((error / self.setpoint) ** 2))

    def best(self) -> _First:
        """Search the first feed: each figure in turn, over margins in standard deviations."""
        chain = self.chain
        time_sd = math.hypot(chain.edge_s, self.goal_sd)
        slope = max(float(self.mean.slope(self.mean.oil(np.array([self.setpoint * 0.999])))[0]), 1.0)
        force_sd = math.hypot(math.hypot(chain.edge_s, STEP_S / 3.5), chain.feed_noise_N / slope)
        reach = self.goal_s - chain.close_s
        times = [reach - m * time_sd for m in (0.0, 0.6, 1.2, 1.8, 2.5, 3.5, 5.0, 8.0)]
        before = self.goal_s - chain.close_s - chain.see_s - STEP_S / 2
        moments = [before - m * force_sd for m in (0.0, 0.6, 1.2, 1.8, 2.5, 3.5, 5.0, 8.0, 14.0)]
        levels = [float(self.mean.force(self.mean.oil_at(np.array([t])))[0]) for t in moments if t > 0]
        slows: list[float | None] = [None]
        if chain.slow is not None:
            per_s = chain.slow * self.mean.steep
            late = per_s * (chain.see_s + chain.close_s + STEP_S / 2)
            sd = math.hypot(per_s * math.hypot(chain.edge_s, STEP_S / 3.5), chain.feed_noise_N)
            slows += [self.setpoint - late - m * sd for m in (0.0, 0.7, 1.5, 2.5, 4.0)]
        spent: dict[_First, float] = {}

        def cost(first: _First) -> float:
            if first not in spent:
                spent[first] = self.loss(first)
            return spent[first]

        starts = [_First(max(t, -chain.close_s), None, s) for t in times[::3] for s in slows[:3]]
        starts += [_First(None, f, s) for f in levels[::3] for s in slows[:3]]
        now = min(starts, key=cost)
        for _ in range(2):
            was = now
            now = min([now, *(_First(max(t, -chain.close_s), now.at_N, now.slow_N) for t in times)], key=cost)
            now = min([now, *(_First(now.at_s, f, now.slow_N) for f in levels)], key=cost)
            now = min([now, *(_First(now.at_s, now.at_N, s) for s in slows)], key=cost)
            if now == was:
                break
        return now


def attainable(
    press: PressFile, setpoint_N: float, *, budget_s: float = BUDGET_S, parts: int = _REPORT_PARTS
) -> Attainable | None:
    """Play the oracle on a press at a setpoint; None for what it does not know: bends, and flow in bursts.

    budget_s: time allowed beyond a plain threshold's stroke; parts: of the report. Deterministic.
    """
    if press.work.kind == "bend" or press.pump.burst or not setpoint_N > 0.0:
        return None
    oracle = _Oracle(press, setpoint_N, budget_s)
    first = oracle.best()
    error, pulses = oracle.play(first, parts, 77)
    unseen = np.random.Generator(np.random.PCG64(78)).standard_normal(parts) * oracle.chain.unseen_N
    error = error + unseen
    return Attainable(
        p95_N=float(np.percentile(np.abs(error), 95)),
        mean_error_N=float(np.mean(error)),
        over_share=float(np.mean(error > 0)),
        pulses=float(np.mean(pulses)),
        policy=str(first),
    )


@lru_cache(maxsize=256)
def attainable_p95_N(press: PressFile, setpoint_N: float) -> float | None:
    """Return the attainable 95 % point of |peak - setpoint|, newtons; None for what the oracle does not know."""
    found = attainable(press, setpoint_N)
    return None if found is None else round(found.p95_N, 3)
