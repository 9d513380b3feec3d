"""A header file to fill in whose press and transducer are those of a press file."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

from steadyram.config import Preferences
from steadyram.errors import BadInput
from steadyram.metrology.header_file import TEMPLATE
from steadyram.nameplate import nameplate_settings
from steadyram.press.pressfile import read_press
from steadyram.settings_file import as_quantity


def header_of_press(path: Path, units: Preferences) -> str:
    """Return the text of a header file for the press in `path`; what the press file does not say is the template's.

    The figures are those of the settings that are made from the same press file. Raises BadInput.
    """
    press = read_press(path)
    settings = nameplate_settings(press)

    def quantity(name: str, value: int) -> str:
        return f'"{as_quantity(name, value, units.force_unit, units.pressure_unit)}"'

    text = _given(TEMPLATE, "counts_step", str(settings["counts_step"]))
    text = _given(text, "what", json.dumps(press.name), after="[press]")
    text = _given(text, "rated_force", quantity("capacity_n", settings["capacity_n"]))
    if press.force_sensor is None:
        text = _given(text, "bore", quantity("bore_um", settings["bore_um"]))
        return _given(text, "range", quantity("range_kpa", settings["range_kpa"]))
    full = quantity("capacity_n", math.floor(press.force_sensor.full_N))
    for key in ("bore", "bore_u_percent", "range"):
        text = re.sub(rf"^{key} = ", f"# {key} = ", text, count=1, flags=re.MULTILINE)
    text = _given(text, "what", '"force sensor"', after="[transducer]")
    return text.replace('# full_output = "200 kN"', f"full_output = {full}", 1)


def _given(text: str, key: str, value: str, after: str = "") -> str:
    """Give the first `key` after `after` another value; its remark keeps its column where there is room."""
    start = text.index(after)
    found = re.compile(rf"^{key} = (\"[^\"]*\"|[0-9.]+)( *)", re.MULTILINE).search(text, start)
    if found is None:
        raise BadInput(f"The template of a header has no {key}.")
    line = f"{key} = {value}"
    if found[2]:
        line = f"{line:<{len(found[0]) - 1}} "
    return text[: found.start()] + line + text[found.end() :]
