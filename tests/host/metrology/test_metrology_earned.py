"""What a calibration must have shown: classes, a gauge's worth, the nameplate, the zero."""

import math

import pytest
from tests.host.metrology.calibration_samples import (
    AREA,
    CELL,
    RANGE,
    ZERO,
    counts_of,
    header,
    record,
    starts,
)
from tests.host.metrology.test_calibration_cli import journal_of, run

from steadyram.errors import BadInput
from steadyram.metrology.analyse import REFERENCE_ZERO, analyse
from steadyram.metrology.before import lowest_force, reference_expanded, worth_of_reference
from steadyram.metrology.certificate import contents
from steadyram.metrology.certificate_facts import methods_of
from steadyram.metrology.checks import refuse_nonsense
from steadyram.metrology.header import Point
from steadyram.metrology.journal import Journal, read_journal
from steadyram.metrology.nameplate import refuse_discrepancy
from steadyram.metrology.record import Acceptance, CalibrationRecord
from steadyram.metrology.standards import standards
from steadyram.metrology.stroke import StrokeScatter, both_figures

GAUGE = {"what": "g", "serial": "1", "kind": "gauge", "class_percent": 1.6, "range": RANGE}


def gauge_record(offset_Pa: float = 0.0, **head) -> CalibrationRecord:
    """Against a gauge that shows `offset_Pa` too much everywhere."""
    points = []
    for number in (1, 2, 3):
        for k in range(1, 7):
            force = 20e3 * k
            points.append(
                Point(
                    run=number,
                    reference=(force + 600.0) / AREA + offset_Pa,
                    counts=counts_of(force, gain=1.0) + 3 * math.sin(k * number),
                )
            )
    settings = {"reference": GAUGE, "assumed_friction_N": 600.0, "assumed_friction_u_N": 100.0}
    return CalibrationRecord(header=header(**settings, **head), points=tuple(points))


def lacks_of(taken: CalibrationRecord) -> str:
    found = analyse(taken, "x", monte_carlo=False)
    assert (found.iso_class is None) == bool(found.iso_lacks)
    assert all(level.iso_class is None for level in found.levels) or not found.iso_lacks
    return "; ".join(found.iso_lacks)


def test_three_full_runs_earn_a_class():
    found = analyse(record(noise=1.0, head=header(counts_step=1)), "x", monte_carlo=False)
    assert found.iso_lacks == ()
    assert found.iso_class == 0.5
    assert "class 0.5 for rising force" in standards(found, "kN")[0]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"runs": 1}, "1 rising run was taken"),
        ({"runs": 2}, "2 rising runs were taken"),
        ({"levels": 4}, "4 forces were taken"),
        ({"head": header(zero_counts_after=None)}, "zero return"),
        ({"head": header(fluctuation_counts=None)}, "fluctuation"),
        ({"head": header(reseated=False)}, "re-seated"),
        ({"head": header(environment={})}, "ambient temperature"),
        ({"head": header(environment={"ambient_C": 5.0, "ambient_end_C": 6.0})}, "outside 10 to 35"),
        ({"gain": 1.2}, "off the nameplate"),
        ({"head": header(reference=CELL | {"traceable_to": ""})}, "no traceability is claimed"),
        ({"head": header(simulated=True)}, "the press is simulated"),
        ({"head": header(reference=CELL | {"accreditation": ""})}, "accreditation number"),
        ({"head": header(reference=CELL | {"iso_376_class": None})}, "class of ISO 376 is not stated"),
        ({"head": header(reference=CELL | {"calibrated_from": 50e3})}, "is calibrated from 50 kN"),
    ],
)
def test_a_missing_quantity_disqualifies(options, words):
    assert words in lacks_of(record(noise=1.0, **options))


def test_reversibility_counts_only_when_every_run_came_down():
    whole = record(noise=1.0)
    one_short = [p for p in whole.points if not (p.direction == "falling" and p.run == 3)]
    taken = whole.model_copy(update={"points": tuple(one_short)})
    assert "reversibility was not measured in every run" in lacks_of(taken)


def test_reversibility_is_the_worst_of_all_runs():
    whole = record(noise=0.0, friction=0.0)
    points = [
        p.model_copy(update={"counts": p.counts + 60}) if (p.direction, p.run) == ("falling", 2) else p
        for p in whole.points
    ]
    found = analyse(whole.model_copy(update={"points": tuple(points)}), "x", monte_carlo=False)
    # 60 counts are 60 * A * range / (0.8 * 65536 * 1.015) newtons; read high coming down, so v is negative.
    moved = 60 * AREA * RANGE / (0.8 * 65536 * 1.015)
    for level in found.levels[:-1]:
        assert level.v_percent == pytest.approx(-100 * moved / level.force_N, rel=0.01)


def test_reversibility_is_formed_within_a_run():
    # A run that reads 60 counts high going up and coming down has the reversibility of the others.
    whole = record(noise=0.0)
    points = [p.model_copy(update={"counts": p.counts + 60}) if p.run == 2 else p for p in whole.points]
    found = analyse(whole.model_copy(update={"points": tuple(points)}), "x", monte_carlo=False)
    for level in found.levels[:-1]:
        # Twice the friction of 600 N between the branches; whole newtons and a straight line between points.
        assert level.v_percent == pytest.approx(100 * 1200 / level.force_N, abs=0.02)


def test_reversibility_is_taken_at_the_force_of_the_rising_point():
    # Coming down, nobody hits the same forces: 2.5 kN is not 25 kN, and the branch goes through 25 kN all the same.
    whole = record(noise=0.0)
    points = [
        p.model_copy(update={"reference": f, "counts": counts_of(f, False)})
        if p.direction == "falling" and (f := p.reference * (0.1 if p.reference < 30e3 else 0.93))
        else p
        for p in whole.points
    ]
    found = analyse(whole.model_copy(update={"points": tuple(points)}), "x", monte_carlo=False)
    for level in found.levels[:-2]:
        assert level.v_percent == pytest.approx(100 * 1200 / level.force_N, abs=0.02)
    # The run's highest falling force lies 7 % below this level: it did not come down through it.
    assert found.levels[-2].v_percent is None


def test_a_fluctuation_beyond_a_step_makes_the_resolution_and_is_in_the_uncertainty_once():
    def judged(fluctuation: float):
        return analyse(record(head=header(fluctuation_counts=fluctuation)), "x", monte_carlo=False)

    for fluctuation, counts in ((15.0, 16.0), (20.0, 26.0), (60.0, 46.0)):
        found = judged(fluctuation)
        for level in found.levels:
            slope = found.slope_at(level.force_N)
            assert level.a_percent == pytest.approx(100.0 * counts * slope / level.force_N, rel=1e-9)
            lines = [c.u for c in level.budget.components if "resolution of the reading" in c.name]
            assert lines == [pytest.approx(counts * slope / math.sqrt(12.0), rel=1e-9)]
            assert not any("fluctuation" in c.name for c in level.budget.components)


def test_points_of_unlike_forces_are_not_one_level():
    whole = record(noise=0.0)
    points = [
        p.model_copy(update={"reference": 18e3, "counts": counts_of(18e3)})
        if (p.run, p.direction) == (2, "rising") and p.reference < 26e3
        else p
        for p in whole.points
    ]
    taken = whole.model_copy(update={"points": tuple(points)})
    found = analyse(taken, "x", monte_carlo=False)
    assert [round(level.force_N) for level in found.levels[:3]] == [18_000, 25_000, 50_000]
    assert "not every force was taken in 3 rising runs" in lacks_of(taken)


def test_points_that_follow_too_fast_earn_no_class():
    whole = record(noise=1.0)
    first = whole.points[0].at
    points = [p.model_copy(update={"at": first + (p.at - first) / 100}) for p in whole.points]
    assert "0.3 s apart" in lacks_of(whole.model_copy(update={"points": tuple(points)}))
    points = [p.model_copy(update={"at": None}) for p in whole.points]
    assert "time of each point is not recorded" in lacks_of(
        whole.model_copy(update={"points": tuple(points)})
    )


def test_the_zero_line_is_the_return_that_is_printed():
    rows = list(starts(3))
    rows[1] = rows[1].model_copy(update={"zero_after_previous_counts": ZERO + 40})
    found = analyse(record(noise=0.0).model_copy(update={"starts": tuple(rows)}), "x", monte_carlo=False)
    for level in found.levels:
        (line,) = [c for c in level.budget.components if c.name == "zero"]
        assert line.u == pytest.approx(40 * found.slope_at(level.force_N) / math.sqrt(3.0), rel=1e-9)


def test_a_reference_whose_zero_moved_has_a_line():
    rows = [
        s.model_copy(update={"reference_zero": z}) for s, z in zip(starts(3), (0.0, 30.0, -10.0), strict=True)
    ]
    found = analyse(record().model_copy(update={"starts": tuple(rows)}), "x", monte_carlo=False)
    (line,) = [c for c in found.levels[0].budget.components if c.name == REFERENCE_ZERO]
    assert line.u == pytest.approx(40.0 / math.sqrt(3.0))


def test_preloading_and_the_zero_of_each_run_are_asked_for():
    whole = record(noise=1.0)
    assert analyse(whole, "x", monte_carlo=False).iso_lacks == ()
    for missing, words in (
        ({"preloads": 2}, "three times"),
        ({"zero_counts": None}, "before and after each run"),
    ):
        taken = whole.model_copy(update={"starts": starts(3, **missing)})
        assert words in lacks_of(taken)


def test_the_zero_return_is_the_worst_of_the_runs():
    rows = list(starts(3))
    rows[1] = rows[1].model_copy(update={"zero_after_previous_counts": ZERO + 40})
    whole = record(noise=0.0).model_copy(update={"starts": tuple(rows)})
    found = analyse(whole, "x", monte_carlo=False)
    slope = AREA * RANGE / (0.8 * 65536 * 1.015)
    assert found.zero_error_percent == pytest.approx(100 * 40 * slope / 150e3, rel=0.01)


def test_a_temperature_that_changed_costs_the_class():
    head = header(environment={"ambient_C": 21.0, "ambient_end_C": 23.5})
    assert "changed by 2.5" in lacks_of(record(noise=1.0, head=head))


def test_a_reference_out_of_date_shows_before_anyone_moves_the_ram(tmp_path, capsys, monkeypatch):
    _, template, _ = run(capsys, "calibration", "header")
    late = template.replace("# due = 2027-01-31", "due = 2020-01-31")
    (tmp_path / "head.toml").write_text(late.replace('traceable_to = ""', 'traceable_to = "the standard"'))
    command = ("calibration", "by-hand", tmp_path / "c.jsonl", "--header", tmp_path / "head.toml", "--manual")

    def stop(*_: object, **__: object) -> str:
        raise KeyboardInterrupt

    monkeypatch.setattr("click.prompt", stop)
    code, _, err = run(capsys, *command)
    assert code == 2
    assert "ended on 2020-01-31" in err
    (tmp_path / "head.toml").write_text(late)
    code, _, err = run(capsys, *command)
    assert code == 130
    assert "ended on 2020-01-31" in err
    assert not (tmp_path / "c.jsonl").exists()


def test_points_by_hand_stay_within_the_press(tmp_path, capsys, monkeypatch):
    _, template, _ = run(capsys, "calibration", "header")
    head, asked = tmp_path / "head.toml", []
    head.write_text(template)
    command = ("calibration", "by-hand", tmp_path / "c.jsonl", "--header", head, "--manual")

    def prompt(text: str, **_: object) -> str:
        asked.append(text)
        if "about" in text:
            raise KeyboardInterrupt
        return ""

    monkeypatch.setattr("click.prompt", prompt)
    run(capsys, *command)
    assert "about 160 kN" in asked[-1]  # 90 % of 20 tonf, where the transducer sees 280 kN
    assert run(capsys, *command, "--largest", "20.1 tonf")[0] == 2
    head.write_text(template.replace('rated_force = "20 tonf"', "#"))
    code, _, err = run(capsys, *command)
    assert code == 2
    assert "rated_force" in err


def test_a_poor_reference_limits_the_class():
    def judged(percent):
        cell = CELL | {"expanded_percent": percent}
        return analyse(record(noise=1.0, head=header(reference=cell, counts_step=1)), "x", monte_carlo=False)

    assert judged(0.12).iso_class == 0.5
    assert judged(0.24).iso_class == 1.0  # 0.24 % is a quarter of class 1, not of class 0.5
    assert judged(1.0).iso_class is None
    assert "reference's own uncertainty" in "; ".join(judged(1.0).iso_lacks)


def test_terms_of_e4_and_e74_only_where_their_procedure_was_followed():
    few = analyse(record(), "x", monte_carlo=False)
    assert few.e4_ok is True
    assert few.llf is None
    assert not any("E74 lower limit factor" in line for line in standards(few, "kN"))
    many = analyse(record(levels=10), "x", monte_carlo=False)
    assert many.e74_lacks == ()
    (line,) = (line for line in standards(many, "kN") if "E74 lower limit factor" in line)
    assert "class A from" in line
    assert "class AA not reached within the range" in line
    assert many.llf.class_aa_from > many.levels[-1].force_N
    one = analyse(record(runs=1), "x", monte_carlo=False)
    assert one.e4_ok is None
    assert not any("ASTM" in line for line in standards(one, "kN"))


def test_a_reference_off_by_a_fifth_is_told_and_by_two_refused():
    slips = record(noise=1.0, gain=1.2)
    found = analyse(slips, "x", monte_carlo=False)
    assert any("bore and range" in note for note in found.notes)
    assert found.nameplate_ratio == pytest.approx(1 / 1.2, abs=0.001)
    # An explanation alone lifts nothing, nor does a measurement that does not bear it out.
    second = {"what": "cell", "serial": "R2", "certificate": "K-9", "force_N": 80e3}
    bore = math.sqrt(4.0 * AREA / 1.2 / math.pi)
    for ground, enough in (
        ({}, False),
        ({"measured_bore_m": bore}, False),  # by what?
        ({"measured_bore_m": bore * 1.1, "measured_bore_by": "micrometer M3"}, False),
        ({"measured_bore_m": bore, "measured_bore_by": "micrometer M3"}, True),
        ({"second_reference": second | {"counts": counts_of(80e3, gain=1.2)}}, True),
        ({"second_reference": second | {"counts": counts_of(80e3, gain=1.24)}}, False),
        ({"second_reference": second | {"serial": "R1", "counts": counts_of(80e3, gain=1.2)}}, False),
    ):
        taken = record(noise=1.0, gain=1.2, head=header(nameplate_explained="another piston", **ground))
        found = analyse(taken, "x", monte_carlo=False)
        assert (found.iso_lacks == ()) == enough, ground
        if enough:
            # Beside the class, on page 1.
            assert "Explained: another piston. On the ground of: " in standards(found, "kN")[0]
    # Kilogrammes-force typed for pounds-force: 2.2 times the force a count.
    wrong = slips.model_copy(
        update={
            "points": tuple(p.model_copy(update={"reference": p.reference * 2.2046}) for p in record().points)
        }
    )
    with pytest.raises(BadInput, match="unit of the reference"):
        refuse_nonsense(wrong, "x")


def test_a_fluctuation_that_was_not_read_leaves_a_unknown_and_is_named_as_not_in_u():
    unread = analyse(record(head=header(fluctuation_counts=None)), "x", monte_carlo=False)
    assert {level.a_percent for level in unread.levels} == {None}
    (results,) = [s for s in contents(unread).sections if s.heading == "Results"]
    assert {row[4] for row in results.tables[0].rows} == {"not known"}
    assert any("Not in U: " in line and "fluctuation of the reading at rest: not included" in line
               for line in results.lines)  # fmt: skip
    read = analyse(record(), "x", monte_carlo=False)
    assert not any("fluctuation" in said for said in read.not_included)


def test_a_discrepancy_with_the_nameplate_is_not_in_u_and_is_uploaded_only_for_a_reason(tmp_path):
    taken = record(noise=1.0, gain=1.2)
    found = analyse(taken, "x", monte_carlo=False)
    # 1 / 1.2 of the nameplate's force a count: 17 % less.
    (told,) = [said for said in found.not_included if "nameplate" in said]
    assert told.startswith("a discrepancy of 17 % with the nameplate: U does not cover it")
    (results,) = [s for s in contents(found).sections if s.heading == "Results"]
    assert any("expanded uncertainty" in line.lower() and "U does not cover a discrepancy of 17 %" in line
               for line in results.lines)  # fmt: skip
    assert results.tables[0].note.endswith("U does not cover a discrepancy of 17 % with the nameplate.")
    assert "it does not cover a discrepancy of 17 %" in both_figures(found, 80e3, StrokeScatter(), "kN")
    for nothing in (None, " ", 501 * "x"):
        with pytest.raises(BadInput, match=r"--despite-nameplate|500 or fewer"):
            refuse_discrepancy(taken, nothing)
    refuse_discrepancy(taken, "the old gauge reads the same")
    # Nothing is asked of points that agree, or whose discrepancy a measured bore explains.
    bore = math.sqrt(4.0 * AREA / 1.2 / math.pi)
    explained = {"nameplate_explained": "another piston", "measured_bore_m": bore, "measured_bore_by": "M3"}
    for good in (record(), record(noise=1.0, gain=1.2, head=header(**explained))):
        refuse_discrepancy(good, "")
        assert not any("nameplate" in said for said in analyse(good, "x", monte_carlo=False).not_included)


def test_the_reason_of_an_upload_in_spite_of_the_nameplate_stays_in_the_journal(tmp_path):
    path = journal_of(tmp_path / "cal.jsonl", noise=1.0, gain=1.2)
    before = read_journal(path).digest
    told = Acceptance(
        told="a discrepancy of 17 % with the nameplate", why="checked twice", at=record().header.made
    )
    Journal.resume(path).accept(told)
    kept = read_journal(path)
    assert (kept.acceptances, kept.digest) == ((told,), before)
    (notes,) = [
        s for s in contents(analyse(kept, "x", monte_carlo=False)).sections if s.heading.startswith("Notes")
    ]
    assert any(
        "in spite of a discrepancy of 17 % with the nameplate, because: checked twice" in n
        for n in notes.lines
    )


def test_host_and_device_refuse_at_the_same_bound():
    from steadyram_fw import tables as T
    from steadyram_fw.services.checks import check_calibration
    from steadyram_fw.services.refuse import Refuse

    settings = [0] * 400
    settings[T.S_BORE_UM], settings[T.S_RANGE_KPA] = 101_600, 34_474
    settings[T.S_COUNTS_ZERO], settings[T.S_COUNTS_FULL] = 6554, 58_982
    for gain, refused in ((0.51, False), (0.49, True), (1.97, False), (2.03, True)):
        cal = [0] * 40
        nominal = AREA * RANGE / 0.8  # newtons per 65536 counts
        cal[T.C_C1_N], cal[T.C_ZERO_COUNTS], cal[T.C_MAX_COUNTS] = round(nominal * gain), 6554, 58_982
        taken = record(noise=0.0, friction=0.0, gain=1.0 / gain)
        if refused:
            with pytest.raises(Refuse):
                check_calibration(settings, cal)
            with pytest.raises(BadInput):
                refuse_nonsense(taken, "x")
        else:
            check_calibration(settings, cal)
            refuse_nonsense(taken, "x")


def test_a_gauge_within_its_class_is_covered_and_its_offset_told():
    # Class 1.6 of 5000 psi reads 5 bar high: within its 5.5 bar, worth 4 kN on this piston.
    found = analyse(gauge_record(5e5), "x", monte_carlo=False)
    at_zero = found.zero_disagreement
    assert at_zero is not None
    assert at_zero.significant
    assert at_zero.force_N == pytest.approx(5e5 * AREA, rel=0.02)
    assert any("+5 bar" in note for note in found.notes)
    low = found.levels[0]
    error = 5e5 * AREA  # every force is shown too high by it
    assert error < low.budget.expanded
    assert low.budget.expanded == pytest.approx(1.96 * 0.016 * RANGE * AREA / math.sqrt(3), rel=0.05)
    assert any("the reference alone may be wrong" in note for note in found.notes)
    assert not analyse(gauge_record(0.0), "x", monte_carlo=False).zero_disagreement.significant


def test_a_gauge_earns_no_machine_class():
    assert "force standard" in lacks_of(gauge_record())


def test_the_worth_of_a_gauge_is_said_before_the_start():
    head = gauge_record().header
    said = " ".join(worth_of_reference(head, 8000.0, "kN"))
    assert "0.552 MPa" in said
    assert "4.47 kN" in said
    assert "means nothing" in said
    fair = lowest_force(head, 0.05)
    assert reference_expanded(head, fair) == pytest.approx(0.05 * fair, rel=1e-6)
    assert "means nothing" not in " ".join(worth_of_reference(header(), 8000.0, "kN"))


def test_a_gauge_that_is_off_at_rest_beyond_its_class_is_refused():
    with pytest.raises(ValueError, match=r"beyond the 5\.52 bar of its class"):
        header(reference=GAUGE | {"zero_reading": 7e5})
    assert header(reference=GAUGE | {"zero_reading": 3e5}).reference.zero_reading == 3e5


def as_gauge(template: str, accuracy_class: float) -> str:
    text = template.replace('kind = "load-cell"', 'kind = "gauge"')
    return text.replace("expanded_percent = 0.1 ", f"class_percent = {accuracy_class} ")


def test_a_gauge_and_the_default_unit_of_a_csv(tmp_path, capsys):
    _, template, _ = run(capsys, "calibration", "header")
    text = template.replace('kind = "load-cell"', 'kind = "gauge"').replace(
        "expanded_percent = 0.1 ", "class_percent = 1 "
    )
    text = text.replace(
        'resolution = "10 N"', 'resolution = "1 bar"\nrange = "400 bar"\nassumed_friction = "0.6 kN"'
    )
    (tmp_path / "head.toml").write_text(text)
    rows = [f"{round((25e3 * k + 600) / AREA / 1e5)},{counts_of(25e3 * k)}" for k in range(1, 7)]
    (tmp_path / "points.csv").write_text("reference,reading\n" + "\n".join(rows) + "\n")
    common = (
        "calibration",
        "analyse",
        tmp_path / "points.csv",
        "--header",
        tmp_path / "head.toml",
        "--zero",
        ZERO,
    )
    code, out, err = run(capsys, *common)
    assert code == 0
    assert "taken in bar" in err
    assert "No machine class" in out
    code, out, err = run(capsys, *common, "--reference-unit", "kN")
    assert (code, out) == (2, "")
    assert "is not read in kN" in err


def test_new_says_what_a_gauge_is_worth_before_anything_moves(tmp_path, capsys, monkeypatch):
    _, template, _ = run(capsys, "calibration", "header")
    text = template.replace('kind = "load-cell"', 'kind = "gauge"').replace(
        "expanded_percent = 0.1 ", "class_percent = 1.6 "
    )
    (tmp_path / "head.toml").write_text(text.replace('resolution = "10 N"', 'range = "5000 psi"'))

    def stop(*_: object, **__: object) -> str:
        raise KeyboardInterrupt

    monkeypatch.setattr("click.prompt", stop)
    code, _, err = run(
        capsys, "calibration", "by-hand", tmp_path / "c.jsonl", "--header", tmp_path / "head.toml", "--manual",
        "--smallest", "0.9 tonf",
    )  # fmt: skip
    assert code == 130
    assert "means nothing" in err


def test_zero_return_is_counted_from_the_zero_before_the_runs():
    # A guided calibration fits about the mean of both zeros; the return is their whole difference.
    head = header(zero_counts=ZERO + 20, zero_counts_before=ZERO, zero_counts_after=ZERO + 40)
    found = analyse(record(head=head, noise=1.0), "x", monte_carlo=False)
    slope = AREA * RANGE / (0.8 * 65536 * 1.015)
    assert found.zero_error_percent == pytest.approx(100 * 40 * slope / 150e3, rel=0.01)


def test_coarse_steps_of_a_gauge_make_neither_a_curve_nor_a_disagreement():
    # A straight transducer against a gauge that is read in whole bars: each force is off alike in every run.
    for start in range(8):
        points = []
        for number in (1, 2, 3):
            for k in range(1, 7):
                pressure = (21e3 * k + 300.0 * start + 600.0) / AREA
                counts = ZERO + 0.8 * 65536 * pressure / RANGE + 2 * math.sin(k * number + start)
                points.append(Point(run=number, reference=round(pressure / 1e5) * 1e5, counts=counts))
        fine = {"what": "g", "serial": "1", "kind": "gauge", "expanded_percent": 0.1, "resolution": 1e5}
        settings = {"reference": fine, "assumed_friction_N": 600.0, "assumed_friction_u_N": 50.0}
        taken = CalibrationRecord(header=header(**settings), points=tuple(points))
        found = analyse(taken, "x", monte_carlo=False)
        assert found.curve.degree == 1, start
        assert not found.zero_disagreement.significant, start


@pytest.mark.parametrize(
    ("fluctuation", "words"), [(20.0, "a converter step, 16: 26 counts"), (4.0, "16 counts; at rest")]
)
def test_the_method_says_how_the_resolution_came_about(fluctuation, words):
    found = analyse(record(head=header(fluctuation_counts=fluctuation)), "x", monte_carlo=False)
    assert any(words in sentence for sentence in methods_of(found))
