"""Gauge repeatability and reproducibility by analysis of variance, crossed design.

Source: the AIAG *Measurement Systems Analysis* manual, ANOVA method (from memory): the interaction
is pooled into repeatability when its p-value is above 0.25, negative variances are set to zero.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from steadyram.errors import BadInput
from steadyram.late import np, scipy

if TYPE_CHECKING:
    from numpy.typing import NDArray

POOL_ABOVE = 0.25


@dataclass(frozen=True)
class GaugeStudy:
    """Standard deviations in the unit of the readings.

    percent_study: 100 GRR / total variation; percent_tolerance: 100 * 6 GRR / tolerance or None;
    categories: number of distinct categories.
    """

    repeatability: float
    reproducibility: float
    interaction: float
    grr: float
    part: float
    total: float
    percent_study: float
    percent_tolerance: float | None
    categories: int
    interaction_p: float
    pooled: bool


def study(readings: NDArray[np.float64], tolerance: float | None = None) -> GaugeStudy:
    """Analyse readings of shape (parts, operators, repeats); tolerance: full width, same unit.

    An operator here may be an operator, a day or an approach. Raises BadInput for fewer than two
    of anything or a reading that is not finite.
    """
    data = np.asarray(readings, dtype=np.float64)
    if data.ndim != 3 or min(data.shape) < 2:
        raise BadInput("a gauge study needs at least two parts, two operators and two repeats, all crossed.")
    if not np.isfinite(data).all():
        raise BadInput("a gauge study has a reading that is not a finite number.")
    if tolerance is not None and not tolerance > 0:
        raise BadInput("the tolerance of a gauge study must be more than zero.")
    p, o, r = data.shape
    grand = data.mean()
    cell = data.mean(axis=2)
    ss_part = o * r * ((data.mean(axis=(1, 2)) - grand) ** 2).sum()
    ss_oper = p * r * ((data.mean(axis=(0, 2)) - grand) ** 2).sum()
    ss_inter = r * ((cell - grand) ** 2).sum() - ss_part - ss_oper
    ss_error = ((data - cell[:, :, None]) ** 2).sum()
    df_inter, df_error = (p - 1) * (o - 1), p * o * (r - 1)
    ms_part, ms_oper = ss_part / (p - 1), ss_oper / (o - 1)
    ms_inter, ms_error = ss_inter / df_inter, ss_error / df_error
    p_value = float(scipy.special.fdtrc(df_inter, df_error, ms_inter / ms_error)) if ms_error > 0 else 0.0
    pooled = p_value > POOL_ABOVE
    if pooled:
        ms_error = (ss_inter + ss_error) / (df_inter + df_error)
        ms_inter = ms_error
    v_inter = 0.0 if pooled else max(0.0, (ms_inter - ms_error) / r)
    v_oper = max(0.0, (ms_oper - ms_inter) / (p * r))
    v_part = max(0.0, (ms_part - ms_inter) / (o * r))
    v_grr = ms_error + v_oper + v_inter
    total = math.sqrt(v_grr + v_part)
    grr = math.sqrt(v_grr)
    return GaugeStudy(
        repeatability=math.sqrt(ms_error),
        reproducibility=math.sqrt(v_oper),
        interaction=math.sqrt(v_inter),
        grr=grr,
        part=math.sqrt(v_part),
        total=total,
        percent_study=100.0 * grr / total if total else 0.0,
        percent_tolerance=None if tolerance is None else 100.0 * 6.0 * grr / tolerance,
        categories=int(math.sqrt(2.0) * math.sqrt(v_part) / grr) if grr else 0,
        interaction_p=p_value,
        pooled=pooled,
    )
