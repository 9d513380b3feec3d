"""Two calibrations held by a computation in fractions that shares no code with the product.

D: constructed here. A load cell and a gauge, three runs up and down, whole counts. Every line of the budget is
computed as an exact variance and compared to six digits in analysis, certificate, verification and daily check.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime
from fractions import Fraction as Q

import pytest

from steadyram.metrology.analyse import Analysis, analyse
from steadyram.metrology.certificate import contents
from steadyram.metrology.daily import daily_check
from steadyram.metrology.header import Header, Point, Reference
from steadyram.metrology.record import CalibrationRecord
from steadyram.metrology.verify import verify

AREA, ZERO, AFTER, STEP = Q(8, 1000), 6600, 6603, 16
# Whole counts a level and run: near 6.1 N a count, with a scatter that is not a multiple of anything.
FORCES = [30_000, 60_000, 90_000, 120_000, 150_000]
COUNTS = [
    [11_615, 16_533, 21_451, 26_370, 31_280],
    [11_611, 16_541, 21_447, 26_362, 31_291],
    [11_619, 16_530, 21_459, 26_371, 31_283],
]
FALLING = [
    [11_417, 16_338, 21_252, 26_166],
    [11_420, 16_333, 21_257, 26_171],
    [11_415, 16_341, 21_249, 26_169],
]
FRICTION, FRICTION_U = 600, 150
LIMIT = Q(1, 100)


class Hand:
    """The same calibration by hand: sums, a two by two inverse, variances; everything a fraction."""

    def __init__(self, forces: list[list[Q]]) -> None:
        self.u = [Q(c - ZERO, 65536) for run in COUNTS for c in run]
        self.f = [f for run in forces for f in run]
        n = len(self.u)
        s1, s2 = sum(self.u), sum(x * x for x in self.u)
        t0, t1 = sum(self.f), sum(x * y for x, y in zip(self.u, self.f, strict=True))
        det = n * s2 - s1 * s1
        self.b0, self.b1 = (s2 * t0 - s1 * t1) / det, (n * t1 - s1 * t0) / det
        rest = [y - self.b0 - self.b1 * x for x, y in zip(self.u, self.f, strict=True)]
        # Within a run, and the variance of the mean of three runs.
        each = [rest[i : i + len(FORCES)] for i in range(0, n, len(FORCES))]
        means = [sum(run) / len(run) for run in each]
        self.within = sum((r - m) ** 2 for run, m in zip(each, means, strict=True) for r in run) / (n - 4)
        grand = sum(means) / 3
        self.of_mean = sum((m - grand) ** 2 for m in means) / 2 / 3
        # The runs' gains, each a line through zero; of their mean a variance per square newton.
        by_run = list(zip(each, forces, strict=True))
        gains = [
            sum(r * f for r, f in zip(rests, fs, strict=True)) / sum(f * f for f in fs)
            for rests, fs in by_run
        ]
        middle = sum(gains) / 3
        self.of_gain = sum((g - middle) ** 2 for g in gains) / 2 / 3
        self.v00, self.v01, self.v11 = (
            self.within * s2 / det, -self.within * s1 / det, self.within * n / det,
        )  # fmt: skip
        c0, c1 = (math.floor(b + Q(1, 2)) for b in (self.b0, self.b1))
        # What whole numbers cost: a rounded shift at every calibration reading, against the exact curve.
        self.rounding = max(
            abs(
                c0
                + math.floor(Q(c1 * (c - ZERO), 65536) + Q(1, 2))
                - (self.b0 + self.b1 * Q(c - ZERO, 65536))
            )
            for run in COUNTS
            for c in run
        )
        self.c0, self.c1 = c0, c1

    def shown(self, counts: int) -> int:
        return self.c0 + math.floor(Q(self.c1 * (counts - ZERO), 65536) + Q(1, 2))

    def reading(self, force: Q) -> dict[str, Q]:
        """Variances of one reading."""
        return {
            "repeatability of a reading": self.within,
            "resolution of the reading": (self.b1 / 65536 * STEP) ** 2 / 12,
        }

    def curve(self, force: Q) -> dict[str, Q]:
        """Variances of the curve at a force."""
        u = (force - self.b0) / self.b1
        return {
            "curve": self.v00 + 2 * u * self.v01 + u * u * self.v11,
            "device's integers": max(Q(1, 2), self.rounding) ** 2 / 3,
            "run to run": max(self.of_mean, self.of_gain * force * force),
            # The return of 3 counts as a rectangle, or a converter step, the larger.
            "zero": (self.b1 / 65536) ** 2 * max(Q((AFTER - ZERO) ** 2, 3), Q(STEP**2, 12)),
            "temperature": (force * Q(2, 10_000) * 5) ** 2 / 3,
        }


def cell_lines(force: Q) -> dict[str, Q]:
    """0.2 % at k = 2, drift 0.05 %, steps of 10 N at rest and under load."""
    return {
        "reference certificate": (force * Q(2, 1000) / 2) ** 2,
        "reference drift": (force * Q(5, 10_000)) ** 2 / 3,
        "reference resolution": 2 * Q(10) ** 2 / 12,
    }


def gauge_lines(force: Q) -> dict[str, Q]:
    """Class 1 of 400 bar, steps of 1 bar, 0.1 bar of place, area 0.1 %, friction 600 N known to 150 N."""
    return {
        "reference class": (AREA * Q(1, 100) * 40_000_000) ** 2 / 3,
        "reference resolution": (AREA * 100_000) ** 2 / 12,
        "place of the gauge": (AREA * 10_000) ** 2 / 3,
        "piston area": ((force + FRICTION) * Q(1, 1000)) ** 2,
        "assumed friction": Q(FRICTION_U) ** 2,
    }


def header(kind: str) -> Header:
    cell = {
        "what": "cell", "serial": "R1", "kind": "load-cell", "expanded_percent": 0.2, "drift_percent": 0.05,
        "resolution": 10.0,
    }  # fmt: skip
    gauge = {
        "what": "gauge", "serial": "G1", "kind": "gauge", "class_percent": 1.0, "range": 4e7, "resolution": 1e5,
        "place": 1e4,
    }  # fmt: skip
    friction = {"assumed_friction_N": FRICTION, "assumed_friction_u_N": FRICTION_U} if kind == "gauge" else {}
    return Header.model_validate(
        {
            "press": {"what": "p", "serial": "P1"},
            "transducer": {"what": "t", "serial": "T1"},
            "reference": cell if kind == "load-cell" else gauge,
            "made": datetime(2026, 1, 2, tzinfo=UTC),
            "area_m2": float(AREA),
            "area_u_percent": 0.1,
            "range_Pa": 40e6,
            "zero_counts": ZERO,
            "zero_counts_after": AFTER,
            "counts_step": STEP,
            "temperature_percent_per_K": 0.02,
            "temperature_span_K": 5.0,
            "fluctuation_counts": 3.0,
            "reseated": True,
            "environment": {"ambient_C": 20.0},
            **friction,
        }
    )


def reference_of(kind: str, force: int, rising: bool) -> Q:
    """What the reference shows; pressures are whole bars, as read."""
    if kind == "load-cell":
        return Q(force)
    pressure = (force + (FRICTION if rising else -FRICTION)) / AREA
    return Q(round(pressure / 100_000)) * 100_000


def force_of(kind: str, shown: Q, rising: bool = True) -> Q:
    return shown if kind == "load-cell" else shown * AREA - (FRICTION if rising else -FRICTION)


def held(kind: str) -> tuple[Analysis, Hand]:
    points = []
    for run, (up, down) in enumerate(zip(COUNTS, FALLING, strict=True), start=1):
        for rising, forces, counts in ((True, FORCES, up), (False, FORCES[-2::-1], down[::-1])):
            for force, reading in zip(forces, counts, strict=True):
                points.append(
                    Point(
                        run=run,
                        direction="rising" if rising else "falling",
                        reference=float(reference_of(kind, force, rising)),
                        counts=reading,
                    )
                )
    record = CalibrationRecord(header=header(kind), points=tuple(points))
    by_hand = Hand([[force_of(kind, reference_of(kind, f, True)) for f in FORCES] for _ in COUNTS])
    return analyse(record, "held", 1, monte_carlo=False), by_hand


def same(variances: dict[str, Q], lines: dict[str, float]) -> None:
    assert set(lines) == set(variances)
    for name, variance in variances.items():
        assert lines[name] == pytest.approx(math.sqrt(variance), rel=1e-6), name


LINES = {"load-cell": cell_lines, "gauge": gauge_lines}


@pytest.mark.parametrize("kind", ["load-cell", "gauge"])
def test_every_line_of_the_analysis(kind):
    found, hand = held(kind)
    assert found.curve.coefficients == pytest.approx([float(hand.b0), float(hand.b1)], rel=1e-12)
    for k, level in enumerate(found.levels):
        force = force_of(kind, reference_of(kind, FORCES[k], True))
        assert level.force_N == pytest.approx(float(force), rel=1e-12)
        wanted = LINES[kind](force) | hand.reading(force) | hand.curve(force)
        same(wanted, {c.name: c.u for c in level.budget.components})
        assert level.budget.combined == pytest.approx(math.sqrt(sum(wanted.values())), rel=1e-6)


@pytest.mark.parametrize("kind", ["load-cell", "gauge"])
def test_every_line_of_the_certificate(kind):
    found, hand = held(kind)
    force = force_of(kind, reference_of(kind, FORCES[2], True))
    section = next(s for s in contents(found).sections if s.heading.startswith("Uncertainty budget"))
    printed = {row[0]: 1e3 * float(row[3]) for row in section.tables[0].rows}  # in kilonewtons
    wanted = LINES[kind](force) | hand.reading(force) | hand.curve(force)
    assert set(printed) == set(wanted)
    for name, variance in wanted.items():
        assert printed[name] == pytest.approx(math.sqrt(variance), rel=5e-6), name  # six digits are printed


@pytest.mark.parametrize("kind", ["load-cell", "gauge"])
def test_every_line_of_the_verification(kind):
    found, hand = held(kind)
    shown = reference_of(kind, 90_000, True)
    force = force_of(kind, shown)
    done = verify(found, [Point(reference=float(shown), counts=21_450.0)], float(LIMIT), "guard-band")
    (point,) = done.points
    assert point.reference_N == pytest.approx(float(force), rel=1e-12)
    assert point.error_N == pytest.approx(float(hand.shown(21_450) - force), rel=1e-9)
    wanted = LINES[kind](force) | hand.reading(force)
    same(wanted, {line.name: line.u_N for line in point.budget.components})
    assert point.budget.combined_N == pytest.approx(math.sqrt(sum(wanted.values())), rel=1e-6)


@pytest.mark.parametrize("kind", ["load-cell", "gauge"])
def test_every_line_of_the_daily_check(kind):
    found, hand = held(kind)
    press_gauge = Reference(
        kind="gauge", what="g", serial="1", class_percent=1.0, range=4e7, resolution=1e5, place=1e4
    )
    device = hand.shown(26_365)
    done = daily_check(found, press_gauge, 15_100_000.0, 26_365.0, float(ZERO))
    if kind == "gauge":
        friction, friction_u = Q(FRICTION), Q(FRICTION_U)
    else:
        # Half the gap, as the analysis found it; its own test is with the friction.
        assert found.friction is not None
        friction, friction_u = Q(found.friction.friction_N), Q(found.friction.u_friction_N)
    gauge = 15_100_000 * AREA - friction
    assert done.gauge_force_N == pytest.approx(float(gauge), rel=1e-9)
    assert done.device_force_N == device
    own = LINES[kind](Q(device)) | hand.reading(Q(device)) | hand.curve(Q(device))
    lines = {
        "reference class": (AREA * Q(1, 100) * 40_000_000) ** 2 / 3,
        "reference resolution": (AREA * 100_000) ** 2 / 12,
        "place of the gauge": (AREA * 10_000) ** 2 / 3,
    }
    if kind == "gauge":
        # Area and friction are the same on both sides.
        own = {name: v for name, v in own.items() if name not in ("piston area", "assumed friction")}
    else:
        lines |= {"piston area": ((gauge + friction) / 1000) ** 2, "assumed friction": friction_u**2}
    lines["calibration and reading"] = sum(own.values(), Q(0))
    same(lines, {line.name: line.u_N for line in done.budget.components})
    assert done.allowed_N == pytest.approx(
        done.budget.coverage_factor * math.sqrt(sum(lines.values())), rel=1e-6
    )


def test_one_bar_of_resolution_is_worth_newtons_not_pascals():
    # 1 bar on 80 cm2 is 800 N, its standard uncertainty 231 N; with 150 N for the friction and the scatter of a
    # gauge that is read in whole bars about 700 N expanded.
    head = header("gauge")
    fine = head.reference.model_copy(update={"class_percent": 0.0, "expanded_percent": 0.1})
    found, _ = held("gauge")
    found = analyse(
        found.record.model_copy(update={"header": head.model_copy(update={"reference": fine})}), "x", 1
    )
    done = verify(found, [Point(reference=40e5, counts=11_600.0)], 0.05, "simple")
    lines = {line.name: line.u_N for line in done.points[0].budget.components}
    assert lines["reference resolution"] == pytest.approx(800 / math.sqrt(12), rel=1e-9)
    assert 500.0 < done.points[0].expanded_N < 800.0
