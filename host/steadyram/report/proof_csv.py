"""The proof of a batch as CSV: every stroke, with what the proof made of it (RFC 4180)."""

from __future__ import annotations

from steadyram.cycles.export import as_csv
from steadyram.report.proof import Proof


def proof_csv(proof: Proof) -> str:
    """One row a stroke: the record in SI values, whether it landed, by what, and is within the limits, rules broken."""
    landed = {record.seq for record in proof.landed}
    outside = {record.seq for record in proof.outside_limits}
    rules: dict[int, list[str]] = {}
    for hit in proof.hits:
        rules.setdefault(proof.charted[hit.index].seq, []).append(str(hit.rule))
    said = {verdict.seq: verdict.verdict for verdict in proof.verdicts}
    tests: dict[int, list[str]] = {}
    for test in proof.tests:
        told = {True: "passed", False: "failed", None: "no limit"}[test.passed]
        tests.setdefault(test.seq, []).append(f"{test.kind} {test.value:g} {test.unit} {told}")
    rows = []
    for record in proof.records:
        row = {"uid": proof.batch.uid, "batch": proof.batch.number, "job_name": proof.name}
        row |= record.to_json()
        row |= {
            "landed": int(record.seq in landed),
            "landed_by": proof.landing.by.get(record.seq, ""),
            "within_limits": int(record.seq not in outside) if record.seq in landed else None,
            "rules_broken": " ".join(rules.get(record.seq, [])),
            "verdict": said.get(record.seq, ""),
            "tests": "; ".join(tests.get(record.seq, [])),
        }
        rows.append(row)
    return as_csv(rows)
