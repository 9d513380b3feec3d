"""Sets of settings, jobs and calibration: completeness, bounds, canonical digest, lines to stage them.

The digest is the device's: see "Digest of a set" in `protocol/REFERENCE.md`.
"""

from __future__ import annotations

import binascii
from collections.abc import Iterable, Mapping, Sequence

from steadyram.errors import BadInput
from steadyram.link.definition import Definition, definition
from steadyram.link.frames import write_value
from steadyram.link.records import DeviceJob

# tag, spaces, verb and checksum around the fields of a "put" line
_PUT_OVERHEAD = len("12345678 put") + len(" #0000")


def checked(kind: str, values: Mapping[str, int], protocol: Definition | None = None) -> dict[str, int]:
    """The set's integers in definition order, complete and within bounds.

    kind: "settings", "jobs" (the fields of one job) or "calibration".
    Raises BadInput naming the first key that is unknown, missing or out of bounds.
    """
    known = protocol if protocol is not None else definition()
    fields = known.fields(kind)
    names = [field.name for field in fields]
    for key in values:
        if key not in names:
            raise BadInput(f"{kind} has no key '{key}'; the keys are {', '.join(names)}.")
    out = {}
    for field in fields:
        if field.name not in values:
            raise BadInput(
                f"{kind} lacks '{field.name}' ({field.text}); a set is complete or it is not sent."
            )
        value = values[field.name]
        if not field.admits(value):
            raise BadInput(
                f"{kind}: '{field.name}' is {value}, outside {field.minimum} to {field.maximum} "
                f"({field.text})."
            )
        out[field.name] = value
    return out


def digest_of_fields(values: Iterable[tuple[str, int]]) -> str:
    """Digest of settings or calibration from its pairs in definition order."""
    return _digest("".join(f"{key}={value}\n" for key, value in values))


def digest_of_jobs(jobs: Sequence[DeviceJob]) -> str:
    """Digest of a set of jobs, in slot order whatever order they come in."""
    text = ""
    for job in sorted(jobs, key=lambda each: each.slot):
        text += f"slot={job.slot}\nname={job.name}\n"
        text += "".join(f"{key}={value}\n" for key, value in job.fields.items())
    return _digest(text)


def _digest(text: str) -> str:
    return f"{binascii.crc32(text.encode('ascii')):08X}"


def put_lines(
    pairs: Sequence[tuple[str, str | int]], line_max: int, prefix: tuple[str, int] | None = None
) -> list[dict[str, str | int]]:
    """Split pairs over as few "put" lines as fit in `line_max` bytes each.

    prefix: a pair that every line begins with (the slot of a job).
    """
    head: dict[str, str | int] = dict([prefix]) if prefix is not None else {}
    room = line_max - _PUT_OVERHEAD - sum(_length(key, value) for key, value in head.items())
    lines: list[dict[str, str | int]] = []
    left = 0
    for key, value in pairs:
        size = _length(key, value)
        if not lines or size > left:
            lines.append(dict(head))
            left = room
        lines[-1][key] = value
        left -= size
    return lines


def _length(key: str, value: str | int) -> int:
    return 2 + len(key) + len(write_value(value))
