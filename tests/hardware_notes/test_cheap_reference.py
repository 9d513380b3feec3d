"""Uncertainties of gauges as references, as the calibration page prints them (GUM: root of the sum of squares)."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

PAGE = (Path(__file__).parents[2] / "hardware_notes" / "calibration.md").read_text(encoding="utf-8")
AREA_M2 = math.pi / 4 * 0.1016**2
FORCES_N = (20e3, 60e3, 160e3)


def expanded_share(limit_Pa: float, force_N: float) -> float:
    """Twice the standard uncertainty over the force: class (rectangular), area 0.2 %, friction 0.3 kN."""
    gauge_N = limit_Pa * AREA_M2 / math.sqrt(3)
    return 2 * math.sqrt(gauge_N**2 + (0.002 * force_N) ** 2 + 300.0**2) / force_N


@pytest.mark.parametrize(
    ("words", "limit_Pa"),
    [
        ("gauge of class 1.6 over 5000 psi", 0.016 * 5000 * 6894.757),
        ("test gauge of class 0.6 over 25 MPa", 0.006 * 25e6),
        ("test gauge of class 0.25 over 25 MPa", 0.0025 * 25e6),
    ],
)
def test_a_gauges_row_is_calculated(words, limit_Pa):
    row = next(line for line in PAGE.splitlines() if line.startswith(f"| {words} |"))
    printed = [float(each) for each in re.findall(r"([\d.]+) %", row)]
    wanted = [100 * expanded_share(limit_Pa, force_N) for force_N in FORCES_N]
    assert printed == pytest.approx(wanted, rel=0.03, abs=0.05)
