"""Jobs against the press they are meant for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from steadyram.errors import BadInput
from steadyram.link.records import DeviceJob
from steadyram.press.pressfile import PressFile
from steadyram.units import show


@dataclass(frozen=True, slots=True)
class PressLimits:
    """What a press can do: its capacity in newtons and what the figure was taken from."""

    capacity_N: float
    origin: str

    @classmethod
    def of_press(cls, press: PressFile) -> PressLimits:
        """From a press file: relief pressure or transducer range, whichever is lower."""
        return cls(press.capacity_N, f"the press file of '{press.name}'")

    @classmethod
    def of_settings(cls, values: Mapping[str, int]) -> PressLimits:
        """From a device's settings."""
        return cls(float(min(values["capacity_n"], values["overforce_n"])), "the device's settings")


def check_limits(jobs: Sequence[DeviceJob], limits: PressLimits, unit: str = "kN") -> None:
    """Raises BadInput for the first job whose setpoint is above the press's capacity."""
    for job in jobs:
        setpoint = float(job.fields["setpoint_n"])
        if setpoint > limits.capacity_N:
            raise BadInput(
                f"Job '{job.name}' asks for {show(setpoint, 'newton', unit)}, and {limits.origin} allow"
                f"{'' if limits.origin.endswith('settings') else 's'} "
                f"{show(limits.capacity_N, 'newton', unit)}; lower its force."
            )
