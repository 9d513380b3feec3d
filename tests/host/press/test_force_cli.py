"""`steadyram force ...`: jobs written whole and unproven, refusals in one sentence."""

import json
from pathlib import Path

import pytest

from steadyram.cli import main
from steadyram.jobs.file import read_jobs
from steadyram.press.force_beam import bow_over_part, section, straighten_force
from steadyram.press.force_broach import broach_force
from steadyram.press.force_clinch import thread_diameter_m

BEND = (
    "force",
    "bend",
    "--tensile",
    "450 MPa",
    "--thickness",
    "3.2 mm",
    "--length",
    "44.5 mm",
    "--opening",
    "25 mm",
)


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    code = 0
    try:
        main([str(a) for a in arguments])
    except SystemExit as stop:
        code = stop.code if isinstance(stop.code, int) else 0
    said = capsys.readouterr()
    return code, said.out, said.err


def test_job_is_appended_unproven_and_the_rest_kept(tmp_path: Path, capsys):
    path = tmp_path / "jobs.toml"
    path.write_text('# ours\n[[job]]\nname = "first"\nforce = "1.0 tonf"\n')
    code, out, _ = run(capsys, *BEND, "--write-job", path, "--job-name", "bracket", "--json")
    assert code == 0
    assert json.loads(out)["job_written"] == "bracket"
    assert path.read_text().startswith('# ours\n[[job]]\nname = "first"')
    jobs = {job.name: job for job in read_jobs(path).job}
    assert jobs["bracket"].unproven
    assert jobs["bracket"].force == pytest.approx(10909.0, rel=1e-3)
    assert not jobs["first"].unproven
    before = path.read_bytes()
    code, out, err = run(capsys, *BEND, "--write-job", path, "--job-name", "bracket", "--json")
    assert (code, out) == (2, "")
    assert "already" in err
    assert path.read_bytes() == before


def test_job_file_refusals_change_nothing(tmp_path, capsys):
    path = tmp_path / "jobs.toml"
    path.write_text("not [ toml")
    code, _, err = run(capsys, *BEND, "--write-job", path)
    assert (code, path.read_text()) == (2, "not [ toml")
    assert "not a jobs file" in err
    code, _, err = run(capsys, *BEND, "--write-job", tmp_path / "new.toml", "--job-name", 'a"b')
    assert code == 2
    assert list(tmp_path.iterdir()) == [path]
    code, _, err = run(capsys, *BEND, "--write-job", tmp_path / "no" / "where.toml")
    assert code == 2
    assert "cannot be written" in err


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (("bend", "--thickness", "3 mm", "--length", "40 mm", "--opening", "25 mm"), "--tensile"),
        (
            ("bend", "--tensile", "450", "--thickness", "3 mm", "--length", "1 m", "--opening", "25 mm"),
            "no unit",
        ),
        (
            ("bend", "--tensile", "450 MPa", "--thickness", "-3 mm", "--length", "1 m", "--opening", "2 mm"),
            "thickness",
        ),
        (
            ("bend", "--material", "cheese", "--thickness", "3 mm", "--length", "1 m", "--opening", "2 mm"),
            "cheese",
        ),
        (("punch", "--shear", "1 MPa", "--thickness", "1 mm"), "--perimeter or --diameter"),
        (
            (
                "press-fit",
                "--diameter",
                "40 mm",
                "--hub",
                "30 mm",
                "--interference",
                "1 um",
                "--length",
                "1 mm",
            ),
            "hub",
        ),
        (("clinch", "--thread", "1/0", "--thickness", "1 mm"), "divides by zero"),
        (("clinch", "--thread", "fat", "--thickness", "1 mm"), "thread"),
        (("dimple", "--hole", "3 in", "--outer", "2 in", "--thickness", "1 mm"), "outer"),
        (("straighten", "--section", "tube", "--width", "30 mm", "--span", "1 m"), "wall"),
        (("bed-deflection", "--force", "1 ton", "--span", "1 m", "--inertia", "1 cm^4"), "ambiguous"),
        (("bed-deflection", "--force", "1 kN", "--span", "1 m", "--inertia", "1 cm^3"), "wrong kind"),
    ],
)
def test_refusals(arguments, word, capsys):
    code, out, err = run(capsys, "force", *arguments, "--json")
    assert (code, out) == (2, "")
    assert word in err
    assert err.count("\n") == 1


def test_every_estimate_says_where_it_comes_from(capsys):
    for arguments in (
        BEND[1:],
        ("punch", "--material", "mild-steel-cold-rolled", "--thickness", "2 mm", "--diameter", "10 mm"),
        ("press-fit", "--diameter", "40 mm", "--hub", "80 mm", "--interference", "40 um", "--length", "50 mm",
         "--hub-material", "aluminium-6061-t6", "--hub-warmer", "20 K"),
        ("clinch", "--thread", "M8", "--thickness", "2 mm"),
        ("dimple", "--hole", "1 in", "--outer", "1.3 in", "--thickness", "2 mm"),
        ("broach", "--width", "6 mm", "--rise", "0.05 mm", "--length", "30 mm", "--pitch", "8 mm"),
        ("straighten", "--section", "round", "--diameter", "30 mm", "--span", "500 mm"),
    ):  # fmt: skip
        code, out, _ = run(capsys, "force", *arguments, "--json")
        assert code == 0
        told = json.loads(out)
        assert 0 < told["low_N"] < told["force_N"] < told["high_N"]
        assert told["source"]
        assert told["formula"]
        assert told["assumptions"]
        assert "relief valve" in told["caution"]


def test_threads():
    for text, inches in (("1/2-13", 0.5), ("1/4-20", 0.25), ("#10-32", 0.19), ("1 1/4-7", 1.25)):
        assert thread_diameter_m(text) == pytest.approx(inches * 0.0254)
    assert thread_diameter_m("M8x1.25") == pytest.approx(0.008)
    assert thread_diameter_m("8 mm") == pytest.approx(0.008)


def test_sections_by_hand():
    # Rectangle b h^3/12, round pi d^4/64, plastic moduli b h^2/4 and d^3/6 (textbook).
    assert section("rect", 0.02, 0.03) == pytest.approx((0.02 * 0.03**3 / 12, 3e-6, 4.5e-6))
    _, elastic, plastic = section("round", 0.03)
    assert plastic / elastic == pytest.approx(16 / (3 * 3.141592653589793))
    thin = section("tube", 0.03, wall_m=0.0001)
    assert thin[2] / thin[1] == pytest.approx(4 / 3.141592653589793, rel=0.01)
    found = straighten_force(350e6, 205e9, 0.5, "rect", 0.02, 0.03)
    assert found.low_N == pytest.approx(4 * 350e6 * 3e-6 / 0.5)
    assert found.figures["plastic_hinge_N"] == pytest.approx(1.5 * found.low_N)


def test_bow_over_a_part():
    # The whole span sees the whole bow, a point none of it; a quarter-span part little.
    assert bow_over_part(1e-3, 1.0, 1.0) == pytest.approx(1e-3)
    assert bow_over_part(1e-3, 1.0, 0.0) == pytest.approx(0.0)
    x = 0.75
    assert bow_over_part(1e-3, 1.0, 0.25) == pytest.approx(1e-3 * (1 - (3 * x - x**3) / 2))


def test_broach_teeth_and_chip():
    found = broach_force(2e9, 0.006, 0.05e-3, 0.030, 0.008)
    assert found.figures["teeth_engaged"] == 4
    assert found.force_N == pytest.approx(4 * 0.006 * 0.05e-3 * 1.3 * 2e9 * 0.05**-0.25)
