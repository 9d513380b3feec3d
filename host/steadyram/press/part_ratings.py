"""Ratings of the bought parts from a press file: pressures, flows, currents, sections, in the units of a parts list.

Each rating is the next step of a usual trade series above what the press asks for. Series and margins are common
practice, no source, but for the gauge: EN 837-2 asks for at most two thirds of the scale under a changing pressure
(from memory).
"""

from __future__ import annotations

import math

from steadyram.press.pressfile import CUTOUT_ABOVE, PressFile
from steadyram.press.sizing_parts import (
    FUSE_MARGIN,
    FUSE_RATINGS_A,
    PSI,
    RELAY_RATINGS_A,
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
RETURN_VELOCITY_M_S = 2.0
# Thread of the port that a tube's fitting is made for (ISO 8434-1, from memory), by the tube's outer diameter, mm.
PORT_OF_TUBE = {
    8: "G 1/4",
    10: "G 3/8",
    12: "G 3/8",
    15: "G 1/2",
    16: "G 1/2",
    20: "G 3/4",
    25: "G 1",
    30: "G 1 1/4",
    38: "G 1 1/2",
}
PUMP_EFFICIENCY = 0.8
SUPPLY_SHARE = 1.5  # supply over that fuse: less, and the supply limits before the fuse opens
CONTACT_MARGIN = 2.0  # a contact's DC inductive rating over what it switches
CAP_RELIEF = 1.1  # relief behind a hand pump's non-return valve over the pump's own
CONTROL_A = 0.6  # of the control beside the coils, at 24 V
LARGEST_SHARE = 0.88  # of the relief: the largest setpoint that leaves room for switch and relief


def next_in(series: tuple[float, ...], wanted: float) -> float:
    """Return the first step of a trade series that covers `wanted`, or `wanted` itself above its last step."""
    return next((step for step in series if step >= wanted * (1 - 1e-9)), wanted)


def ratings(press: PressFile, wiring: Wiring) -> dict[str, str]:
    """Return each rating under its name in the parts list, as text in MPa, L/min, kW, L, kN, A, V, mm or mm2."""
    drive = press.pump.driven_by
    one_valve = drive in ("hand", "air")
    # Coils on one feed contact: a valve, and the unloading valve with it. At once: both feeds and the unloading valve.
    on_contact = 1 if one_valve or not press.valve.load_holding else 2
    at_once = 1 if one_valve else on_contact + (press.valve.slow_feed is not None)
    found = _pressures(press) | _flows(press) | _electrics(wiring, at_once, on_contact)
    found |= _threads(drive)
    found["valve_id"] = {"hand": "P1", "air": "A1"}.get(drive, "Y1")
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
        "cap_relief_mpa": f"{CAP_RELIEF * relief:.0f}",
        "proof_mpa": f"{1.5 * relief:.0f}",
        "cap_mpa": next_in(LINE_MPA, relief if press.pump.burst else 1.25 * relief),
        "cap_proof": f", proof {1.5 * relief:.0f} MPa" if press.pump.burst else "",
        "rod_mpa": f"{relief * press.cylinder.area_m2 / press.cylinder.annulus_m2:.1f}",
        # 1.3 times the load's own pressure on the rod side's area (common practice, no source).
        "counter_mpa_kn": f"{1.3e-3 / press.cylinder.annulus_m2:.2f}",
        "unload_mpa": f"{(press.pump.changeover or 0.0) / 1e6:.1f}",
        "range": f"{range_Pa / 1e6:.1f} MPa ({round(range_Pa / PSI, -1):.0f} psi)",
        "range_note": ""
        if range_Pa <= 1.6 * press.pump.relief
        else ": what the press file has; a new one of 1.25 to 1.6 times shows more of each kilonewton",
        "range_share": f"{range_Pa / press.pump.relief:.2f}",
        "gauge_mpa": gauge,
        "gauge_error_mpa": f"{0.01 * gauge:.2g}",  # class 1.0 of EN 837-1: 1 % of the scale (from memory)
        "switch_mpa": f"{switch:.1f}",
        "switch_from_mpa": f"{0.7 * switch:.0f}",
        "switch_to_mpa": f"{1.1 * relief:.0f}",
        "capacity_kn": f"{press.capacity_N / 1e3:.0f}",
        "largest_kn": f"{LARGEST_SHARE * press.pump.relief * press.cylinder.area_m2 / 1e3:.0f}",
        "cell_kn": next_in(CELL_KN, press.capacity_N / 1e3),
    }


def _threads(drive: str) -> dict[str, float | str]:
    """Return threads and seals of gauges and fittings: taper threads around a hand pump, G threads on all others.

    Common practice, no source.
    """
    if drive == "hand":
        taper = "taper thread with liquid sealant, no tape"
        return {"gauge_thread": "1/4 NPTF", "gauge_seal": taper, "dial_seal": taper}
    return {
        "gauge_thread": "G 1/4",
        "gauge_seal": "bonded seal",
        "dial_seal": "copper ring at the thread's end (EN 837-1 form, from memory)",
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
    # Tank lines carry no pressure: by their velocity alone. A retracting piston gives back more than the pump delivers.
    given_back = back * press.cylinder.area_m2 / press.cylinder.annulus_m2
    return_outer, return_wall, _ = tube(1e6, given_back * TUBE_VELOCITY_M_S / RETURN_VELOCITY_M_S)
    drain_outer, drain_wall, _ = tube(1e6, low * TUBE_VELOCITY_M_S / RETURN_VELOCITY_M_S)
    slow_outer, slow_wall, _ = tube(pump.relief, slow)
    valve = next_in(VALVE_LPM, 1.5 * back * lpm)
    two = pump.changeover is not None and low != high
    return {
        "stages": "two stages" if two else "one stage",
        "flow_words": f"{low * lpm:.3g} L/min, {high * lpm:.3g} L/min above the changeover"
        if two
        else f"{low * lpm:.3g} L/min",
        "stage_why": "the large stage for the approach, the small one for the force"
        if two
        else "one flow for approach and force",
        # Sizes of ISO 4401: 03 to some 80 L/min, 05 to some 120 (flows from memory).
        "valve_size": "pattern ISO 4401-03 (NG 6)"
        if valve <= 80
        else "pattern ISO 4401-05 (NG 10)"
        if valve <= 120
        else "pattern by its maker",
        "pump_lpm": next_in(FLOW_LPM, 1.25 * low * lpm),
        "unloader_lpm": next_in(FLOW_LPM, 1.5 * low * lpm),
        "valve_lpm": valve,
        "filter_lpm": next_in(FLOW_LPM, 6.0 * back * lpm),
        "slow_step": "K3 by joining its coil minus (83) to the star bar with the extend pedal down; "
        if press.valve.slow_feed
        else "",
        "slow_heat_kw": f"{max(0.0, high - slow) * pump.relief / 1e3:.2g}",
        "slow_valve_lpm": next_in(FLOW_LPM, 2.0 * slow * lpm),
        "slow_range": f"{0.5 * slow * lpm:.2g} to {2.5 * slow * lpm:.2g}",
        "motor_kw": next_in(MOTOR_KW, shaft_kW),
        "tank_l": next_in(TANK_L, max(2.5 * low * lpm, 3.0 * volume_L)),
        "tube": f"{outer} x {wall:g}",
        "return_tube": f"{return_outer} x {return_wall:g}",
        "drain_tube": f"{drain_outer} x {drain_wall:g}",
        "slow_tube": f"{slow_outer} x {slow_wall:g}",
        "port_thread": "3/8 NPTF" if pump.driven_by == "hand" else PORT_OF_TUBE[outer],
        "return_thread": PORT_OF_TUBE[return_outer],
        "slow_thread": PORT_OF_TUBE[slow_outer],
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


def _electrics(wiring: Wiring, at_once: int, on_contact: int) -> dict[str, float | str]:
    choice = circuit_choice(wiring)
    coil = wiring.solenoid_W / wiring.supply_V
    section = choice["wire_section_m2"]
    fuse = next_in(FUSE_RATINGS_A, FUSE_MARGIN * at_once * coil)
    vehicle = wiring.supply_V < 20.0
    return {
        "supply_v": wiring.supply_V,
        # A 12 V battery that starts a motor: the converter behind diode and reservoir sees 8.4 V (simulated).
        "dcdc_v": "7 to 18" if vehicle else f"{0.75 * wiring.supply_V:g} to {1.5 * wiring.supply_V:g}",
        "dcdc_peak_v": 40.0,
        "surge_v": 24.0 if vehicle else 1.25 * wiring.supply_V,
        "relay_supply": f"{wiring.supply_V:g} V DC"
        if not vehicle
        else f"{wiring.supply_V:g} V DC, or 24 V behind a 10 W converter",
        "coils": "the coil" if at_once == 1 else f"at most {at_once} coils at once",
        "coil_a": f"{coil:.3g}",
        "coils_a": f"{on_contact * coil:.3g}",
        "feed_a": next_in(RELAY_RATINGS_A, CONTACT_MARGIN * on_contact * coil),
        "feed_words": f"a coil of {coil:.3g} A"
        if on_contact == 1
        else f"a coil of {coil:.3g} A and the unloading valve's beside it",
        "fuse_a": fuse,
        "supply_a": next_in(SUPPLY_A, SUPPLY_SHARE * fuse + CONTROL_A * 24.0 / wiring.supply_V),
        "battery_fuse_a": next_in(FUSE_RATINGS_A, fuse + CONTROL_A * 24.0 / wiring.supply_V + 2.0),
        # Less than 1 mm2 to a coil breaks where it is moved (common practice, no source).
        "coil_mm2": max(1.0, 1e6 * section) if isinstance(section, float) else 6.0,
    }
