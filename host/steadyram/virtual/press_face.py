"""What operator, faults and checks need of a virtual press, and what it notes: so that they need not import it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple, Protocol

from steadyram.virtual.plant import Plant
from steadyram_fw import tables


class Output(NamedTuple):
    """One change of the output word (bits of the definition's [outputs]), at `time_s` of the plant."""

    time_s: float
    word: int

    @property
    def extend(self) -> bool:
        """True while extend is energised."""
        return bool(self.word & tables.OUT_EXTEND)

    @property
    def retract(self) -> bool:
        """True while retract is energised."""
        return bool(self.word & tables.OUT_RETRACT)

    @property
    def slow(self) -> bool:
        """True while slow feed is energised."""
        return bool(self.word & tables.OUT_SLOW)


class Noted(NamedTuple):
    """Something that an operator, a fault or the power did, at `time_s`."""

    time_s: float
    name: str


class Pedals(Protocol):
    """What faults see of the operator: a pedal, and when each last moved, in steps of the plant."""

    extend_held: bool
    extend_step: int
    retract_step: int


class OperatedPress(Protocol):
    """A press that a person works at."""

    plant: Plant
    cycle: int

    def note(self, name: str) -> None:
        """Write a happening into the press's events."""

    def run(self, seconds: float) -> None:
        """Let `seconds` of virtual time pass."""

    def run_until(self, predicate: Callable[[Any], bool], timeout_s: float) -> bool:
        """Run until `predicate(press)` is true after a tick; False when `timeout_s` passed first."""

    def rewire(self) -> None:
        """Pass the output word on to the relays."""


class SpoiltPress(OperatedPress, Protocol):
    """A press that faults are brought on, and that they are taken from."""

    seed: int
    outputs: int
    state_dir: Path
    active_faults: list[Any]
    weld_next: int
    welded: int

    @property
    def time_s(self) -> float:
        """Seconds of virtual time."""

    @property
    def valves_on(self) -> bool:
        """True while the firmware's output word energises a valve."""

    @property
    def counts(self) -> int:
        """The newest reading that the firmware got, on the 16-bit scale."""

    @property
    def operator(self) -> Pedals:
        """Return who works at the press."""

    def send(self, data: bytes) -> None:
        """Put bytes on the line to the device."""

    def after(self, seconds: float, action: Callable[[], None]) -> None:
        """Do `action` when `seconds` more have passed."""

    def when(self, predicate: Callable[[Any], bool], action: Callable[[], None]) -> None:
        """Do `action` once, after the first tick for which `predicate(press)` is true."""

    def add_input_filter(self, change: Callable[[int, int], int]) -> Callable[[], None]:
        """Let `change(step, levels) -> levels` alter the input word; returns what takes it out again."""

    def power_up(self) -> None:
        """Give the board power."""

    def power_cut(self) -> None:
        """Take the power away now."""

    def fail_writes(self, on: bool) -> None:
        """Let flash writes fail, or let them work again."""
