"""The independent pressure cutout of the virtual press: a hard-wired switch that opens the feed coils.

It knows nothing of firmware or outputs: pressure in the cylinder, for as long as switch and relay take, opens the coils
of extend and slow feed until somebody resets it. Retract is not in it.
"""

from __future__ import annotations

import random

from steadyram.press.pressfile import Cutout
from steadyram.virtual.plant import STEP_S

_STREAM = 0xC07
# Below this share of its setting the switch closes again and the relay can be reset (common practice, no source).
RESET_SHARE = 0.95
_REMEMBERED = 10_000


class PressureCutout:
    """Latches once the pressure has been above its setting for its delay; the setting's error comes from the seed."""

    def __init__(self, given: Cutout, seed: int) -> None:
        self.set_Pa = given.pressure * (
            1.0 + given.repeatability * random.Random(seed ^ _STREAM).uniform(-1, 1)
        )
        self._delay_steps = max(1, round(given.delay / STEP_S))
        # Step since which the pressure is above, -1 = it is not, by step: steps may be taken back and asked again.
        self._above: dict[int, int] = {}
        self.open = False

    def due(self, pressure_Pa: float, step: int) -> bool:
        """Look at the pressure after `step`; True when the coils open now."""
        if self.open:
            return False
        since = -1
        if pressure_Pa >= self.set_Pa:
            before = self._above.get(step - 1, -1)
            since = step if before < 0 else before
        self._above[step] = since
        self._above.pop(step - _REMEMBERED, None)
        return since >= 0 and step - since >= self._delay_steps

    def reset(self, pressure_Pa: float) -> bool:
        """Close it again by its button; False while the pressure holds the switch open."""
        if pressure_Pa < RESET_SHARE * self.set_Pa:
            self.open = False
            self._above.clear()
        return not self.open
