"""Who may change something: whoever holds the enable button at the panel, for a limited time."""

from .. import tables as T

HOLD_MS = 1500


class Access:
    """Holding the button for HOLD_MS opens changes for `open_s` seconds; holding it again closes them.

    tick() runs every millisecond and does not allocate; the button must be released before it counts again,
    so a stuck button opens changes once, for one period, and a button held at power-up does not count.
    """

    def __init__(self):
        self.open_s = 600
        self._held = -1
        self._left_s = 0
        self._left_ms = 0

    @property
    def enabled(self):
        return self._left_s > 0

    @property
    def seconds_left(self):
        return self._left_s

    def close(self):
        """Close changes now."""
        self._left_s = 0

    def tick(self, inputs):
        """One millisecond with the input word `inputs`."""
        if not inputs & T.IN_ENABLE:
            self._held = 0
        elif self._held >= 0:
            self._held += 1
            if self._held >= HOLD_MS:
                self._held = -1
                self._left_s = 0 if self._left_s else self.open_s
                self._left_ms = 1000
        if self._left_s:
            self._left_ms -= 1
            if self._left_ms <= 0:
                self._left_ms = 1000
                self._left_s -= 1
