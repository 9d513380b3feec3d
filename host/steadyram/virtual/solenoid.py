"""One relay, coil and spool: from the command to the opening of the valve.

A command passes the relay (operate or release time), then the spool's own delay; both times have jitter. With
`slew_s` the spool then moves at constant speed between shut and open, and lets oil through once it has passed its
overlap. With `pull_in` a coil that is de-energised too early does not switch at all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from steadyram.virtual.noise import NoiseTape

# Two times of the millisecond grid are equal within this much.
_SAME_S = 1e-9


@dataclass(slots=True)
class Solenoid:
    """Commands become spool positions after two delays, each with jitter. Times in seconds."""

    relay_s: float
    open_s: float
    close_s: float
    jitter_s: float
    tape: NoiseTape
    # Share of the relay's time below which a coil that is let go has not switched; travel time and overlap of
    # the spool (share of its travel).
    pull_in: float = 0.0
    slew_s: float = 0.0
    overlap: float = 0.0
    commanded: bool = False
    # Where the spool is sent to: open or shut; without slew it is there at once.
    spool: bool = False
    travel: float = 0.0
    pending: list[tuple[float, bool]] = field(default_factory=list)
    drawn: int = 0
    stuck: bool = False  # fault: stays open once open
    dead: bool = False  # fault: does not open
    _energised_s: float = -math.inf
    _opening: tuple[float, bool] | None = None
    _replaced: list[tuple[float, bool]] = field(default_factory=list)

    def command(self, energised: bool, now_s: float, delay_factor: float = 1.0) -> float | None:
        """Energise or let go; return when the relay's contact switches, None when it does not.

        delay_factor: of both spool delays (cold oil).
        """
        if energised == self.commanded:
            return None
        self.commanded = energised
        relay = max(0.0, self.relay_s + self.jitter_s * self.tape.at(self.drawn))
        spool = max(
            0.0,
            (self.open_s if energised else self.close_s) * delay_factor
            + self.jitter_s * self.tape.at(self.drawn + 1),
        )
        self.drawn += 2
        if not energised and now_s - self._energised_s < self.pull_in * self.relay_s - _SAME_S:
            waiting = [event for event in self.pending if event is not self._opening]
            if len(waiting) < len(self.pending):
                # The coil never pulled in: what was to happen before it was energised happens.
                self.pending = waiting + self._replaced
                return None
        when = now_s + relay + spool
        # A later command overrides whatever an earlier one would still have done after it.
        self._replaced = [event for event in self.pending if event[0] >= when]
        self.pending = [event for event in self.pending if event[0] < when]
        self.pending.append((when, energised))
        if energised:
            self._energised_s, self._opening = now_s, self.pending[-1]
        return now_s + relay

    def due(self, until_s: float) -> float | None:
        """Return the time of the next event up to `until_s`."""
        return self.pending[0][0] if self.pending and self.pending[0][0] <= until_s else None

    def advance(self, now_s: float) -> None:
        """Take the events up to `now_s`."""
        while self.pending and self.pending[0][0] <= now_s:
            self.spool = self.pending.pop(0)[1] or (self.stuck and self.spool)

    @property
    def open(self) -> bool:
        """True while the spool is sent open and works."""
        return self.spool and not self.dead

    # ------------------------------------------------------------------ a spool that slews
    @property
    def moving(self) -> bool:
        """True while the spool is under way."""
        return self.slew_s > 0.0 and self.travel != (1.0 if self.spool else 0.0)

    @property
    def share(self) -> float:
        """Share of the full flow that the spool lets through where it is now."""
        return self._share_at(self.travel)

    def share_after(self, dt_s: float) -> float:
        """Return the share after a time not longer than `kink_s`."""
        return self._share_at(self._travel_after(dt_s))

    def _share_at(self, travel: float) -> float:
        if self.dead:
            return 0.0
        if self.slew_s <= 0.0:
            return 1.0 if self.spool else 0.0
        return max(0.0, (travel - self.overlap) / (1.0 - self.overlap))

    def kink_s(self) -> float:
        """Return how long the share goes on along one straight line, seconds (infinite at rest)."""
        if not self.moving:
            return math.inf
        if self.spool:
            goal = self.overlap if self.travel < self.overlap else 1.0
            return (goal - self.travel) * self.slew_s
        goal = self.overlap if self.travel > self.overlap else 0.0
        return (self.travel - goal) * self.slew_s

    def slide(self, dt_s: float) -> None:
        """Move the spool on by a time not longer than `kink_s`."""
        self.travel = self._travel_after(dt_s)

    def _travel_after(self, dt_s: float) -> float:
        if self.slew_s <= 0.0:
            return 1.0 if self.spool else 0.0
        if self.spool:
            goal = self.overlap if self.travel < self.overlap else 1.0
            at = self.travel + dt_s / self.slew_s
            return goal if at > goal - 1e-9 else at
        goal = self.overlap if self.travel > self.overlap else 0.0
        at = self.travel - dt_s / self.slew_s
        return goal if at < goal + 1e-9 else at
