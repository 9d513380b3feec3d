"""Nonsense is refused with one sentence, the row named, exit code 2 and nothing written."""

from pathlib import Path

import pytest
from tests.host.metrology.calibration_samples import header, record

from steadyram.cli import main
from steadyram.errors import BadInput
from steadyram.metrology.checks import refuse_nonsense
from steadyram.metrology.record import CalibrationRecord

GOOD = (
    "reference,reading,direction\n0,10,rising\n10,20,rising\n20,30.1,rising\n30,39.9,rising\n40,50,rising\n"
)


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = 0
    try:
        main(list(arguments))
    except SystemExit as stop:
        code = stop.code if isinstance(stop.code, int) else 0
    said = capsys.readouterr()
    return code, said.out, said.err


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("hello world\n", ["row 1", "header"]),
        ("", ["no points"]),
        ("# only a comment\n", ["no points"]),
        ("reference,reading\n", ["no points below"]),
        ("reference,reading\n1,2\n2,x\n3,4\n", ["row 3", "'x'", "not a number"]),
        ("reference,reading\n1,2\n2,\n", ["row 3", "empty"]),
        ("reference,reading\n1,2\n2,nan\n", ["row 3", "finite"]),
        ("reference,reading\n1,2\n2,inf\n", ["row 3", "finite"]),
        ("reference,reading\n1,2\n2,1e999999999\n", ["row 3", "outside anything"]),
        ("reference,reading\n1,2\n2,3,4\n", ["row 3", "3 fields"]),
        ("reference,reading,reading\n1,2,3\n", ["row 1", "twice"]),
        ('reference,reading\n1,"2\n', ["row 2", "quotes"]),
        ("reference,reading\n5,1\n5,2\n5,3\n5,4\n", ["never moves"]),
        ("reference,reading\n1,2\n2,3\n", ["at least 3 points"]),
        ("reference,reading,direction\n1,2,sideways\n", ["row 2", "direction", "rising or falling"]),
        (GOOD.replace("30,39.9", "15,39.9"), ["row 5", "falls", "rising run"]),
        (GOOD.replace("30.1", "3010"), ["row 4", "out of scale"]),
    ],
)
def test_fit_refuses(text, words, tmp_path, capsys):
    path = tmp_path / "points.csv"
    path.write_text(text)
    code, out, err = run(capsys, "fit", str(path), "--model", "line", "--json")
    assert code == 2
    assert out == ""
    assert err.count("\n") == 1
    assert "Traceback" not in err
    for word in words:
        assert word in err


def test_fit_refuses_a_binary_file_a_missing_one_and_a_folder(tmp_path, capsys):
    binary = tmp_path / "x.csv"
    binary.write_bytes(bytes(range(256)) * 4)
    for path in (binary, tmp_path / "none.csv", tmp_path, "/dev/zero", "n" * 5000):
        code, out, err = run(capsys, "fit", str(path), "--model", "line", "--json")
        assert (code, out) == (2, "")
        assert err.count("\n") == 1


@pytest.mark.parametrize("weight", ["0", "-1", "x", ""])
def test_fit_refuses_bad_weights(weight, tmp_path, capsys):
    path = tmp_path / "points.csv"
    path.write_text(f"reference,reading,w\n1,2,1\n2,3,{weight}\n3,4,1\n4,5,1\n")
    code, _, err = run(capsys, "fit", str(path), "--model", "line", "--weights", "w", "--json")
    assert code == 2
    assert "row 3" in err
    code, _, err = run(capsys, "fit", str(path), "--model", "line", "--weights", "sigma", "--json")
    assert code == 2
    assert "'sigma'" in err


def test_fit_takes_several_runs_and_repeated_references(tmp_path, capsys):
    path = tmp_path / "points.csv"
    runs = "0,10,rising\n10,20,rising\n20,30,rising\n10,20.2,falling\n0,10.1,falling\n"
    path.write_text("reference,reading,direction\n" + runs + runs)
    code, out, _ = run(capsys, "fit", str(path), "--model", "line", "--json")
    assert code == 0
    assert '"n": 10' in out


def change(base: CalibrationRecord, index: int, **values: object) -> CalibrationRecord:
    points = list(base.points)
    points[index] = points[index].model_copy(update=values)
    return base.model_copy(update={"points": tuple(points), "rows": tuple(range(2, 2 + len(points)))})


@pytest.mark.parametrize(
    ("index", "values", "words"),
    [
        (3, {"reference": 60e3}, ["row 5", "falls"]),
        (3, {"reference": 75e3}, ["row 5", "twice"]),
        (3, {"counts": 8000.0}, ["row 5", "reading goes from"]),
        (5, {"reference": 1.5e6}, ["row 7"]),
        (7, {"reference": 140e3}, ["row 9", "rises"]),
    ],
)
def test_calibration_refuses(index, values, words):
    with pytest.raises(BadInput) as refusal:
        refuse_nonsense(change(record(), index, **values), "cal.jsonl")
    for word in words:
        assert word in str(refusal.value)


def test_calibration_refuses_what_is_wrong_as_a_whole():
    good = record()
    refuse_nonsense(good, "x")
    still = good.model_copy(
        update={"points": tuple(p.model_copy(update={"reference": 5e3}) for p in good.points)}
    )
    with pytest.raises(BadInput, match="never moves"):
        refuse_nonsense(still, "x")
    # A reference typed in kilonewtons where newtons are meant: every point is a thousand times too small.
    small = good.model_copy(
        update={"points": tuple(p.model_copy(update={"reference": p.reference / 1e3}) for p in good.points)}
    )
    with pytest.raises(BadInput, match="unit of the reference"):
        refuse_nonsense(small, "x")
    with pytest.raises(BadInput, match="no points"):
        refuse_nonsense(good.model_copy(update={"points": ()}), "x")
    with pytest.raises(BadInput, match="at least 3"):
        refuse_nonsense(good.model_copy(update={"points": good.points[:2]}), "x")


def test_analyse_names_the_row_of_a_csv_even_without_its_header(tmp_path: Path, capsys):
    path = tmp_path / "points.csv"
    path.write_text(GOOD.replace("30,39.9", "15,39.9"))
    code, out, err = run(capsys, "calibration", "analyse", str(path), "--json")
    assert (code, out) == (2, "")
    assert "row 5" in err


def test_a_load_cell_takes_no_assumed_friction():
    with pytest.raises(ValueError, match="only for a gauge"):
        header(assumed_friction_N=600.0)
