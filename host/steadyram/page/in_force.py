"""The sets in force on the device that a page shows."""

from __future__ import annotations

from dataclasses import dataclass

from steadyram.link.records import CalibrationState, JobsState, SettingsState


@dataclass
class InForce:
    """The sets in force, read when they change."""

    settings: SettingsState
    measured: SettingsState
    jobs: JobsState
    calibration: CalibrationState
