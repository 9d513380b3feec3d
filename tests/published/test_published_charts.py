"""Statistical process control.

Chart constants: R by integration of the range's distribution; the printed tables (ASTM's manual on control
charts, ISO 7870-2) from memory, sure. NIST/SEMATECH e-Handbook 6.1.6, 6.3.2.2: C.
"""

import math

import pytest

from steadyram.cycles.charts import capability, chart_constants, individuals_chart

TABLE = {
    2: (1.128, 0.853, 1.880, 0, 3.267, 0.7979),
    3: (1.693, 0.888, 1.023, 0, 2.575, 0.8862),
    4: (2.059, 0.880, 0.729, 0, 2.282, 0.9213),
    5: (2.326, 0.864, 0.577, 0, 2.114, 0.9400),
    6: (2.534, 0.848, 0.483, 0, 2.004, 0.9515),
    7: (2.704, 0.833, 0.419, 0.076, 1.924, 0.9594),
    8: (2.847, 0.820, 0.373, 0.136, 1.864, 0.9650),
    9: (2.970, 0.808, 0.337, 0.184, 1.816, 0.9693),
    10: (3.078, 0.797, 0.308, 0.223, 1.777, 0.9727),
}
STROKES = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
SMOOTHED = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip


@pytest.mark.parametrize("n", TABLE)
def test_constants(n):
    found = chart_constants(n)
    values = (found.d2, found.d3, found.a2, found.d3_low, found.d4_high, found.c4)
    assert values == pytest.approx(TABLE[n], abs=1e-3)


def test_exact_constants_for_two():
    # Closed forms: d2 = 2/sqrt(pi), d3 = sqrt(2 - 4/pi), c4 = sqrt(2/pi).
    found = chart_constants(2)
    assert found.d2 == pytest.approx(2 / math.sqrt(math.pi), rel=1e-10)
    assert found.d3 == pytest.approx(math.sqrt(2 - 4 / math.pi), rel=1e-8)
    assert found.c4 == pytest.approx(math.sqrt(2 / math.pi), rel=1e-12)
    assert chart_constants(3).d4_high == pytest.approx(2.57459, abs=1e-5)


def test_capability():
    found = capability(16, 2, 8, 20)
    assert (found.cp, found.cpk, found.cpu, found.cpl, found.k) == pytest.approx(
        (1.0, 0.6667, 0.6667, 1.3333, 0.3333), abs=5e-5
    )


def test_individuals_and_moving_range():
    found = individuals_chart(STROKES)
    assert found.centre == pytest.approx(50.81, abs=5e-5)
    assert found.moving_range == pytest.approx(1.8778, abs=5e-5)
    assert (found.upper, found.lower) == pytest.approx((55.8041, 45.8159), abs=5e-5)
    assert found.outside == ()
