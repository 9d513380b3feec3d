"""Every row of the standards' table in calibration.md: it stands in the output, and what lacks it is refused.

A row that is added to the table needs its case here, and a case its row.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from tests.host.metrology.calibration_samples import counts_of, record, starts
from tests.host.metrology.test_calibration_cli import journal_of
from tests.host.metrology.test_certificate import REFERENCE, complete

from steadyram.errors import BadInput
from steadyram.metrology.analyse import Analysis, analyse
from steadyram.metrology.certificate import contents
from steadyram.metrology.certificate_file import html
from steadyram.metrology.classes import lower_limit, machine_class
from steadyram.metrology.header import Point
from steadyram.metrology.issues import next_issue
from steadyram.metrology.journal import read_journal
from steadyram.metrology.record import document_number
from steadyram.metrology.standards import standards
from steadyram.metrology.verify import verify

PAGE = Path(__file__).parents[2] / "hardware_notes" / "calibration.md"


def rows() -> list[str]:
    """What is asked, by row."""
    text = PAGE.read_text(encoding="utf-8")
    table = text[text.index("| standard | asks for") :].split("\n\n")[0].splitlines()[2:]
    return [line.split("|")[2].strip() for line in table]


def found(changes: dict | None = None, **options) -> Analysis:
    return analyse(record(head=complete(**(changes or {})), noise=1.0, **options), "x", monte_carlo=False)


def without_class(changes: dict | None = None, word: str = "", **options) -> None:
    """No class is printed, and the sentence says what to take."""
    done = found(changes, **options)
    assert done.iso_class is None
    assert all(level.iso_class is None for level in done.levels)
    (sentence,) = [s for s in standards(done, "kN") if "ISO 7500-1" in s]
    assert word in sentence
    assert not re.search(r"keep ISO 7500-1 class \d", sentence)


def document(tmp: Path, changes: dict | None = None, **options):
    path = journal_of(tmp / f"{len(list(tmp.iterdir()))}.jsonl", head=complete(**(changes or {})), noise=1.0)
    done = analyse(read_journal(path), "x", monte_carlo=False)
    said = contents(done, issued=datetime(2026, 1, 5, tzinfo=UTC), **options)
    return said, html(said, done)


def no_certificate(tmp: Path, changes: dict) -> None:
    said, page = document(tmp, changes)
    assert said.title == "Record of a working calibration"
    assert "<h1>Calibration certificate" not in page


def with_all(tmp: Path, *words: str) -> str:
    said, page = document(tmp)
    assert said.title == "Calibration certificate"
    for word in words:
        assert word in page, word
    return page


def runs(tmp: Path) -> None:
    assert found().iso_class is not None
    without_class(runs=2, word="take 3")
    without_class(levels=4, word="take 5")
    without_class({"reseated": False}, word="re-seated")
    with_all(tmp, "3 rising runs of 6 forces", "re-seated before every run but the first")


def preloads(tmp: Path) -> None:
    for missing, word in (
        ({"preloads": 2}, "three times"),
        ({"zero_counts": None}, "before and after each run"),
    ):
        taken = record(head=complete(), noise=1.0).model_copy(update={"starts": starts(3, **missing)})
        done = analyse(taken, "x", monte_carlo=False)
        assert done.iso_class is None
        assert any(word in lack for lack in done.iso_lacks)
    with_all(tmp, "run 1: 3 times, run 2: once, run 3: once", "Zero after each run less zero before it")


def number(tmp: Path) -> None:
    said, page = document(tmp)
    assert f"No. {document_number(read_journal(tmp / '0.jsonl'))}" in page
    first = next_issue(read_journal(tmp / "0.jsonl"), said, "", "", said.issued)
    kept = read_journal(tmp / "0.jsonl").model_copy(update={"issues": (first,)})
    other = dataclasses.replace(said, caution="other")
    with pytest.raises(BadInput, match="amended"):
        next_issue(kept, other, "", "", said.issued)
    with pytest.raises(BadInput, match="--reason"):
        next_issue(kept, other, first.name, " ", said.issued)
    second = next_issue(kept, other, first.name, "slip", said.issued)
    assert (second.issue, second.replaces, second.reason) == (2, first.name, "slip")


def errors(tmp: Path) -> None:
    assert found().levels[0].b_percent is not None
    without_class(runs=1, word="1 rising run was taken")
    with_all(tmp, "q (%)", "b (%)")


def reversibility(tmp: Path) -> None:
    base = record(head=complete(), noise=1.0)
    rising = tuple(p for p in base.points if p.direction == "rising")
    done = analyse(base.model_copy(update={"points": rising}), "x", monte_carlo=False)
    assert done.iso_class is None
    assert any("reversibility" in lack for lack in done.iso_lacks)
    with_all(tmp, "v (%)", "with reversibility: ")


def zero_return(tmp: Path) -> None:
    without_class({"zero_counts_after": None}, "zero return")
    with_all(tmp, "Zero return after the runs")


def resolution(tmp: Path) -> None:
    without_class({"fluctuation_counts": None}, "fluctuation")
    with_all(tmp, "a (%)")


def proving_instrument(tmp: Path) -> None:
    # 0.2 % of reading is within a quarter of class 1; 0.4 % is within that of class 2, and 5 % in no class's.
    for percent, earned in ((0.2, 1.0), (0.4, 2.0), (0.7, 3.0)):
        assert found({"reference": REFERENCE | {"expanded_percent": percent}}).iso_class == earned
    without_class({"reference": REFERENCE | {"expanded_percent": 5.0}})
    without_class({"reference": REFERENCE | {"iso_376_class": None}}, "ISO 376")
    assert found({"reference": REFERENCE | {"iso_376_class": 2.0}}).iso_class == 2.0


def temperature(tmp: Path) -> None:
    for ambient in (9.0, 36.0):
        without_class({"environment": {"ambient_C": ambient, "ambient_end_C": ambient}}, "outside 10 to 35")
    without_class({"environment": {}}, "temperature")
    without_class({"environment": {"ambient_C": 21.0, "ambient_end_C": 23.1}}, "changed by 2.1")


def limits(tmp: Path) -> None:
    assert [machine_class(q=q, b=q) for q in (0.5, 0.51, 1.01, 2.01, 3.01)] == [0.5, 1, 2, 3, None]
    assert lower_limit(10.0, 1) == 2000.0
    # Runs 400 counts apart: beyond any class's repeatability.
    base = record(head=complete(), noise=1.0)
    points = tuple(p.model_copy(update={"counts": p.counts + 400.0 * (p.run - 2)}) for p in base.points)
    done = analyse(base.model_copy(update={"points": points}), "x", monte_carlo=False)
    assert any("keep no machine class" in s for s in standards(done, "kN"))


def e4(tmp: Path) -> None:
    assert any("ASTM E4" in s for s in standards(found(), "kN"))
    for done in (found(runs=1), found(levels=4)):
        assert not any("E4," in s for s in standards(done, "kN"))
        assert done.e4_ok is None


def e74(tmp: Path) -> None:
    assert any("E74" in s and "lower limit factor" in s for s in standards(found(levels=10), "kN"))
    for done in (
        found(),
        found({"reseated": False}, levels=10),
        found({"zero_counts_after": None}, levels=10),
    ):
        assert not any("E74 lower limit factor" in s for s in standards(done, "kN"))


def laboratory(tmp: Path) -> None:
    page = with_all(tmp, "Example Calibration, 1 Mill Lane", "bay 3", "No. 7", "End of document")
    assert "May be reproduced only as a whole" in page
    no_certificate(tmp, {"location": ""})
    no_certificate(tmp, {"laboratory": "", "reference": REFERENCE | {"traceable_to": ""}})


def item(tmp: Path) -> None:
    with_all(tmp, "Example Brackets", "in use, no leaks seen", "serial P1", "serial T1")
    no_certificate(tmp, {"customer": ""})
    no_certificate(tmp, {"press": {"what": "p", "serial": "P1"}})
    with pytest.raises(BadInput, match="serial"):
        document(tmp, {"press": {"what": "p", "serial": "none", "condition": "good"}})


def method(tmp: Path) -> None:
    with_all(
        tmp, "brought up from rest", "Deviations from the method", "procedure of steadyram", "firmware 0.1.0"
    )
    no_certificate(tmp, {"firmware": ""})


def dates(tmp: Path) -> None:
    with_all(tmp, "date of calibration", "2026-01-02", "date of issue", "2026-01-05")


def whole(tmp: Path) -> None:
    with_all(tmp, "relate only to the item", "reproduced only as a whole")


def person(tmp: Path) -> None:
    with_all(tmp, "authorised by: name, function, signature, date")


def uncertainty(tmp: Path) -> None:
    base = found()
    done = verify(base, [Point(reference=50e3, counts=counts_of(50e3))], 0.01, "guard-band")
    said, _ = document(tmp, verification=done)
    stated = [table for section in said.sections for table in section.tables if table.note]
    stated = [table for table in stated if any(h.startswith("U") for h in table.headings or ())]
    with_k = [table for table in stated if "k" in (table.headings or ())]
    assert len(with_k) == 2
    for table in with_k:
        assert "k" in (table.headings or ())
        assert any(heading.startswith("U") for heading in table.headings or ())
        assert "coverage about 95 %" in table.note.replace("about \n", "about ")
    assert any(section.heading.startswith("Uncertainty budget") for section in said.sections)


def conditions(tmp: Path) -> None:
    with_all(tmp, "ambient 21 °C")
    no_certificate(tmp, {"environment": {}})


def traceability(tmp: Path) -> None:
    with_all(tmp, "serial LC-7", "K-2211", "2026-11-30", "the national standard of force")
    for lacking in (
        {"certificate": ""},
        {"calibrated_by": ""},
        {"calibrated_on": None},
        {"due": None},
        {"due": date(2026, 1, 1)},
        {"serial": "none"},
    ):
        with pytest.raises(BadInput, match="claims traceability"):
            document(tmp, {"reference": REFERENCE | lacking})


def before_and_after(tmp: Path) -> None:
    with_all(tmp, "As found: not stated")
    path = journal_of(tmp / "old.jsonl", head=complete(made=datetime(2025, 1, 2, tzinfo=UTC), number=6))
    old = analyse(read_journal(path), "old", monte_carlo=False)
    _, page = document(tmp, previous=old)
    assert "As found: errors of the polynomial of calibration No. 6-" in page


def interval(tmp: Path) -> None:
    with_all(tmp, "next due", "agreed with the customer")
    _, page = document(tmp, {"interval_days": None})
    assert "next due" not in page


def rule_of_a_class(tmp: Path) -> None:
    with_all(tmp, "Decision rule: the limits as they stand, no guard band", "Judged on the 18 points")


def conformity(tmp: Path) -> None:
    with_all(tmp, "No statement of conformity to a limit is made")
    day = datetime(2026, 1, 3, tzinfo=UTC)
    for at, stated in ((day, True), (None, False)):
        done = verify(found(), [Point(reference=50e3, counts=counts_of(50e3), at=at)], 0.01, "guard-band")
        _, page = document(tmp, verification=done)
        assert ("Result: pass" in page) == stated
        assert ("the time of the fresh points was not recorded" in page) == (not stated)
    done = verify(found(), [Point(reference=50e3, counts=counts_of(50e3), at=day)], 0.01, "guard-band")
    _, page = document(tmp, verification=done)
    assert "Specification: error of the device" in page
    assert "Decision rule: guarded acceptance" in page
    assert "Result: pass" in page


CASES: dict[str, Callable[[Path], None]] = {
    "three rising runs of five forces or more, reference re-seated": runs,
    "force-proving instrument preloaded three times; zero before and after each run": preloads,
    "error q and repeatability b over the runs": errors,
    "reversibility v, each run coming down": reversibility,
    "zero return f0": zero_return,
    "resolution a, from step and fluctuation at rest": resolution,
    "force-proving instrument good enough (ISO 376)": proving_instrument,
    "10 to 35 °C, within 2 °C from start to end": temperature,
    "limits by class; lowest force by resolution": limits,
    "two runs or more, five forces or more, errors and spread within 1.0 %": e4,
    "30 readings or more, ten forces or more, three runs with re-seating, zero return": e74,
    "title; laboratory and address; place; unique number on each page; end of the document": laboratory,
    "unique number; an amended one names what it replaces and why": number,
    "customer; item, identification, condition": item,
    "method, deviations; software and firmware version": method,
    "dates of calibration and of issue": dates,
    "results with units; relate only to the item; reproduce only as a whole": whole,
    "person who authorises": person,
    "uncertainty with k and coverage": uncertainty,
    "conditions during the calibration": conditions,
    "traceability": traceability,
    "before and after adjustment": before_and_after,
    "no interval unless agreed with the customer": interval,
    "decision rule of a class": rule_of_a_class,
    "conformity: specification, results, decision rule": conformity,
}


def test_every_row_has_its_case_and_every_case_its_row():
    assert rows() == list(CASES)


@pytest.mark.parametrize("asked", CASES)
def test_row(asked, tmp_path):
    CASES[asked](tmp_path)
