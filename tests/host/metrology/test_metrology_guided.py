"""The guided run survives interruptions and refuses impossible points."""

import json
from datetime import UTC, datetime

import pytest
from tests.host.metrology.calibration_samples import counts_of, header
from tests.host.metrology.calibration_samples import record as made

from steadyram.errors import BadInput
from steadyram.metrology.analyse import analyse
from steadyram.metrology.guided import Person, Taken, guide, plan
from steadyram.metrology.header import RunStart
from steadyram.metrology.journal import Journal, read_journal


class Bench:
    """A person and a device: answers with the plan's own targets; can be interrupted."""

    def __init__(self, steps, stop_after=None, slips=(), reseats=(), typed=()):
        self.rest = "0.02"
        self.reseats, self.typed = list(reseats), list(typed)
        self.steps, self.stop_after, self.slips = steps, stop_after, list(slips)
        self.said, self.asked, self.force, self.rising = [], 0, 0.0, True

    def ask(self, text):
        if "press return" in text:
            self.force = None
            return self.typed.pop(0) if self.typed else ""
        if "Was that done?" in text:
            return self.reseats.pop(0) if self.reseats else "yes"
        if "how often was that" in text:
            return "3"
        if "at rest, in" in text:
            return self.rest
        self.asked += 1
        if self.stop_after is not None and self.asked > self.stop_after:
            raise KeyboardInterrupt
        if "Ambient temperature" in text:
            return "21.5"
        if self.slips:
            return self.slips.pop(0)
        step = self.steps[int(text.split("/")[0]) - 1]
        self.force, self.rising = step.target, step.direction == "rising"
        return f"{step.target / 1e3:.3f}"

    @property
    def person(self):
        return Person(self.ask, self.said.append, lambda: datetime(2026, 1, 2, 9, 30, tzinfo=UTC))

    def read(self):
        counts = 6601.0 if self.force is None else counts_of(self.force, self.rising)
        return Taken(counts, 0.5, 1.0)


def begin(tmp_path):
    journal = Journal.begin(
        tmp_path / "cal.jsonl", header(zero_counts_after=None, reseated=None, environment={"ambient_C": 21.0})
    )
    journal.begin_run(RunStart(run=1, preloads=3, zero_counts=6600.0))
    return journal, plan(journal.record, 5, 2, 150e3)


def test_straight_through(tmp_path):
    journal, steps = begin(tmp_path)
    bench = Bench(steps)
    guide(journal, steps, bench.person, bench.read, "kN")
    record = read_journal(journal.path)
    assert record == journal.record
    assert len(record.points) == len(steps) == 18
    assert record.header.zero_counts_after == 6601.0
    assert analyse(record, "x").runs == 2


@pytest.mark.parametrize("stop_after", [0, 1, 7, 18])
@pytest.mark.parametrize("torn", [b"", b'{"point": {"run": 1, "direc', b"\xff\xfe"])
def test_interruption_loses_nothing(tmp_path, stop_after, torn):
    journal, steps = begin(tmp_path)
    bench = Bench(steps, stop_after)
    with pytest.raises(KeyboardInterrupt):
        guide(journal, steps, bench.person, bench.read, "kN")
    with journal.path.open("ab") as out:
        out.write(torn)  # the machine died in the middle of a line
    resumed = Journal.resume(journal.path)
    assert len(resumed.record.points) == min(stop_after, 18)
    bench = Bench(steps)
    guide(resumed, steps, bench.person, bench.read, "kN")
    straight, again = begin_and_finish(tmp_path), read_journal(journal.path)
    assert again.points == straight.points
    assert again.digest == straight.digest


def begin_and_finish(tmp_path):
    folder = tmp_path / "straight"
    folder.mkdir()
    journal, steps = begin(folder)
    bench = Bench(steps)
    guide(journal, steps, bench.person, bench.read, "kN")
    return journal.record


def test_impossible_answers_are_asked_again(tmp_path):
    journal, steps = begin(tmp_path)
    bench = Bench(steps, slips=["", "soon", "30", "3 psi"])
    bench.force = 30e3
    guide(journal, steps, bench.person, bench.read, "kN")
    assert len(bench.said) == 5  # how to take back, three refusals and the last sentence
    assert journal.record.points[0].reference == 30e3


def test_wrong_way_is_refused_at_once(tmp_path):
    journal, steps = begin(tmp_path)
    bench = Bench(steps, slips=["30", "20", "30"])
    bench.force = 30e3
    guide(journal, steps, bench.person, bench.read, "kN")
    assert sum("rising" in line for line in bench.said) == 2


@pytest.mark.parametrize("slip", ["3000", "90"])
def test_a_force_that_the_reading_cannot_stand_for_is_refused_at_once(tmp_path, slip):
    # 30 kN typed with a slipped decimal point, and three times too much: twice and 14 kN are the bound.
    journal, steps = begin(tmp_path)
    bench = Bench(steps, slips=[slip])
    bench.force = 30e3
    guide(journal, steps, bench.person, bench.read, "kN")
    assert sum("does not fit" in line for line in bench.said) == 1
    assert journal.record.points[0].reference == 30e3


def test_a_mistyped_point_is_taken_back_and_stays_in_the_journal(tmp_path):
    journal, steps = begin(tmp_path)
    bench = Bench(steps, slips=["34", "back"])
    bench.force = 30e3
    guide(journal, steps, bench.person, bench.read, "kN")
    record = read_journal(journal.path)
    assert record == journal.record
    assert record.taken_back == (3,)
    assert [p.reference for p in record.points[:2]] == [30e3, 60e3]
    assert record.rows[:2] == (5, 6)
    assert json.loads(journal.path.read_text().splitlines()[2])["point"]["reference"] == 34e3
    assert any("row 3" in note and "taken back" in note for note in analyse(record, "x").notes)
    resumed = Journal.resume(journal.path)
    assert resumed.record == record
    # What was taken back is chained, too.
    edit(journal.path, 4, lambda document: document.update(taken_back=9))
    with pytest.raises(BadInput, match="row 4"):
        read_journal(journal.path)


def test_a_unit_that_is_wrong_is_asked_about_after_the_first_point(tmp_path):
    # 30 kN of 3059 kgf typed as lbf: 13.6 kN, which bore and range do not bear.
    journal, steps = begin(tmp_path)
    bench = Bench(steps, slips=["13.6", "no"])
    bench.force = 30e3
    guide(journal, steps, bench.person, bench.read, "kN")
    assert journal.record.points[0].reference == 30e3
    assert len(journal.record.points) == 18


def test_nothing_to_take_back_is_said(tmp_path):
    journal, steps = begin(tmp_path)
    bench = Bench(steps, slips=["back"])
    guide(journal, steps, bench.person, bench.read, "kN")
    assert any("no point to take back" in line for line in bench.said)
    assert journal.record.taken_back == ()


def test_re_seating_is_recorded_as_answered_before_each_run(tmp_path):
    journal, steps = begin(tmp_path)
    bench = Bench(steps)
    guide(journal, steps, bench.person, bench.read, "kN")
    record = read_journal(journal.path)
    assert [(s.run, s.reseated, s.preloads) for s in record.starts] == [(1, None, 3), (2, True, 3)]
    assert record.reseated
    # The row stands after the last point of run 1 and before the first of run 2.
    kinds = [next(iter(json.loads(line))) for line in journal.path.read_text().splitlines()]
    points = ["point"] * 9
    closed = ["ambient_end_C", "zero_counts_after"]
    assert kinds == ["header", "run_begun", *points, "run_begun", *points, *closed]
    assert record.zero_returns_counts == (1.0, 0.0)
    assert record.header.environment.ambient_end_C == 21.5
    assert {p.at for p in record.points} == {bench.person.now()}


def test_a_reference_that_was_not_re_seated_is_not_said_to_be(tmp_path):
    journal, steps = begin(tmp_path)
    bench = Bench(steps, reseats=["perhaps", "no"])
    guide(journal, steps, bench.person, bench.read, "kN")
    assert not read_journal(journal.path).reseated
    assert sum("neither yes nor no" in line for line in bench.said) == 1
    assert any("no machine class" in line for line in bench.said)


@pytest.mark.parametrize(("planned", "answer"), [(True, "no"), (False, "yes")])
def test_an_answer_against_the_header_is_refused_and_not_recorded(tmp_path, planned, answer):
    head = header(zero_counts_after=None, reseated=planned, environment={"ambient_C": 21.0})
    journal = Journal.begin(tmp_path / "cal.jsonl", head)
    journal.begin_run(RunStart(run=1, preloads=3, zero_counts=6600.0))
    steps = plan(journal.record, 5, 2, 150e3)
    bench = Bench(steps, reseats=[answer])
    with pytest.raises(BadInput, match="the header says reseated"):
        guide(journal, steps, bench.person, bench.read, "kN")
    record = read_journal(journal.path)
    assert len(record.points) == 9
    assert [s.run for s in record.starts] == [1]


def test_what_a_journals_header_says_of_re_seating_is_no_answer(tmp_path):
    journal = Journal.begin(tmp_path / "cal.jsonl", header(zero_counts_after=None, reseated=True))
    for point in made(runs=3).points:
        journal.add(point)
    assert not read_journal(journal.path).reseated


def test_a_number_typed_for_the_return_key_is_asked_for_again(tmp_path):
    journal, steps = begin(tmp_path)
    bench = Bench(steps, typed=["30", ""])
    guide(journal, steps, bench.person, bench.read, "kN")
    assert sum("only the return key" in line for line in bench.said) == 1
    assert len(journal.record.points) == 18


def test_no_target_lies_beyond_the_press(tmp_path):
    journal = Journal.begin(tmp_path / "cal.jsonl", header(zero_counts_after=None, rated_N=178e3))
    with pytest.raises(BadInput, match="at most 178"):
        plan(journal.record, 5, 1, 200e3)
    assert max(s.target for s in plan(journal.record, 5, 1, 178e3)) == 178e3
    with pytest.raises(BadInput, match="at most 100"):
        plan(journal.record, 5, 1, 150e3, rated_N=100e3)


def test_plan_bounds(tmp_path):
    journal, _ = begin(tmp_path)
    for levels, runs, force in ((2, 1, 1e5), (5, 0, 1e5), (5, 1, 1e9), (5, 1, 0.0)):
        with pytest.raises(BadInput):
            plan(journal.record, levels, runs, force)


def test_journal_refusals(tmp_path):
    journal, _ = begin(tmp_path)
    with pytest.raises(BadInput, match="exists already"):
        Journal.begin(journal.path, journal.record.header)
    bad = tmp_path / "bad.jsonl"
    begun = json.loads(journal.path.read_text().splitlines()[0])
    del begun["chain"]
    head = json.dumps(begun) + "\n"
    for text, word in (
        ("", "holds no calibration"),
        ("[]\n", "row 1"),
        ('{"point": {}}\n', "header first"),
        (head + "nonsense\n", "row 2"),
        (head + json.dumps({"point": {"reference": "x", "counts": 1}}) + "\n", "row 2"),
        (head + json.dumps({"point": {"reference": 1, "counts": 1, "extra": 2}}) + "\n", "extra"),
        (head + json.dumps({"zero_counts_after": "x"}) + "\n", "row 2"),
        (head + head, "row 2"),
        (head.replace('"serial": "P1"', '"serial": ""'), "row 1"),
    ):
        bad.write_text(text)
        with pytest.raises(BadInput, match=word):
            read_journal(bad)


def finished(tmp_path):
    journal, steps = begin(tmp_path)
    bench = Bench(steps)
    guide(journal, steps, bench.person, bench.read, "kN")
    return journal


def edit(path, row, change):
    lines = path.read_text().splitlines()
    document = json.loads(lines[row - 1])
    change(document)
    lines[row - 1] = json.dumps(document)
    path.write_text("\n".join(lines) + "\n")


def test_an_edited_point_is_named(tmp_path):
    journal = finished(tmp_path)
    assert len(journal.record.digest) == 64
    assert read_journal(journal.path).digest == journal.record.digest

    def by_a_hair(document):
        document["point"]["counts"] += 0.001

    edit(journal.path, 7, by_a_hair)
    with pytest.raises(BadInput, match="row 7: its digest does not match"):
        read_journal(journal.path)


def test_every_line_is_guarded(tmp_path):
    journal = finished(tmp_path)
    whole = journal.path.read_text()
    lines = whole.splitlines()
    for row in range(1, len(lines) + 1):
        document = json.loads(lines[row - 1])
        document["chain"] = document["chain"][:-1] + ("0" if document["chain"][-1] != "0" else "1")
        journal.path.write_text("\n".join([*lines[: row - 1], json.dumps(document), *lines[row:]]) + "\n")
        with pytest.raises(BadInput, match=rf"row {row}\b"):
            read_journal(journal.path)
    for gone in range(2, len(lines)):  # a line taken out shows in the next
        journal.path.write_text("\n".join([*lines[: gone - 1], *lines[gone:]]) + "\n")
        with pytest.raises(BadInput, match=rf"row {gone}\b"):
            read_journal(journal.path)
    swapped = [lines[0], lines[2], lines[1], *lines[3:]]
    journal.path.write_text("\n".join(swapped) + "\n")
    with pytest.raises(BadInput, match="row 2"):
        read_journal(journal.path)
    journal.path.write_text(whole)
    assert read_journal(journal.path).digest


def test_a_header_that_was_improved_afterwards_shows(tmp_path):
    journal = finished(tmp_path)

    def better(document):
        document["header"]["reference"]["expanded_percent"] = 0.01

    edit(journal.path, 1, better)
    with pytest.raises(BadInput, match="row 1: its digest"):
        read_journal(journal.path)


def test_a_journal_without_digests_is_read_and_grows_without(tmp_path):
    journal = finished(tmp_path)
    lines = [json.loads(line) for line in journal.path.read_text().splitlines()]
    old = tmp_path / "old.jsonl"
    old.write_text(
        "".join(json.dumps({k: v for k, v in d.items() if k != "chain"}) + "\n" for d in lines[:-1])
    )
    assert read_journal(old).digest == ""
    resumed = Journal.resume(old)
    resumed.close_zero(6601.0)
    assert read_journal(old).digest == ""
    mixed = tmp_path / "mixed.jsonl"
    mixed.write_text(old.read_text() + json.dumps(lines[-1]) + "\n")
    with pytest.raises(BadInput, match="carries a digest"):
        read_journal(mixed)
