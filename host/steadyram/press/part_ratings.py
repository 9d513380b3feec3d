"""Ratings of the bought parts from a press file: pressures, flows, currents, sections, in the units of a parts list.

Each rating is the next step of a usual trade series above what the press asks for. Series and margins are common
practice, no source, but for the gauge: EN 837-2 asks for at most two thirds of the scale under a changing pressure
(from memory).
"""

from __future__ import annotations

import math

from steadyram.press.pressfile import CUTOUT_ABOVE, PressFile
from steadyram.press.sizing_parts import (
    FUSE_RATINGS_A,
    PSI,
    Wiring,
    circuit_choice,
    transducer_choice,
)

LINE_MPA = (16.0, 21.0, 25.0, 31.5, 35.0, 42.0, 70.0, 100.0, 140.0, 200.0)
GAUGE_MPA = (10.0, 16.0, 25.0, 40.0, 60.0, 100.0, 160.0, 250.0)
FLOW_LPM = (5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 60.0, 80.0, 120.0, 200.0, 300.0, 500.0)
VALVE_LPM = (20.0, 40.0, 60.0, 80.0, 120.0, 200.0, 300.0, 500.0)
MOTOR_KW = (0.37, 0.55, 0.75, 1.1, 1.5, 2.2, 3.0, 4.0, 5.5, 7.5, 11.0, 15.0, 22.0, 30.0, 45.0)
TANK_L = (5.0, 10.0, 20.0, 30.0, 40.0, 60.0, 100.0, 160.0, 250.0, 400.0, 630.0)
CELL_KN = (5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 300.0, 500.0, 1000.0, 2000.0, 5000.0)
SUPPLY_A = (2.5, 5.0, 10.0, 20.0, 40.0)
# Outer diameter of steel tube and wall, mm; nominal width of a hose with about the same bore.
TUBES_MM = (
    (8, 1.0, 6),
    (10, 1.5, 8),
    (12, 2.0, 8),
    (15, 2.0, 10),
    (16, 2.5, 12),
    (16, 3.0, 10),
    (20, 3.0, 16),
    (20, 4.0, 12),
    (25, 4.0, 16),
    (25, 5.0, 16),
    (30, 5.0, 20),
    (30, 6.0, 20),
    (38, 6.0, 25),
    (38, 8.0, 25),
)
TUBE_YIELD_PA = 235e6
TUBE_VELOCITY_M_S = 5.0
PUMP_EFFICIENCY = 0.8
CONTROL_A = 0.6  # of the control beside the coils, at 24 V
LARGEST_SHARE = 0.88  # of the relief: the largest setpoint that leaves room for switch and relief


def next_in(series: tuple[float, ...], wanted: float) -> float:
    """Return the first step of a trade series that covers `wanted`, or `wanted` itself above its last step."""
    return next((step for step in series if step >= wanted * (1 - 1e-9)), wanted)


def ratings(press: PressFile, wiring: Wiring) -> dict[str, str]:
    """Return each rating under its name in the parts list, as text in MPa, L/min, kW, L, kN, A, V, mm or mm2."""
    found = _pressures(press) | _flows(press) | _electrics(wiring, 1 if press.pump.burst else 3)
    return {
        f"press.{name}": value if isinstance(value, str) else f"{value:g}" for name, value in found.items()
    }


def _pressures(press: PressFile) -> dict[str, float | str]:
    relief = press.pump.relief / 1e6
    fitted = press.transducer.range
    suits = press.force_sensor is None and fitted >= 1.1 * press.pump.relief
    wanted = transducer_choice(press)["range_Pa"]
    range_Pa = fitted if suits or not isinstance(wanted, float) else wanted
    switch = relief * LARGEST_SHARE * CUTOUT_ABOVE
    gauge = next_in(GAUGE_MPA, 1.5 * relief)
    return {
        "relief_mpa": f"{relief:.1f}",
        "line_mpa": next_in(LINE_MPA, 1.25 * relief),
        "work_mpa": next_in(LINE_MPA, relief),
        "pump_mpa": next_in(LINE_MPA, 1.1 * relief),
        "thermal_mpa": f"{1.15 * relief:.1f}",
        "unload_mpa": f"{press.pump.changeover / 1e6:.1f}"
        if press.pump.changeover
        else "by the pump's changeover",
        "range": f"{range_Pa / 1e6:.1f} MPa ({round(range_Pa / PSI, -1):.0f} psi)",
        "range_share": f"{range_Pa / press.pump.relief:.2f}",
        "gauge_mpa": gauge,
        "switch_mpa": f"{switch:.1f}",
        "switch_from_mpa": f"{0.7 * switch:.0f}",
        "switch_to_mpa": f"{1.1 * relief:.0f}",
        "capacity_kn": f"{press.capacity_N / 1e3:.0f}",
        "largest_kn": f"{LARGEST_SHARE * press.pump.relief * press.cylinder.area_m2 / 1e3:.0f}",
        "cell_kn": next_in(CELL_KN, press.capacity_N / 1e3),
    }


def _flows(press: PressFile) -> dict[str, float | str]:
    pump = press.pump
    low, high = pump.flow_m3_s(0.0), pump.flow_m3_s(math.inf)
    back = max(press.return_flow_m3_s, low)
    lpm = 60e3
    turn = pump.changeover or pump.relief
    shaft_kW = max(turn * low, pump.relief * high) / PUMP_EFFICIENCY / 1e3
    slow = press.valve.slow_feed or high / 5.0
    volume_L = press.cylinder.area_m2 * press.cylinder.stroke * 1e3
    outer, wall, hose = tube(pump.relief, back)
    return {
        "flow_low": f"{low * lpm:.3g}",
        "flow_high": f"{high * lpm:.3g}",
        "pump_lpm": next_in(FLOW_LPM, 1.25 * low * lpm),
        "unloader_lpm": next_in(FLOW_LPM, 1.5 * low * lpm),
        "valve_lpm": next_in(VALVE_LPM, 1.5 * back * lpm),
        "filter_lpm": next_in(FLOW_LPM, 6.0 * back * lpm),
        "slow_valve_lpm": next_in(FLOW_LPM, 2.0 * slow * lpm),
        "slow_range": f"{0.5 * slow * lpm:.2g} to {2.5 * slow * lpm:.2g}",
        "motor_kw": next_in(MOTOR_KW, shaft_kW),
        "tank_l": next_in(TANK_L, max(2.5 * low * lpm, 3.0 * volume_L)),
        "tube": f"{outer} x {wall:g}",
        "hose_dn": float(hose),
    }


def tube(pressure_Pa: float, flow_m3_s: float) -> tuple[int, float, int]:
    """Return outer diameter and wall (mm) of a tube and the nominal width of a hose for a pressure line.

    Wall by p D / (2 sigma) at 1.25 times the pressure with half the yield strength of soft steel (235 MPa); bore by
    5 m/s. The largest of the series where none suffices.
    """
    bore_mm = 1e3 * math.sqrt(4.0 * flow_m3_s / (math.pi * TUBE_VELOCITY_M_S))
    for outer, wall, hose in TUBES_MM:
        needed = 1.25 * pressure_Pa * outer / TUBE_YIELD_PA
        if wall >= needed and outer - 2.0 * wall >= bore_mm and hose >= 0.9 * bore_mm:
            return outer, wall, hose
    return TUBES_MM[-1]


def _electrics(wiring: Wiring, coils: int) -> dict[str, float | str]:
    choice = circuit_choice(wiring)
    coil = wiring.solenoid_W / wiring.supply_V
    at_once = coils * coil
    section, relay = choice["wire_section_m2"], choice["relay_contact_A"]
    return {
        "supply_v": wiring.supply_V,
        "dcdc_v": f"{0.75 * wiring.supply_V:g} to {1.5 * wiring.supply_V:g}",
        "surge_v": 1.25 * wiring.supply_V,
        "coils": "the coil" if coils == 1 else f"at most {coils} coils at once",
        "coil_a": f"{coil:.3g}",
        "coils_a": f"{2.0 * coil:.3g}",
        "supply_a": next_in(SUPPLY_A, at_once + CONTROL_A * 24.0 / wiring.supply_V),
        "fuse_a": next_in(FUSE_RATINGS_A, 1.25 * at_once),
        "relay_a": relay if isinstance(relay, float) else 2.0 * coil,
        # Less than 1 mm2 to a coil breaks where it is moved (common practice, no source).
        "coil_mm2": max(1.0, 1e6 * section) if isinstance(section, float) else 6.0,
    }
