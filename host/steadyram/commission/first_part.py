"""The first part of a job: press until it looks right, then propose the setpoint its signature shows.

With the job's estimate as the ceiling the device comes up in steps sized not to pass it even on a dead stop;
the operator lets go when the part looks right, looks, and may press on. Two proposals come from the stroke: the
force at which it settled (what a flattening die asks for), and the knee, where a clinched or swaged part became
flush, with a margin.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from steadyram.commission.hands import Hands
from steadyram.device import Device
from steadyram.errors import BadInput, CheckFailed
from steadyram.link.records import CycleRecord, Reading, Trace

MARGIN = 0.05
_LOOK_S = 0.2


@dataclass(frozen=True)
class FirstPart:
    """One stroke of a first part. Forces in newtons, times in seconds; a proposal is None when it cannot be made."""

    record: CycleRecord
    trace: Trace | None
    contact_s: float | None
    knee_N: float | None
    peak_N: float
    settled_N: float
    by_knee_N: float | None
    by_settled_N: float | None

    def to_json(self) -> dict[str, object]:
        """Plain figures with the units in their names."""
        return {
            "seq": self.record.seq,
            "stop": self.record.stop,
            "contact_s": self.contact_s,
            "knee_N": self.knee_N,
            "peak_N": self.peak_N,
            "settled_N": self.settled_N,
            "proposed_by_knee_N": self.by_knee_N,
            "proposed_by_settled_N": self.by_settled_N,
        }


def read_first_part(record: CycleRecord, trace: Trace | None, margin: float = MARGIN) -> FirstPart:
    """Proposals of one stroke. margin: share added to the knee. Raises BadInput for a margin outside 0 to 0.5."""
    if not 0.0 <= margin <= 0.5:
        raise BadInput("The margin over the knee is not between 0 and 50 %; 5 % is usual here.")
    knee = float(record["knee_n"]) or None
    settled = float(record["settled_n"])
    ended_well = record.stop in ("setpoint", "pedal", "no-cutoff", "short")
    return FirstPart(
        record,
        trace,
        record["contact_ms"] / 1000 or None,
        knee,
        float(record["peak_n"]),
        settled,
        knee * (1 + margin) if knee and ended_well and knee < settled else None,
        settled if ended_well and settled > 0 else None,
    )


def wait_for_stroke(
    device: Device, after_seq: int, wait: Callable[[float], None], patience_s: float
) -> CycleRecord:
    """The first record numbered `after_seq` or later. Raises CheckFailed when none comes in `patience_s`."""
    waited = 0.0
    while True:
        reading = device.now()
        _stop_if_refused(reading)
        if reading.next_seq > after_seq:
            for record in device.log(after_seq):
                return record
        if waited >= patience_s:
            raise CheckFailed(f"No stroke was finished within {patience_s:.0f} s; nothing was changed.")
        wait(_LOOK_S)
        waited += _LOOK_S


def stroke_by_hands(device: Device, hands: Hands, after_seq: int, patience_s: float) -> CycleRecord:
    """Press a part with `hands` and return its record.

    Raises CheckFailed when the device refuses, or when the stroke does not end or leaves no record in `patience_s`.
    """
    hands.to_top()
    hands.use_part()
    hands.press_extend()
    try:
        waited = 0.0
        while (reading := device.now()).state not in ("done", "fault"):
            _stop_if_refused(reading)
            if waited >= patience_s:
                raise CheckFailed(f"The stroke did not end within {patience_s:.0f} s; nothing was changed.")
            hands.wait(_LOOK_S)
            waited += _LOOK_S
    finally:
        hands.release_extend()
    record = wait_for_stroke(device, after_seq, hands.wait, patience_s)
    hands.to_top()
    return record


def _stop_if_refused(reading: Reading) -> None:
    if reading.state == "refused" and reading.refusal:
        raise CheckFailed(
            f"The device refuses to extend: {reading.refusal.replace('-', ' ')}; put that right and start again."
        )


_EIGHTHS = " ▁▂▃▄▅▆▇█"


def terminal_curve(trace: Trace, columns: int = 64, rows: int = 8) -> list[str]:
    """Force against time as lines of block characters, highest first; empty for a trace without forces."""
    forces = trace.force_N()
    if not forces:
        return []
    per = max(1, -(-len(forces) // columns))
    bins = [max(forces[i : i + per]) for i in range(0, len(forces), per)]
    top = max(bins) or 1.0
    lines = []
    for row in range(rows - 1, -1, -1):
        filled = [min(8, max(0, round(8 * (value / top * rows - row)))) for value in bins]
        lines.append("".join(_EIGHTHS[level] for level in filled).rstrip())
    return lines
