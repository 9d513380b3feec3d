"""A confirmation at the panel: changes are open, then the acknowledge button is pressed anew, held and released.

A contact that is stuck closed, or one button that opens changes and acknowledges too, confirms nothing by being held.
"""

from .. import tables as T

LEAST_MS = 200
MOST_MS = 3000


class Confirm:
    """Asked in the foreground, whenever there is time."""

    def __init__(self):
        self._open = False  # the button was seen released since changes were opened
        self._since_ms = -1

    def given(self, enabled, inputs, now_ms):
        """True once for each confirmation. enabled: changes are open; now_ms: uptime."""
        pressed = inputs & T.IN_ACK != 0
        if not enabled or inputs & (T.IN_EXTEND | T.IN_RETRACT):
            self._open = False
            self._since_ms = -1
            return False
        if pressed:
            if self._open and self._since_ms < 0:
                self._since_ms = now_ms
            return False
        held_ms = now_ms - self._since_ms if self._since_ms >= 0 else 0
        self._open = True
        self._since_ms = -1
        return LEAST_MS <= held_ms <= MOST_MS
