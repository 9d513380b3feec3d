"""`steadyram doctor --board`: what a real board measures of itself, beside the figures of an emulated one.

Nothing is energised and nothing is changed. The emulated figures are those that tests/board measures on an RP2040,
instruction by instruction, with a model of its flash cache (hardware_notes/memory_and_time.md); a real board's go into
a file that its builder can send.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from steadyram import __version__
from steadyram.device import Device
from steadyram.errors import CheckFailed
from steadyram.install.pico_bounds import FREE_LEAST_BYTES

READINGS = 60
UNKNOWN = -1


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table. emulated: figure or range of the emulated board, "" = none; good: None = no limit."""

    name: str
    value: float | None
    unit: str
    emulated: str
    limit: str
    good: bool | None


@dataclass(frozen=True, slots=True)
class _Figure:
    key: str
    name: str
    unit: str
    emulated: str
    limit: str
    within: Callable[[float], bool]


_FIGURES = (
    _Figure("clock_hz", "clock", "Hz", "200000000", "", lambda _: True),
    _Figure("core_mv", "core voltage", "mV", "1150", "1150 or more at 200 MHz", lambda v: v >= 1150),
    _Figure("step_us", "step, mean", "us", "210 to 580", "700 at most", lambda v: v <= 700),
    _Figure("longest_us", "step, longest", "us", "1700 to 4600", "6000 at most", lambda v: v <= 6000),
    _Figure("late_us", "late with a valve energised, at most", "us", "", "3000 at most", lambda v: v <= 3000),
    _Figure("pause_us", "pause at rest, longest (flash)", "us", "", "500000 at most", lambda v: v <= 500_000),
    _Figure("keeper_ms", "valves off without steps after", "ms", "10", "20 at most", lambda v: v <= 20),
    _Figure(
        "heap_free",
        "heap free at rest",
        "bytes",
        "71584",
        f"{FREE_LEAST_BYTES} or more",
        lambda v: v >= FREE_LEAST_BYTES,
    ),
    _Figure("heap_used", "heap used at rest", "bytes", "174304", "", lambda _: True),
)


def self_test(device: Device) -> tuple[list[Row], dict[str, Any]]:
    """Ask the board; returns the table and the document to send.

    Raises CheckFailed when its firmware is too old to tell.
    """
    told = device.board()
    if told is None:
        raise CheckFailed("The board's firmware does not measure itself yet: steadyram install.")
    rows = []
    for figure in _FIGURES:
        value = int(told[figure.key])
        known = value != UNKNOWN
        good = figure.within(value) if known and figure.limit else None
        if figure.key == "core_mv" and int(told["clock_hz"]) < 200_000_000:
            good = None
        rows.append(
            Row(figure.name, value if known else None, figure.unit, figure.emulated, figure.limit, good)
        )
    outputs, pins = int(told["outputs"]), int(told["read_back"])
    rows.append(
        Row("outputs read back at their pins", pins, "", str(outputs), f"{outputs}, as set", pins == outputs)
        if pins != UNKNOWN
        else Row("outputs read back at their pins", None, "", "", "", None)
    )
    rows += _converter(device)
    identity = device.identity()
    document = {
        "kind": "steadyram-board",
        "tool": __version__,
        "firmware": identity.fw,
        "build": told["build"],
        "board": identity.board,
        "micropython": told["interp"],
        "measured": {key: value for key, value in told.items() if isinstance(value, int)},
        "table": [_plain(row) for row in rows],
    }
    return rows, document


def _converter(device: Device) -> list[Row]:
    """Noise at rest, and how many different codes it covers: with one code only, noise cannot smooth the steps."""
    step = device.settings().values["counts_step"]
    readings = [device.now() for _ in range(READINGS)]
    codes = {reading.counts // step for reading in readings}
    spread = max(reading.spread_counts for reading in readings)
    internal = step > 1
    return [
        Row(
            "converter, spread at rest",
            spread,
            "counts of 65536",
            "",
            "24 at most" if internal else "4 at most",
            spread <= (24 if internal else 4),
        ),
        Row(f"converter, different codes in {READINGS} readings", len(codes), "", "", "", None),
    ]


def _plain(row: Row) -> Mapping[str, Any]:
    return {"name": row.name, "value": row.value, "unit": row.unit, "limit": row.limit, "good": row.good}
