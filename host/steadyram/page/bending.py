"""A bend list, stroke by stroke, from the page: the same session, record and correction as from the command line."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any, Final, cast

from steadyram.bending.bend_list import BendList
from steadyram.bending.person import PersonBending, PersonPedals
from steadyram.bending.plan import CAUTION
from steadyram.bending.procedure import BendDone, BendingHands, Doubted, Step, Withdrawn
from steadyram.bending.session import BendSession, new_record, record_to_go_on
from steadyram.device import Device
from steadyram.errors import BadInput
from steadyram.page.bends import bends_json, chosen_list, free_record, newest_record
from steadyram.page.orders import Bend
from steadyram.page.questions import Guide

_STROKES_SHOWN: Final = 8
_EMPTY: Final = " (empty: not measured)"


class GuideHands(PersonPedals, BendingHands):
    """The person at the press, asked at the page: buttons for yes and no, a field for the angle."""

    def __init__(self, device: Device, guide: Guide) -> None:
        PersonPedals.__init__(self, device, guide.ask, guide.say)
        self._guide = guide
        self._protractor = PersonBending(self._ask_angle, guide.say)

    def confirm(self, text: str) -> bool:
        answer = self._guide.ask(
            text,
            choices=(("yes", "Ready: strike"), ("no", "Stop here"), ("back", "Last angle was wrong")),
        )
        if answer == "back":
            raise Withdrawn
        return answer == "yes"

    def doubted(self, text: str) -> Doubted:
        answer = self._guide.ask(
            text,
            choices=(
                ("measure", "Measure again"),
                ("keep", "Keep, not used"),
                ("skip", "Skip"),
                ("stop", "Stop here"),
            ),
        )
        return cast(Doubted, answer)

    def included_angle_rad(self, text: str) -> float | None:
        return self._protractor.included_angle_rad(text.replace(_EMPTY, ""))

    def _ask_angle(self, text: str) -> str:
        return self._guide.ask(text, typed="degrees", choices=(("", "Not measured"),))


class Sheet:
    """What the page shows beside the questions: the list, the step, the strokes so far, and what they taught."""

    def __init__(self, guide: Guide, bends: BendList, order: Bend, record: str) -> None:
        self._guide = guide
        self._content: dict[str, Any] = {
            "list": bends.name or Path(order.file).stem,
            "record": record,
            "parts": order.parts,
            "bends": bends_json(bends),
            "step": None,
            "strokes": [],
            "correction": None,
        }
        self.session: BendSession | None = None
        guide.show(dict(self._content))

    def ready(self, step: Step) -> None:
        """A stroke is about to be asked for."""
        self._content["step"] = {
            "part": step.part,
            "number": step.number,
            "name": step.name,
            "strike": step.strike,
            "angle_rad": step.angle_rad,
            "position_m": step.position_m,
            "planned_m": step.planned_m,
            "stop_m": step.stop_m,
            "expected_N": step.expected_N,
            "turn": _turn(step),
        }
        self._show(step.number - 1)

    def struck(self, done: BendDone) -> None:
        """A stroke was made, and its angle asked for."""
        row = done.document() | {
            "off_rad": None if done.measured_rad is None else done.measured_rad - done.target_rad
        }
        shown = [
            each
            for each in self._content["strokes"]
            # An angle that was taken back is shown as it was entered anew.
            if any(each[key] != row[key] for key in ("part", "bend", "strike"))
        ]
        self._content["strokes"] = [*shown, row][-_STROKES_SHOWN:]
        self._show(done.number)

    def _show(self, bends_done: int) -> None:
        if self.session is not None:
            learned = self.session.bender.correction
            self._content["correction"] = {
                "bends": learned.bends,
                "radius_m": learned.radius_m,
                "springback_share": learned.springback_share,
            }
        # A new mapping: the one that is shown may be on its way to a browser.
        self._guide.show(dict(self._content))
        self._guide.progress(bends_done, len(self._content["bends"]))


def _turn(step: Step) -> str:
    """What to do with the sheet before the stroke."""
    gauge = f"; {step.gauge}" if step.gauge else ""
    name = f" ({step.name})" if step.name else ""
    if step.strike > 1:
        return f"The same part again: lay bend {step.number}{name} back over the V as it was."
    if step.number == 1:
        return f"A fresh sheet on the die: the line of bend 1{name} over the V{gauge}."
    return f"Turn the part to bend {step.number}{name}: its line over the V{gauge}."


def bend_at_page(device: Device, guide: Guide, order: Bend, folder: Path, records: Path) -> str:
    """Run a list until its parts are made or the person stops; returns the sentence to show.

    folder: of the lists. Raises BadInput, CheckFailed, DeviceRefusal, LinkError; the record then has every stroke made.
    """
    bends = chosen_list(folder, order.file)
    if order.go_on:
        newest = newest_record(records, order.file, bends)
        if newest is None:
            raise BadInput(f"There is no record of {order.file} to go on with; begin a new run.")
        target = newest[0]
        record = record_to_go_on(target, bends, order.file)
    else:
        records.mkdir(parents=True, exist_ok=True)
        target = free_record(records, order.file)
        record = new_record(bends, Path(order.file).stem, tolerance_rad=math.radians(order.tolerance_deg))
    sheet = Sheet(guide, bends, order, target.name)
    session = BendSession(
        device,
        GuideHands(device, guide),
        bends,
        record,
        target,
        slot=order.slot,
        touch_m=None if order.touch_mm is None else order.touch_mm / 1e3,
        tell=sheet.struck,
        ready=sheet.ready,
    )
    sheet.session = session
    for line in session.warnings:
        guide.say(f"Warning, {line}.")
    guide.say(CAUTION)
    session.run(order.parts)
    good = sum(bool(row.within_tolerance) for row in record.strokes)
    return (
        f"{len(record.strokes)} strokes are in {target.name}, {good} of them to a good angle; the press now stands at "
        f"job slot {record.slot}: choose your own job before you press other parts."
    )
