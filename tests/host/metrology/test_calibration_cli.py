"""`steadyram calibration ...` from the outside."""

import json
import re
from datetime import date
from pathlib import Path

import pytest
from tests.host.metrology.calibration_samples import CELL, ZERO, counts_of, header, record

from steadyram.cli import main
from steadyram.metrology.header_file import read_header
from steadyram.metrology.journal import Journal, read_journal
from steadyram.metrology.record import document_number
from steadyram.press.pressfile import read_press


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    code = 0
    try:
        main([str(a) for a in arguments])
    except SystemExit as stop:
        code = stop.code if isinstance(stop.code, int) else 0
    said = capsys.readouterr()
    return code, said.out, said.err


PRESSES = Path(__file__).parents[3] / "hardware_notes" / "presses"


def journal_of(path: Path, **options) -> Path:
    taken = record(**options)
    head = taken.header.model_copy(update={"zero_counts_after": None})
    journal = Journal.begin(path, head)
    for start in taken.starts:
        journal.begin_run(start)
    for point in taken.points:
        journal.add(point)
    journal.close_zero(ZERO + 1)
    return path


def test_analyse_and_certificate(tmp_path, capsys):
    path = journal_of(tmp_path / "cal.jsonl")
    code, out, err = run(capsys, "calibration", "analyse", path, "--json")
    assert (code, err) == (0, "")
    told = json.loads(out)
    assert told["iso_7500_1_class"] == 1.0
    assert len(told["levels"]) == 6
    assert told["device"]["c1_n"] > 300_000
    code, out, err = run(capsys, "calibration", "certificate", path)
    assert code == 0
    assert "keep it from being a certificate" in err
    assert [Path(line).name for line in out.split()] == ["cal.html", "cal.pdf"]
    page = (tmp_path / "cal.html").read_text()
    worst = max(abs(v) for v in told["device_residual_N"])
    assert f"integer polynomial {worst / 1e3:.3g} kN" in page
    for serial in ("serial P1", "serial T1", "serial R1", "invented data"):
        assert serial in page
    assert "<svg" in page
    assert "http://" not in page.replace("http://www.w3.org", "").replace("http://purl.org", "").replace(
        "http://creativecommons.org", ""
    )
    assert (tmp_path / "cal.pdf").read_bytes().startswith(b"%PDF-")


def test_csv_with_header_file(tmp_path, capsys):
    code, template, _ = run(capsys, "calibration", "header")
    assert code == 0
    (tmp_path / "head.toml").write_text(template)
    rows = ["reference,reading,direction"]
    for k in range(1, 7):
        rows.append(f"{25 * k},{counts_of(25e3 * k) + (-1) ** k},rising")
    for k in range(5, 0, -1):
        rows.append(f"{25 * k},{counts_of(25e3 * k, False)},falling")
    (tmp_path / "points.csv").write_text("\n".join(rows) + "\n")
    code, out, _ = run(
        capsys, "calibration", "analyse", tmp_path / "points.csv", "--header", tmp_path / "head.toml",
        "--zero", "6600", "--reference-unit", "kN", "--json",
    )  # fmt: skip
    assert code == 0
    assert json.loads(out)["friction"]["friction_N"] == pytest.approx(600, abs=15)
    assert json.loads(out)["iso_7500_1_class"] is None
    assert any("1 rising run was taken" in lack for lack in json.loads(out)["iso_7500_1_lacks"])
    # The same in the wrong unit is refused.
    code, _, err = run(
        capsys, "calibration", "analyse", tmp_path / "points.csv", "--header", tmp_path / "head.toml",
        "--zero", "6600", "--reference-unit", "N",
    )  # fmt: skip
    assert code == 2
    assert "unit of the reference" in err


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ('bore = "4 in"', 'bore = "4"', "has no unit"),
        ('bore = "4 in"', "", "press.bore is missing"),
        ('range = "5000 psi"', 'range = "5000 kN"', "wrong kind"),
        ("[environment]", "[weather]", "weather"),
        ("coverage_factor = 2", "coverage_factor = 9", "coverage_factor"),
        ('kind = "load-cell"', 'kind = "spring"', "reference.kind"),
        ('kind = "load-cell"', 'kind = "load-cell"\ncolour = "red"', "reference.colour"),
        ("[press]", "[press", "not TOML"),
        ("# ambient_C = 20", "ambient_C = nan", "ambient_C"),
    ],
)
def test_header_mistakes_show_before_anyone_moves_the_ram(old, new, word, tmp_path, capsys):
    _, template, _ = run(capsys, "calibration", "header")
    assert old in template
    head = tmp_path / "head.toml"
    head.write_text(template.replace(old, new))
    journal = tmp_path / "cal.jsonl"
    code, out, err = run(capsys, "calibration", "by-hand", journal, "--header", head, "--manual")
    assert (code, out) == (2, "")
    assert word in err
    assert not journal.exists()


def test_verify_decides_the_exit_code(tmp_path, capsys):
    path = journal_of(tmp_path / "cal.jsonl")
    good = tmp_path / "good.csv"
    good.write_text("reference,reading\n" + "".join(f"{f},{counts_of(f)}\n" for f in (40e3, 80e3)))
    code, out, err = run(capsys, "calibration", "verify", path, "--points", good, "--json")
    assert code == 0
    assert f"{good}: the reference column is taken in N; --reference-unit says otherwise." in err
    assert json.loads(out)["verdict"] == "pass"
    bad = tmp_path / "bad.csv"
    bad.write_text("reference,reading\n" + "".join(f"{f},{counts_of(f) + 300}\n" for f in (40e3, 80e3)))
    code, _, err = run(capsys, "calibration", "verify", path, "--points", bad)
    assert code == 5
    assert "does not pass" in err
    # Kilonewtons in a file that is read in newtons are no failed verification.
    slip = tmp_path / "slip.csv"
    slip.write_text("reference,reading\n" + "".join(f"{f},{counts_of(f * 1e3)}\n" for f in (40, 80)))
    code, out, err = run(capsys, "calibration", "verify", path, "--points", slip)
    assert (code, out) == (2, "")
    assert "--reference-unit" in err
    code, _, err = run(capsys, "calibration", "verify", path, "--points", slip, "--reference-unit", "kN")
    assert (code, err) == (0, "")


def test_check_compare_and_rr(tmp_path, capsys):
    old = journal_of(tmp_path / "old.jsonl")
    counts = counts_of(80e3)
    bar = (80e3 + 600) / 0.00810732 / 1e5
    common = ("--gauge-range", "345 bar", "--zero-now", "6600", "--json", "--log", tmp_path / "daily.jsonl")
    code, out, _ = run(
        capsys, "calibration", "check", old, "--gauge", f"{bar} bar", "--counts", counts, *common
    )
    assert code == 0
    assert json.loads(out)["passed"]
    code, _, _ = run(
        capsys, "calibration", "check", old, "--gauge", f"{bar + 15} bar", "--counts", counts, *common
    )
    assert code == 5
    # For people it stands in the unit that was typed, with the limit that the zero is held to.
    plain = ("--gauge-range", "345 bar", "--zero-now", "7540", "--counts", counts + 940)
    code, out, err = run(capsys, "calibration", "check", old, "--gauge", f"{bar / 10} MPa", *plain)
    assert code == 5
    assert f"gauge {bar / 10:.2f} MPa" in out
    assert "zero moved by +940 counts or" in out
    assert re.search(r"allowed ±\d+ counts or", out)
    assert len((tmp_path / "daily.jsonl").read_text().splitlines()) == 2
    later = header(
        made="2027-01-02T00:00:00Z",
        reference=CELL | {"calibrated_on": date(2026, 12, 1), "due": date(2027, 11, 30)},
    )
    new = journal_of(tmp_path / "new.jsonl", head=later, gain=1.03)
    code, out, _ = run(capsys, "calibration", "compare", old, new, "--json")
    assert code == 0
    assert json.loads(out)["worst_percent_per_year"] == pytest.approx(1.5, abs=0.2)
    assert not json.loads(out)["as_found_within"]
    code, _, _ = run(capsys, "calibration", "certificate", new, "--previous", old)
    assert code == 0
    page = (tmp_path / "new.html").read_text()
    assert f"errors of the polynomial of calibration No. {document_number(read_journal(old))}" in page
    assert "No statement of conformity is made of either" in page
    assert "within 1 %" not in page
    assert "as left (kN)" in page
    code, _, err = run(capsys, "calibration", "certificate", old, "--previous", new)
    assert code == 2
    assert "not later" in err
    study = tmp_path / "study.csv"
    rows = [(p, o, p + 0.01 * r) for p in range(4) for o in "AB" for r in range(2)]
    study.write_text("part,operator,reading\n" + "".join(f"{p},{o},{v}\n" for p, o, v in rows))
    code, out, _ = run(capsys, "calibration", "repeatability", study, "--json")
    assert code == 0
    assert json.loads(out)["categories"] > 10
    study.write_text(study.read_text().replace("3,B,3\n", "", 1).replace("3,B,3.01\n", "", 1))
    code, _, err = run(capsys, "calibration", "repeatability", study)
    assert code == 2
    assert "every operator" in err


@pytest.mark.parametrize("press_file", sorted(PRESSES.glob("*.toml")), ids=lambda path: path.stem)
def test_a_header_made_from_a_press_file_is_of_that_press(press_file, tmp_path, capsys):
    code, out, _ = run(capsys, "calibration", "header", "--press", press_file)
    assert code == 0
    (tmp_path / "head.toml").write_text(out)
    head, press = read_header(tmp_path / "head.toml", 0.0), read_press(press_file)
    assert head.press.what == press.name
    assert head.full_N == pytest.approx(
        press.cylinder.area_m2 * press.transducer.range, rel=1e-3
    )  # the range of a force sensor's press is its full output over the piston
    assert head.rated_N == pytest.approx(press.capacity_N, abs=1.0)
    assert head.counts_step == 1 << (16 - press.adc.bits)
