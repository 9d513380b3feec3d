"""A guided procedure's side of the page: what it says and asks, and the answers that come back.

The procedure runs in the keeper's thread; a browser answers in its own time. While it waits the device's
events are still taken, so that the live force goes on.
"""

from __future__ import annotations

import queue
from collections.abc import Callable
from typing import Any

from steadyram.errors import CheckFailed
from steadyram.page.words import GUIDED

_SAID_KEPT = 8
_PATIENCE_S = 1800.0
_LOOK_S = 0.05


class GuideStopped(CheckFailed):
    """Somebody stopped the procedure at the page."""


class Guide:
    """What the page shows of the procedure that is under way.

    changed: called whenever there is something new to show; idle: lets a moment (seconds) pass on the link;
    headline: what the page says while the press is ready; left: how things stand when it is stopped.
    """

    def __init__(
        self,
        title: str,
        changed: Callable[[], None],
        idle: Callable[[float], None],
        *,
        headline: str = GUIDED,
        left: str = "nothing was changed on the device",
    ) -> None:
        self.title = title
        self.headline = headline
        self.shown: dict[str, Any] | None = None
        self.typed = ""
        self.choices: tuple[tuple[str, str], ...] = ()
        self._left = left
        self.said: list[str] = []
        self.question: str | None = None
        self.number = 0
        self.done = 0
        self.of = 0
        self._changed = changed
        self._idle = idle
        self._answers: queue.SimpleQueue[tuple[int, str]] = queue.SimpleQueue()
        self._stopped = False

    def say(self, text: str) -> None:
        """Tell the person something."""
        self.check()
        self.said = [*self.said, text][-_SAID_KEPT:]
        self._changed()

    def progress(self, done: int, of: int) -> None:
        """How far it is."""
        self.done, self.of = done, of
        self._changed()

    def show(self, content: dict[str, Any]) -> None:
        """What stands beside the questions, as a JSON-ready mapping that is not changed afterwards."""
        self.shown = content
        self._changed()

    def ask(self, text: str, *, typed: str = "", choices: tuple[tuple[str, str], ...] = ()) -> str:
        """Ask and wait for the answer. Raises GuideStopped when it was stopped or nobody answered.

        typed: what is typed, in a word; choices: answers and what stands on their buttons. Without either it is for the
        page to tell from the text whether a figure is asked for.
        """
        self.check()
        self.number += 1
        self.typed, self.choices = typed, choices
        allowed = {answer for answer, _ in choices}
        self.question = text
        self._changed()
        waited = 0.0
        while waited < _PATIENCE_S:
            self.check()
            while not self._answers.empty():
                number, answer = self._answers.get()
                # Two tablets may answer the same question: the first counts.
                if number == self.number and (typed or not choices or answer in allowed):
                    self.question = None
                    # Said as done, so that nobody does it again while it stands last.
                    self.said = [*self.said, f"Done: {text} {answer}".rstrip()][-_SAID_KEPT:]
                    self._changed()
                    return answer
            self._idle(_LOOK_S)
            waited += _LOOK_S
        raise GuideStopped(f"Nobody answered for half an hour; the procedure was given up, {self._left}.")

    def answer(self, number: int, text: str) -> None:
        """An answer from a page, from any thread."""
        self._answers.put((number, text[:80]))

    def stop(self) -> None:
        """Stop at the next opportunity, from any thread."""
        self._stopped = True

    def check(self) -> None:
        """Raises GuideStopped when somebody stopped it."""
        if self._stopped:
            raise GuideStopped(f"Stopped at the page; {self._left}.")

    def to_json(self) -> dict[str, Any]:
        """What the page shows."""
        return {
            "title": self.title,
            "said": self.said,
            "question": self.question,
            "number": self.number,
            "typed": self.typed,
            "choices": [{"answer": answer, "words": words} for answer, words in self.choices],
            "shown": self.shown,
            "done": self.done,
            "of": self.of,
        }
