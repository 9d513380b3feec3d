"""The rod side under a hanging load: counterbalance valve, and the pressure that the cap side then shows.

Quasi-static, without the mass of the load. The counterbalance valve lets oil out where the rod side's pressure and its
pilot's (cap side times pilot ratio) reach the spring: p_rod = max(0, setting - ratio p). With the load W, running
friction Fs and force on the work F the ram moves down where p A + W = F + Fs + p_rod A_rod.
"""

from __future__ import annotations

from dataclasses import dataclass

from steadyram.press.pressfile import PressFile


@dataclass(frozen=True)
class RodSide:
    """Load in newtons, setting in pascals (0: no valve), areas in m2, relief of the rod side in newtons on its area."""

    load_N: float
    setting_Pa: float
    ratio: float
    cap_m2: float
    rod_m2: float
    relief_N: float

    @property
    def carried_N(self) -> float:
        """Return the load that the valve carries at rest, in newtons: its setting on the rod side's area."""
        return self.setting_Pa * self.rod_m2

    def cap_Pa(self, net_N: float) -> float:
        """Return the cap side's pressure while the ram moves down, in pascals; `net_N`: F + Fs.

        Where the pilot holds the valve open (ratio p >= setting) the rod side is empty: p A = net - W. Below it the
        valve meters: p (A + ratio A_rod) = net - W + setting A_rod. Not below zero.
        """
        above = net_N - self.load_N
        if above * self.ratio >= self.setting_Pa * self.cap_m2:
            return max(0.0, above / self.cap_m2)
        return max(0.0, (above + self.carried_N) / (self.cap_m2 + self.ratio * self.rod_m2))

    def held_Pa(self, net_N: float, friction_N: float, on_work: bool) -> float:
        """Return the cap side's pressure, in pascals, of a net force that friction and held oil leave.

        Before the seal gives way in free travel it rises in proportion, to what the moving ram needs.
        """
        if on_work or net_N >= friction_N:
            return self.cap_Pa(net_N)
        return self.cap_Pa(friction_N) * max(0.0, net_N) / friction_N

    def falls_to_N(self, friction_N: float, breakaway: float) -> float:
        """Return the force with which the load comes to lie on the work, in newtons; 0 where it stays up."""
        if self.load_N <= friction_N * breakaway + self.carried_N:
            return 0.0
        return self.load_N - friction_N - self.carried_N


def rod_side_of(press: PressFile) -> RodSide | None:
    """Return the rod side of a press, None for one with neither load nor valves on it."""
    circuit = press.circuit
    if not circuit.hanging_load and circuit.counterbalance is None and circuit.rod_relief is None:
        return None
    rod = press.cylinder.annulus_m2
    return RodSide(
        circuit.hanging_load,
        circuit.counterbalance or 0.0,
        circuit.counterbalance_pilot,
        press.cylinder.area_m2,
        rod,
        float("inf") if circuit.rod_relief is None else circuit.rod_relief * rod,
    )
