"""The settings file: press settings as TOML, integers in the protocol's units (the suffix of each key).

A file may hold some keys or all of them; what it lacks keeps the device's value when it is pushed. It may hold measured
values too (a backup of a board, or a file from before they were a set of their own).
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from steadyram.errors import BadInput, UnitError
from steadyram.link.definition import definition
from steadyram.plain_file import read_plain
from steadyram.toml_text import parse_toml
from steadyram.units import parse

# Ending of a key: what it counts, and how many of them an SI unit is.
_UNITS: Final[dict[str, tuple[str, str, float]]] = {
    "_um": ("micrometres", "meter", 1e6),
    "_kpa": ("kilopascals", "pascal", 1e-3),
    "_ms": ("milliseconds", "second", 1e3),
    "_us": ("microseconds", "second", 1e6),
    "_n_s": ("newtons a second", "newton/second", 1.0),
    "_n": ("newtons", "newton", 1.0),
    "_s": ("seconds", "second", 1.0),
}


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
    out: dict[str, int] = {}
    for key, value in table.items():
        field = fields.get(key)
        if field is None:
            near = difflib.get_close_matches(key, fields, 1, 0.6)
            raise BadInput(
                f"{path}: the key '{key[:40]}' is not a setting"
                + (f" (did you mean {near[0]}?)" if near else "")
                + "; 'steadyram device settings show --defaults' lists them all."
            )
        if not isinstance(value, int) or isinstance(value, bool):
            raise BadInput(f"{path}: {key} is not a whole number ({field.text}){_whole(key, value)}.")
        if not field.admits(value):
            raise BadInput(
                f"{path}: {key} is {value}, outside {field.minimum} to {field.maximum} ({field.text})."
            )
        out[key] = value
    if not out:
        raise BadInput(f"{path} has no setting in it; 'steadyram device settings show' writes one.")
    return out


def _whole(key: str, value: object) -> str:
    """What to write instead: the unit that the key's name ends in, and the number where it can be told."""
    for ending, (words, si, per_si) in _UNITS.items():
        if not key.endswith(ending):
            continue
        try:
            number = round(parse(str(value), si) * per_si)
        except UnitError:
            return f"; it is a count of {words}"
        return f"; it is a count of {words}: {key} = {number}"
    return ""


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


def settings_difference(before: Mapping[str, int], after: Mapping[str, int]) -> list[tuple[str, int, int]]:
    """(key, before, after) of every setting that differs, in definition order."""
    names = [field.name for field in (*definition().settings, *definition().measured) if field.name in after]
    return [(name, before[name], after[name]) for name in names if before[name] != after[name]]
