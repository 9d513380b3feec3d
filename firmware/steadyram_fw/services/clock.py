"""Time since power-up and the wall clock, in small integers and without allocation in tick()."""


class Clock:
    """Counts milliseconds; `seconds` and `ms` (0..999) since power-up; the wall clock needs set()."""

    def __init__(self):
        self.seconds = 0
        self.ms = 0
        self._unix0 = 0

    def tick(self):
        """One millisecond has passed."""
        if self.ms == 999:
            self.ms = 0
            self.seconds += 1
        else:
            self.ms += 1

    def uptime_ms(self):
        """Milliseconds since power-up, 32 bits."""
        return (self.seconds * 1000 + self.ms) & 0xFFFFFFFF

    def unix(self, seconds=-1):
        """Wall clock at `seconds` since power-up (default: now), 0 when it was never set."""
        if not self._unix0:
            return 0
        return self._unix0 + (self.seconds if seconds < 0 else seconds)

    def set(self, unix):
        """Set the wall clock, seconds since 1970-01-01 UTC; 0 = unknown."""
        self._unix0 = unix - self.seconds if unix else 0
