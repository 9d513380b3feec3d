"""The virtual press as the pytest fixture hands it out: its device at hand, a story for the report."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from functools import cached_property
from typing import Any, Self

from steadyram.config import preferences
from steadyram.device import Device
from steadyram.errors import BadInput
from steadyram.link.definition import definition
from steadyram.units import parse
from steadyram.virtual import quick_setup, script
from steadyram.virtual.press import VirtualPress
from steadyram_fw import tables

_STORY_MOST = 40
# A person's foot off a pedal, and how often the core is looked at while a stroke is under way.
_LET_GO_S, _LOOK_S = 0.25, 0.02
_SETTLED_S = 0.3
# How long a device takes to start at most, pedals released; and the share of capacity below which a set force in plain
# newtons is taken for a slip of the unit.
_START_S, _LEAST_SHARE = 2.0, 0.002
_FEED = tables.OUT_EXTEND | tables.OUT_SLOW
_UNDER_WAY = frozenset(
    {tables.STATE_STARTING, tables.STATE_ADVANCE, tables.STATE_SETTLE, tables.STATE_NUDGE, tables.STATE_DWELL}
)


class TesterPress(VirtualPress):
    """VirtualPress with what a test wants in one call."""

    __test__ = False  # the name is no test's

    _whole = False

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._refusal: str | None = None
        self._whole = True

    def __setattr__(self, name: str, value: object) -> None:
        """Refuse a value that the press does not have: a slip of the pen would be taken in silence."""
        if self._whole and name not in self.__dict__ and not hasattr(type(self), name):
            near = difflib.get_close_matches(name, [*self.__dict__, *dir(type(self))], 1, 0.5)
            hint = f"; did you mean '{near[0]}'" if near else ""
            raise AttributeError(f"A virtual press has no '{name}' to set{hint}.")
        super().__setattr__(name, value)

    @cached_property
    def device(self) -> Device:
        """The device over the link in virtual time."""
        return quick_setup.open_device(self)

    def second_host(self) -> Device:
        """Open one more host's device on the same line, with tags of its own."""
        return quick_setup.open_device(self)

    def run(self, seconds: float) -> None:
        """Let `seconds` of virtual time pass. Raises FirmwareStopped, BadInput for a time that is no time."""
        self._check_time(seconds, "run")
        super().run(seconds)

    def run_until(self, predicate: Callable[[Self], bool], timeout_s: float) -> bool:
        """Run until `predicate(press)` is true after a tick; False when `timeout_s` passed first.

        The predicate must only look (at plant, outputs, received, display, time); it is also asked for ticks
        that are taken again. Put `assert` before the call: a False that nobody reads hides that nothing came.
        """
        self._check_time(timeout_s, "run_until")
        return super().run_until(predicate, timeout_s)

    def after(self, seconds: float, action: Callable[[], None]) -> None:
        """Do `action` when `seconds` more have passed."""
        self._check_time(seconds, "after")
        super().after(seconds, action)

    def _check_time(self, seconds: float, what: str) -> None:
        if self.closed:
            raise BadInput(f"{what}: this virtual press is closed; take a new one.")
        if not 0.0 <= seconds <= 1e7:
            raise BadInput(f"{what}: {seconds:g} s is not a time from 0 to 10 million seconds.")
        if 0.0 < seconds < 0.00049:
            raise BadInput(
                f"{what}: {seconds:g} s is less than the press's step of 0.001 s, so no time would pass; give seconds."
            )

    def make_ready(
        self,
        setpoint: str | float,
        *,
        depth: str | None = None,
        batch: int = 0,
        name: str = "trial part",
        settings: Mapping[str, int] | None = None,
        job: Mapping[str, int] | None = None,
    ) -> None:
        """Push nameplate settings and calibration and one job, and choose it.

        setpoint: "1.0 tonf", or a number of newtons; depth: ram travel at which a stroke ends, "5.30 mm", the setpoint
        then a limit (the press file needs a [position] table); batch: parts of the job, 0 = no end; name: the job's;
        settings: fields of settings and measured values, job: fields of the job (such as {"dwell_ms": 500}), that are
        to differ, by the protocol reference's names and in its units. Raises BadInput, and CheckFailed where the panel
        does not open changes.
        """
        fields = dict(job or {})
        model = self.plant.press
        if depth is not None:
            if model.position is None:
                raise BadInput(
                    f"'{model.name}' has no position sensor, so no stroke ends on a depth; add a [position] table."
                )
            travel_um = round(1e6 * parse(depth, "meter", what="the depth"))
            fields = {"stop_on": definition().value("stop_on", "depth"), "depth_um": travel_um} | fields
        force_N = parse(setpoint, "newton", what="the setpoint") if isinstance(setpoint, str) else setpoint
        if not isinstance(setpoint, str) and not force_N >= _LEAST_SHARE * model.capacity_N:
            raise BadInput(
                f"The setpoint {setpoint:g} N is under {100 * _LEAST_SHARE:g} % of this press's "
                f"{preferences().force(model.capacity_N, 3)}; a number is newtons, so give the unit, such as '40 kN'."
            )
        quick_setup.set_up(self, force_N, batch=batch, name=name, settings=dict(settings or {}), job=fields)

    def enable_changes(self) -> None:
        """Hold the panel's enable button unless changes are open."""
        quick_setup.open_changes(self)

    def stroke(self, timeout_s: float = 20.0) -> str:
        """Hold the extend pedal until the stroke is over, and return how it ended; the pedal stays held.

        A pedal that is held is let go first, and a device that is starting is waited for. Returned is the stop reason
        ("setpoint", "short", "over" ...), "fault", or "refused" where extend is refused (cutoff off, no job, ...;
        `refusal` says why). Looked at is the control core, every 20 ms, not the panel, whose words are those of before
        until it is drawn again.
        Raises AssertionError when the stroke is not over after `timeout_s`, or the power is gone.
        """
        if self.operator.extend_held or self.operator.retract_held:
            self.operator.release_extend()
            self.operator.release_retract()
            self.run(_LET_GO_S)
        self._wait_for_start()
        self._refusal = None
        ended = self._ended(timeout_s)
        # The panel is drawn a little later than the core decides; whoever reads it next reads this stroke's end.
        self.run_until(lambda p: script.panel_state(p) in ("done", "fault", "refused"), 0.5)
        if ended in ("fault", "refused"):
            return ended
        # Whether the force went over is judged once it has settled, up to a quarter of a second after the last feed.
        self.run(_SETTLED_S)
        core = self.core_state()
        if core is None:
            raise AssertionError("the power went during the stroke")
        return "fault" if core.state == tables.STATE_FAULT else definition().stops[core.stop].name

    def _wait_for_start(self) -> None:
        """Let the device start: a pedal that is down meanwhile is a fault (`pedal-at-start`)."""
        ends_s = self.time_s + _START_S
        while self.time_s < ends_s:
            core = self.core_state()
            if core is None or core.state != tables.STATE_STARTING:
                return
            self.run(_LOOK_S)

    @property
    def refusal(self) -> str | None:
        """Why the newest `stroke()` or `part()` was refused, by the protocol's name; None where it was not."""
        return self._refusal

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
                self._refusal = definition().refusals[core.refusal].name
                return "refused"
            fed = bool(self.on_times(_FEED, began))
            if fed and not self.outputs & _FEED and core.state not in _UNDER_WAY:
                return definition().stops[core.stop].name
        raise AssertionError(
            f"the stroke was not over after {timeout_s:g} s; the panel shows:\n{self.display}"
        )

    def back_to_top(self) -> None:
        """Feet off, then hold retract until the top switch closes.

        Raises AssertionError when the ram is not up then: a fault is latched, the emergency stop is in, no power.
        """
        script.play(self, script.to_top(self))
        if not self.plant.at_top:
            raise AssertionError(
                f"the ram did not come up ({1000 * self.plant.position_m:.2f} mm down); the panel shows:\n"
                f"{self.display or '(nothing: no power)'}"
            )

    def part(self, timeout_s: float = 20.0) -> str:
        """Make one part as a person does: load it, press until done, send the ram up; return how the stroke ended.

        After a fault the ram is left where it is, after a refusal at the top the retract pedal is not touched. Raises
        AssertionError when the stroke is not over after `timeout_s`, or the ram does not come up.
        """
        if not self.plant.at_top:
            self.back_to_top()
        self.operator.load_part()
        self.run(_LET_GO_S)
        ended = self.stroke(timeout_s)
        self.run(_LET_GO_S)
        if ended == "fault" or (ended == "refused" and self.plant.at_top):
            self.operator.release_extend()
            self.run(_LET_GO_S)
        else:
            self.back_to_top()
        return ended

    def acknowledge(self) -> None:
        """Feet off, push the acknowledge button and release it."""
        script.play(self, script.acknowledge(self))

    @property
    def panel_state(self) -> str:
        """The state that the panel names ("ready", "done", ...), "fault" for a fault, "refused" for a "NO: ..." line.

        Empty while the panel is dark or shows a menu or a valve test. The panel is drawn ten times a second, so this
        lags the device by up to 0.1 s; `device.now().state` does not.
        """
        return script.panel_state(self)

    def story(self) -> str:
        """The newest happenings and output changes, one a line, and what the panel shows."""
        lines = [(e.time_s, e.name) for e in self.events]
        before = ""
        for change in self._log("either"):
            on = [name for name in ("extend", "retract", "slow") if getattr(change, name)]
            told = f"valves: {' '.join(on) or 'off'}"
            # Lamp and buzzer change the word, too.
            if told != before:
                lines.append((change.time_s, told))
            before = told
        lines.sort(key=lambda line: line[0])
        told = "\n".join(f"{time_s:9.3f} s  {text}" for time_s, text in lines[-_STORY_MOST:])
        return (
            f"{self.runtime}, press '{self.plant.press.name}', seed {self.seed}, at {self.time_s:.3f} s\n"
            f"{told}\npanel:\n{self.display}"
        )
