"""The device's settings from a press file: what nameplates and data sheets say, before anything was measured."""

from __future__ import annotations

import math

from steadyram.link.definition import definition
from steadyram.press.pressfile import ForceSensor, PressFile

# Pulses and waits between the last free travel and the setpoint; what the default leaves a powered press.
_LANDING_MS = 30_000


def nameplate_settings(press: PressFile) -> dict[str, int]:
    """Return the settings of the protocol from a press file's nameplate figures, the rest at their defaults."""
    known = definition()
    values = {field.name: field.default for field in known.settings}
    values["bore_um"] = round(1e6 * press.cylinder.bore)
    if press.force_sensor is None:
        values["range_kpa"] = round(press.transducer.range / 1e3)
    else:
        values |= _force_sensor_settings(press.force_sensor)
    values["sensor_kind"] = known.value(
        "sensor_kind", "loop" if press.transducer.output == "4-20 mA" else "ratiometric"
    )
    values["counts_step"] = 1 << (16 - press.adc.bits)
    values["capacity_n"] = math.floor(press.capacity_N)
    values["overforce_n"] = math.floor(press.overforce_N)
    # What the ram's stroke takes of full feed, and a tenth more; of a pump worked by hand nobody knows the time.
    seconds = press.cylinder.stroke * press.cylinder.area_m2 / press.pump.flow_m3_s(0.0)
    values["stroke_ms"] = 0 if press.pump.burst else min(600_000, math.ceil(1100 * seconds))
    back_s = press.cylinder.stroke * press.cylinder.area_m2 / press.return_flow_m3_s
    values["return_max_ms"] = min(120_000, max(values["return_max_ms"], math.ceil(1500 * back_s)))
    values["cycle_max_ms"] = _cycle_max_ms(press)
    values["cutout_fitted"] = int(press.cutout is not None)
    values["return_kind"] = known.value("return_kind", press.cylinder.return_)
    drive = "none" if press.valve.indicator else "contactor" if press.pump.coast_down > 0 else "valve"
    values["drive_kind"] = known.value("drive_kind", drive)
    values["holds_load"] = int(press.valve.load_holding)
    values["slow_fitted"] = int(press.valve.slow_feed is not None)
    values["burst_feed"] = int(press.pump.burst)
    if press.position is not None:
        values["position_kind"] = known.value("position_kind", press.position.kind)
    return values


def _cycle_max_ms(press: PressFile) -> int:
    """Return the longest stroke to allow: the setting's default, more where the pump needs it, within its range.

    The pump needs the whole stroke and the give of oil and frame up to the relief's pressure, and a tenth more; to
    that comes time to land.
    """
    field = next(field for field in definition().settings if field.name == "cycle_max_ms")
    oil, pump, area = press.oil, press.pump, press.cylinder.area_m2
    give_m3 = pump.relief * (oil.trapped_volume / oil.bulk_modulus + area**2 / press.frame.stiffness)
    seconds = press.cylinder.stroke * area / pump.mean_flow_m3_s(0.0) + give_m3 / pump.mean_flow_m3_s(
        pump.relief
    )
    return min(field.maximum, max(field.default, math.ceil(1100 * seconds) + _LANDING_MS))


def _force_sensor_settings(sensor: ForceSensor) -> dict[str, int]:
    return {
        "sensor_measures": definition().value("sensor_measures", "force"),
        "cell_n": round(sensor.capacity),
        "cell_uv_v": round(1e6 * sensor.sensitivity),
        "amplifier_uv_v": round(1e6 * sensor.amplifier),
    }
