"""A calibration point is read only where the last pulse has moved the ram (a ram of one spring, worked by hand)."""

from __future__ import annotations

from typing import Any

import pytest

from steadyram.commission import unstuck


class StickingRam:
    """Counts at rest of a ram whose seal holds `running`, and `excess` more until it breaks away."""

    def __init__(self, running: float, excess: float, stiffness: float) -> None:
        self.running, self.excess, self.stiffness = running, excess, stiffness
        self.force = 0.0
        self.held = -running

    def pulse(self, *_: Any, pulse_ms: int, **__: Any) -> None:
        oil = float(pulse_ms)
        stuck = min(oil, self.excess - self.held)
        self.held += stuck
        if self.held >= self.excess:
            self.held = 0.0
            # What held it back moves the ram, too.
            self.force += self.stiffness * (oil - stuck + self.excess)

    def counts(self, *_: Any) -> float:
        return self.force + self.running + self.held


@pytest.fixture
def ram(monkeypatch: pytest.MonkeyPatch) -> StickingRam:
    found = StickingRam(running=100.0, excess=90.0, stiffness=0.5)
    monkeypatch.setattr(unstuck, "probe_stroke", found.pulse)
    monkeypatch.setattr(unstuck, "mean_counts", found.counts)
    return found


def test_a_point_is_read_after_a_pulse_that_moved_the_ram(ram: StickingRam) -> None:
    ram.held = 20.0
    unstuck.break_away(None, None, slow=False, width=8, seal=100.0)  # type: ignore[arg-type]
    assert ram.held == 0.0
    assert ram.force > 0.0


def test_a_pulse_below_the_seal_friction_leaves_the_ram_stuck(ram: StickingRam) -> None:
    unstuck.break_away(None, None, slow=False, width=8, seal=1.0)  # type: ignore[arg-type]
    assert ram.held != 0.0
    assert ram.force == 0.0


@pytest.mark.parametrize(("low", "found"), [(500.0, 100.0), (60.0, 60.0)])
def test_free_travel_tells_the_seal_friction_up_to_the_lowest_point(
    ram: StickingRam, low: float, found: float
) -> None:
    ram.stiffness = 0.0
    assert unstuck.seal_counts(None, None, 0.0, 5.0, low) == pytest.approx(found)  # type: ignore[arg-type]
