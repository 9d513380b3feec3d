"""Which rising points belong to one force of a calibration: nobody hits the same force twice."""

from __future__ import annotations

from collections.abc import Sequence

from steadyram.metrology.record import CalibrationRecord

# A point belongs to the nearest level, if it is as near as this part of the largest force.
NEAR_PART = 0.05


def rising_levels(record: CalibrationRecord, rising: Sequence[int]) -> list[list[int]]:
    """Return the indices of the rising points by level: by order within the runs, otherwise by closeness."""
    force = {i: float(record.force_N(record.points[i])) for i in rising}
    by_run: dict[int, list[int]] = {}
    for i in rising:
        by_run.setdefault(record.points[i].run, []).append(i)
    top = max(force[i] for i in rising)
    if len({len(v) for v in by_run.values()}) == 1:
        groups = [list(group) for group in zip(*by_run.values(), strict=True)]
        if all(max(force[i] for i in g) - min(force[i] for i in g) <= NEAR_PART * top for g in groups):
            return groups
    groups = []
    for i in sorted(rising, key=lambda k: force[k]):
        if groups and force[i] - force[groups[-1][0]] <= 0.02 * top:
            groups[-1].append(i)
        else:
            groups.append([i])
    return groups
