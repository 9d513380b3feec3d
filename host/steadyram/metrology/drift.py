"""Drift between two calibrations: as-found, as-left, and whether it makes a trend.

As-found: the old polynomial on the new points, before anything is adjusted. As-left: the new one.
The normalised error E_n = difference / sqrt(U1^2 + U2^2) is that of ISO 13528 and ISO/IEC 17043
(from memory): above 1 the change is more than the two uncertainties explain.

A rate a year is told only when the change is significant and the calibrations are far enough apart for a rate
to mean anything. The interval is the one that the user's quality rules set; only such a rate shortens it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

from steadyram.errors import BadInput
from steadyram.late import np
from steadyram.metrology.analyse import Analysis
from steadyram.metrology.device_poly import device_force

# Shortest span for a rate a year: a twelfth of one (own rule).
SPAN_DAYS = 30.0


@dataclass(frozen=True)
class DriftLevel:
    """At one force: errors of the old and the new polynomial (N), change in per cent, E_n."""

    force_N: float
    as_found_N: float
    as_left_N: float
    change_percent: float
    normalised_error: float


@dataclass(frozen=True)
class Drift:
    """Drift over `days`; as_found_within: kept the limit until now.

    worst_percent: largest change; worst_percent_per_year: None where it makes no trend, and `trend` says why.
    """

    days: float
    levels: tuple[DriftLevel, ...]
    zero_shift_counts: float
    worst_percent: float
    worst_percent_per_year: float | None
    trend: str
    as_found_within: bool
    significant: bool
    interval_days: int | None
    due: datetime | None


def compare(old: Analysis, new: Analysis, limit_fraction: float = 0.01) -> Drift:
    """Compare two calibrations of the same transducer on the same press.

    limit_fraction: largest permitted error of the reading; a trend shortens the interval to what it takes to use
    up half of that; the interval is None where none was agreed and no trend asks for one. Raises BadInput when the
    serial numbers differ, the newer is not later, or a date is not recorded.
    """
    for what in ("press", "transducer"):
        a, b = getattr(old.record.header, what).serial, getattr(new.record.header, what).serial
        if a != b:
            raise BadInput(
                f"the calibrations are not of the same {what} (serial {a} and {b}); compare like with like."
            )
    if not (old.record.header.made_recorded and new.record.header.made_recorded):
        raise BadInput("the date of a calibration is not recorded; two dates make a comparison.")
    days = (new.record.header.made - old.record.header.made).total_seconds() / 86400.0
    if days <= 0.0:
        raise BadInput("the second calibration is not later than the first; swap them.")
    counts = new.device.counts
    # The device takes its zero afresh: the old polynomial is run from the zero of today.
    today = {**old.device.fields, "zero_counts": new.device.fields["zero_counts"]}
    found = device_force(today, counts) - new.device.force_N
    left = device_force(new.device.fields, counts) - new.device.force_N
    levels = []
    for level in new.levels:
        near = np.abs(new.device.force_N - level.force_N) <= 0.02 * float(new.device.force_N.max())
        as_found, as_left = float(found[near].mean()), float(left[near].mean())
        inside = min(max(level.force_N, old.levels[0].force_N), old.levels[-1].force_N)
        both = math.hypot(old.budget_at(inside).expanded, level.budget.expanded)
        change = as_found - as_left
        levels.append(
            DriftLevel(level.force_N, as_found, as_left, 100.0 * change / level.force_N, change / both)
        )
    worst = max(abs(item.change_percent) for item in levels)
    significant = any(abs(item.normalised_error) > 1.0 for item in levels)
    per_year, trend = _trend(worst, days, significant)
    interval = new.record.header.interval_days
    if per_year is not None:
        lasts = max(1, int(0.5 * 100.0 * limit_fraction / (worst / days)))
        interval = lasts if interval is None else min(interval, lasts)
    return Drift(
        days=days,
        levels=tuple(levels),
        zero_shift_counts=new.record.header.zero_counts - old.record.header.zero_counts,
        worst_percent=worst,
        worst_percent_per_year=per_year,
        trend=trend,
        as_found_within=all(abs(item.as_found_N) <= limit_fraction * item.force_N for item in levels),
        significant=significant,
        interval_days=interval,
        due=None if interval is None else new.record.header.made + timedelta(days=interval),
    )


def _trend(worst_percent: float, days: float, significant: bool) -> tuple[float | None, str]:
    """Rate in per cent a year, None where there is none to tell, and a sentence."""
    if not significant:
        return None, (
            f"no trend: the largest change, {worst_percent:.2g} %, is no more than the uncertainties of both explain"
        )
    if days < SPAN_DAYS:
        return None, (
            f"no trend: a change of {worst_percent:.2g} % is significant, but {days:.3g} days are too short a span "
            f"for a rate (at least {SPAN_DAYS:g}); look for its cause"
        )
    rate = worst_percent * 365.25 / days
    return (
        rate,
        f"drift of {rate:.2g} % a year over {days:.0f} days, more than the uncertainties of both explain",
    )
