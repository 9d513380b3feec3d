"""What a person does in order: generators that yield a time to wait in seconds, or a condition to wait for.

Whoever runs a script decides how time passes: `play` runs the press straight on, the server interleaves it
with the link and the clock on the wall.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Generator

from steadyram.virtual.operator import ACK_S, HOLD_S, SEAL_S, TAP_S
from steadyram.virtual.press import VirtualPress
from steadyram_fw import tables

Condition = Callable[[VirtualPress], bool]
Script = Generator[float | Condition, None, None]

# How long a person waits for something that should come before giving up.
PATIENCE_S = 90.0
_LOOK_S = 0.1
_REACTION_S = 0.25
_QUIET_S = 1.0
_PARTS = re.compile(r"^parts (\d+) of (\d+)$")


def play(press: VirtualPress, script: Script) -> None:
    """Run a script to its end in virtual time."""
    for wait in script:
        if callable(wait):
            press.run_until(wait, PATIENCE_S)
        else:
            press.run(wait)


def hold_enable(press: VirtualPress, seconds: float = HOLD_S) -> Script:
    """Hold the enable button as long as it takes, once nobody else's finger is on it."""
    if press.operator.enable_held:
        yield lambda p: not p.operator.enable_held
    press.operator.press_enable()
    yield seconds
    press.operator.release_enable()
    yield TAP_S


def acknowledge(press: VirtualPress) -> Script:
    """Feet off, push the acknowledge button and release it."""
    press.operator.release_all()
    yield _REACTION_S
    press.operator.ack_held = True
    press.note("press-ack")
    yield ACK_S
    press.operator.ack_held = False
    press.note("release-ack")
    yield _REACTION_S


def to_top(press: VirtualPress) -> Script:
    """Send the ram up: hold the retract pedal until the top switch closes or a fault shows, then let go.

    Where no valve is fitted the ram goes up through the release valve, which is opened by hand.
    """
    op = press.operator
    by_hand = press.plant.press.valve.indicator
    op.release_extend()
    yield _REACTION_S
    (op.open_release if by_hand else op.press_retract)()
    yield lambda p: p.plant.at_top or not p.powered or (not by_hand and panel_state(p) == "fault")
    yield _REACTION_S
    (op.shut_release if by_hand else op.release_retract)()
    yield _LOOK_S


def panel_state(press: VirtualPress) -> str:
    """Return the state that the panel names, "fault" for a fault, "refused" for a "NO: ..." line, "" for none."""
    if press.display.startswith("FAULT"):
        return "fault"
    # With the cutoff off the first line is a warning and the state stands in the second.
    for line in press.display.split("\n")[:2]:
        last = line.rpartition(" ")[2]
        if last in tables.STATE_NAMES:
            return last
    # With the cutoff off a refusal's reason stands where the state would.
    return "refused" if "\nNO: " in press.display else ""


def parts_left(press: VirtualPress) -> int | None:
    """Parts that the panel says are left of a batch; None when it shows no batch."""
    for line in press.display.split("\n"):
        match = _PARTS.match(line)
        if match:
            return max(0, int(match[2]) - int(match[1]))
    return None


def changes_open(press: VirtualPress) -> bool:
    """True while the panel says that changes are open."""
    return "CHANGES OPEN" in press.display


def changes_closed(press: VirtualPress) -> bool:
    """True where the panel shows a state, and no open changes: screens of faults, menus and valve tests say neither."""
    return panel_state(press) not in ("", "fault") and not changes_open(press)


def seal_open(press: VirtualPress) -> bool:
    """True while the panel says that changes and the calibration's seal are open."""
    return "CHANGES OPEN, CAL" in press.display


def one_part(press: VirtualPress) -> Script:
    """Load a part, hold the pedal until the panel says the stroke is over, send the ram up."""
    op = press.operator
    if not press.plant.at_top:
        yield from to_top(press)
    op.load_part()
    yield _REACTION_S
    op.press_extend()
    yield lambda p: panel_state(p) in ("done", "fault", "refused") or not p.powered
    yield _REACTION_S
    op.release_extend()
    if panel_state(press) != "fault":
        yield from to_top(press)


class Person:
    """Someone at the press all day: works through batches, keeps changes open between them if asked to.

    work: run the active job's batch whenever the panel shows parts left; keep_open: hold the enable button
    whenever nothing is to be run and changes are closed. When changes are open, a batch waits until the host
    has been quiet for a second; then the same button closes changes, and work begins. relieved: somebody else has
    the pedals, so this person starts nothing.
    """

    def __init__(self, *, work: bool, keep_open: bool) -> None:
        self.work = work
        self.keep_open = keep_open
        self.relieved = False
        self.heard_s = -_QUIET_S  # when the host last sent something

    def day(self, press: VirtualPress) -> Script:
        """The script of the day; it never ends."""
        batch_left: int | None = None
        yield 0.5
        while True:
            if not press.powered or self.relieved:
                yield _LOOK_S
                continue
            quiet = press.time_s - self.heard_s >= _QUIET_S
            if self.work and panel_state(press) == "fault":
                yield from acknowledge(press)
                yield 1.0
                continue
            left = parts_left(press)
            if self.work and left and not changes_open(press):
                yield from one_part(press)
                yield _LOOK_S
                continue
            if self.work and changes_open(press) and quiet and batch_left != 0 and self._job_shown(press):
                # The panel shows parts only while changes are closed: close them and look.
                yield from hold_enable(press)
                yield _LOOK_S * 3
                batch_left = parts_left(press) or 0
                continue
            if not quiet:
                batch_left = None
            if self.keep_open and changes_closed(press) and not left:
                yield from hold_enable(press, SEAL_S)
                yield _LOOK_S * 3
                continue
            yield _LOOK_S

    @staticmethod
    def _job_shown(press: VirtualPress) -> bool:
        lines = press.display.split("\n")
        return len(lines) > 2 and bool(lines[2].strip())
