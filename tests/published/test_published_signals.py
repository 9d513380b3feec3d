"""Sensor signal limits.

NAMUR NE 43: status C (several independent tutorials; an edge counts as failure). Ratiometric 0.5 to
4.5 V: common practice, no standard known. Fractions: R.
"""

import pytest

from steadyram.metrology.signal import (
    classify_loop,
    classify_ratiometric,
    loop_fraction,
    loop_voltage_V,
    ratiometric_fraction,
)


@pytest.mark.parametrize(
    ("current", "state"),
    [
        (3.6, "failure-low"),
        (3.6000001, "low-gap"),
        (3.7999999, "low-gap"),
        (3.8, "valid"),
        (12.0, "valid"),
        (20.5, "valid"),
        (20.5000001, "high-gap"),
        (20.9999999, "high-gap"),
        (21.0, "failure-high"),
        (0.0, "failure-low"),
    ],
)
def test_ne43(current, state):
    assert classify_loop(current) == state


@pytest.mark.parametrize(
    ("current", "part"),
    [(4, 0), (12, 0.5), (20, 1), (3.8, -0.0125), (20.5, 1.03125), (3.6, -0.025), (21, 1.0625)],
)
def test_loop_fraction(current, part):
    assert loop_fraction(current) == pytest.approx(part, abs=1e-12)


def test_load_resistor():
    assert (loop_voltage_V(4.0), loop_voltage_V(20.0)) == (1.0, 5.0)


def test_ratiometric():
    for volts, supply, part in ((0.5, 5, 0), (2.5, 5, 0.5), (4.5, 5, 1), (2.45, 4.9, 0.5)):
        assert ratiometric_fraction(volts, supply) == pytest.approx(part, abs=1e-12)
    # The trap: the same signal read as if the supply were 5 V.
    assert ratiometric_fraction(2.45, 5.0) == pytest.approx(0.4875, abs=1e-12)
    assert classify_ratiometric(0.24, 5.0) == "failure-low"
    assert classify_ratiometric(4.76, 5.0) == "failure-high"
    assert classify_ratiometric(0.5, 5.0) == "valid"
