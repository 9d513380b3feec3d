"""The proof of a batch as CSV: every stroke, with what the proof made of it (RFC 4180)."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from steadyram.cycles.export import as_csv
from steadyram.cycles.notes import NAMES
from steadyram.link.records import CycleRecord
from steadyram.report.landing import target_of
from steadyram.report.proof import Proof


def utc(unix: int) -> str:
    """A time as spreadsheets read it, in UTC; empty when the clock was never set."""
    return datetime.fromtimestamp(unix, UTC).strftime("%Y-%m-%d %H:%M:%S") if unix else ""


def _limit(proof: Proof, record: CycleRecord, off: float) -> float:
    """A limit of one part: about its own setpoint, whose share the limits are, or about the depth asked for."""
    target = target_of(record, proof.quantity)
    if proof.quantity == "depth":
        return target + off
    most = max(proof.setpoints, key=lambda point: point[1])[0]
    return target + off * (target / most if most else 1.0)


def proof_csv(proof: Proof) -> str:
    """One row a stroke: the record in SI values, what it was made under, what the proof and people made of it."""
    return as_csv(proof_rows(proof))


def proof_rows(proof: Proof) -> list[dict[str, Any]]:
    """The same as rows, for the CSV and for a spreadsheet."""
    landed = {record.seq for record in proof.landed}
    outside = {record.seq for record in proof.outside_limits}
    rules: dict[int, list[str]] = {}
    for hit in proof.hits:
        rules.setdefault(proof.charted[hit.index].seq, []).append(str(hit.rule))
    said = {each.seq: each for each in proof.verdicts if each.withdrawn is None}
    tests: dict[int, list[str]] = {}
    for test in proof.tests:
        if test.withdrawn is None:
            tests.setdefault(test.seq, []).append(test.in_words())
    firmware = proof.firmware_of
    settings = {gen: snapshot.digest for gen, snapshot, _ in proof.settings if snapshot}
    calibrations = {serial: snapshot.digest for serial, snapshot, _ in proof.calibrations if snapshot}
    rows = []
    for record in proof.records:
        word, judged = said.get(record.seq), proof.judgements.get(record.seq)
        row = {"uid": proof.batch.uid, "batch": proof.batch.number, "job_name": proof.name}
        row |= record.to_json()
        row |= {
            "at_utc": utc(record["at_unix"]),
            "fw": firmware.get(record.seq, ""),
            "protocol": proof.protocol,
            "settings_digest": settings.get(record["settings_gen"], "unknown"),
            "calibration_digest": calibrations.get(record["cal_serial"], "unknown"),
            "job_digest": f"{record['job_crc']:08x}",
            "limit_low": _limit(proof, record, -proof.limits.below),
            "limit_high": _limit(proof, record, proof.limits.above),
            "limits_unit": "N" if proof.quantity == "force" else "m",
            "limits_from": proof.limits.origin,
            "reference": proof.reference,
            **{NAMES[name].replace(" ", "_"): proof.notes.get(name, "") for name in NAMES},
            "first_part": int("first" in record.flags),
            "landed": int(record.seq in landed),
            "landed_by": proof.landing.by.get(record.seq, ""),
            "within_limits": int(record.seq not in outside) if record.seq in landed else None,
            "rules_broken": " ".join(rules.get(record.seq, [])),
            "verdict": word.verdict if word else "",
            "verdict_why": word.why if word else "",
            "verdict_by": word.by if word else "",
            "verdict_utc": utc(word.at_unix) if word else "",
            "judged": judged.part if judged else "",
            "judged_press": judged.press if judged else "",
            "judged_why": judged.reason if judged else "",
            "envelope": judged.envelope if judged else "",
            "envelope_provisional": int(judged.provisional) if judged else None,
            "tests": "; ".join(tests.get(record.seq, [])),
        }
        rows.append(row)
    return rows
