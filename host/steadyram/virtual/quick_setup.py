"""A virtual press made ready for strokes in a moment: settings and calibration from nameplate and data sheets, one job.

For tests and for trying things out. What it writes is what the nameplates say, so force is off by the true
transducer's error; a press that matters is calibrated (see `steadyram calibration run`). Everything goes over the
link, with the panel's enable button held.
"""

from __future__ import annotations

import math
import random

from steadyram.device import Device
from steadyram.errors import CheckFailed
from steadyram.link.client import Client
from steadyram.link.definition import definition
from steadyram.link.records import DeviceJob
from steadyram.nameplate import nameplate_settings
from steadyram.press.limits import series_stiffness_N_m
from steadyram.press.pressfile import PressFile
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.script import seal_open
from steadyram.virtual.work import BLOCK_STIFFNESS_N_M

_SPAN_COUNTS = 58982 - 6554


def open_device(press: VirtualPress) -> Device:
    """The device behind the link, in virtual time; tags are drawn from the seed, so runs repeat exactly.

    Each further client draws others: to the device a tag is one change of one client.
    """
    press.clients += 1
    seed = press.seed if press.clients == 1 else f"{press.seed} client {press.clients}"
    return Device(Client(press.transport(), source=random.Random(seed)))


def datasheet_characteristics(press: PressFile) -> dict[str, int]:
    """What the dead-stop test would measure, from the data sheets instead, so that the learned cutoff can work.

    Rise rates on a dead stop by dF/dt = k Q / A with the block's stiffness for the work. Nothing where no valve is
    fitted.
    """
    if press.valve.indicator:
        return {}
    k = series_stiffness_N_m(press, work_stiffness_N_m=BLOCK_STIFFNESS_N_M)
    area, valve = press.cylinder.area_m2, press.valve
    change = press.pump.changeover
    low, high = press.pump.flow_m3_s(0.0), press.pump.flow_m3_s(math.inf)
    full_N = area * press.transducer.range
    open_us, close_us = (round(1e6 * (valve.relay_delay + d)) for d in (valve.open_delay, valve.close_delay))
    return {
        "char_valid": 1,
        "open_lag_us": open_us,
        "close_lag_us": close_us,
        "slow_open_lag_us": open_us,
        "slow_close_lag_us": close_us,
        "sensor_lag_us": round(1e6 * press.transducer.lag),
        "jitter_us": round(1e6 * math.sqrt(2.0) * valve.jitter),
        "rate_low_n_s": round(k * low / area),
        "rate_high_n_s": round(k * high / area),
        "rate_slow_n_s": round(k * (valve.slow_feed or 0.0) / area),
        "changeover_n": round(change * area - press.cylinder.seal_friction) if change and high != low else 0,
        "noise_n": max(1, round(full_N * press.transducer.noise)),
        "leak_ppm_s": round(1e6 * valve.leak_down),
        "coast_us": round(1e6 * press.pump.coast_down / 2),
    } | (_datasheet_speeds(press) if press.position is not None else {})


def _datasheet_speeds(press: PressFile) -> dict[str, int]:
    """Ram speeds Q / A and the position sensor's noise, by the data sheets."""
    assert press.position is not None
    area = press.cylinder.area_m2
    return {
        "position_noise_um": round(1e6 * press.position.noise_m),
        "speed_um_s": round(1e6 * press.pump.flow_m3_s(0.0) / area),
        "speed_slow_um_s": round(1e6 * (press.valve.slow_feed or 0.0) / area),
    }


def nameplate_calibration(press: PressFile, zero_counts: int) -> dict[str, int]:
    """The straight line that bore and range promise; `zero_counts` is the reading at rest."""
    values = {field.name: field.default for field in definition().calibration}
    full_N = press.cylinder.area_m2 * press.transducer.range
    values["zero_counts"] = zero_counts
    friction_N = 0.0 if press.force_sensor is not None else press.cylinder.seal_friction
    values["c0_n"] = -round(friction_N)
    values["c1_n"] = round(full_N * 65536 / _SPAN_COUNTS)
    values["max_counts"] = 58982
    values["friction_n"] = round(friction_N)
    sensor = press.position
    if sensor is not None and sensor.kind == "encoder":
        values["position_step_nm"] = round(1e9 * (sensor.step or 0.0))
    elif sensor is not None:
        values["position_um_64k"] = round(1e6 * (sensor.range or 0.0) / 0.9)
    return values


def open_changes(press: VirtualPress) -> None:
    """Hold the enable button until changes and the calibration's seal are open, unless the panel says so.

    Raises CheckFailed.
    """
    press.run(0.3)
    if not seal_open(press):
        press.operator.open_seal()
        press.run(0.3)
    if not seal_open(press):
        core = press.core_state()
        if core is None:
            raise CheckFailed("The press has no power, so the panel opens no changes; call power_up.")
        if core.fault:
            fault = definition().faults[core.fault]
            raise CheckFailed(
                f"The panel opens no changes while a fault is latched: {fault.name} ({fault.text}); put its cause "
                "right and acknowledge it first."
            )
        raise CheckFailed(
            "The panel does not show that changes are open although the enable button was held."
        )


def set_up(
    press: VirtualPress,
    setpoint_N: float,
    *,
    batch: int = 0,
    name: str = "trial part",
    settings: dict[str, int] | None = None,
    job: dict[str, int] | None = None,
) -> Device:
    """Push nameplate settings and calibration and one job, and choose it. Returns the device.

    setpoint_N: force on the work; settings: fields of settings and measured values, job: fields of the job, that
    differ from the nameplate's and defaults.
    """
    device = open_device(press)
    open_changes(press)
    model = press.plant.press
    device.push_press(nameplate_settings(model) | datasheet_characteristics(model) | (settings or {}))
    device.push_calibration(nameplate_calibration(model, round(device.now().mean_counts)))
    fields = {field.name: field.default for field in definition().job}
    fields |= {"setpoint_n": round(setpoint_N), "batch": batch} | (job or {})
    device.push_jobs([DeviceJob(1, name, fields)])
    device.use_job(1)
    press.run(0.3)
    return device
