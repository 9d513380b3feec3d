"""What a transducer's signal says: pressure as a fraction of range, or a wiring fault.

Sources: NAMUR NE 43 for current loops (edges as several independent tutorials give them; an edge
itself counts as failure, the safe side); ratiometric 10 to 90 % of supply is common practice, no
standard known, and so are its plausibility limits of 5 and 95 %.
"""

from __future__ import annotations

from typing import Final, Literal

from steadyram.errors import BadInput

State = Literal["valid", "low-gap", "high-gap", "failure-low", "failure-high"]

LOOP_ZERO_MA: Final = 4.0
LOOP_SPAN_MA: Final = 16.0
NE43_FAIL_LOW_MA: Final = 3.6
NE43_VALID_LOW_MA: Final = 3.8
NE43_VALID_HIGH_MA: Final = 20.5
NE43_FAIL_HIGH_MA: Final = 21.0
RATIO_ZERO: Final = 0.1
RATIO_SPAN: Final = 0.8
RATIO_FAIL_LOW: Final = 0.05
RATIO_FAIL_HIGH: Final = 0.95


def classify_loop(current_mA: float) -> State:
    """State of a 4-20 mA loop. The gaps are neither valid nor failure: refuse to arm there."""
    if current_mA <= NE43_FAIL_LOW_MA:
        return "failure-low"
    if current_mA >= NE43_FAIL_HIGH_MA:
        return "failure-high"
    if current_mA < NE43_VALID_LOW_MA:
        return "low-gap"
    return "high-gap" if current_mA > NE43_VALID_HIGH_MA else "valid"


def loop_fraction(current_mA: float) -> float:
    """Fraction of range of a 4-20 mA loop: (I - 4) / 16."""
    return (current_mA - LOOP_ZERO_MA) / LOOP_SPAN_MA


def loop_voltage_V(current_mA: float, load_ohm: float = 250.0) -> float:
    """Voltage over the load resistor."""
    return current_mA * 1e-3 * load_ohm


def ratiometric_fraction(signal_V: float, supply_V: float) -> float:
    """Fraction of range of a 10 to 90 % of supply transducer; the supply must be the measured one.

    Raises BadInput when the supply is not positive.
    """
    if not supply_V > 0.0:
        raise BadInput("the transducer's supply must be more than zero volts.")
    return (signal_V / supply_V - RATIO_ZERO) / RATIO_SPAN


def classify_ratiometric(signal_V: float, supply_V: float) -> State:
    """State of a ratiometric signal by the common 5 and 95 % limits."""
    if not supply_V > 0.0:
        raise BadInput("the transducer's supply must be more than zero volts.")
    part = signal_V / supply_V
    if part <= RATIO_FAIL_LOW:
        return "failure-low"
    return "failure-high" if part >= RATIO_FAIL_HIGH else "valid"
