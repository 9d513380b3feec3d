"""The settings file: press settings as TOML, each as a quantity or as an integer in the protocol's unit.

`capacity = "20 tonf"` is a quantity with its unit; `capacity_n = 177929` is the integer that the device holds, in the
unit that the suffix names; `slow_fitted = true` is 1, and `panel_unit = "tonf"` a name of the definition.

A file may hold some keys or all of them; what it lacks keeps the device's value when it is pushed. It may hold measured
values too (a backup of a board, or a file from before they were a set of their own).
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from steadyram.errors import BadInput, UnitError
from steadyram.link.definition import Field, definition
from steadyram.plain_file import read_plain
from steadyram.toml_text import parse_toml
from steadyram.units import parse, to_unit

# Ending of a key: what it counts, and how many of them an SI unit is.
_UNITS: Final[dict[str, tuple[str, str, float]]] = {
    "_um_s": ("micrometres a second", "meter/second", 1e6),
    "_um": ("micrometres", "meter", 1e6),
    "_kpa": ("kilopascals", "pascal", 1e-3),
    "_ms": ("milliseconds", "second", 1e3),
    "_uv_v": ("microvolts a volt", "dimensionless", 1e6),
    "_us": ("microseconds", "second", 1e6),
    "_n_s": ("newtons a second", "newton/second", 1.0),
    "_n": ("newtons", "newton", 1.0),
    "_s": ("seconds", "second", 1.0),
}


_EXAMPLES: Final[dict[str, str]] = {
    "_um_s": "'20 mm/s'",
    "_um": "'4 in'",
    "_kpa": "'5000 psi'",
    "_ms": "'60 s'",
    "_us": "'2 ms'",
    "_uv_v": "'2 mV/V'",
    "_n_s": "'40 kN/s'",
    "_n": "'20 tonf'",
    "_s": "'10 min'",
}


def panel_unit(force_unit: str) -> int:
    """Return the setting that shows the panel's forces in `force_unit`; kN's for a unit that the panel lacks."""
    names = definition().enumeration("panel_unit")
    return names.index(force_unit if force_unit in names else "kN")


def read_settings(path: str | Path) -> dict[str, int]:
    """Read a settings file, measured values included. Raises BadInput that names file, key and bounds."""
    try:
        raw = read_plain(path, 200_000)
    except OSError as error:
        raise BadInput(
            f"The settings file {path} cannot be read ({error.strerror}); give the path of a TOML file."
        ) from None
    if len(raw) > 200_000:
        raise BadInput(f"The settings file {path} is too large to be one; give the path of a settings file.")
    try:
        table = parse_toml(raw.decode("utf-8"))
    except ValueError as error:
        raise BadInput(f"The settings file {path} is not TOML ({error}).") from None
    fields = {field.name: field for field in (*definition().settings, *definition().measured)}
    quantities = {short: field for field in fields.values() if (short := short_name(field.name)) is not None}
    out: dict[str, int] = {}
    for key, value in table.items():
        field = fields.get(key) or quantities.get(key)
        if field is None:
            near = difflib.get_close_matches(key, fields, 1, 0.6)
            raise BadInput(
                f"{path}: the key '{key[:40]}' is not a setting"
                + (f" (did you mean {near[0]}?)" if near else "")
                + "; 'steadyram device settings show --defaults' lists them all."
            )
        if field.name in out:
            raise BadInput(
                f"{path}: {short_name(field.name)} and {field.name} are the same setting; give one."
            )
        number: object = value
        if isinstance(value, str) and field.values:
            number = _named(path, field, value)
        elif key != field.name:
            number = _counted(path, field, key, value)
        elif isinstance(value, bool) and (field.minimum, field.maximum) == (0, 1):
            number = int(value)
        if not isinstance(number, int) or isinstance(number, bool):
            raise BadInput(f"{path}: {key} is not a whole number ({field.text}){_whole(key, value)}.")
        if not field.admits(number):
            raise BadInput(f"{path}: {key} is {value}, outside {_bounds(field, key)} ({field.text}).")
        out[field.name] = number
    if not out:
        raise BadInput(f"{path} has no setting in it; 'steadyram device settings show' writes one.")
    return out


def short_name(name: str) -> str | None:
    """Return the key that takes a quantity for a setting ("capacity_n": "capacity"); None for one without a unit."""
    ending = _ending(name)
    return None if ending is None else name.removesuffix(ending)


def _ending(name: str) -> str | None:
    if name.endswith(("_ppt_s", "_ppm_s", "_uv_v")):
        return None
    return next((ending for ending in _UNITS if name.endswith(ending)), None)


def _counted(path: str | Path, field: Field, key: str, value: object) -> int:
    """Return the integer that a quantity is in the protocol's unit, rounded to the nearest."""
    ending = _ending(field.name)
    assert ending is not None
    _, si, per_si = _UNITS[ending]
    if not isinstance(value, str):
        raise BadInput(
            f"{path}: {key} is {value} without a unit; write a quantity such as {_EXAMPLES[ending]}, or {field.name}."
        )
    return round(parse(value, si, what=f"{path}: {key}") * per_si)


def _named(path: str | Path, field: Field, value: str) -> int:
    if value not in field.values:
        raise BadInput(
            f"{path}: {field.name} is '{value[:20]}', which is not one of {', '.join(field.values)}."
        )
    return field.values.index(value)


def _bounds(field: Field, key: str) -> str:
    if key == field.name:
        return f"{field.minimum} to {field.maximum}"
    ending = _ending(field.name)
    assert ending is not None
    return f"{field.minimum} to {field.maximum} {_UNITS[ending][0]}"


def _whole(key: str, value: object) -> str:
    """What to write instead: the unit that the key's name ends in, and the number where it can be told."""
    ending = "_uv_v" if key.endswith("_uv_v") else _ending(key)
    if ending is None:
        return ""
    words, si, per_si = _UNITS[ending]
    try:
        number = round(parse(str(value), si) * per_si)
    except UnitError:
        return f"; it is a count of {words}"
    short = short_name(key)
    return f"; it is a count of {words}: {key} = {number}" + (
        "" if short is None else f", or {short} = '{value}'"
    )


def settings_text(values: Mapping[str, int]) -> str:
    """Write a whole settings file, each key with its meaning as a comment; measured values follow if they are given."""
    lines = ["# Press settings. The unit of each is the suffix of its name."]
    for field in definition().settings:
        lines.append(f"{field.name} = {values[field.name]}  # {field.text}")
    measured = [field for field in definition().measured if field.name in values]
    if measured:
        lines.append(
            "# Measured values, of this press only. A push takes them with --measured, and leaves them otherwise."
        )
    lines += [f"{field.name} = {values[field.name]}  # {field.text}" for field in measured]
    return "\n".join(lines) + "\n"


def settings_with_units(values: Mapping[str, int], force_unit: str, pressure_unit: str) -> str:
    """Write a whole settings file with quantities, each of which reads back to the integer in `values`.

    force_unit, pressure_unit: units of forces and pressures; lengths are in mm, times in s or ms.
    """
    lines = ["# Press settings. Check each against the press, its nameplate and its data sheets."]
    for field in definition().settings:
        lines.append(f"{_with_unit(field, values[field.name], force_unit, pressure_unit)}  # {field.text}")
    return "\n".join(lines) + "\n"


def _with_unit(field: Field, value: int, force_unit: str, pressure_unit: str) -> str:
    if field.values:
        return f'{field.name} = "{field.values[value]}"'
    text = as_quantity(field.name, value, force_unit, pressure_unit)
    return f"{field.name} = {value}" if text is None else f'{short_name(field.name)} = "{text}"'


def as_shown(field: Field, value: int, force_unit: str, pressure_unit: str) -> str:
    """Return a setting's value for people: the name of an enumeration, a quantity, or the bare number."""
    if 0 <= value < len(field.values):
        return field.values[value]
    return as_quantity(field.name, value, force_unit, pressure_unit) or str(value)


def as_quantity(name: str, value: int, force_unit: str, pressure_unit: str) -> str | None:
    """Return the shortest quantity that reads back to a setting's integer, None for a setting without a unit.

    name: of the setting; force_unit, pressure_unit: units of forces and pressures.
    """
    ending = _ending(name)
    if ending is None:
        return None
    _, si, per_si = _UNITS[ending]
    shown_in = {
        "_n": force_unit,
        "_n_s": f"{force_unit}/s",
        "_kpa": pressure_unit,
        "_um_s": "mm/s",
        "_um": "mm",
        "_ms": "s",
        "_us": "ms",
        "_uv_v": "mV/V",
        "_s": "s",
    }
    unit = shown_in.get(ending)
    if unit is None:
        return None
    for digits in range(2, 12):
        figure = float(f"{to_unit(value / per_si, si, unit):.{digits}g}")
        text = f"{figure:g}" if digits < 7 else f"{figure:.{digits}g}"
        if round(parse(f"{text} {unit}", si) * per_si) == value:
            return f"{text} {unit}"
    return None


def settings_difference(before: Mapping[str, int], after: Mapping[str, int]) -> list[tuple[str, int, int]]:
    """(key, before, after) of every setting that differs, in definition order."""
    names = [field.name for field in (*definition().settings, *definition().measured) if field.name in after]
    return [(name, before[name], after[name]) for name in names if before[name] != after[name]]
