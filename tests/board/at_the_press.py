"""What a person and a host do at a virtual press on an emulated board, whose display cannot be read from here."""

from __future__ import annotations

from typing import Any

from steadyram.device import Device
from steadyram.errors import LinkError
from steadyram.link.definition import definition
from steadyram.link.records import DeviceJob
from steadyram.press.pressfile import PressFile
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import (
    datasheet_characteristics,
    nameplate_calibration,
    nameplate_settings,
    open_device,
)

START_S = 6.0
STROKE_S = 8.0
RETURN_S = 4.0


def answering(press: VirtualPress) -> Device:
    """Wait until the firmware answers and its operator's inputs have been taken."""
    device = open_device(press)
    end = press.time_s + START_S
    while True:
        try:
            device.hello()
        except LinkError:
            if press.time_s > end:
                raise
        else:
            press.run(0.5)
            return device


def open_seal(press: VirtualPress, device: Device) -> None:
    """Hold the knob until changes and the calibration's seal are open; the device says so itself."""
    press.operator.open_seal()
    press.run(0.2)
    assert device.calibration_unsealed()


def with_job(press: VirtualPress, setpoint_N: float, **job: int) -> Device:
    """Nameplate settings, calibration and one job on a device that has just started; the job is chosen."""
    device = answering(press)
    open_seal(press, device)
    model: PressFile = press.plant.press
    device.push_settings(nameplate_settings(model) | datasheet_characteristics(model))
    device.push_calibration(nameplate_calibration(model, round(device.now().mean_counts)))
    fields = {field.name: field.default for field in definition().job}
    device.push_jobs([DeviceJob(1, "trial part", fields | {"setpoint_n": round(setpoint_N)} | job)])
    device.use_job(1)
    press.run(0.3)
    return device


def stroke(press: VirtualPress, part: bool = True) -> float:
    """One part with the pedal held until the feed has ended, then the ram up; the part's peak force in newtons."""
    if part:
        press.operator.load_part()
    press.plant.peak_N = 0.0
    press.operator.press_extend()
    assert press.run_until(lambda p: bool(p.outputs & 1), 1.0), "the feed does not start"
    quiet = [0.0]

    def over(p: Any) -> bool:
        if p.valves_on:
            quiet[0] = p.time_s
        return bool(p.time_s - quiet[0] > 0.6)

    assert press.run_until(over, STROKE_S), "the stroke does not end"
    press.operator.release_extend()
    peak = press.plant.peak_N
    press.run(0.2)
    press.operator.press_retract()
    press.run_until(lambda p: p.plant.at_top, RETURN_S)
    press.run(0.1)
    press.operator.release_retract()
    press.run(0.5)
    return float(peak)
