"""Invented calibrations with known answers, for the tests beside this file."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np

from steadyram.metrology.header import Header, Point, RunStart
from steadyram.metrology.record import CalibrationRecord

AREA = math.pi / 4 * 0.1016**2
RANGE = 5000 * 6894.757293168361
ZERO = 6600.0
# A load cell whose claim of traceability can be followed.
CELL: dict[str, Any] = {
    "what": "cell", "serial": "R1", "kind": "load-cell", "expanded_percent": 0.1, "certificate": "K-1",
    "due": date(2026, 11, 30), "traceable_to": "the national standard of force",
    "calibrated_by": "Example Force Laboratory", "accreditation": "invented number 1",
    "calibrated_on": date(2025, 11, 30), "calibrated_from": 1e3, "calibrated_to": 300e3, "iso_376_class": 0.5,
    "class_a_from": 1e3,
}  # fmt: skip


def header(**changes: Any) -> Header:
    """A header; `changes` replace its keys."""
    document: dict[str, Any] = {
        "press": {"what": "invented press", "serial": "P1"},
        "transducer": {"what": "invented transducer", "serial": "T1"},
        "reference": CELL,
        "laboratory": "Example Calibration, Sampleton",
        "interval_days": 365,
        "made": datetime(2026, 1, 2, tzinfo=UTC),
        "area_m2": AREA,
        "range_Pa": RANGE,
        "zero_counts": ZERO,
        "zero_counts_after": ZERO + 1,
        "fluctuation_counts": 4.0,
        "reseated": True,
        "environment": {"ambient_C": 21.0, "ambient_end_C": 21.5},
        "invented": True,
    }
    return Header.model_validate(document | changes)


def counts_of(
    force: float, rising: bool = True, gain: float = 1.015, quadratic: float = 0.0, friction: float = 600.0
) -> float:
    """Noiseless counts of a force under the ram."""
    z = (force + (friction if rising else -friction)) / AREA / RANGE
    return ZERO + 0.8 * 65536 * (gain * z + quadratic * z * z)


def record(
    runs: int = 3,
    levels: int = 6,
    noise: float = 3.0,
    seed: int = 1,
    hysteresis: float = 0.0,
    head: Header | None = None,
    **chain: float,
) -> CalibrationRecord:
    """A calibration up and down; noise in counts, hysteresis as a fraction of range."""
    head = head or header()
    rng = np.random.default_rng(seed)
    points = []
    top = 150e3
    for run in range(1, runs + 1):
        up = [top * (k + 1) / levels for k in range(levels)]
        for direction, forces in (("rising", up), ("falling", up[-2::-1])):
            for force in forces:
                rising = direction == "rising"
                loop = 0.0 if rising else hysteresis * 4 * force / top * (1 - force / top)
                counts = counts_of(force, rising, **chain) + 0.8 * 65536 * loop + rng.normal(0, noise)
                at = head.made + timedelta(seconds=30 * len(points))
                point = {"run": run, "direction": direction, "reference": force, "counts": counts, "at": at}
                points.append(Point.model_validate(point))
    return CalibrationRecord(header=head, points=tuple(points), starts=starts(runs, head.reseated))


def starts(runs: int, reseated: bool | None = True, **changes: Any) -> tuple[RunStart, ...]:
    """What came before each run of a full calibration; `changes` replace what stands in every row."""
    return tuple(
        RunStart.model_validate(
            {
                "run": run,
                "reseated": reseated if run > 1 else None,
                "preloads": 3 if run == 1 else 1,
                "zero_after_previous_counts": ZERO + 1 if run > 1 else None,
                "zero_counts": ZERO,
            }
            | changes
        )
        for run in range(1, runs + 1)
    )
