"""Standard normal numbers by index, from a seed and a stream."""

from __future__ import annotations

import numpy as np

_BLOCK = 4096
_KEPT = 4 * _BLOCK


class NoiseTape:
    """Standard normal numbers by index, so that a step can be taken again after a rewind."""

    def __init__(self, seed: int, stream: int) -> None:
        self._rng = np.random.Generator(np.random.PCG64([seed, stream]))
        self._numbers: list[float] = []
        self._first = 0

    def at(self, index: int) -> float:
        """Return the number at an index; indices may go back, but by no more than a block."""
        place = index - self._first
        while place >= len(self._numbers):
            self._numbers.extend(self._rng.standard_normal(_BLOCK).tolist())
            if len(self._numbers) > _KEPT:
                # A press that is served for days must not remember every draw.
                del self._numbers[:_BLOCK]
                self._first += _BLOCK
                place -= _BLOCK
        if place < 0:
            raise IndexError(f"noise at index {index} was forgotten; a rewind may not go back that far")
        return self._numbers[place]
