"""The virtual reference: a load cell under the ram, off by the same share everywhere."""

from __future__ import annotations

import random

# 0.1 % of reading, one standard deviation; cut at two.
LOAD_CELL_ERROR = 0.001

# Air temperature (degrees Celsius) that is read at a virtual press: nothing in it depends on temperature.
WORKSHOP_C = 20.0


def load_cell_gain(seed: int) -> float:
    """Reading over truth of the load cell that belongs to a press's seed."""
    return 1.0 + LOAD_CELL_ERROR * max(-2.0, min(2.0, random.Random(seed ^ 0x10AD).gauss(0.0, 1.0)))
