"""The proof of a batch as CSV: every stroke, with what the proof made of it (RFC 4180)."""

from __future__ import annotations

from datetime import UTC, datetime

from steadyram.cycles.export import as_csv
from steadyram.report.proof import Proof


def utc(unix: int) -> str:
    """A time as spreadsheets read it, in UTC; empty when the clock was never set."""
    return datetime.fromtimestamp(unix, UTC).strftime("%Y-%m-%d %H:%M:%S") if unix else ""


def proof_csv(proof: Proof) -> str:
    """One row a stroke: the record in SI values, whether it landed, by what, and is within the limits, rules broken."""
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
    rows = []
    for record in proof.records:
        word, judged = said.get(record.seq), proof.judgements.get(record.seq)
        row = {"uid": proof.batch.uid, "batch": proof.batch.number, "job_name": proof.name}
        row |= record.to_json()
        row |= {
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
    return as_csv(rows)
