"""Who may change something: whoever holds the enable button at the panel, for a limited time.

Holding it for HOLD_MS opens changes for `open_s` seconds, holding it again closes them. Calibration has a seal of
its own: it is open only when the button was held for SEAL_MS to SEAL_MOST_MS and then let go, pedals released.
A contact that is stuck is never let go, so it opens changes once, for one period, and the seal never.
"""

from .. import tables as T

HOLD_MS = 1500
SEAL_MS = 5000
SEAL_MOST_MS = 20000


class Access:
    """tick() runs every millisecond and does not allocate; a button held at power-up does not count."""

    def __init__(self):
        self.open_s = 600
        self._held = -1  # milliseconds held; -1 = held since power-up, so it may be stuck
        self._left_s = 0
        self._left_ms = 0
        self._unsealed = False

    def __getattr__(self, name):
        """Readings. Not properties: with one of those in its class, every store to an attribute takes long."""
        if name == "enabled":
            return self._left_s > 0
        if name == "unsealed":
            # True while a calibration may be replaced, too
            return self._unsealed and self._left_s > 0
        if name == "seal_ready":
            # True while letting the button go would open the seal
            return SEAL_MS <= self._held <= SEAL_MOST_MS
        if name == "seconds_left":
            return self._left_s
        raise AttributeError(name)

    def close(self):
        """Close changes and the seal now."""
        self._left_s = 0
        self._unsealed = False

    def tick(self, inputs):
        """One millisecond with the input word `inputs`."""
        if inputs & T.IN_ENABLE:
            if 0 <= self._held <= SEAL_MOST_MS:
                self._held += 1
                if self._held == HOLD_MS:
                    self._open(0 if self._left_s else self.open_s, False)
        elif self._held:
            if SEAL_MS <= self._held <= SEAL_MOST_MS and not inputs & (T.IN_EXTEND | T.IN_RETRACT):
                self._open(self.open_s, True)
            self._held = 0
        if self._left_s:
            self._left_ms -= 1
            if self._left_ms <= 0:
                self._left_ms = 1000
                self._left_s -= 1
                if not self._left_s:
                    self._unsealed = False

    def _open(self, seconds, unsealed):
        self._left_s = seconds
        self._left_ms = 1000
        self._unsealed = unsealed
