"""Judge several figures of a part together: one distance with a stated rate of false alarms.

A part whose contact is a little late, whose way to half the force is a little short and which stands a little high may
be odd though each figure alone is within its limit. The distance is Mahalanobis's, with the figures' correlation shrunk
towards none (Schaefer and Strimmer 2005, Statistical Applications in Genetics and Molecular Biology 4:32: the share is
the estimated variance of the correlations over the sum of their squares), since ten parts tell little of six
correlations. The limit is the quantile of that distance for a further part, where figures are normal and independent,
found by drawing: with few parts no table holds for a shrunk correlation. A test holds the rate for correlated figures.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

FALSE_ALARMS: Final = 0.01
"""Share of good parts that are beyond the limit, figures normal and independent."""

_DRAWS: Final = 6_000
_LEAST: Final = 8


class Together(BaseModel):
    """What good parts' figures are together: names, deviation of each in one part, and their shrunk correlation.

    spread: sample standard deviation of each figure (of its logarithm where it is a relative one).
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    names: tuple[str, ...]
    spread: tuple[float, ...]
    correlation: tuple[tuple[float, ...], ...]
    parts: int = Field(ge=_LEAST)

    def distance(self, off: Mapping[str, float]) -> float:
        """Return how far a part is, in standard deviations, by the figures of it that are known; NaN without any.

        off: each figure less its centre, in the unit of `spread`.
        """
        z = self._scaled(off)
        known = np.isfinite(z)
        if not known.any():
            return float("nan")
        told = z[known] @ np.linalg.solve(np.array(self.correlation)[np.ix_(known, known)], z[known])
        return float(np.sqrt(told / (1.0 + 1.0 / self.parts)))

    def share(self, off: Mapping[str, float]) -> float:
        """Return the distance as a share of the limit for as many figures as are known; NaN without any."""
        known = int(np.isfinite(self._scaled(off)).sum())
        return self.distance(off) / distance_limit(self.parts, known) if known else float("nan")

    def _scaled(self, off: Mapping[str, float]) -> NDArray[np.float64]:
        scaled: NDArray[np.float64] = np.array([off.get(name, np.nan) for name in self.names]) / np.array(
            self.spread
        )
        return scaled

    @property
    def limit(self) -> float:
        """Return the distance that FALSE_ALARMS of good parts are beyond, all figures known."""
        return distance_limit(self.parts, len(self.names))


def learn_together(columns: Mapping[str, Sequence[float]], floors: Mapping[str, float]) -> Together | None:
    """Learn from good parts' figures, one list each, in the same order of parts; NaN where a figure is not known.

    floors: smallest standard deviation believed of each. None for fewer than eight parts with all of them.
    """
    names = tuple(columns)
    values = np.array([columns[name] for name in names], dtype=float).T
    values = values[np.all(np.isfinite(values), axis=1)] if len(names) else values
    if len(names) < 2 or len(values) < _LEAST:
        return None
    sample = values.std(axis=0, ddof=1)
    scaled = (values - values.mean(axis=0)) / np.maximum(sample, 1e-300)
    return Together(
        names=names,
        spread=tuple(float(max(one, floors[name])) for name, one in zip(names, sample, strict=True)),
        correlation=tuple(tuple(map(float, row)) for row in shrunk(scaled[None])[0]),
        parts=len(values),
    )


def shrunk(scaled: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return shrunk correlations of samples of standardised figures: (samples, parts, figures) to (samples, f, f)."""
    parts, figures = scaled.shape[1:]
    products = scaled[:, :, :, None] * scaled[:, :, None, :]
    found = products.sum(axis=1) / (parts - 1)
    scatter = ((products - products.mean(axis=1, keepdims=True)) ** 2).sum(axis=1) * parts / (parts - 1) ** 3
    beside = ~np.eye(figures, dtype=bool)
    share = scatter[:, beside].sum(axis=1) / np.maximum((found[:, beside] ** 2).sum(axis=1), 1e-12)
    kept = 1.0 - np.clip(share, 0.0, 1.0)
    return np.where(beside, found * kept[:, None, None], 1.0)


def distances(
    draw: np.random.Generator, parts: int, root: NDArray[np.float64], draws: int
) -> NDArray[np.float64]:
    """Return the distance of a further good part from each of some drawn samples of good parts.

    root: (figures, figures), mixes independent figures into correlated ones.
    """
    figures = len(root)
    known = draw.standard_normal((draws, parts, figures)) @ root.T
    further = draw.standard_normal((draws, figures)) @ root.T
    mean, sd = known.mean(axis=1), known.std(axis=1, ddof=1)
    z: NDArray[np.float64] = (further - mean) / sd
    solved = np.linalg.solve(shrunk((known - mean[:, None]) / sd[:, None]), z[:, :, None])[:, :, 0]
    told: NDArray[np.float64] = (z * solved).sum(axis=1) / (1.0 + 1.0 / parts)
    return np.sqrt(told)


@cache
def distance_limit(parts: int, figures: int) -> float:
    """Return the limit for a number of good parts and of figures; drawn once, always from the same numbers."""
    draw = np.random.default_rng([parts, figures])
    return float(np.quantile(distances(draw, parts, np.eye(figures), _DRAWS), 1.0 - FALSE_ALARMS))
