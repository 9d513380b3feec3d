"""The calibration document: what it may call itself, what stands in it, and that its PDF is an archive file."""

import re
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from tests.host.metrology.calibration_samples import AREA, CELL, counts_of, header, record
from tests.host.metrology.test_calibration_cli import journal_of, run

from steadyram import __version__
from steadyram.errors import BadInput
from steadyram.metrology.analyse import analyse
from steadyram.metrology.certificate import contents
from steadyram.metrology.certificate_file import html, pdf
from steadyram.metrology.header import Header, Point
from steadyram.metrology.journal import read_journal
from steadyram.metrology.record import CalibrationRecord

REFERENCE = CELL | {
    "what": "load cell with indicator", "serial": "LC-7", "certificate": "K-2211", "drift_percent": 0.02,
}  # fmt: skip


def complete(**changes) -> Header:
    """Everything that a certificate asks for."""
    settings = {
        "number": 7,
        "laboratory": "Example Calibration, 1 Mill Lane, Sampleton",
        "customer": "Example Brackets, 2 Mill Lane, Sampleton",
        "location": "customer's workshop, bay 3",
        "press": {"what": "20 tonf shop press", "serial": "P1", "condition": "in use, no leaks seen"},
        "reference": REFERENCE,
        "firmware": "0.1.0",
        "environment": {"ambient_C": 21.0, "ambient_end_C": 21.5, "humidity_percent": 45.0},
    }
    return header(**(settings | changes))


def analysed(tmp_path: Path, head: Header, **options):
    """Through a journal, so that the record has its digests."""
    path = journal_of(tmp_path / "cal.jsonl", head=head, noise=1.0, **options)
    return analyse(read_journal(path), "x", monte_carlo=False)


def test_everything_that_a_certificate_asks_for_stands_in_it(tmp_path):
    found = analysed(tmp_path, complete())
    said = contents(found, issued=datetime(2026, 1, 5, tzinfo=UTC))
    assert said.title == "Calibration certificate"
    page = html(said, found)
    for wanted in (
        "No. 7-",
        "transducer T1, 2026-01-02",
        "Example Calibration, 1 Mill Lane, Sampleton",
        "Example Brackets",
        "workshop, bay 3",
        "in use, no leaks seen",
        "2026-01-02",
        "2026-01-05",
        "certificate K-2211",
        "valid until 2026-11-30",
        "traceable through load cell with indicator, serial LC-7",
        "ambient 21 °C at the start, 21.5 °C at the end, humidity 45 %",
        "relate only to the item",
        "only as a whole",
        "As found: not stated",
        "No statement of conformity to a limit is made",
        f"steadyram {__version__}; firmware 0.1.0",
        found.record.digest,
        "authorised by",
        f"transducer T1, 2026-01-02, made of the record with the SHA-256 digest {found.record.digest}",
        "not issued under accreditation",
        "End of document",
    ):
        assert wanted in page, wanted
    results = next(s for s in said.sections if s.heading == "Results")
    assert "k" in results.tables[0].headings
    assert "coverage about 95 %" in results.tables[0].note


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"reference": REFERENCE | {"serial": "none"}}, "reference's serial number"),
        ({"transducer": {"what": "t", "serial": "none"}}, "transducer's serial number"),
        ({"press": {"what": "p", "serial": "None"}}, "press's serial number"),
        ({"reference": REFERENCE | {"certificate": ""}}, "number of the reference's certificate"),
        ({"reference": REFERENCE | {"certificate": "none"}}, "number of the reference's certificate"),
        ({"reference": REFERENCE | {"due": None}}, "date until which"),
        ({"reference": REFERENCE | {"due": date(2026, 1, 1)}}, "in date"),
        ({"laboratory": " "}, "who calibrated"),
    ],
)
def test_a_claim_of_traceability_that_cannot_be_checked_is_refused(changes, words, tmp_path, capsys):
    path = journal_of(tmp_path / "cal.jsonl", head=complete(**changes))
    code, out, err = run(capsys, "calibration", "certificate", path)
    assert (code, out) == (2, "")
    assert words in err
    assert list(tmp_path.glob("*.pdf")) == []


@pytest.mark.parametrize(
    ("changes", "options", "words"),
    [
        ({"reference": REFERENCE | {"traceable_to": ""}}, {}, "no traceability is claimed"),
        ({"customer": ""}, {}, "customer"),
        ({"location": ""}, {}, "place"),
        ({"environment": {}}, {}, "ambient temperature"),
        ({"reseated": False}, {}, "re-seated"),
        ({}, {"runs": 1}, "fewer than 3 rising runs"),
    ],
)
def test_what_is_not_earned_makes_a_working_record_without_the_word(changes, options, words, tmp_path):
    said = contents(analysed(tmp_path, complete(**changes), **options))
    assert said.title == "Record of a working calibration"
    assert words in " ".join(said.sections[0].lines).lower()
    headings = " ".join(s.heading for s in said.sections)
    assert "ertificate" not in said.title + headings + said.foot + said.caution


def test_one_run_prints_no_class_and_says_which_runs_are_missing(tmp_path):
    found = analysed(tmp_path, complete(), runs=1)
    said = contents(found)
    results = next(s for s in said.sections if s.heading == "Results")
    assert "class" not in results.tables[0].headings
    assert any("1 rising run was taken: take 3" in line for line in results.lines)
    assert not any("ASTM" in line for line in results.lines)


def test_verification_stands_in_the_certificate_with_its_rule(tmp_path, capsys):
    path = journal_of(tmp_path / "cal.jsonl", head=complete(), noise=1.0)
    fresh = tmp_path / "fresh.csv"
    rows = "".join(f"{f},{counts_of(f)},2026-01-03T08:0{k}:00Z\n" for k, f in enumerate((40e3, 80e3)))
    fresh.write_text("reference,reading,time\n" + rows)
    command = (
        "calibration",
        "certificate",
        path,
        "--points",
        fresh,
        "--limit",
        "1 %",
        "--reference-unit",
        "N",
    )
    assert run(capsys, *command, "--points-date", "2026-01-04")[0] == 2
    code, _, err = run(capsys, *command)
    assert (code, err) == (0, "")
    page = (tmp_path / "cal.html").read_text()
    assert "Decision rule: guarded acceptance" in page
    assert "Result: pass, for the 2 points below" in page
    assert "Fresh points, not among those that were fitted" in page


def test_the_unit_is_the_users_in_every_table(tmp_path):
    found = analysed(tmp_path, complete())
    page = html(contents(found, "tonf"), found, "tonf")
    tables = re.findall(r"<table.*?</table>", page, re.S)
    assert not any("(N)" in table or "kN" in table for table in tables)
    assert sum("(tonf)" in table for table in tables) >= 3


def stable(raw: bytes) -> bytes:
    """Without the moment at which the file was written, and the digest over it."""
    raw = re.sub(rb'xmp:(Modify|Metadata)Date="[^"]*"', b"", raw)
    return re.sub(rb"/ID \[.*?\]", b"", raw)


def test_the_document_is_reproducible_and_escapes():
    head = header(note="<script>alert(1)</script> 20 € 漢")
    result = analyse(record(head=head), "x", monte_carlo=False)
    said = contents(result)
    assert html(said, result) == html(contents(analyse(record(head=head), "x", monte_carlo=False)), result)
    assert "<script>alert" not in html(said, result)
    first, second = (stable(pdf(c, result)) for c in (said, contents(result)))
    assert first == second


def test_the_pdf_is_an_archive_file(tmp_path):
    # What a reader can check without an archive validator: ISO 19005-2 asks for these (from memory).
    head = complete(note="20 € 漢字")
    found = analysed(tmp_path, head)
    raw = pdf(contents(found), found)
    assert b"<pdfaid:part>2</pdfaid:part>" in raw
    assert b"<pdfaid:conformance>U</pdfaid:conformance>" in raw
    assert b"/OutputIntents" in raw
    assert b"GTS_PDFA1" in raw
    fonts = raw.count(b"/Type /Font\n") + raw.count(b"/Type /FontDescriptor")
    assert fonts
    assert raw.count(b"/FontFile2") == raw.count(b"/Type /FontDescriptor") > 0
    assert b"/ToUnicode" in raw
    assert b"/Helvetica" not in raw
    assert b"/SMask" not in raw
    assert b"/JavaScript" not in raw
    assert b"/Encrypt" not in raw


def test_a_previous_calibration_of_another_press_is_refused(tmp_path):
    new = analysed(tmp_path, complete(made=datetime(2026, 2, 1, tzinfo=UTC)))
    other = analyse(record(head=header(press={"what": "p", "serial": "P9"})), "y", monte_carlo=False)
    with pytest.raises(BadInput, match="not of the same press"):
        contents(new, previous=other)


def test_a_gauge_makes_no_certificate_and_claims_no_traceable_force(tmp_path):
    gauge = {
        "what": "gauge", "serial": "G1", "kind": "gauge", "class_percent": 0.25, "range": 4e7, "resolution": 1e4,
        "certificate": "K-1", "due": date(2027, 1, 1), "traceable_to": "the national standard of pressure",
        "calibrated_by": "L", "accreditation": "A1", "calibrated_on": date(2025, 1, 1), "calibrated_from": 0.0,
        "calibrated_to": 4e7,
    }  # fmt: skip
    head = complete(reference=gauge, assumed_friction_N=600.0, assumed_friction_u_N=100.0, reseated=False)
    points = [
        Point(run=run, reference=(force + 600.0) / AREA, counts=counts_of(force) + run)
        for run in (1, 2, 3)
        for force in (30e3, 60e3, 90e3, 120e3, 150e3)
    ]
    found = analyse(CalibrationRecord(header=head, points=tuple(points), digest="x"), "x", monte_carlo=False)
    said = contents(found)
    assert said.title == "Record of a working calibration"
    (gaps,) = [s.lines for s in said.sections if s.heading.startswith("A working calibration")]
    assert any("friction" in gap for gap in gaps)
    assert not any("re-seated" in text for text in (*gaps, *found.iso_lacks))
    trace = next(s for s in said.sections if s.heading == "Metrological traceability").lines[0]
    assert "pressures are traceable" in trace
    assert "The forces are not" in trace
