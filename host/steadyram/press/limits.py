"""What no controller with on/off valves can beat: the force scatter left by timing jitter and the sensor.

The formula is the project's own definition (design/contracts): it is computed from press file and
setpoint alone, never from results.
"""

from __future__ import annotations

import math

from steadyram.press.pressfile import PressFile

STEP_S = 0.001
AVERAGED_SAMPLES = 4
# A setpoint counts as holdable when 95 % of parts land within this share of it.
HOLD_TO = 0.05
# The band in which a part counts as landed: so many limit sigmas, at least this share of the setpoint.
BAND_SIGMAS = 1.5 * 1.96
BAND_SHARE = 0.012


def series_stiffness_N_m(press: PressFile, *, work_stiffness_N_m: float | None = None) -> float:
    """k of oil, frame and work in series: 1/k = V/(beta A^2) + 1/k_f + 1/k_work, newton per metre of ram travel."""
    area = press.cylinder.area_m2
    work = press.work.stiffness_N_m if work_stiffness_N_m is None else work_stiffness_N_m
    oil = press.oil.bulk_modulus * area**2 / press.oil.trapped_volume
    return 1.0 / (1.0 / oil + 1.0 / press.frame.stiffness + 1.0 / work)


def pressure_at_Pa(press: PressFile, force_N: float) -> float:
    """Pressure that puts `force_N` on the work while extending (seal friction opposes)."""
    return (force_N + press.cylinder.seal_friction) / press.cylinder.area_m2


def rise_rate_N_s(press: PressFile, force_N: float, *, slow: bool = False) -> float:
    """dF/dt = k Q / A after flush, at full feed in the pump stage in force at `force_N`, or at slow feed."""
    flow = press.pump.flow_m3_s(pressure_at_Pa(press, force_N))
    if slow and press.valve.slow_feed is not None:
        flow = min(press.valve.slow_feed, flow)
    return series_stiffness_N_m(press) * flow / press.cylinder.area_m2


def limit_position_m(press: PressFile) -> float | None:
    """The physical limit of a stop on depth, metres (one standard deviation); None without a position sensor.

    sqrt((Q/A)^2 (s_r^2 + s_c^2 + T^2/12) + noise^2/N + step^2/12), Q the slow feed where fitted, else the pump's flow
    in free travel. The project's own definition, on the pattern of `limit_sigma_N`.
    """
    if press.position is None:
        return None
    flow = press.pump.flow_m3_s(0.0)
    if press.valve.slow_feed is not None:
        flow = min(flow, press.valve.slow_feed)
    speed = flow / press.cylinder.area_m2
    jitter2 = 2.0 * press.valve.jitter**2 + STEP_S**2 / 12.0
    noise2 = press.position.noise_m**2 / AVERAGED_SAMPLES
    step2 = press.position.step_m(press.adc.bits) ** 2 / 12.0
    return math.sqrt(speed**2 * jitter2 + noise2 + step2)


def landing_band_N(limit_sigma_N: float, setpoint_N: float) -> float:
    """How far from the setpoint a part may land and count as in the band, newtons.

    1.5 times what a perfect controller's strokes stay within (95 %), at least 1.2 % of the setpoint: this
    project's own bar.
    """
    return max(BAND_SIGMAS * limit_sigma_N, BAND_SHARE * setpoint_N)


def limit_sigma_N(press: PressFile, setpoint_N: float) -> float:
    """The physical limit, newtons (one standard deviation).

    sqrt((k Q/A)^2 (s_r^2 + s_c^2 + T^2/12) + (A range noise)^2/N + (A range/(0.8 2^bits))^2/12)
    """
    rate = rise_rate_N_s(press, setpoint_N, slow=True)
    jitter2 = 2.0 * press.valve.jitter**2 + STEP_S**2 / 12.0
    full_scale = press.cylinder.area_m2 * press.transducer.range
    noise2 = (full_scale * press.transducer.noise) ** 2 / AVERAGED_SAMPLES
    step2 = (full_scale / (0.8 * 2**press.adc.bits)) ** 2 / 12.0
    return math.sqrt(rate**2 * jitter2 + noise2 + step2)
