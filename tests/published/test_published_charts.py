"""Statistical process control.

Chart constants: R by integration, n 2 to 6 also C in a stored table, the rest C as "matches NIST and
ASTM tables" in a verification record. NIST/SEMATECH e-Handbook 6.1.6, 6.3.2.2 and 6.3.2.4: C.
"""

import math

import pytest

from steadyram.cycles.charts import capability, chart_constants, ewma, individuals_chart

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
BEFORE = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
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


def test_ewma():
    found = ewma([*BEFORE, *STROKES], 50.0, 2.0539, 0.3)
    assert (found.upper, found.lower) == pytest.approx((52.5884, 47.4115), abs=1e-4)
    assert found.values == pytest.approx(SMOOTHED, abs=5e-3)


def test_ewma_as_first_order_lag():
    # Exact sampled form alpha = 1 - exp(-dt/tau), dt 1 ms, tau 20 ms (R); alpha = dt/tau is the trap.
    alpha = 1 - math.exp(-1 / 20)
    assert alpha == pytest.approx(0.0487705755, abs=1e-9)
    assert ewma([1.0] * 20, 0.0, 0.0, alpha).values[-1] == pytest.approx(0.632120559, abs=1e-9)
    assert ewma([1.0] * 20, 0.0, 0.0, 0.05).values[-1] == pytest.approx(0.641514, abs=1e-6)


@pytest.mark.parametrize(("taus", "reached"), [(1, 0.632121), (2, 0.864665), (3, 0.950213), (5, 0.993262)])
def test_step_response(taus, reached):
    alpha = 1 - math.exp(-1 / 20)
    assert ewma([1.0] * (20 * taus), 0.0, 0.0, alpha).values[-1] == pytest.approx(reached, abs=1e-6)


def test_ramp_lag():
    # Ramp of 50 kN/s behind tau 20 ms: steady lag tau g = 1.000 kN; at tau 0.632121 kN, at 5 tau 0.993262 kN.
    # Sampled finely with the held input half a step old, so the continuous figures come back.
    dt, tau, g = 2e-5, 0.020, 50.0
    alpha = 1 - math.exp(-dt / tau)
    times = [dt * (k + 1) for k in range(round(10 * tau / dt))]
    out = ewma([g * (t - dt / 2) for t in times], 0.0, 0.0, alpha).values
    lag = [g * t - z for t, z in zip(times, out, strict=True)]
    at = [round(n * tau / dt) - 1 for n in (1, 5, 10)]
    assert lag[at[0]] == pytest.approx(0.632121, abs=1e-4)
    assert lag[at[1]] == pytest.approx(0.993262, abs=1e-4)
    assert lag[at[2]] == pytest.approx(1.0, abs=1e-3)
