"""The user's preferences: units chosen once, kept in the user's configuration directory.

Order: environment (STEADYRAM_FORCE_UNIT, STEADYRAM_PRESSURE_UNIT), then the saved file, then kN and MPa.
The directory is click's for applications; STEADYRAM_CONFIG_DIR names another one.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

import click
from pydantic import BaseModel, ConfigDict, ValidationError, field_validator

from steadyram.errors import BadInput
from steadyram.plain_file import read_plain, write_whole
from steadyram.toml_text import parse_toml
from steadyram.units import FORCE_UNITS, PRESSURE_UNITS, show

DIR_VARIABLE = "STEADYRAM_CONFIG_DIR"
FORCE_VARIABLE = "STEADYRAM_FORCE_UNIT"
PRESSURE_VARIABLE = "STEADYRAM_PRESSURE_UNIT"
# A figure that cannot be known.
NOT_KNOWN = "---"


class Preferences(BaseModel):
    """Units in which figures are shown; nothing inside the tool depends on them."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    force_unit: str = "kN"
    pressure_unit: str = "MPa"

    @field_validator("force_unit")
    @classmethod
    def _force(cls, unit: str) -> str:
        return _one_of(unit, FORCE_UNITS)

    @field_validator("pressure_unit")
    @classmethod
    def _pressure(cls, unit: str) -> str:
        return _one_of(unit, PRESSURE_UNITS)

    def force(self, value_N: float | None, digits: int = 4) -> str:
        """Return a force for people; dashes for one that cannot be known."""
        if value_N is None:
            return NOT_KNOWN
        return show(value_N, "newton", self.force_unit, digits)

    def rate(self, value_N_per_s: float, digits: int = 3) -> str:
        """Return a rate of force for people: "40 kN/s"."""
        return f"{show(value_N_per_s, 'newton', self.force_unit, digits)}/s"

    def line_load(self, value_N_per_m: float, digits: int = 3) -> str:
        """Return a force over a length for people: "250 kN/m"."""
        return f"{show(value_N_per_m, 'newton', self.force_unit, digits)}/m"

    def pressure(self, value_Pa: float | None, digits: int = 4) -> str:
        """Return a pressure for people; dashes for one that cannot be known."""
        if value_Pa is None:
            return NOT_KNOWN
        return show(value_Pa, "pascal", self.pressure_unit, digits)


def _one_of(unit: str, units: tuple[str, ...]) -> str:
    if unit not in units:
        raise ValueError(f"'{unit[:20]}' is not one of {', '.join(units)}")
    return unit


def config_path(environment: Mapping[str, str] = os.environ) -> Path:
    """Where the preferences are kept."""
    given = environment.get(DIR_VARIABLE)
    return (Path(given) if given else Path(click.get_app_dir("steadyram"))) / "preferences.toml"


def preferences(environment: Mapping[str, str] = os.environ) -> Preferences:
    """The preferences in force. Raises BadInput when the file or a variable is wrong."""
    path = config_path(environment)
    chosen: dict[str, object] = {}
    try:
        chosen.update(parse_toml(read_plain(path, 20_000).decode("utf-8")))
    except FileNotFoundError:
        pass
    except (OSError, ValueError) as error:
        raise BadInput(
            f"The preferences {path} cannot be read ({error}); run 'steadyram units' again."
        ) from None
    origin = str(path)
    for key, variable in (("force_unit", FORCE_VARIABLE), ("pressure_unit", PRESSURE_VARIABLE)):
        if environment.get(variable):
            chosen[key] = environment[variable]
            origin = f"{path} or {variable}"
    return _build(chosen, origin)


def _build(chosen: Mapping[str, object], origin: str) -> Preferences:
    try:
        return Preferences.model_validate(chosen)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        message = first["msg"].removeprefix("Value error, ")
        raise BadInput(f"{origin}: {where} {message}; run 'steadyram units' to choose again.") from None


def save_preferences(
    force_unit: str | None, pressure_unit: str | None, environment: Mapping[str, str] = os.environ
) -> Preferences:
    """Save the units given and keep the others. Raises BadInput when one is unknown or it cannot be saved."""
    path = config_path(environment)
    present = preferences({DIR_VARIABLE: str(path.parent)})
    chosen = _build(
        {
            "force_unit": force_unit if force_unit is not None else present.force_unit,
            "pressure_unit": pressure_unit if pressure_unit is not None else present.pressure_unit,
        },
        "The choice",
    )
    text = f'force_unit = "{chosen.force_unit}"\npressure_unit = "{chosen.pressure_unit}"\n'
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, text)
    except OSError as error:
        raise BadInput(
            f"{path} cannot be written ({error.strerror}); set {DIR_VARIABLE} to another place."
        ) from None
    return chosen
