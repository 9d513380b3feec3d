"""The virtual press as the pytest fixture hands it out: its device at hand, a story for the report."""

from __future__ import annotations

from functools import cached_property
from typing import Any

from steadyram.device import Device
from steadyram.units import parse
from steadyram.virtual import quick_setup, script
from steadyram.virtual.press import VirtualPress

_STORY_MOST = 40


class TesterPress(VirtualPress):
    """VirtualPress with what a test wants in one call."""

    __test__ = False  # the name is no test's

    @cached_property
    def device(self) -> Device:
        """The device over the link in virtual time."""
        return quick_setup.open_device(self)

    def make_ready(self, setpoint: str | float, *, depth: str | None = None, **more: Any) -> None:
        """Push nameplate settings and calibration and one job, and choose it.

        setpoint: "1.0 tonf", or newtons; depth: ram travel at which a stroke ends, "5.30 mm", the setpoint then a
        limit (the press file needs a [position] table); more: see quick_setup.set_up.
        """
        if depth is not None:
            travel_um = round(1e6 * parse(depth, "meter", what="the depth"))
            more["job"] = {"stop_on": 1, "depth_um": travel_um} | (more.get("job") or {})
        force_N = parse(setpoint, "newton", what="the setpoint") if isinstance(setpoint, str) else setpoint
        quick_setup.set_up(self, force_N, **more)

    def enable_changes(self) -> None:
        """Hold the panel's enable button unless changes are open."""
        quick_setup.open_changes(self)

    def stroke(self, timeout_s: float = 20.0) -> None:
        """Hold the extend pedal until the panel says that the stroke is over; the pedal stays held."""
        self.operator.press_extend()
        over = ("done", "fault", "refused")
        if not self.run_until(lambda p: script.panel_state(p) in over, timeout_s):
            raise AssertionError(
                f"the stroke was not over after {timeout_s:g} s; the panel shows:\n{self.display}"
            )

    def back_to_top(self) -> None:
        """Feet off, then hold retract until the top switch closes."""
        script.play(self, script.to_top(self))

    def part(self) -> None:
        """One part as a person makes it: load it, press until done, send the ram up."""
        script.play(self, script.one_part(self))

    def acknowledge(self) -> None:
        """Feet off, push the acknowledge button and release it."""
        script.play(self, script.acknowledge(self))

    @property
    def panel_state(self) -> str:
        """The state that the panel names ("ready", "done", ...), "fault" for a fault."""
        return script.panel_state(self)

    def story(self) -> str:
        """The newest happenings and output changes, one a line, and what the panel shows."""
        lines = [(e.time_s, e.name) for e in self.events]
        for change in self.valve_log:
            on = [name for name in ("extend", "retract", "slow") if getattr(change, name)]
            lines.append((change.time_s, f"outputs: {' '.join(on) or 'valves off'}"))
        lines.sort(key=lambda line: line[0])
        told = "\n".join(f"{time_s:9.3f} s  {text}" for time_s, text in lines[-_STORY_MOST:])
        return (
            f"{self.runtime}, press '{self.plant.press.name}', seed {self.seed}, at {self.time_s:.3f} s\n"
            f"{told}\npanel:\n{self.display}"
        )
