"""The virtual press as the pytest fixture hands it out: its device at hand, a story for the report."""

from __future__ import annotations

from functools import cached_property
from typing import Any

from steadyram.device import Device
from steadyram.link.definition import definition
from steadyram.units import parse
from steadyram.virtual import quick_setup, script
from steadyram.virtual.press import VirtualPress
from steadyram_fw import tables

_STORY_MOST = 40
# A person's foot off a pedal, and how often the core is looked at while a stroke is under way.
_LET_GO_S, _LOOK_S = 0.25, 0.02
_FEED = tables.OUT_EXTEND | tables.OUT_SLOW
_UNDER_WAY = frozenset(
    {tables.STATE_STARTING, tables.STATE_ADVANCE, tables.STATE_SETTLE, tables.STATE_NUDGE, tables.STATE_DWELL}
)


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
            more["job"] = {"stop_on": definition().value("stop_on", "depth"), "depth_um": travel_um} | (
                more.get("job") or {}
            )
        force_N = parse(setpoint, "newton", what="the setpoint") if isinstance(setpoint, str) else setpoint
        quick_setup.set_up(self, force_N, **more)

    def enable_changes(self) -> None:
        """Hold the panel's enable button unless changes are open."""
        quick_setup.open_changes(self)

    def stroke(self, timeout_s: float = 20.0) -> str:
        """Hold the extend pedal until the stroke is over, and return how it ended; the pedal stays held.

        A pedal that is held is let go first. Returned is the stop reason ("setpoint", "short", "over" ...), "fault", or
        "refused" where extend is refused (cutoff off, no job, ...). Looked at is the control core, every 20 ms, not
        the panel, whose words are those of before until it is drawn again.
        Raises AssertionError when the stroke is not over after `timeout_s`, or the power is gone.
        """
        if self.operator.extend_held or self.operator.retract_held:
            self.operator.release_extend()
            self.operator.release_retract()
            self.run(_LET_GO_S)
        ended = self._ended(timeout_s)
        # The panel is drawn a little later than the core decides; whoever reads it next reads this stroke's end.
        self.run_until(lambda p: script.panel_state(p) in ("done", "fault", "refused"), 0.5)
        return ended

    def _ended(self, timeout_s: float) -> str:
        began = self.time_s
        self.operator.press_extend()
        while self.time_s - began < timeout_s:
            self.run(_LOOK_S)
            core = self.core_state()
            if core is None:
                raise AssertionError("the power went during the stroke")
            if core.state == tables.STATE_FAULT:
                return "fault"
            if core.state == tables.STATE_REFUSED:
                return "refused"
            fed = bool(self.on_times(_FEED, began))
            if fed and not self.outputs & _FEED and core.state not in _UNDER_WAY:
                return definition().stops[core.stop].name
        raise AssertionError(
            f"the stroke was not over after {timeout_s:g} s; the panel shows:\n{self.display}"
        )

    def back_to_top(self) -> None:
        """Feet off, then hold retract until the top switch closes."""
        script.play(self, script.to_top(self))

    def part(self) -> str:
        """Make one part as a person does: load it, press until done, send the ram up; return how the stroke ended."""
        if not self.plant.at_top:
            self.back_to_top()
        self.operator.load_part()
        self.run(_LET_GO_S)
        ended = self.stroke()
        self.run(_LET_GO_S)
        if ended == "fault":
            self.operator.release_extend()
        else:
            self.back_to_top()
        return ended

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
