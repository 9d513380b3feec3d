"""What a calibration must have shown before a standard's name is printed beside it.

Requirements from memory of ISO 7500-1 (machine classes), ASTM E4 (one per cent), ASTM E74 (lower limit
factor) and ISO 376 (the reference). None of the paid standards was read for this file, but a public extract of
ISO 7500-1:2015 on temperature (10 to 35 degrees Celsius, 2 degrees in a run) and preloading (three times).
A quantity that was not measured disqualifies: it is listed in words that say what to take.
"""

from __future__ import annotations

from collections.abc import Sequence

from steadyram.config import preferences
from steadyram.metrology.budget import combine
from steadyram.metrology.grouping import SAME_FORCE_PART
from steadyram.metrology.header import Header
from steadyram.metrology.levels import LevelErrors
from steadyram.metrology.measurement import SEAT, Newton, measurement_of
from steadyram.metrology.nameplate import nameplate_doubted, nameplate_ratio
from steadyram.metrology.record import CalibrationRecord
from steadyram.metrology.traceability import traceability_lacks

ISO_RUNS = 3
ISO_LEVELS = 5
ISO_TEMPERATURE_C = (10.0, 35.0)
# The standard asks for it in each run; here it is read at the start of the first and at the end of the last, which is
# stricter.
ISO_TEMPERATURE_SPAN_K = 2.0
E4_RUNS = 2
E74_READINGS = 30
E74_LEVELS = 10
# Expanded uncertainty of the reference over the class: ISO 376's limits for its classes 0.5, 1 and 2 are 0.12,
# 0.24 and 0.45 % (from memory, fairly), that is about a quarter.
REFERENCE_PART = 0.25
# A force that is brought up, held and read takes longer than this (own rule, seconds).
LEAST_POINT_S = 5.0


def _common(record: CalibrationRecord) -> list[str]:
    """Lacks that count against every standard."""
    header = record.header
    lacks = traceability_lacks(record)
    if header.reference.kind == "gauge":
        lacks.append("a gauge on the line is not a force standard under the ram: take a load cell")
    if header.zero_counts_after is None:
        lacks.append("the zero return was not read: read the zero again with the ram back at the top")
    if nameplate_doubted(record):
        lacks.append(
            f"the force a count is {nameplate_ratio(record) - 1.0:+.1%} off the nameplate's: check reference, unit, "
            "bore and range, and write in the header what explains it (nameplate_explained) and which measurement "
            "bears that out (measured_bore, second_reference)"
        )
    return lacks


def _runs(levels: Sequence[LevelErrors], needed: int, runs: int) -> list[str]:
    lacks = []
    if runs < needed:
        lacks.append(
            f"{runs} rising {_times(runs)} taken: take {needed}, with the reference re-seated between"
        )
    elif any(len(level.q_by_run) < needed for level in levels):
        lacks.append(
            f"not every force was taken in {needed} rising runs: take the same forces in each, within "
            f"{SAME_FORCE_PART:.0%} of them"
        )
    return lacks


def _times(runs: int) -> str:
    return "run was" if runs == 1 else "runs were"


def iso_lacks(record: CalibrationRecord, levels: Sequence[LevelErrors], runs: int) -> tuple[str, ...]:
    """Return what is missing for a class of ISO 7500-1, each a clause; empty when nothing is."""
    header = record.header
    lacks = _common(record) + _runs(levels, ISO_RUNS, runs)
    if len(levels) < ISO_LEVELS:
        lacks.append(f"{len(levels)} forces were taken: take {ISO_LEVELS} or more")
    fallen = min((len(level.v_by_run) for level in levels[:-1]), default=0)
    # With a gauge, which is no force standard in any case, there is nothing to measure it with.
    if header.reference.kind == "load-cell" and fallen < max(1, min(ISO_RUNS, runs)):
        lacks.append("reversibility was not measured in every run: take each force coming down, too")
    if header.fluctuation_counts is None:
        lacks.append(
            "the fluctuation of the reading at rest was not measured, so the resolution is not known"
        )
    if runs >= ISO_RUNS and not record.reseated and header.reference.kind == "load-cell":
        lacks.append(
            "the record does not say that the reference was re-seated before every run but the first"
        )
    if not record.preloaded:
        lacks.append(
            "the highest force was not put on three times before the first run and again after each re-seating"
        )
    if runs > 1 and record.zero_returns_counts is None:
        lacks.append("the zero was not read before and after each run")
    if header.reference.kind == "load-cell" and header.reference.iso_376_class is None:
        lacks.append("the load cell's class of ISO 376 is not stated ([reference] iso_376_class)")
    return (*lacks, *_times_told(record), *_temperature(header))


def _times_told(record: CalibrationRecord) -> list[str]:
    """Hold the points' times against what it takes to bring a force up, hold and read it."""
    at = [p.at for p in record.points]
    if any(t is None for t in at):
        return ["the time of each point is not recorded"]
    told = sorted(t for t in at if t is not None)
    each = (told[-1] - told[0]).total_seconds() / max(1, len(told) - 1)
    if record.header.simulated or each >= LEAST_POINT_S:
        return []
    return [
        f"the points were taken {each:.1f} s apart in the mean: a force that is brought up, held and read takes "
        f"{LEAST_POINT_S:g} s and more"
    ]


def _temperature(header: Header) -> list[str]:
    told = header.environment
    low, high = ISO_TEMPERATURE_C
    if told.ambient_C is None or told.ambient_end_C is None:
        when = "start" if told.ambient_C is None else "end"
        return [f"the ambient temperature at the {when} was not recorded"]
    lacks = [
        f"{t:g} °C is outside {low:g} to {high:g} °C"
        for t in sorted({told.ambient_C, told.ambient_end_C})
        if not low <= t <= high
    ]
    span = abs(told.ambient_end_C - told.ambient_C)
    if span > ISO_TEMPERATURE_SPAN_K:
        lacks.append(
            f"the temperature changed by {span:.1f} °C from start to end, more than {ISO_TEMPERATURE_SPAN_K:g} °C"
        )
    return lacks


def e4_lacks(record: CalibrationRecord, levels: Sequence[LevelErrors], runs: int) -> tuple[str, ...]:
    """Return what is missing for a statement on the one per cent of ASTM E4."""
    lacks = _common(record) + _runs(levels, E4_RUNS, runs)
    if len(levels) < ISO_LEVELS:
        lacks.append(f"{len(levels)} forces were taken: take {ISO_LEVELS} or more")
    start = record.header.reference.class_a_from
    if start is None:
        lacks.append(
            "the force from which the load cell is of class A is not stated ([reference] class_a_from)"
        )
    elif levels and min(level.force_N for level in levels) < start * (1 - 1e-9):
        lacks.append(
            f"the load cell is of class A from {preferences().force(start)} only: take no force below that"
        )
    return tuple(lacks)


def e74_lacks(record: CalibrationRecord, levels: Sequence[LevelErrors], runs: int) -> tuple[str, ...]:
    """Return what is missing for the terms of ASTM E74."""
    lacks = _common(record) + _runs(levels, ISO_RUNS, runs)
    readings = sum(len(level.q_by_run) for level in levels)
    if readings < E74_READINGS:
        lacks.append(f"{readings} rising readings were taken: take {E74_READINGS} or more")
    if len(levels) < E74_LEVELS:
        lacks.append(f"{len(levels)} forces were taken: take {E74_LEVELS} or more")
    if not record.reseated:
        lacks.append("the reference was not re-seated between the runs")
    return tuple(lacks)


def reference_class(record: CalibrationRecord, lowest_N: float, classes: Sequence[float]) -> float | None:
    """Return the best of `classes` for which the reference is good enough at the lowest force, None for none."""
    # Of the instrument itself: how it is seated is the calibration's matter.
    lines = [c for c in measurement_of(record.header).components(Newton(lowest_N)) if c.name != SEAT]
    percent = 100.0 * combine(lines).expanded / lowest_N
    own = record.header.reference.iso_376_class or 0.0
    return next((c for c in classes if percent <= REFERENCE_PART * c and own <= c), None)
