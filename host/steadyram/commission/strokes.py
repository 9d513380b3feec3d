"""One commissioning stroke: arm it, have the pedal held until it ends, take what the device saw."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from steadyram.commission.hands import Hands
from steadyram.device import Device
from steadyram.errors import CheckFailed
from steadyram.link.records import Pulse

AFTER_STOP_MS = 150
FINE_POINTS = 512


@dataclass(frozen=True)
class Stroke:
    """What a commissioning stroke left. All readings are counts on the 16-bit scale.

    start: readings from the moment extend was energised, `start_dt_s` apart; fine: the last 512 at
    1 kHz; cut: index in `fine` of the step in which the valve was told to close; pulses: as logged.
    """

    start: NDArray[np.float64]
    start_dt_s: float
    fine: NDArray[np.float64]
    cut: int
    pulses: list[Pulse]


def wait_for(device: Device, hands: Hands, states: tuple[str, ...], patience_s: float, doing: str) -> str:
    """Wait until the device is in one of `states`. Raises CheckFailed after `patience_s` or on a fault."""
    waited = 0.0
    while True:
        reading = device.now()
        if reading.state in states:
            return reading.state
        if reading.state == "fault":
            raise CheckFailed(
                f"The device stopped with the fault '{reading.fault}' while {doing}; clear its cause, acknowledge it "
                "at the panel and start again."
            )
        if waited > patience_s:
            raise CheckFailed(
                f"Nothing came of {doing} within {patience_s:.0f} s (device state: {reading.state})."
            )
        hands.wait(0.05)
        waited += 0.05


def probe_stroke(
    device: Device,
    hands: Hands,
    *,
    slow: bool = False,
    cut_counts: float = 0,
    pulse_ms: int = 0,
    pulses: int = 0,
    pause_ms: int = 150,
    patience_s: float = 60.0,
    collect: bool = True,
) -> Stroke:
    """Run one commissioning stroke. Raises CheckFailed, LinkError, DeviceRefusal."""
    wait_for(device, hands, ("ready",), 10.0, "waiting for the pedals to be released")
    device.probe(
        feed=int(slow),
        cut_counts=max(0, round(cut_counts)),
        pulse_ms=pulse_ms,
        pulses=pulses,
        pause_ms=pause_ms,
    )
    hands.press_extend()
    try:
        wait_for(device, hands, ("done", "storing", "refused"), patience_s, "running a commissioning stroke")
        hands.wait((AFTER_STOP_MS + 50) / 1000)
    finally:
        hands.release_extend()
    wait_for(device, hands, ("ready",), 10.0, "waiting for the pedals to be released")
    nothing = np.zeros(0)
    if not collect:
        return Stroke(nothing, 0.001, nothing, 0, [])
    reading = device.now()
    trace = device.trace(reading.next_seq - 1)
    fine = np.asarray(device.last_fine(), dtype=float)
    found = device.last_pulses() if pulse_ms else []
    return Stroke(
        np.asarray(trace.points if trace else (), dtype=float),
        trace.dt_s if trace else 0.001,
        fine,
        # The last sample is that of the step before the freeze.
        FINE_POINTS - (AFTER_STOP_MS - 1) - max(1, pause_ms),
        found,
    )


def mean_counts(device: Device, hands: Hands, blocks: int = 4) -> float:
    """Mean of `blocks` readings of 64 ms each."""
    total = 0.0
    for _ in range(blocks):
        hands.wait(0.066)
        total += device.now().mean_counts
    return total / blocks
