"""What a person and a host do at a virtual press on an emulated board, whose display cannot be read from here."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from steadyram.device import Device
from steadyram.errors import LinkError
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import open_device, set_up
from steadyram.virtual.runtime import CpythonRuntime

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


UID = "0000000000000000"  # of the emulated flash chip; a calibration is bound to it


def quiet_press(press_file: Path, folder: Path) -> Path:
    """The press without noise and jitter: what differs then differs between devices, not between two strokes."""
    text = press_file.read_text()
    for key, none in (("noise", "0 %"), ("jitter", "0 ms")):
        text, found = re.subn(rf"(?m)^{key} = .*$", f'{key} = "{none}"', text)
        assert found == 1, key
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / "quiet.toml"
    file.write_text(text)
    return file


class Prepared(VirtualPress):
    """A virtual press whose firmware runs here and takes itself for the emulated board."""

    def power_up(self) -> None:
        self._runtime = CpythonRuntime(self.state_dir, UID)
        self._info = self._runtime.info
        self._ahead = self._runtime.batch_least


def prepared(folder: Path, model: str | Path, setpoint_N: float, **job: int) -> dict[str, bytes]:
    """The files of a device with nameplate settings, a calibration and one job in force, made on this computer."""
    with Prepared(model, runtime="cpython", state_dir=folder) as press:
        set_up(press, setpoint_N, job=job or None)
    root = folder / "files"
    return {
        "/" + file.relative_to(root).as_posix(): file.read_bytes()
        for file in root.rglob("*")
        if file.is_file()
    }


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
