"""Choice of the bought parts: transducer, converter, filter, relay, wire, relief.

Ranges and sections are the usual trade series; rules of thumb are marked "common practice, no source".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from steadyram.press.limits import STEP_S, pressure_at_Pa, rise_rate_N_s
from steadyram.press.pressfile import PressFile
from steadyram.press.sizing import COVER_95

PSI = 6894.757293168361
# Gauge ranges that are commonly sold (common practice, no source).
TRANSDUCER_RANGES_PA = tuple(
    PSI * v for v in (500, 1000, 1500, 2000, 3000, 4000, 5000, 6000, 7500, 10000, 15000)
)
WIRE_SECTIONS_M2 = tuple(v * 1e-6 for v in (0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0))
RELAY_RATINGS_A = (1.0, 2.0, 3.0, 5.0, 8.0, 10.0, 16.0, 30.0)
FUSE_RATINGS_A = (0.5, 1.0, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0, 16.0, 20.0)
COPPER_OHM_M = 1.75e-8
FUSE_MARGIN = 1.25  # fuse of the coils over what they take at once
FILTER_TAU_S = 1e-3
RATIOMETRIC_CABLE_M = 2.0


@dataclass(frozen=True)
class Wiring:
    """The solenoid circuit: supply (V), power of the largest solenoid (W), one-way cable length (m)."""

    supply_V: float = 24.0
    solenoid_W: float = 30.0
    cable_m: float = 5.0


def _first_at_least(series: tuple[float, ...], value: float) -> float | None:
    return next((v for v in series if v >= value * (1 - 1e-9)), None)


def transducer_choice(press: PressFile, cable_m: float = 2.0) -> dict[str, object]:
    """Range and output: the smallest usual range with 10 % above the relief, an output by cable length.

    cable_m: from transducer to board. All rules common practice, no source.
    """
    wanted = _first_at_least(TRANSDUCER_RANGES_PA, 1.1 * press.pump.relief)
    loop = cable_m > RATIOMETRIC_CABLE_M
    return {
        "range_Pa": wanted,
        "fitted_range_Pa": press.transducer.range,
        "fits": press.transducer.range >= press.pump.relief,
        "oversized": wanted is not None and press.transducer.range > 1.05 * wanted,
        "output": "4-20 mA" if loop else "ratiometric",
        "fitted_output": press.transducer.output,
        "why": "a current does not mind cable and motors, and a broken wire shows below 3.6 mA"
        if loop
        else "short cable: 0.5 to 4.5 V with the converter on the same supply cancels the supply's drift",
        "reference": "gauge pressure (zero at the atmosphere), not absolute",
    }


def force_sensor_choice(press: PressFile, cable_m: float = 2.0) -> dict[str, object]:
    """Force at full output of a load cell or strain gauges, and the amplifier's output by cable length.

    All rules common practice, no source. Raises ValueError for a press without a force sensor.
    """
    sensor = press.force_sensor
    if sensor is None:
        raise ValueError("the press has no force sensor")
    relief_N = press.pump.relief * press.cylinder.area_m2
    loop = cable_m > RATIOMETRIC_CABLE_M
    return {
        "place": sensor.place,
        "wanted_N": relief_N,
        "fitted_N": sensor.full_N,
        "fits": sensor.full_N >= relief_N,
        "output": "4-20 mA" if loop else "ratiometric",
        "fitted_output": press.transducer.output,
        "why": "what the relief valve lets stand must not overload it; its amplifier passes 200 Hz or more, "
        "since one made for weighing is 16 to 100 ms late",
    }


def converter_choice(press: PressFile, setpoint_N: float, tolerance: float) -> dict[str, object]:
    """Bits that keep one step's own scatter below a fifth of what the tolerance allows."""
    allowed = tolerance * setpoint_N / COVER_95 / 5.0
    full_scale = press.cylinder.area_m2 * press.transducer.range
    bits = math.ceil(math.log2(full_scale / (0.8 * math.sqrt(12.0) * allowed)))
    return {
        "bits": max(8, bits),
        "fitted_bits": press.adc.bits,
        "step_N": full_scale / (0.8 * 2**press.adc.bits),
    }


def filter_choice(press: PressFile, setpoint_N: float) -> dict[str, object]:
    """An RC before the converter: 1 ms against 1 kHz sampling, and what its lag means on the rise."""
    rate = rise_rate_N_s(press, setpoint_N)
    return {
        "tau_s": FILTER_TAU_S,
        "corner_Hz": 1.0 / (2.0 * math.pi * FILTER_TAU_S),
        "ramp_lag_N": rate * FILTER_TAU_S,
        "example": "6 kohm (the dividers of 10 and 15) and 100 to 220 nF",
        "sampling_Hz": 1.0 / STEP_S,
    }


def circuit_choice(wiring: Wiring) -> dict[str, object]:
    """Relay, fuse and wire for the solenoid: twice the current, a fuse above it, 5 % drop at most.

    Factors are common practice, no source; drop = 2 rho L I / section, copper 1.75e-8 ohm m.
    """
    current = wiring.solenoid_W / wiring.supply_V
    section = 2.0 * COPPER_OHM_M * wiring.cable_m * current / (0.05 * wiring.supply_V)
    wire = _first_at_least(WIRE_SECTIONS_M2, max(section, 0.75e-6))
    return {
        "coil_current_A": current,
        "relay_contact_A": _first_at_least(RELAY_RATINGS_A, 2.0 * current),
        "fuse_A": _first_at_least(FUSE_RATINGS_A, FUSE_MARGIN * current),
        "wire_section_m2": wire,
        "voltage_drop_V": None if wire is None else 2.0 * COPPER_OHM_M * wiring.cable_m * current / wire,
        "suppression": "clamp the coil with a Zener or varistor of 1 to 2 times the supply: a bare "
        "diode lengthens "
        "the close delay several times (common practice, no source)",
        "note": "contact rating must be for inductive load at this voltage (DC-13 or AC-15 duty); "
        "local wiring "
        "rules come first",
    }


def relief_choice(press: PressFile, largest_N: float) -> dict[str, object]:
    """Relief 10 % above the pressure of the largest setpoint (common practice), within what is rated."""
    wanted = 1.1 * pressure_at_Pa(press, largest_N)
    return {
        "largest_setpoint_N": largest_N,
        "suggested_Pa": min(wanted, press.pump.relief),
        "set_Pa": press.pump.relief,
        "note": "never above the rating of cylinder, hose, valve and frame; the relief is the guard, "
        "the cutoff is not",
    }
