"""A press drawn at random, with the work under it: what a cutoff and its commissioning are judged by.

Ranges are common practice for shop presses of 4 to 60 short tons (textbook orders of magnitude, no single source).
Every figure is drawn log-uniform over its range unless it says otherwise; every unkind key is on. Not drawn: hand
pumps, open-centre valves, motor contactors, bending, position sensors.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from steadyram.press.pressfile import PressFile, build_press

KINDS = ("clinch", "dimple", "press-fit", "dead-stop")
TOP_SHARE = 0.85
# Ranges of pressure transducers on the market, MPa.
_RANGES_MPA = (10.0, 16.0, 25.0, 40.0, 60.0)

Tables = dict[str, Any]


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def _share(rng: np.random.Generator, low: float, high: float) -> str:
    return f"{100 * _log(rng, low, high):.4g} %"


def draw_press(rng: np.random.Generator, name: str = "drawn") -> Tables:
    """Draw the tables of a press file; `build_press` makes a press of them. The same generator, the same press."""
    capacity = _log(rng, 4, 60) * 8896.443230521
    relief = _log(rng, 12e6, 28e6)
    area = capacity / relief
    bore = math.sqrt(4 * area / math.pi)
    two_stage = rng.random() < 0.6
    high_speed = _log(rng, 1.2e-3, 8e-3)
    low_speed = high_speed * (_log(rng, 2.5, 6.0) if two_stage else 1.0)
    pump: Tables = {
        "flow_low_stage": f"{low_speed * area * 6e4:.4g} L/min",
        "flow_high_stage": f"{high_speed * area * 6e4:.4g} L/min",
        "relief": f"{relief / 1e6:.4g} MPa",
        "ripple": _share(rng, 0.01, 0.05),
        "ripple_frequency": f"{_log(rng, 60, 300):.4g} Hz",
        "flow_scatter": _share(rng, 0.01, 0.02),
    }
    changeover = _log(rng, 3e6, 6e6)
    if two_stage:
        pump["changeover"] = f"{changeover / 1e6:.4g} MPa"
    relay = _log(rng, 5, 12)
    valve: Tables = {
        "relay_delay": f"{relay:.4g} ms",
        "open_delay": f"{_log(rng, 20, 60):.4g} ms",
        "close_delay": f"{_log(rng, 20, 80):.4g} ms",
        "jitter": f"{_log(rng, 0.5, 3):.4g} ms",
        "leak_down": f"{_log(rng, 0.1, 2):.4g} %/s",
        "pull_in": round(_log(rng, 0.6, 1.0), 3),
        "slew": f"{_log(rng, 5, 20):.4g} ms",
        "overlap": _share(rng, 0.10, 0.25),
        "warm_up": _share(rng, 0.10, 0.50),
        "warm_up_time": f"{_log(rng, 2, 10):.4g} min",
    }
    if rng.random() < 0.4:
        valve["slow_feed"] = f"{_log(rng, 0.05, 0.3) * high_speed * area * 6e4:.4g} L/min"
    bits = 12 if rng.random() < 0.6 else 16
    adc: Tables = {"bits": bits}
    if bits == 12 and rng.random() < 0.5:
        adc["wide_codes"] = 8
    at_pump = rng.random() < 0.3
    stroke = _log(rng, 0.1, 0.3)
    tables: Tables = {
        "name": name,
        "cylinder": {
            "bore": f"{1000 * bore:.5g} mm",
            "rod": f"{1000 * bore * rng.uniform(0.45, 0.7):.4g} mm",
            "stroke": f"{1000 * stroke:.4g} mm",
            "seal_friction": f"{_log(rng, 0.003, 0.04) * capacity / 1000:.4g} kN",
            "breakaway": round(_log(rng, 1.5, 2.0), 3),
            "friction_scatter": _share(rng, 0.10, 0.20),
        },
        "pump": pump,
        "oil": {
            "bulk_modulus": f"{_log(rng, 0.7, 1.4):.4g} GPa",
            "trapped_volume": f"{_log(rng, 0.3, 1.5):.4g} L",
        },
        # 0.5 to 2 mm at capacity.
        "frame": {"stiffness": f"{capacity / _log(rng, 0.5e-3, 2e-3) / 1e6:.4g} kN/mm"},
        "valve": valve,
        "transducer": {
            "range": f"{next(r for r in _RANGES_MPA if r >= 1.1 * relief / 1e6):g} MPa",
            "lag": f"{_log(rng, 1, 5):.4g} ms",
            "noise": _share(rng, 0.0002, 0.001),
            "gain_error": f"{rng.uniform(-2, 2):.3g} %",
            "zero_error": f"{rng.uniform(-0.5, 0.5):.3g} bar",
            "hysteresis": _share(rng, 0.0002, 0.001),
            "nonlinearity": f"{rng.uniform(-0.1, 0.1):.3g} %",
            "switching_spike": _share(rng, 0.002, 0.01),
            "line_frequency": f"{_log(rng, 20, 100):.4g} Hz",
            "line_damping": round(_log(rng, 0.2, 0.7), 3),
            "line_drop": f"{_log(rng, 1, 6):.3g} bar" if at_pump else "0 bar",
            "zero_wander": _share(rng, 0.0001, 0.0005),
        },
        "adc": adc,
        "work": draw_work(rng, capacity, stroke),
    }
    # A press whose figures do not fit together would be a mistake of the ranges above.
    build_press(tables, name)
    return tables


def draw_work(
    rng: np.random.Generator, capacity_N: float, stroke_m: float, kind: str | None = None
) -> Tables:
    """Draw the [work] table for a press of that capacity; kind: one of KINDS, None for any."""
    chosen = str(rng.choice(KINDS)) if kind is None else kind
    return {
        "kind": chosen,
        "gap": f"{min(_log(rng, 2, 40), 0.6e3 * stroke_m):.4g} mm",
        "plateau": f"{_log(rng, 0.01, 0.3) * capacity_N / 1000:.4g} kN",
        "travel": f"{_log(rng, 0.2, 2):.4g} mm",
        "stiffness": f"{_log(rng, 50, 400):.4g} kN/mm",
        "scatter": _share(rng, 0.01, 0.06),
        "gap_scatter": f"{_log(rng, 0.1, 1.5):.3g} mm",
    }


@dataclass(frozen=True)
class TrueFigures:
    """What commissioning is to find on a press when its oil is warm: seconds, newtons, newtons a second.

    pulse_dead_s: a pulse of w lets in full flow for w less this; pulse_least_s: the shortest pulse that moves
    anything; rates are those of a dead stop without give.
    """

    open_lag_s: float
    close_lag_s: float
    pulse_dead_s: float
    pulse_least_s: float
    rate_low_N_per_s: float
    rate_high_N_per_s: float
    rate_slow_N_per_s: float
    changeover_N: float
    friction_N: float
    breakaway_N: float


def true_figures(press: PressFile, delay_factor: float = 1.0) -> TrueFigures:
    """Work the figures out from the press file alone; delay_factor: of both spool delays (cold oil).

    A spool that slews at constant speed lets in what one would that opens at once when it has covered its overlap
    and half of the rest; it closes half of the rest after it began to.
    """
    v = press.valve
    open_s, close_s = v.open_delay * delay_factor, v.close_delay * delay_factor
    ramp = v.slew * (1.0 - v.overlap) / 2.0
    opening = v.relay_delay + open_s + v.slew * v.overlap + ramp
    closing = v.relay_delay + close_s + ramp
    area = press.cylinder.area_m2
    k = 1.0 / (press.oil.trapped_volume / (press.oil.bulk_modulus * area**2) + 1.0 / press.frame.stiffness)
    low, high = press.pump.flow_m3_s(0.0), press.pump.flow_m3_s(math.inf)
    change = press.pump.changeover
    friction = press.cylinder.seal_friction
    return TrueFigures(
        open_lag_s=opening,
        close_lag_s=closing,
        pulse_dead_s=open_s - close_s + v.slew * v.overlap,
        pulse_least_s=max(v.pull_in * v.relay_delay, open_s - close_s + v.slew * v.overlap, 0.001),
        rate_low_N_per_s=k * low / area,
        rate_high_N_per_s=k * high / area,
        rate_slow_N_per_s=0.0 if v.slow_feed is None else k * min(v.slow_feed, low) / area,
        changeover_N=0.0 if change is None or low == high else change * area - friction,
        friction_N=friction,
        breakaway_N=(press.cylinder.breakaway - 1.0) * friction,
    )


def draw_setpoint_N(rng: np.random.Generator, smallest_N: float, capacity_N: float) -> float:
    """Draw a setpoint between the smallest that can be held and 85 % of capacity, log-uniform."""
    top = TOP_SHARE * capacity_N
    return _log(rng, min(smallest_N, top), top)


def to_toml(tables: Tables) -> str:
    """Write tables as the text of a press file."""
    lines = [f'name = "{tables["name"]}"']
    for table, keys in tables.items():
        if isinstance(keys, dict):
            lines.append(f"[{table}]")
            lines += [f'{key} = "{v}"' if isinstance(v, str) else f"{key} = {v}" for key, v in keys.items()]
    return "\n".join(lines) + "\n"
