"""What a push would change: the device's jobs against the file's, slot by slot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from steadyram.link.definition import definition
from steadyram.link.records import DeviceJob
from steadyram.units import show

Sort = Literal["new", "gone", "changed", "same"]


@dataclass(frozen=True, slots=True)
class SlotChange:
    """One slot: its sort of change and, where changed, each field's value before and after as text."""

    slot: int
    name: str
    sort: Sort
    fields: tuple[tuple[str, str, str], ...] = field(default=())


def difference(
    device: Sequence[DeviceJob], wanted: Sequence[DeviceJob], unit: str = "kN"
) -> list[SlotChange]:
    """One entry for each slot in use on either side, in slot order; `unit` is the force unit of the texts."""
    old = {job.slot: job for job in device}
    new = {job.slot: job for job in wanted}
    out = []
    for slot in sorted(old.keys() | new.keys()):
        before, after = old.get(slot), new.get(slot)
        if before is None and after is not None:
            # A new job is told by what it sets.
            fields = tuple(
                (key, "", text)
                for key, text in _texts(after, unit).items()
                if key not in _TRAVEL or _raw(after, key)
            )
            out.append(SlotChange(slot, after.name, "new", fields))
        elif after is None and before is not None:
            out.append(SlotChange(slot, before.name, "gone"))
        elif before is not None and after is not None:
            was, will = _texts(before, unit), _texts(after, unit)
            fields = tuple(
                (key, was[key], will[key]) for key in will if _raw(before, key) != _raw(after, key)
            )
            out.append(SlotChange(slot, after.name, "changed" if fields else "same", fields))
    return out


def any_change(changes: Sequence[SlotChange]) -> bool:
    """True when a push would change anything."""
    return any(change.sort != "same" for change in changes)


_KEYS = {
    "name": "",
    "force": "setpoint_n",
    "tooling": "tool_limit_n",
    "dwell": "dwell_ms",
    "return": "latch_return",
    "cutoff required": "cutoff_required",
    "batch": "batch",
    "unproven": "unproven",
    "stops on": "stop_on",
    "depth": "depth_um",
    "slow from": "slow_from_um",
    "force window from": "window_low_n",
    "force window to": "window_high_n",
    "depth window from": "window_low_um",
    "depth window to": "window_high_um",
    "handling": "handling",
}
_TRAVEL = frozenset(list(_KEYS)[list(_KEYS).index("stops on") :])


def _raw(job: DeviceJob, key: str) -> int | str:
    return job.fields.get(_KEYS[key], 0) if _KEYS[key] else job.name


def _texts(job: DeviceJob, unit: str) -> dict[str, str]:
    fields = job.fields
    limit = fields["tool_limit_n"]
    return {
        "name": job.name,
        "force": show(float(fields["setpoint_n"]), "newton", unit),
        "tooling": show(float(limit), "newton", unit) if limit else "none given",
        "dwell": f"{fields['dwell_ms'] / 1000:g} s",
        "return": definition().word("latch_return", fields["latch_return"]),
        "cutoff required": "yes" if fields["cutoff_required"] else "no",
        "batch": str(fields["batch"]) if fields["batch"] else "no count",
        "unproven": "yes" if fields["unproven"] else "no",
    } | _travel_texts(job, unit)


def _travel_texts(job: DeviceJob, unit: str) -> dict[str, str]:
    """Only what is set: most jobs know nothing of travel."""
    fields = job.fields
    out = {"stops on": definition().word("stop_on", fields.get("stop_on", 0))}
    for key in ("depth", "slow from", "depth window from", "depth window to"):
        value = fields.get(_KEYS[key], 0)
        out[key] = f"{value / 1000:.3f} mm" if value else "none"
    for key in ("force window from", "force window to"):
        value = fields.get(_KEYS[key], 0)
        out[key] = show(float(value), "newton", unit) if value else "none"
    out["handling"] = "yes" if fields.get("handling", 0) else "no"
    return out
