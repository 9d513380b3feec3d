"""Fields of a calibration set that another calibration keeps."""

from __future__ import annotations

from collections.abc import Mapping

_OF_THE_POSITION = ("position_um_64k", "position_step_nm")


def position_fields(calibration: Mapping[str, int]) -> dict[str, int]:
    """Return the position sensor's part of a calibration set, to be kept when the force is calibrated anew."""
    return {key: calibration.get(key, 0) for key in _OF_THE_POSITION}
