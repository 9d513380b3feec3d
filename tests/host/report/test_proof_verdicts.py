"""Verdicts are records: what the curve of a part said stands in the store, the proof and every export."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest
from tests.host.report.test_proof import fill

from steadyram.cli import main
from steadyram.config import Preferences
from steadyram.cycles.batches import choose_batch
from steadyram.cycles.export import each_named
from steadyram.cycles.judgements import judge_since, judgements, newest_judgements
from steadyram.cycles.said_since import marks, said_since
from steadyram.cycles.store import CycleStore, PartTest, Verdict, Withdrawal
from steadyram.link.records import Trace
from steadyram.report.proof import prove
from steadyram.report.proof_csv import proof_csv
from steadyram.report.proof_page import render_proof
from steadyram.report.proof_pdf import proof_pdf
from steadyram.report.proof_text import headline, proof_findings
from steadyram_fw import tables as T

MISSING, DOUBLE = 12, 30


def curve(rng: np.random.Generator, contact: int, travel: int) -> tuple[int, ...]:
    """A clinch by time, newtons: free travel, a plateau, a stiff end; 1 ms a point."""
    rise = np.linspace(0.0, 5000.0, max(2, travel // 5))
    plateau = np.linspace(5000.0, 5500.0, travel)
    stiff = np.linspace(5500.0, 9000.0, 24)
    force = np.concatenate([np.zeros(contact), rise, plateau, stiff, np.full(120, 9000.0)])
    return tuple(int(each) for each in np.maximum(force + rng.normal(0.0, 8.0, len(force)), 0.0))


def store_with_odd_parts(path: Path, ended: dict[int, dict[str, int]] | None = None) -> None:
    rng = np.random.default_rng(4)
    flags = T.FLAG_CUTOFF | T.FLAG_LEARNED
    odd = {f"r{seq}": {"flags": flags, **(ended or {}).get(seq, {})} for seq in range(2, 41)}
    fill(path, n=40, **odd)
    traces = []
    for seq in range(1, 41):
        contact, travel = 200 + round(rng.normal(0.0, 2.0)), 60
        if seq == MISSING:
            contact, travel = 290, 2
        elif seq == DOUBLE:
            contact, travel = 100, 120
        elif seq in (ended or {}):
            traces.append((seq, Trace(seq, 0.001, 1.0, (20,) * 90)))
            continue
        traces.append((seq, Trace(seq, 0.001, 1.0, curve(rng, contact, travel))))
    with CycleStore(path) as store:
        store.add_traces("p1", traces)
        judge_since(store, "p1", 0, wall=lambda: 50)


def test_a_missing_and_a_doubled_part_stand_in_the_first_line(tmp_path: Path) -> None:
    path = tmp_path / "c.db"
    store_with_odd_parts(path)
    with CycleStore(path) as store:
        batch = choose_batch(store, "p1", None, None)
        kept = newest_judgements(store, "p1")
        proof = prove(store, batch)
        exported = list(each_named(store, "p1"))
    assert (kept[MISSING].part, kept[DOUBLE].part) == ("missing", "double")
    assert all(
        each.part in ("good", "not judged") for seq, each in kept.items() if seq not in (MISSING, DOUBLE)
    )
    assert kept[MISSING].envelope
    assert kept[MISSING].provisional
    assert f"1 with hardware missing (record {MISSING}), 1 doubled (record {DOUBLE})" in headline(proof)
    page = render_proof(proof, Preferences(), made_unix=1)
    assert page.index(headline(proof)) < page.index("<h2>")
    assert len(proof_pdf(proof, Preferences(), made_unix=1)) > 1000
    findings = [finding.text for finding in proof_findings(proof, Preferences()) if finding.grave]
    assert f"(record {MISSING})" in findings[0]
    rows = list(csv.DictReader(io.StringIO(proof_csv(proof))))
    assert [row["judged"] for row in rows if row["seq"] in (str(MISSING), str(DOUBLE))] == [
        "missing",
        "double",
    ]
    assert all(row["envelope"] for row in rows if row["judged"])
    assert next(each for each in exported if each["seq"] == DOUBLE)["judged"] == "double"


@pytest.mark.parametrize(("early", "grave"), [(2, False), (12, True)])
def test_strokes_that_were_not_judged_are_counted_in_the_first_line(
    tmp_path: Path, early: int, grave: bool
) -> None:
    path = tmp_path / "c.db"
    ended = {"stop": T.STOP_OVERDUE, "duration_ms": 90}
    store_with_odd_parts(path, {seq: ended for seq in range(16, 16 + early)})
    with CycleStore(path) as store:
        proof = prove(store, choose_batch(store, "p1", None, None))
    # Those that the device ended long before contact was due.
    assert proof.not_judged == list(range(16, 16 + early))
    assert headline(proof).endswith(f"; {early} not judged by their curves.")
    (said,) = (
        each for each in proof_findings(proof, Preferences()) if "not judged by the curve" in each.text
    )
    assert said.grave == grave
    assert said.text.startswith(f"{early} of 40 strokes ")


def test_a_word_changes_what_was_said_and_the_first_judgement_stays(tmp_path: Path) -> None:
    path = tmp_path / "c.db"
    store_with_odd_parts(path)
    with CycleStore(path) as store:
        told = marks(store, "p1")
        for seq in range(2, 12):
            store.add_verdict("p1", Verdict(seq, "good", "", "ab", 60))
        judge_since(store, "p1", 0, wall=lambda: 61)
        of_missing = [each for each in judgements(store, "p1") if each.seq == MISSING]
        assert [each.provisional for each in of_missing] == [True, False]
        # The same words again change nothing and add no row.
        assert judge_since(store, "p1", 0, wall=lambda: 62) == []
        store.add_part_test(PartTest("p1", 1, 9, 9000.0, "push-out", 600.0, "N", 700.0, None, 63, "ab", ""))
        messages, _ = said_since(store, "p1", told)
        assert {each.source for each in messages} == {"signature", "person", "test"}
        told = marks(store, "p1")
        (test,) = store.part_tests("p1", 1)
        store.withdraw("p1", "part_test", test.number, Withdrawal("81.2 N typed for 812 N", "ab", 64))
        messages, _ = said_since(store, "p1", told)
        assert [(each.source, each.withdrawn) for each in messages] == [("test", "81.2 N typed for 812 N")]
        proof = prove(store, choose_batch(store, "p1", None, None))
    texts = [finding.text for finding in proof_findings(proof, Preferences())]
    assert not any("destructive test failed" in text for text in texts)
    assert any("withdrawn" in text for text in texts)
    assert "81.2 N typed for 812 N" in render_proof(proof, Preferences(), made_unix=1)


def test_commands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "c.db"
    fill(path, n=20)

    def ended(words: list[str]) -> object:
        try:
            main(words)
        except SystemExit as end:
            return end.code or 0
        return 0

    def run(*words: str) -> object:
        assert ended([*words, "--store", str(path), "--json"]) == 0
        return json.loads(capsys.readouterr().out)

    def refused(*words: str) -> str:
        assert ended([*words, "--store", str(path)]) == 2
        return capsys.readouterr().err

    test = ("batch", "test", "add", "--record", "3", "--kind", "push-out", "--value")
    assert "above --high" in refused(*test, "800 N", "--low", "900 N", "--high", "700 N")
    assert "leave the sign out" in refused(*test, "-800 N")
    assert "leave the sign out" in refused(*test, "800 N", "--low=-1 N")
    run(*test, "81.2 N", "--low", "700 N")
    listed = run("batch", "test", "list")
    assert isinstance(listed, dict)
    number = str(listed["tests"][0]["number"])
    run("batch", "test", "withdraw", "--number", number, "--why", "typed for 812 N")
    assert "withdrawn before" in refused("batch", "test", "withdraw", "--number", number, "--why", "again")
    run("batch", "verdict", "add", "--record", "4", "--bad", "--why", "cracked")
    assert "no record 99" in refused("batch", "verdict", "add", "--record", "99", "--good")
    run("batch", "verdict", "withdraw", "--number", "1", "--why", "wrong part")
    words = run("batch", "verdict", "list")
    assert isinstance(words, dict)
    assert words["verdicts"][0]["withdrawn"] == "wrong part"
    noted = run("batch", "note", "--lot", "H-4711", "--work-order", "WO 12")
    assert isinstance(noted, dict)
    assert noted["notes"] == {"lot": "H-4711", "order": "WO 12"}
    proof = run("batch", "proof", "--out", str(tmp_path / "p"))
    assert isinstance(proof, dict)
    assert proof["notes"] == {"lot": "H-4711", "order": "WO 12"}
    assert proof["called_bad"] == []
    assert "H-4711" in (tmp_path / "p.html").read_text()
