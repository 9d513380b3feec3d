"""What stands for a board: link, knob, panel, and the loop that feeds ticks to the firmware.

One file for both runtimes, imported by CPython and copied beside the firmware for MicroPython, so that the
order of tick, poll and output is the same by construction. Hence no imports and only old syntax.
"""


class StandIn:
    """The board that `App(board)` sees. `root` is the folder for its files."""

    name = "virtual"

    def __init__(self, uid: str, root: str) -> None:
        self.uid = uid
        self.root = root
        self.link_in = b""
        self.link_out = b""
        self.turns = 0
        self.shown = ""
        self.shown_before = ""
        self.noisy = False  # something that the host must hear of came up during this tick
        self.outputs = 0
        self.screen: object = None  # a display to draw on; without one the panel writes four lines of text
        self.tick: object = None
        self.poll: object = None

    def link_read(self):  # type: ignore[no-untyped-def]
        """All bytes that came since last asked, or None."""
        if not self.link_in:
            return None
        data = self.link_in
        self.link_in = b""
        return data

    def link_write(self, data) -> None:  # type: ignore[no-untyped-def]
        self.link_out += bytes(data)
        self.noisy = True

    def knob(self) -> int:
        """Steps turned since last asked, clockwise positive."""
        turns = self.turns
        self.turns = 0
        return turns

    def show(self, lines) -> None:  # type: ignore[no-untyped-def]
        if isinstance(lines, str):
            lines = (lines,)
        text = "\n".join(lines)
        if text != self.shown:
            self.shown = text
            self.noisy = True

    def fresh_text(self) -> bytes:
        """The panel's text as UTF-8 if it changed since last asked, else nothing (blank = one space)."""
        if self.shown == self.shown_before:
            return b""
        self.shown_before = self.shown
        return (self.shown or " ").encode()

    def idle(self) -> None:
        """Nothing to do: on a board this would sleep until the next tick."""

    def one(self, counts: int, inputs: int, place: int) -> bool:
        """Run one tick; return True when an output changed, or bytes or panel text were written."""
        now = self.tick(counts, inputs, place)  # type: ignore[operator]
        self.poll()  # type: ignore[operator]
        if now != self.outputs or self.noisy:
            self.outputs = now
            self.noisy = False
            return True
        return False

    def batch(self, samples, count: int) -> int:  # type: ignore[no-untyped-def]
        """Run up to `count` ticks on triples (counts, inputs, place); return how many were run.

        Returns right after the tick in which an output changed, or bytes or panel text were written.
        """
        tick = self.tick
        poll = self.poll
        outputs = self.outputs
        at = 0
        end = 3 * count
        while at < end:
            now = tick(samples[at], samples[at + 1], samples[at + 2])  # type: ignore[operator]
            poll()  # type: ignore[operator]
            at += 3
            if now != outputs or self.noisy:
                self.outputs = now
                self.noisy = False
                break
        return at // 3
