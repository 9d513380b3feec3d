"""Hydraulics: F = P A, dP/dt = B Q / V (basic physics; from memory, sure; all numbers recomputed)."""

import math

import pytest

from steadyram.press.limits import rise_rate_N_s
from steadyram.press.pressfile import PressFile, build_press
from steadyram.units import parse, to_unit


def press(**changes: dict) -> PressFile:
    tables: dict = {
        "name": "closed form",
        "cylinder": {"bore": "150 mm", "rod": "70 mm", "stroke": "200 mm"},
        "pump": {"flow_low_stage": "10 L/min", "flow_high_stage": "10 L/min", "relief": "250 bar"},
        "oil": {"bulk_modulus": "1.4 GPa", "trapped_volume": "2 L"},
        "frame": {"stiffness": "1e8 kN/m"},
        "valve": {"open_delay": "30 ms", "close_delay": "25 ms"},
        "transducer": {"range": "400 bar"},
        "adc": {"bits": 16},
        "work": {"kind": "dead-stop", "gap": "5 mm", "stiffness": "1e8 kN/m"},
    }
    for table, keys in changes.items():
        tables[table] = {**tables[table], **keys}
    return build_press(tables, "test")


def test_pressure_times_area():
    assert pytest.approx(10.0) == 1e5 * 1e-4
    found = press()
    assert found.capacity_N == pytest.approx(441786.467, rel=1e-8)
    assert to_unit(found.capacity_N, "newton", "tonne_force") == pytest.approx(45.049682, rel=1e-7)
    assert to_unit(found.capacity_N, "newton", "tonf") == pytest.approx(49.658774, rel=1e-7)


def test_inch_cylinder():
    found = press(cylinder={"bore": "6 in"}, pump={"relief": "3000 psi"})
    assert to_unit(found.capacity_N, "newton", "lbf") == pytest.approx(84823.0016, rel=1e-8)
    assert to_unit(found.capacity_N, "newton", "tonf") == pytest.approx(42.411501, rel=1e-7)


def test_rise_rate_at_a_dead_end():
    # B Q / V = 116.666667 MPa/s; on 150 mm bore 2.061670 MN/s; 10 ms of latency is 20.6167 kN.
    pressure_rate = 1.4e9 * parse("10 L/min", "meter**3/second") / 2e-3
    assert pressure_rate == pytest.approx(116.666667e6, rel=1e-8)
    area = math.pi / 4 * 0.15**2
    assert pressure_rate * area == pytest.approx(2.061670e6, rel=1e-6)
    assert pressure_rate * area * 0.010 == pytest.approx(20616.7, rel=1e-5)
    # The product's rise rate tends to it as frame and work grow stiff.
    assert rise_rate_N_s(press(), 0.0) == pytest.approx(pressure_rate * area, rel=0.01)


def test_series_stiffness_on_a_stiff_stop():
    # dF/dt = k v; 5 kN/mm, 4 mm/s, 10 ms -> 0.2 kN.
    found = press(
        frame={"stiffness": "5 kN/mm"}, oil={"bulk_modulus": "3 GPa", "trapped_volume": "0.01 L"},
        pump={"flow_low_stage": f"{0.004 * math.pi / 4 * 0.15**2!r} m^3/s", "flow_high_stage": None},
    )  # fmt: skip
    assert rise_rate_N_s(found, 0.0) * 0.010 == pytest.approx(200.0, rel=1e-3)
