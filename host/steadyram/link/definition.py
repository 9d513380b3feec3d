"""The protocol definition as frozen, typed objects: every number and name that two sides must agree on.

The host does not copy the definition, it reads it: from the package data of a wheel
(`steadyram/_protocol/definition.toml`) or from `protocol/definition.toml` of a checkout.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from pathlib import Path
from types import MappingProxyType
from typing import Any

from steadyram.errors import BadInput


@dataclass(frozen=True, slots=True)
class Field:
    """One integer field of a set or record. The unit is the suffix of the name.

    since: version of the protocol that it came with; optional: a set need not put it; values: names of what the numbers
    from 0 mean, where the field is an enumeration.
    """

    name: str
    text: str
    minimum: int
    maximum: int
    default: int
    wide: bool
    since: int = 1
    optional: bool = False
    values: tuple[str, ...] = ()

    def admits(self, value: int) -> bool:
        """True when `value` is within the field's bounds."""
        return self.minimum <= value <= self.maximum


@dataclass(frozen=True, slots=True)
class Named:
    """A numbered name with its sentence: a state, stop reason, fault, refusal or error.

    headline, look: the same for a page; remedy: what to do about it. Empty where the definition has none.
    """

    number: int
    name: str
    text: str
    headline: str = ""
    look: str = ""
    remedy: str = ""


@dataclass(frozen=True, slots=True)
class Verb:
    """One request: its arguments, the keys of its reply and whether it changes something."""

    name: str
    text: str
    args: tuple[str, ...]
    reply: tuple[str, ...]
    change: bool
    enable: bool
    values: Mapping[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Definition:
    """The whole protocol definition, read once."""

    version: int
    oldest_compatible: int
    line_max_bytes: int
    reply_max_bytes: int
    tag_max_chars: int
    inputs: Mapping[str, int]
    outputs: Mapping[str, int]
    states: Mapping[int, Named]
    stops: Mapping[int, Named]
    faults: Mapping[int, Named]
    refusals: Mapping[int, Named]
    errors: Mapping[int, Named]
    flags: Mapping[int, Named]
    settings: tuple[Field, ...]
    measured: tuple[Field, ...]
    job: tuple[Field, ...]
    calibration: tuple[Field, ...]
    record: tuple[Field, ...]
    verbs: Mapping[str, Verb]
    job_slots: int
    job_name_max_chars: int
    _by_name: Mapping[str, Mapping[str, Field]]

    def fields(self, kind: str) -> tuple[Field, ...]:
        """Fields of a set by its kind: "settings", "measured", "jobs" or "calibration". Raises KeyError."""
        return {
            "settings": self.settings,
            "measured": self.measured,
            "jobs": self.job,
            "calibration": self.calibration,
        }[kind]

    def told(self, kind: str, key: str, value: int) -> bool:
        """Return False for an optional field that has its default: canonical texts leave it out."""
        field = self._by_name[kind].get(key)
        return field is None or not field.optional or value != field.default

    def error(self, name: str) -> int:
        """Return the number of an error. Raises KeyError for a name that is none."""
        return {each.name: each.number for each in self.errors.values()}[name]

    def enumeration(self, name: str) -> tuple[str, ...]:
        """Return the names of a field's values, the one for 0 first. Raises KeyError where it is no enumeration."""
        for fields in self._by_name.values():
            if name in fields and fields[name].values:
                return fields[name].values
        raise KeyError(name)

    def value(self, name: str, word: str) -> int:
        """Return the number of an enumeration's value. Raises ValueError for a word that it does not have."""
        return self.enumeration(name).index(word)

    def argument(self, verb: str, name: str, word: str) -> int:
        """Return the number of a word that a verb's argument takes. Raises ValueError for another word."""
        return self.verbs[verb].values[name].index(word)

    def word(self, name: str, value: int) -> str:
        """Return the name of an enumeration's value; "unknown-N" for a number that newer firmware may have added."""
        words = self.enumeration(name)
        return words[value] if 0 <= value < len(words) else f"unknown-{value}"


_WIDE_MAX = 2**32 - 1
_SMALL_MAX = 2**30 - 1


def _fields(rows: list[dict[str, Any]]) -> tuple[Field, ...]:
    built = []
    for row in rows:
        wide = bool(row.get("wide", False))
        values = tuple(str(each["name"]) for each in row.get("values", ()))
        built.append(
            Field(
                name=str(row["name"]),
                text=_meaning(row),
                minimum=0 if values else int(row.get("min", 0 if wide else -_SMALL_MAX)),
                maximum=len(values) - 1 if values else int(row.get("max", _WIDE_MAX if wide else _SMALL_MAX)),
                default=int(row.get("default", 0)),
                wide=wide,
                since=int(row.get("since", 1)),
                optional=bool(row.get("optional", False)),
                values=values,
            )
        )
    return tuple(built)


def _meaning(row: Mapping[str, Any]) -> str:
    """Return what a field means, with every value of an enumeration."""
    told = ", ".join(f"{i} = {each['name']} ({each['text']})" for i, each in enumerate(row.get("values", ())))
    return f"{row['text']}: {told}" if told else str(row["text"])


def _named(rows: list[dict[str, Any]], key: str = "id") -> Mapping[int, Named]:
    built = [
        Named(
            int(row[key]),
            str(row["name"]),
            str(row["text"]),
            *(str(row.get(more, "")) for more in ("headline", "look", "remedy")),
        )
        for row in rows
    ]
    return MappingProxyType({each.number: each for each in built})


def parse_definition(text: str) -> Definition:
    """Build a Definition from the text of `definition.toml`. Raises KeyError or TOMLDecodeError if broken."""
    raw = tomllib.loads(text)
    protocol = raw["protocol"]
    verbs = {
        str(row["name"]): Verb(
            name=str(row["name"]),
            text=str(row["text"]),
            args=tuple(row.get("args", ())),
            reply=tuple(row.get("reply", ())),
            change=bool(row.get("change", False)),
            enable=bool(row.get("enable", False)),
            values={
                key: tuple(each["name"] for each in words) for key, words in row.get("values", {}).items()
            },
        )
        for row in raw["verb"]
    }
    settings, measured, job, calibration = (
        _fields(raw[kind]) for kind in ("setting", "measured", "job", "calibration")
    )
    by_kind = {"settings": settings, "measured": measured, "jobs": job, "calibration": calibration}
    return Definition(
        version=int(protocol["version"]),
        oldest_compatible=int(protocol["oldest_compatible"]),
        line_max_bytes=int(protocol["line_max_bytes"]),
        reply_max_bytes=int(protocol["reply_max_bytes"]),
        tag_max_chars=int(protocol["tag_max_chars"]),
        inputs=MappingProxyType({str(k): int(v) for k, v in raw["inputs"].items()}),
        outputs=MappingProxyType({str(k): int(v) for k, v in raw["outputs"].items()}),
        states=_named(raw["state"]),
        stops=_named(raw["stop"]),
        faults=_named(raw["fault"]),
        refusals=_named(raw["refusal"]),
        errors=_named(raw["error"]),
        flags=_named(raw["flag"], "bit"),
        settings=settings,
        measured=measured,
        job=job,
        calibration=calibration,
        record=_fields(raw["record"]),
        verbs=MappingProxyType(verbs),
        job_slots=int(raw["jobs"]["slots"]),
        job_name_max_chars=int(raw["jobs"]["name_max_chars"]),
        _by_name=MappingProxyType(
            {kind: MappingProxyType({field.name: field for field in rows}) for kind, rows in by_kind.items()}
        ),
    )


def _definition_text() -> str:
    packaged = resources.files("steadyram").joinpath("_protocol", "definition.toml")
    if packaged.is_file():
        return packaged.read_text(encoding="utf-8")
    checkout = Path(__file__).resolve().parents[3] / "protocol" / "definition.toml"
    if checkout.is_file():
        return checkout.read_text(encoding="utf-8")
    raise BadInput("The protocol definition is missing from this installation; install steadyram again.")


@lru_cache(maxsize=1)
def definition() -> Definition:
    """The definition that this installation carries. Raises BadInput when the installation is broken."""
    return parse_definition(_definition_text())


def name_of(table: Mapping[int, Named], number: int) -> str:
    """Name of a number; "unknown-N" for one that a newer firmware may have added."""
    entry = table.get(number)
    return entry.name if entry is not None else f"unknown-{number}"
