"""Sets of settings, measured values, jobs and calibration: completeness, bounds, canonical digest, lines to stage them.

The digest is the device's: see `protocol/REFERENCE.md`.
"""

from __future__ import annotations

import binascii
from collections.abc import Mapping, Sequence

from steadyram.errors import BadInput
from steadyram.link.definition import Definition, definition
from steadyram.link.frames import crc16, write_value
from steadyram.link.records import DeviceJob

# tag, spaces, verb and checksum around the fields of a "put" line
_PUT_OVERHEAD = len("12345678 put") + len(" #0000")


def checked(kind: str, values: Mapping[str, int], protocol: Definition | None = None) -> dict[str, int]:
    """The set's integers in definition order, complete and within bounds.

    kind: "settings", "measured", "jobs" (the fields of one job) or "calibration".
    Raises BadInput naming the first key that is unknown, missing, no whole number or out of bounds.
    """
    if not isinstance(values, Mapping):
        raise BadInput(f"{kind} are {values!r:.60}; give a mapping of every field to its whole number.")
    known = protocol if protocol is not None else definition()
    fields = known.fields(kind)
    names = [field.name for field in fields]
    for key in values:
        if key not in names:
            raise BadInput(f"{kind} has no key '{key}'; the keys are {', '.join(names)}.")
    out = {}
    for field in fields:
        if field.name not in values and field.optional:
            out[field.name] = field.default
            continue
        if field.name not in values:
            raise BadInput(
                f"{kind} lacks '{field.name}' ({field.text}); a set is complete or it is not sent."
            )
        value = values[field.name]
        if not isinstance(value, int):
            raise BadInput(
                f"{kind}: '{field.name}' is {value!r}; give a whole number in the protocol's unit ({field.text})."
            )
        if not field.admits(value):
            raise BadInput(
                f"{kind}: '{field.name}' is {value}, outside {field.minimum} to {field.maximum} "
                f"({field.text})."
            )
        out[field.name] = value
    return out


def press_sets(values: Mapping[str, int]) -> tuple[dict[str, int], dict[str, int]]:
    """Split what is known of a press into its settings and its measured values, which are sets of their own."""
    measured = {field.name for field in definition().measured}
    return (
        {key: value for key, value in values.items() if key not in measured},
        {key: value for key, value in values.items() if key in measured},
    )


def canonical_text(kind: str, content: Mapping[str, int] | Sequence[DeviceJob]) -> str:
    """The text that a set's digest is taken over, the same on both sides.

    The kind, then one `key=value` a line in definition order; jobs by rising slot with the keys
    `slot.name` and `slot.field`. content: jobs for the kind "jobs", otherwise the fields (none = no set).
    Optional fields are left out where they have their default.
    """
    text = f"{kind}\n"
    if isinstance(content, Mapping):
        told = definition().told
        return text + "".join(f"{key}={value}\n" for key, value in content.items() if told(kind, key, value))
    for job in sorted(content, key=lambda each: each.slot):
        text += "".join(f"{job.slot}.{line}\n" for line in _job_lines(job))
    return text


def digest(kind: str, content: Mapping[str, int] | Sequence[DeviceJob]) -> str:
    """CRC-32 (ISO-HDLC) of the canonical text, eight upper-case hex digits."""
    return f"{binascii.crc32(canonical_text(kind, content).encode('ascii')):08X}"


def job_crc(job: DeviceJob) -> int:
    """CRC-16 of one job's canonical text without its slot: what a cycle record carries as `job_crc`."""
    return crc16("".join(f"{line}\n" for line in _job_lines(job)).encode("ascii"))


def _job_lines(job: DeviceJob) -> list[str]:
    told = definition().told
    pairs = [(key, value) for key, value in job.fields.items() if told("jobs", key, value)]
    return [f"name={job.name}", *(f"{key}={value}" for key, value in pairs)]


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
