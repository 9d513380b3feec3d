"""Invented records and traces for tests of the store and of what is worked out from it."""

from __future__ import annotations

from steadyram.cycles.store_schema import RECORD_COLUMNS
from steadyram.link.records import CycleRecord, Identity, Trace, TravelTrace
from steadyram_fw import tables as T


def identity(uid: str, fw: str = "1") -> Identity:
    return Identity(proto=1, oldest=1, fw=fw, board="bench", uid=uid, boot=1, job_slots=16, line_max=240)


def record(seq: int, **fields: int) -> CycleRecord:
    """A landed part of job 1 with a setpoint of 9 kN."""
    values = dict.fromkeys(RECORD_COLUMNS, 0) | {
        "seq": seq,
        "boot": 1,
        "at_ms": 4000 * seq,
        "at_unix": 1_900_000_000 + 4 * seq,
        "job": 1,
        "job_crc": 2,
        "cal_serial": 7,
        "settings_gen": 1,
        "count": seq,
        "setpoint_n": 9000,
        "peak_n": 9000 + (seq * 37) % 23,
        "settled_n": 8950,
        "end_n": 8940,
        "stop": T.STOP_SETPOINT,
        "flags": T.FLAG_CUTOFF | T.FLAG_LEARNED,
        "duration_ms": 1800,
        "contact_ms": 900,
        "zero_counts": 6554,
        "trace_ms": 8,
        "trace_len": 200,
        "trace_unit_n": 1,
        "oil_contact_us": -1,
        "oil_half_us": -1,
        "oil_end_us": -1,
    }
    return CycleRecord(values | fields)


def sample_trace(seq: int, points: int = 200) -> Trace:
    """A rise to about 9 kN."""
    return Trace(seq, 0.008, 1.0, tuple(min(65535, 9000 * at // points + seq % 17) for at in range(points)))


def sample_travel(seq: int, points: int = 200) -> TravelTrace:
    """Down to some 80 mm, in steps of 4 um."""
    return TravelTrace(seq, 0.008, 4e-6, tuple(100 * at + seq % 17 for at in range(points)))
