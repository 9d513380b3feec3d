"""Number and issues of a calibration document, what a device holds, and what fresh points do to a class."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest
from tests.host.metrology.calibration_samples import AREA, counts_of, header, record
from tests.host.metrology.test_calibration_cli import journal_of, run
from tests.host.metrology.test_certificate import analysed, complete

from steadyram.errors import BadInput
from steadyram.metrology.analyse import ONE_RUN, analyse
from steadyram.metrology.certificate import Forces, contents
from steadyram.metrology.certificate_file import html
from steadyram.metrology.fresh import fresh_points
from steadyram.metrology.header import Point
from steadyram.metrology.header_file import TEMPLATE, read_header
from steadyram.metrology.journal import Journal, read_journal
from steadyram.metrology.measurement import SEAT
from steadyram.metrology.record import CalibrationRecord, ReadBack, document_number
from steadyram.metrology.standards import standards, with_fresh
from steadyram.metrology.verify import verify

DAY = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)


@pytest.fixture
def no_pdf(monkeypatch):
    """Draw no PDF where only the page is read: it takes a second."""
    monkeypatch.setattr("steadyram.metrology.certificate_file.pdf", lambda *_: b"%PDF-")


def test_two_records_of_one_day_and_transducer_have_two_numbers(tmp_path):
    one = read_journal(journal_of(tmp_path / "a.jsonl", head=complete(), seed=1))
    two = read_journal(journal_of(tmp_path / "b.jsonl", head=complete(), seed=2))
    assert one.header == two.header
    assert document_number(one) != document_number(two)
    assert document_number(one) == f"7-{one.digest[:10]}"
    assert document_number(record(seed=1)) != document_number(record(seed=2))


def test_an_amended_document_names_what_it_replaces_and_why(tmp_path, capsys, no_pdf):
    path = journal_of(tmp_path / "cal.jsonl", head=complete(), noise=1.0)
    digest = read_journal(path).digest
    command = ("calibration", "certificate", path, "--unit", "kN")
    assert run(capsys, *command)[0] == 0
    first = (tmp_path / "cal.html").read_text()
    name = read_journal(path).issues[0].name
    assert name.startswith(document_number(read_journal(path)) + "/1-")
    assert f"{name} (issue 1)" in first
    assert f"No. {name}, transducer T1" in first
    # The same again is the same issue.
    assert run(capsys, *command)[0] == 0
    assert (tmp_path / "cal.html").read_text() == first
    assert len(read_journal(path).issues) == 1
    # Something else needs a reason, and leaves what was written.
    other = ("calibration", "certificate", path, "--unit", "tonf")
    code, _, err = run(capsys, *other)
    assert code == 2
    assert f"--replaces {name}" in err
    for lame in (
        ("--replaces", name),
        ("--reason", "unit"),
        ("--replaces", name[:-1] + "7", "--reason", "unit"),
        ("--replaces", "1-aaaa/1", "--reason", "unit"),
    ):
        assert run(capsys, *other, *lame)[0] == 2
    assert (tmp_path / "cal.html").read_text() == first
    assert run(capsys, *other, "--replaces", name, "--reason", "forces in the customer's unit")[0] == 0
    # The first issue is kept as it was.
    assert (tmp_path / "cal.html").read_text() == first
    page = (tmp_path / "cal-issue2.html").read_text()
    assert f"{read_journal(path).issues[1].name} (issue 2)" in page
    assert f"{name}, because: forces in the customer&#39;s unit" in page
    kept = read_journal(path)
    assert [i.issue for i in kept.issues] == [1, 2]
    assert kept.digest == digest  # the record is what it was; its issues stand after it
    assert len(document_number(kept)) == len("7-") + 10


def test_a_record_that_was_issued_takes_no_more_points(tmp_path, capsys, no_pdf):
    path = journal_of(tmp_path / "cal.jsonl", head=complete(), noise=1.0)
    assert run(capsys, "calibration", "certificate", path)[0] == 0
    journal = Journal.resume(path)
    with pytest.raises(BadInput, match="no more points"):
        journal.add(Point(reference=1e4, counts=9000.0))
    with pytest.raises(BadInput, match="no more points"):
        journal.take_back()
    # An issue that was changed afterwards shows like any other row.
    path.write_text(path.read_text().replace('"issue": 1', '"issue": 3'))
    with pytest.raises(BadInput, match="digest does not match"):
        read_journal(path)


def test_a_device_is_said_to_run_the_polynomial_only_once_it_was_read_back(tmp_path):
    path = journal_of(tmp_path / "cal.jsonl", head=complete(), noise=1.0)
    found = analyse(read_journal(path), "x", monte_carlo=False)

    def polynomial() -> tuple[str, str]:
        again = analyse(read_journal(path), "x", monte_carlo=False)
        (section,) = [s for s in contents(again).sections if s.heading.startswith("Polynomial")]
        return section.heading, " ".join(section.lines)

    assert polynomial()[0] == "Polynomial to be uploaded, not read back"
    other = {**found.device.fields, "c1_n": found.device.fields["c1_n"] + 1}
    Journal.resume(path).read_back(ReadBack(device="aa11", firmware="0.1.0", at=DAY, fields=other))
    assert polynomial()[0] == "Polynomial to be uploaded, not read back"
    Journal.resume(path).read_back(
        ReadBack(device="bb22", firmware="0.1.0", at=DAY, fields=found.device.fields)
    )
    heading, text = polynomial()
    assert heading == "Polynomial that the device runs"
    assert "bb22" in text
    assert "2026-01-05" in text


def test_a_class_says_which_points_it_was_judged_on_and_fresh_ones_lower_it():
    found = analyse(record(noise=1.0, head=header(counts_step=1)), "x", monte_carlo=False)
    (iso,) = [s for s in standards(found, "kN") if "ISO 7500-1" in s]
    (e4,) = [s for s in standards(found, "kN") if "E4" in s]
    for sentence in (iso, e4):
        assert "Judged on the 18 points that the curve was fitted to (16 degrees of freedom" in sentence
        assert "not on fresh ones" in sentence
    for off, iso_class, kept in (
        (0.0, 0.5, True),
        (0.007, 1.0, True),
        (0.015, 2.0, False),
        (0.04, None, False),
    ):
        fresh = verify(found, [Point(reference=90e3, counts=counts_of(90e3 * (1 + off)))], 0.1, "simple")
        judged = with_fresh(found, fresh)
        assert (judged.iso_class, judged.e4_ok) == (iso_class, kept)
        said = " ".join(standards(judged, "kN", fresh))
        assert "on 1 fresh point, largest error" in said
        assert f"{100 * off:+.2f} %" in said or not off


def test_fresh_points_have_their_date_reference_and_digest(tmp_path, capsys, no_pdf):
    path = journal_of(tmp_path / "cal.jsonl", head=complete(interval_days=30), noise=1.0)
    rows = "".join(f"{f},{counts_of(f)}\n" for f in (41e3, 80e3))
    (tmp_path / "fresh.csv").write_text("reference,reading\n" + rows)
    command = (
        "calibration",
        "certificate",
        path,
        "--points",
        tmp_path / "fresh.csv",
        "--reference-unit",
        "N",
    )
    code, _, err = run(capsys, *command)
    assert code == 2
    assert "--points-date" in err
    for never, why in (
        ("2025-01-01", "is before the calibration"),
        ("2026-03-01", "was due"),
        ("2900-01-01", "is yet to come"),
    ):
        code, _, err = run(capsys, *command, "--points-date", never)
        assert (code, why in err) == (2, True)
    assert run(capsys, *command, "--points-date", "2026-01-03")[0] == 0
    page = (tmp_path / "cal.html").read_text()
    # Points without a time earn no statement of conformity, and the same points have one day.
    assert (
        "by what was said of them taken on 2026-01-03 against load cell with indicator, serial LC-7" in page
    )
    assert "the time of the fresh points was not recorded" in page
    assert "guarded acceptance" not in page
    name = read_journal(path).issues[-1].name
    code, _, err = run(
        capsys, *command, "--points-date", "2026-01-05", "--replaces", name, "--reason", "another day"
    )
    assert (code, "were taken on 2026-01-03" in err) == (2, True)
    assert fresh_points(tmp_path / "fresh.csv", analysed_of(path), "N", date(2026, 1, 3)).digest in page
    # A journal has all of it inside, with the time of each point.
    later = complete(
        made=DAY, zero_counts=6605.0, reference=complete().reference.model_copy(update={"serial": "LC-9"})
    )
    journal = Journal.begin(tmp_path / "fresh.jsonl", later.model_copy(update={"zero_counts_after": None}))
    for force in (41e3, 80e3):
        journal.add(Point(reference=force, counts=counts_of(force) + 5.0, at=DAY))
    found = analysed_of(path)
    fresh = fresh_points(journal.path, found, None, None)
    done = verify(found, fresh.points, 0.01, "guard-band", fresh)
    assert (done.taken, done.reference, done.digest) == (
        "2026-01-05",
        "load cell with indicator, serial LC-9",
        journal.record.digest,
    )
    # The zero moved by 5 counts with the readings: the device takes it afresh.
    assert max(abs(p.error_N) for p in done.points) < 60.0
    page = html(contents(found, verification=done), found)
    assert "2026-01-05 08:00" in page
    with pytest.raises(BadInput, match="has its date inside"):
        fresh_points(journal.path, found, None, DAY.date())


def test_a_reference_a_fifth_off_the_nameplate_makes_no_certificate_and_no_traceability(tmp_path):
    path = journal_of(tmp_path / "cal.jsonl", head=complete(), noise=1.0, gain=1.2)
    page = html(contents(analysed_of(path)), analysed_of(path))
    assert contents(analysed_of(path)).title == "Record of a working calibration"
    assert "off the nameplate" in page
    assert "No metrological traceability is claimed" in page


def analysed_of(path):
    return analyse(read_journal(path), "x", monte_carlo=False)


def test_points_that_were_fitted_are_no_fresh_ones(tmp_path):
    path = journal_of(tmp_path / "cal.jsonl", head=complete(), noise=1.0)
    with pytest.raises(BadInput, match="fitted to"):
        fresh_points(path, analysed_of(path), None, None)
    other = journal_of(
        tmp_path / "other.jsonl", head=complete(transducer={"what": "t", "serial": "T9"}), noise=1.0, seed=4
    )
    with pytest.raises(BadInput, match="serial T9"):
        fresh_points(other, analysed_of(path), None, None)


def test_one_run_is_not_stated_better_than_three(tmp_path):
    # The same press, taken once and three times, as the header file has it; new noise each time.
    (tmp_path / "h.toml").write_text(TEMPLATE)
    head = read_header(tmp_path / "h.toml", 6600.0, datetime(2026, 1, 2, tzinfo=UTC)).model_copy(
        update={"zero_counts_after": 6600.0}
    )
    for seed in range(40):
        one, three = (
            analyse(record(runs=runs, seed=seed, head=head), "x", monte_carlo=False) for runs in (1, 3)
        )
        assert ONE_RUN in {c.name for c in one.levels[0].budget.components}
        assert "zero" in {
            c.name for c in one.levels[0].budget.components
        }  # although it came back to the count
        for a, b in zip(one.levels, three.levels, strict=True):
            assert a.expanded_N > b.expanded_N, (seed, a.force_N)
    assert any("run to run: not measured" in note for note in one.notes)


def test_what_the_budget_has_no_line_for_is_said(tmp_path):
    bare = analyse(record(), "x", monte_carlo=False)
    assert any("drift of the reference" in n and "not included" in n for n in bare.notes)
    assert any("seat of the reference: not included" in n for n in bare.notes)
    (tmp_path / "h.toml").write_text(TEMPLATE)
    head = read_header(tmp_path / "h.toml", 6600.0)
    assert head.reference.seat_percent == 0.2
    one = analyse(record(runs=1, head=head.model_copy(update={"zero_counts_after": 6601.0})), "x")
    (line,) = [c for c in one.levels[-1].budget.components if c.name == SEAT]
    assert line.u == pytest.approx(0.002 * 150e3 / 3**0.5)
    assert any("up to 0.2 % of the force (judgement, no source" in n for n in one.notes)
    (tmp_path / "h.toml").write_text(TEMPLATE.replace("# seat_percent = 0.2", "seat_percent = 0"))
    head = read_header(tmp_path / "h.toml", 6600.0).model_copy(update={"zero_counts_after": 6601.0})
    none = analyse(record(runs=1, head=head), "x", monte_carlo=False)
    assert SEAT not in {c.name for c in none.levels[0].budget.components}
    assert any("seat of the reference: not included" in n for n in none.notes)


def test_monte_carlo_is_shown_force_by_force(tmp_path):
    found = analyse(read_journal(journal_of(tmp_path / "c.jsonl", head=complete(), runs=1)), "x")
    (section,) = [s for s in contents(found).sections if s.heading == "Budget compared with Monte Carlo"]
    (table,) = section.tables
    assert [row[5] for row in table.rows] == [
        "yes" if level.monte_carlo.agrees else "NO" for level in found.levels
    ]
    assert "Furthest apart at" in table.note
    # One U on all pages: each budget tells the stated one beside its own.
    for section in contents(found).sections:
        for level in found.levels:
            if section.heading.startswith(f"Uncertainty budget at {Forces('kN').shown(level.force_N)}"):
                told = f"stated, with Monte Carlo: U = {Forces('kN').shown(level.expanded_N, 3)}, "
                assert f"{told}k = {level.coverage_factor:.2f}." in section.lines[0]
    budgets = [s.heading for s in contents(found).sections if s.heading.startswith("Uncertainty budget at")]
    assert any("smallest force" in heading for heading in budgets)
    assert any("largest U in per cent" in heading for heading in budgets)


def test_no_reversibility_is_stated_with_a_gauge():
    gauge = {"what": "g", "serial": "1", "kind": "gauge", "class_percent": 0.6, "range": 345e5}
    points = [
        Point(run=run, direction=way, reference=(f + (600 if way == "rising" else -600)) / AREA,
              counts=counts_of(f, way == "rising") + run)
        for run in (1, 2, 3)
        for way, forces in (("rising", range(30, 151, 30)), ("falling", range(120, 29, -30)))
        for f in (1000.0 * force for force in forces)
    ]  # fmt: skip
    head = header(reference=gauge, assumed_friction_N=600.0, assumed_friction_u_N=100.0)
    found = analyse(CalibrationRecord(header=head, points=tuple(points)), "x", monte_carlo=False)
    assert all(level.v_percent is None for level in found.levels)
    (results,) = [s for s in contents(found).sections if s.heading == "Results"]
    assert {row[3] for row in results.tables[0].rows} == {"not measured"}
    assert "rests on the friction that is assumed" in results.tables[0].note


def test_the_same_reference_in_both_calibrations_is_told(tmp_path):
    old = analyse(record(head=complete(made=datetime(2025, 1, 2, tzinfo=UTC))), "x", monte_carlo=False)
    new = analysed(tmp_path, complete())

    def said(before) -> str:
        (section,) = [s for s in contents(new, previous=before).sections if s.heading.startswith("As found")]
        return " ".join(section.lines)

    assert "same reference (serial LC-7)" in said(old)
    other = complete().reference.model_copy(update={"serial": "LC-1"})
    apart = complete(made=datetime(2025, 1, 2, tzinfo=UTC), reference=other)
    assert "same reference" not in said(analyse(record(head=apart), "x", monte_carlo=False))
