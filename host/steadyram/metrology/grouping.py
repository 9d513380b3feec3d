"""Which rising points belong to one force of a calibration: nobody hits the same force twice."""

from __future__ import annotations

from collections.abc import Sequence

from steadyram.metrology.record import CalibrationRecord

# Points of several runs are one force where they differ by no more than this part of it (own rule): the error at a
# force is no repeatability of another one.
SAME_FORCE_PART = 0.05


def rising_levels(record: CalibrationRecord, rising: Sequence[int]) -> list[list[int]]:
    """Return the indices of the rising points by level: by order within the runs, otherwise by closeness.

    No level has two points of one run, or points further apart than SAME_FORCE_PART of their largest.
    """
    force = {i: float(record.force_N(record.points[i])) for i in rising}
    by_run: dict[int, list[int]] = {}
    for i in rising:
        by_run.setdefault(record.points[i].run, []).append(i)
    if len({len(v) for v in by_run.values()}) == 1:
        groups = [list(group) for group in zip(*by_run.values(), strict=True)]
        if all(_alike([force[i] for i in g]) for g in groups):
            return groups
    groups = []
    for i in sorted(rising, key=lambda k: force[k]):
        runs = {record.points[k].run for k in groups[-1]} if groups else set()
        near = bool(groups) and _alike([force[groups[-1][0]], force[i]])
        if near and record.points[i].run not in runs:
            groups[-1].append(i)
        else:
            groups.append([i])
    return groups


def _alike(forces: Sequence[float]) -> bool:
    # At no force (a point in free travel) all that is read is the reference's last digit.
    return max(forces) - min(forces) <= SAME_FORCE_PART * max(1.0, *(abs(f) for f in forces))
