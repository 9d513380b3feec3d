"""The two uncertainties of a reported force: that of the calibration, and that of one stroke."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from steadyram.config import preferences
from steadyram.cycles.store import CycleStore, Snapshot
from steadyram.errors import BadInput
from steadyram.metrology.analyse import analyse
from steadyram.metrology.journal import read_journal
from steadyram.metrology.stroke import both_figures, scatter_of
from steadyram.units import show

UsedSets = Sequence[tuple[int, Snapshot | None, int]]


def reference_of(journal: Path | None) -> str:
    """The reference of a calibration with serial number and certificate, by its journal; "unknown" without one."""
    if journal is None:
        return "unknown: give the calibration's journal"
    reference = read_journal(journal).header.reference
    return f"{reference.what}, serial {reference.serial}, certificate {reference.certificate or 'none named'}"


def measured_of(store: CycleStore, uid: str) -> dict[str, int]:
    """Return the measured values of a device that were pulled last, by their names; empty where none were."""
    kept = store.snapshots(uid, "measured")
    return dict(kept[-1].content) if kept else {}


def uncertainty_facts(
    journal: Path | None, calibrations: UsedSets, measured: Mapping[str, int], setpoints_N: Iterable[float]
) -> dict[str, str]:
    """Return a line for each setpoint, by what it is; without a journal one that says how to get them.

    calibrations: those that the records ran on, the newest last; measured: the device's measured values, which tell
    what strokes scatter by (empty where none were pulled).
    Raises BadInput when the journal is of a calibration that no record ran on.
    """
    if journal is None:
        return {
            "uncertainty of the forces": "not known here; give the calibration's journal with --calibration"
        }
    result = analyse(read_journal(journal), str(journal))
    number, used = result.record.header.number, [serial for serial, _, _ in calibrations]
    if number not in used:
        shown = ", ".join(str(serial) for serial in used) or "none"
        raise BadInput(
            f"{journal} is of calibration {number}, and the records ran on {shown}; give the journal of that one."
        )
    scatter = scatter_of(measured)
    unit = preferences().force_unit
    return {
        f"uncertainty at {show(force, 'newton', unit)}": both_figures(result, force, scatter, unit)
        for force in sorted(set(setpoints_N))
        if force > 0.0
    }
