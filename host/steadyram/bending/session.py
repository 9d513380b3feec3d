"""A bend list struck on a device part by part, with its record written after every stroke and gone on with later.

The command line and the bench page run the same session; they differ in the person that is asked.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from steadyram.bending.bend_list import BendList
from steadyram.bending.correction import SheetCorrection
from steadyram.bending.device_stroke import BendingPedals, DeviceStroke
from steadyram.bending.procedure import (
    KEEP_AWAY,
    STROKES_MOST,
    TOLERANCE_RAD,
    BendDone,
    BendingHands,
    BendRun,
    Step,
    Struck,
    Withdrawn,
)
from steadyram.bending.run_record import RunRecord, list_digest, read_run
from steadyram.device import Device
from steadyram.errors import BadInput
from steadyram.plain_file import write_whole


class AtPress(BendingPedals, BendingHands, Protocol):
    """One person: feet and protractor."""


def new_record(
    bends: BendList, name: str, *, tolerance_rad: float | None = None, shim_m: float = 0.0
) -> RunRecord:
    """The record of a run that has not begun. name: for a list that has none."""
    return RunRecord(
        list_name=bends.name or name,
        list_digest=list_digest(bends),
        device="",
        slot=0,
        made=datetime.now(UTC).isoformat(timespec="seconds"),
        tolerance_rad=TOLERANCE_RAD if tolerance_rad is None else tolerance_rad,
        shim_m=shim_m,
    )


def record_to_go_on(target: Path, bends: BendList, origin: str) -> RunRecord:
    """The record of an earlier session of the same list. Raises BadInput when it is of another one."""
    record = read_run(target)
    if record.list_digest != list_digest(bends):
        raise BadInput(
            f"{target} is of another bend list, or {origin} was changed since; begin a new record."
        )
    if any(row.bend > len(bends.bend) for row in record.strokes):
        raise BadInput(f"{target} has bends that {origin} has not; begin a new record.")
    return record


class BendSession:
    """One bend list on one device.

    target: where the record is written after every stroke; slot, replace_job, touch_m: see DeviceStroke; tell: called
    with each stroke once it is measured; ready: with each step before it is asked for. Raises BadInput, CheckFailed,
    LinkError, DeviceRefusal.
    """

    def __init__(
        self,
        device: Device,
        hands: AtPress,
        bends: BendList,
        record: RunRecord,
        target: Path,
        *,
        slot: int | None = None,
        replace_job: bool = False,
        touch_m: float | None = None,
        strokes_most: int = STROKES_MOST,
        tell: Callable[[BendDone], None] = lambda done: None,
        ready: Callable[[Step], None] = lambda step: None,
    ) -> None:
        uid = device.identity().uid
        if record.device not in ("", uid):
            raise BadInput(f"{target} is of the device {record.device}, and this one is {uid}.")
        if record.device and slot is None:
            slot = record.slot
        self.record, self._target, self._hands, self._tell = record, target, hands, tell
        self.stroke = DeviceStroke(
            device,
            hands,
            slot=slot,
            name=record.list_name,
            replace_job=replace_job,
            touch_m=touch_m if touch_m is not None else record.touch_m,
        )
        record.device, record.slot = uid, self.stroke.slot
        self.bender = BendRun(
            bends,
            self.stroke,
            hands,
            capacity_N=self.stroke.capacity_N,
            tolerance_rad=record.tolerance_rad,
            strokes_most=strokes_most,
            shim_m=record.shim_m,
            correction=SheetCorrection(bends.tooling, bends.sheet, depth_sigma_m=self.stroke.depth_sigma_m),
            keep=self._struck,
            ready=ready,
        )
        self.bender.when_amended(self._amended)

    @property
    def warnings(self) -> list[str]:
        """What the plan says against bends of the list, each in a line."""
        return [f"bend {each.number}: {line}" for each in self.bender.planned for line in each.warnings]

    def run(self, parts: int | None) -> None:
        """Strike up to `parts` parts in all, those of earlier sessions included; None: until the person says no."""
        number, after = self._where()
        if self.stroke.touch_m is None:
            if not self._agreed(
                "One stroke feels where the punch meets the sheet: lay scrap of the same sheet on the die, it gets a "
                f"dent. {KEEP_AWAY}"
            ):
                return
            touch_m = self.stroke.find_touch()
            self._hands.note(
                f"The punch meets the sheet at {touch_m * 1e3:.2f} mm of ram travel; take the scrap away."
            )
        for part in itertools.count(number):
            if parts is not None and part > parts:
                return
            last = after
            for done in self.bender.part(part, after):
                self._done(done)
                last = done
            if last is None or self.bender.stopped or not self.bender.finished(last):
                return
            after = None

    def _struck(self, struck: Struck) -> None:
        self.record.struck(struck, self.stroke.felt, self.stroke.touch_m)
        write_whole(self._target, self.record.text())

    def _done(self, done: BendDone) -> None:
        self.record.done(done)
        write_whole(self._target, self.record.text())
        self._tell(done)

    def _agreed(self, text: str) -> bool:
        """Ask for a yes to a stroke before which there is no angle to take back."""
        while True:
            try:
                return self._hands.confirm(text)
            except Withdrawn:
                self._hands.note("No angle was entered that could be taken back.")

    def _amended(self, done: BendDone) -> None:
        self.record.amended(done)
        write_whole(self._target, self.record.text())
        self._tell(done)

    def _where(self) -> tuple[int, BendDone | None]:
        """Part to go on with, and its last stroke if it has one; what an earlier session learned is taken in."""
        record, bender = self.record, self.bender
        for row in record.strokes:
            bender.remember(row.done())
        if record.unmeasured is not None:
            left = record.unmeasured
            self._hands.note(
                f"Part {left.part}, bend {left.bend} was struck and not measured before the run was stopped."
            )
            self._done(bender.measured(left.struck()))
        if not record.strokes:
            return 1, None
        last = record.strokes[-1]
        done = last.done()
        if bender.finished(done):
            return last.part + 1, None
        if last.device is not None:
            self.stroke.same_part(last.device.touch_m)
        return last.part, done
