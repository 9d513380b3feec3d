"""The two uncertainties of a reported force: that of the calibration, and that of one stroke."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from steadyram.config import preferences
from steadyram.cycles.store import Snapshot
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


def uncertainty_facts(
    journal: Path | None, calibrations: UsedSets, settings: UsedSets, setpoints_N: Iterable[float]
) -> dict[str, str]:
    """Return a line for each setpoint, by what it is; without a journal one that says how to get them.

    calibrations, settings: sets that the records ran on, the newest last; the settings tell what strokes scatter by.
    Raises BadInput when the journal is of a calibration that no record ran on.
    """
    if journal is None:
        return {
            "uncertainty of the forces": "not known here; give the calibration's journal with --calibration"
        }
    result = analyse(read_journal(journal), str(journal), monte_carlo=False)
    number, used = result.record.header.number, [serial for serial, _, _ in calibrations]
    if number not in used:
        shown = ", ".join(str(serial) for serial in used) or "none"
        raise BadInput(
            f"{journal} is of calibration {number}, and the records ran on {shown}; give the journal of that one."
        )
    newest = next((snapshot for _, snapshot, _ in reversed(settings) if snapshot is not None), None)
    scatter = scatter_of({} if newest is None else newest.content)
    unit = preferences().force_unit
    return {
        f"uncertainty at {show(force, 'newton', unit)}": both_figures(result, force, scatter, unit)
        for force in sorted(set(setpoints_N))
        if force > 0.0
    }
