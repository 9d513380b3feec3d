"""The hands of a person at a real press while bending: asked in words, answers read."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Final

from steadyram.bending.procedure import BendingHands, Doubted, Withdrawn
from steadyram.commission.person import PersonHands
from steadyram.errors import UnitError
from steadyram.units import parse

_YES = ("y", "yes")
_NO = ("n", "no", "q", "quit", "stop")
_BACK = ("b", "back")
_CHOICES: Final[dict[str, Doubted]] = {
    "m": "measure", "measure": "measure", "measure again": "measure", "k": "keep", "keep": "keep",
    "s": "skip", "skip": "skip", "q": "stop", "quit": "stop", "stop": "stop",
}  # fmt: skip


class PersonBending(BendingHands):
    """ask: puts a question and returns the answer; say: tells."""

    def __init__(self, ask: Callable[[str], str], say: Callable[[str], None]) -> None:
        self._ask, self._say = ask, say

    def note(self, text: str) -> None:
        self._say(text)

    def confirm(self, text: str) -> bool:
        # An empty answer is no yes: a key hit by mistake must not arm a stroke.
        question = f"{text} Strike? (yes, no, or back: the last angle was wrong)"
        while (answer := self._ask(question).strip().lower()) not in (*_YES, *_NO, *_BACK):
            self._say("Answer yes to strike, no to stop here, or back to enter the last angle anew.")
        if answer in _BACK:
            raise Withdrawn
        return answer in _YES

    def doubted(self, text: str) -> Doubted:
        while (
            answer := self._ask(f"{text} Measure again, keep, skip or stop?").strip().lower()
        ) not in _CHOICES:
            self._say(
                "Answer measure to enter it anew, keep to record it unused, skip to leave it out, or stop."
            )
        return _CHOICES[answer]

    def included_angle_rad(self, text: str) -> float | None:
        while answer := self._ask(text).strip():
            try:
                # What a protractor shows is degrees, written or not, with a point or a comma.
                answer = re.sub(r"(?<=\d),(?=\d)", ".", answer, count=1)
                found = parse(
                    answer if not answer[-1].isdigit() else f"{answer} deg", "radian", what="the angle"
                )
            except UnitError as error:
                self._say(str(error))
                continue
            if 0.0 < found < math.pi:
                return found
            self._say("An included angle lies between 0 and 180 degrees; measure between the two legs.")
        return None


class PersonPedals(PersonHands):
    """The same person's feet: told when to press and when to let go, and what to hold when a job has to be pushed."""

    def fresh_sheet(self) -> None:
        """The question before the stroke has asked for it already."""
        return None

    def release_extend(self) -> None:
        # Unlike a commissioning stroke, a bend needs no open changes.
        self._say("Let go.")
        self._until(lambda now: now.state in ("ready", "fault"), "the pedals to be released")
