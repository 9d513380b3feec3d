"""Valve-test strokes of commissioning: arm one, have the pedal held until it ends, take what the device saw.

A procedure runs its strokes inside `testing`: no job is chosen for that time, and nothing stays armed on any way out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import wraps
from typing import TYPE_CHECKING, ParamSpec, TypeVar

from steadyram.commission.hands import Hands
from steadyram.device import Device
from steadyram.errors import CheckFailed, DeviceRefusal, LinkError
from steadyram.late import np
from steadyram.link.definition import definition
from steadyram.link.records import Pulse

if TYPE_CHECKING:
    from numpy.typing import NDArray

P = ParamSpec("P")
T = TypeVar("T")

AFTER_STOP_MS = 150
FINE_POINTS = 512
CHANGES_LEFT_S = 60
PATIENCE_S = 60.0


class _StillWaiting(CheckFailed):
    """Tell a wait that was too short from a device that stopped."""


@dataclass(frozen=True)
class Stroke:
    """What a commissioning stroke left. All readings are counts on the 16-bit scale.

    start: readings from the moment extend was energised, `start_dt_s` apart; fine: the last 512 at
    1 kHz; cut: index in `fine` of the step in which the valve was told to close; pulses: as logged;
    cut_ms: from the moment extend was energised to that step.
    """

    start: NDArray[np.float64]
    start_dt_s: float
    fine: NDArray[np.float64]
    cut: int
    pulses: list[Pulse]
    cut_ms: float = 0.0

    def samples(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return times (ms after extend was energised) and counts of the whole stroke, each span as fine as known."""
        dt = self.start_dt_s * 1000.0
        coarse = np.arange(len(self.start), dtype=np.float64) * dt
        fine = np.arange(len(self.fine), dtype=np.float64) - self.cut + self.cut_ms
        kept = fine >= 0
        if dt <= 1.0 and len(coarse) >= kept.sum():
            return coarse, self.start
        before = coarse < (fine[kept][0] if kept.any() else np.inf)
        return (
            np.concatenate([coarse[before], fine[kept]]),
            np.concatenate([self.start[before], self.fine[kept]]),
        )


@contextmanager
def testing(device: Device) -> Iterator[None]:
    """Run a procedure's valve-test strokes: choose no job meanwhile, and disarm whatever ends the procedure.

    The job that was chosen is chosen again at the end; after an error or Ctrl-C it is left unchosen, so that the
    cutoff refuses to press until somebody has looked. Raises LinkError, DeviceRefusal.
    """
    job = device.now().job
    if job:
        device.use_job(0)
    try:
        yield
    except BaseException:
        with suppress(LinkError, DeviceRefusal):
            device.disarm()
        raise
    device.disarm()
    if job:
        device.use_job(job)


def as_test(procedure: Callable[P, T]) -> Callable[P, T]:
    """Wrap a procedure whose first argument is the device in `testing`."""

    @wraps(procedure)
    def run(*args: P.args, **more: P.kwargs) -> T:
        device = args[0]
        assert isinstance(device, Device)
        with testing(device):
            return procedure(*args, **more)

    return run


def wait_for(device: Device, hands: Hands, states: tuple[str, ...], patience_s: float, doing: str) -> str:
    """Wait until the device is in one of `states`. Raises CheckFailed after `patience_s` or on a fault."""
    waited = 0.0
    while True:
        reading = device.now()
        if reading.state in states:
            return reading.state
        if reading.state == "fault":
            raise CheckFailed(
                f"The device stopped with the fault '{reading.fault}' while {doing}. {_remedy(reading.fault)} Then "
                "acknowledge it at the panel and start again."
            )
        if waited > patience_s:
            raise _StillWaiting(
                f"Nothing came of {doing} within {patience_s:.0f} s (device state: {reading.state})."
            )
        hands.wait(0.05)
        waited += 0.05


def _remedy(fault: str | None) -> str:
    return next((each.remedy for each in definition().faults.values() if each.name == fault), "")


def _until_over(device: Device, hands: Hands, patience_s: float | None) -> None:
    """Wait until a stroke has ended. Raises CheckFailed after `patience_s`; None: after the device's own limit."""
    ended, doing = ("done", "storing", "refused"), "running a commissioning stroke"
    if patience_s is None:
        # Most strokes are short; the setting is asked for only when one is not.
        with suppress(_StillWaiting):
            wait_for(device, hands, ended, PATIENCE_S, doing)
            return
        patience_s = device.settings().values["cycle_max_ms"] / 1000
    wait_for(device, hands, ended, patience_s, doing)


def probe_stroke(
    device: Device,
    hands: Hands,
    *,
    slow: bool = False,
    cut_counts: float = 0,
    pulse_ms: int = 0,
    pulses: int = 0,
    pause_ms: int = 150,
    ceiling_N: float = 0.0,
    patience_s: float | None = None,
    held_s: float | None = None,
    collect: bool = True,
) -> Stroke:
    """Run one valve-test stroke. ceiling_N: force at which it ends, 0 = the highest that the device allows.

    held_s: the pedal is released after so long, None: once the stroke has ended by itself.

    Raises CheckFailed, LinkError, DeviceRefusal; nothing stays armed.
    """
    wait_for(device, hands, ("ready",), 10.0, "waiting for the pedals to be released")
    if device.now().changes_left_s < CHANGES_LEFT_S:
        # Changes close by themselves; a stroke that finds them closed would be refused half-way through a procedure.
        hands.open_changes()
    device.probe(
        feed="slow" if slow else "full",
        cut_counts=max(0, round(cut_counts)),
        pulse_ms=pulse_ms,
        pulses=pulses,
        pause_ms=pause_ms,
        ceiling_N=ceiling_N,
    )
    try:
        hands.press_extend()
        if held_s is None:
            _until_over(device, hands, patience_s)
        else:
            with suppress(_StillWaiting):
                wait_for(
                    device, hands, ("done", "storing", "refused"), held_s, "running a commissioning stroke"
                )
            hands.release_extend()
        hands.wait((AFTER_STOP_MS + 50) / 1000)
    except BaseException:
        with suppress(LinkError, DeviceRefusal):
            device.disarm()
        raise
    finally:
        hands.release_extend()
    wait_for(device, hands, ("ready",), 10.0, "waiting for the pedals to be released")
    nothing = np.zeros(0)
    if not collect:
        return Stroke(nothing, 0.001, nothing, 0, [])
    newest = device.now().next_seq - 1
    trace = device.trace(newest)
    record = next(iter(device.log(newest)), None)
    fine = np.asarray(device.last_fine(), dtype=float)
    found = device.last_pulses() if pulse_ms else []
    return Stroke(
        np.asarray(trace.points if trace else (), dtype=float),
        trace.dt_s if trace else 0.001,
        fine,
        # The last sample is that of the step before the freeze.
        FINE_POINTS - (AFTER_STOP_MS - 1) - max(1, pause_ms),
        found,
        float(record["duration_ms"]) if record else 0.0,
    )


def mean_counts(device: Device, hands: Hands, blocks: int = 4) -> float:
    """Mean of `blocks` readings of 64 ms each."""
    total = 0.0
    for _ in range(blocks):
        hands.wait(0.066)
        total += device.now().mean_counts
    return total / blocks
