"""Which points do not belong: externally studentised residuals with a Bonferroni limit.

Source: regression textbooks (Cook and Weisberg; from memory). A report, never a deletion: the
person who made the point decides.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from steadyram.late import np, scipy

if TYPE_CHECKING:
    from numpy.typing import NDArray


def outlying(
    x: NDArray[np.float64], residuals: NDArray[np.float64], degree: int, level: float = 0.05
) -> list[int]:
    """Indices of points whose residual is too large for the others; x: abscissa of the fit."""
    n, p = len(x), degree + 1
    if n - p - 1 < 2:
        return []
    scaled = (x - x.mean()) / (np.ptp(x) or 1.0)
    design = np.vander(scaled, p)
    q, _ = np.linalg.qr(design)
    leverage = (q**2).sum(axis=1)
    rss = float((residuals**2).sum())
    if rss == 0.0:
        return []
    limit = float(scipy.special.stdtrit(n - p - 1, 1.0 - level / (2 * n)))
    found = []
    for i in range(n):
        free = 1.0 - leverage[i]
        if free <= 1e-9:
            continue
        others = (rss - residuals[i] ** 2 / free) / (n - p - 1)
        if others <= 0.0 or abs(residuals[i]) / math.sqrt(others * free) > limit:
            found.append(i)
    return found
