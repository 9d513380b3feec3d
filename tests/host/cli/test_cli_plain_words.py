"""What a new user tripped on: hints, warnings and words of the commands, each asserted where it is printed."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from tests.host.cycles.test_cycles_pull import connect, ready_bench
from tests.host.device.test_device_sets import settings
from tests.host.loopback import Bench
from tests.host.served import Served

from steadyram.cli import main
from steadyram_fw import tables as T

PRESSES = Path(__file__).parents[2] / "presses"
BENCH_4 = PRESSES / "bench-4.toml"


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STEADYRAM_CONFIG_DIR", str(tmp_path / "config"))
    monkeypatch.delenv("STEADYRAM_PORT", raising=False)
    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    with Served(ready_bench(tmp_path / "flash", 3)) as serving:
        yield serving


def run(capsys: pytest.CaptureFixture[str], *args: object, code: int = 0) -> tuple[str, str]:
    """Standard output and error, blanks squeezed; asserts the exit code."""
    try:
        main([str(each) for each in args])
        found = 0
    except SystemExit as stop:
        found = int(stop.code or 0)
    captured = capsys.readouterr()
    assert found == code, captured.err
    return captured.out, " ".join(captured.err.split())


def test_a_stray_key_of_a_press_file_is_named_with_what_was_meant(capsys: pytest.CaptureFixture[str]) -> None:
    text = BENCH_4.read_text()
    for line, wrong, meant in (
        ('bore = "45 mm"', 'boar = "45 mm"', "did you mean cylinder.bore"),
        ('rod = "25 mm"', 'rod = "25 mm"\nretrun = "spring"', "did you mean cylinder.return"),
        ("[valve]", "[valves]", "did you mean valve"),
        ('rod = "25 mm"', 'rod = "25 mm"\ncolour = "red"', "remove or correct it"),
    ):
        Path("press.toml").write_text(text.replace(line, wrong))
        _, err = run(capsys, "size", "--press", "press.toml", code=2)
        assert wrong.rpartition("\n")[2].split()[0].strip("[]") in err
        assert meant in err


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('bore_um = "4 in"', "it is a count of micrometres: bore_um = 101600"),
        ('range_kpa = "5000 psi"', "range_kpa = 34474"),
        ('capacity_n = "20 tonf"', "capacity_n = 177929"),
        ("cycle_max_ms = 1.5", "it is a count of milliseconds"),
        ('bore_um = "wide"', "it is a count of micrometres"),
        ("bore_mu = 100000", "did you mean bore_um?"),
    ],
)
def test_a_settings_file_says_what_whole_number_it_wants(
    capsys: pytest.CaptureFixture[str], line: str, says: str
) -> None:
    Path("settings.toml").write_text(line + "\n")
    _, err = run(
        capsys, "device", "settings", "push", "settings.toml", "--port", "socket://127.0.0.1:1", code=2
    )
    assert says in err


@pytest.mark.parametrize("ton", ["1 ton", "1 Ton", "1 t", "1 tf", "1 metric ton", "1 short ton", "1 US tons"])
def test_a_ton_is_told_apart(capsys: pytest.CaptureFixture[str], ton: str) -> None:
    _, err = run(capsys, "size", "--press", BENCH_4, "--smallest", ton, code=2)
    assert "ambiguous" in err
    assert "tonf is the short ton-force, 2000 lbf or 8.896 kN" in err
    assert "tonne_force is 1000 kgf or 9.807 kN" in err


def test_choosing_units_tells_which_ton_is_which(capsys: pytest.CaptureFixture[str]) -> None:
    out, err = run(capsys, "units", "--force", "tonf")
    assert "Forces in tonf" in out
    assert "tonf is the short ton-force" in err


def test_a_poor_fit_is_warned_of_and_a_good_one_is_not(capsys: pytest.CaptureFixture[str]) -> None:
    good = [(x, 3 * x + 1) for x in range(8)]
    # The same points, their readings shuffled upwards: rising, but no line.
    poor = [(x, [0, 0.1, 0.2, 0.3, 0.4, 6.0, 20.0, 60.0][x]) for x in range(8)]
    for points, warns in ((good, False), (poor, True)):
        Path("points.csv").write_text("reference,reading\n" + "".join(f"{x},{y}\n" for x, y in points))
        out, err = run(capsys, "fit", "points.csv", "--model", "line", "--keep-outliers", "--json")
        document = json.loads(out)
        assert bool(document["warnings"]) is warns
        assert ("the fit is poor" in err) is warns
        assert (document["r_squared"] < 0.99) is warns
    assert "is below 0.99" in err


def test_size_and_force_end_in_words_with_units(capsys: pytest.CaptureFixture[str]) -> None:
    key = re.compile(r"\b[a-z_]+_(?:N|Pa|m|m2|s|Hz|A|V|rad|per_m)\b|True|False|None")
    for args in (
        ("size", "--press", BENCH_4, "--bed-span", "0.9 m", "--bed-inertia", "1500 cm^4", "--part", "0.5 m",
         "--opening", "25 mm"),
        ("force", "clinch", "--thread", "M8", "--thickness", "2 mm"),
        ("force", "press-fit", "--diameter", "40mm", "--hub", "80mm", "--interference", "40um", "--length", "50mm"),
        ("force", "punch", "--shear", "310MPa", "--thickness", "2mm", "--diameter", "10mm"),
        ("force", "bed-deflection", "--force", "20tonf", "--span", "0.9m", "--inertia", "1500cm^4"),
    ):  # fmt: skip
        out, _ = run(capsys, *args)
        assert key.findall(out) == [], args
    assert re.search(r"^deflection \d+\.?\d* mm$", out, re.M)


def test_help_says_what_levels_runs_and_thickness_are(capsys: pytest.CaptureFixture[str]) -> None:
    out, _ = run(capsys, "calibration", "by-hand", "--help")
    assert "equal steps up to --largest, and down again" in " ".join(out.split())
    assert "How often the whole run is taken" in " ".join(out.split())
    out, _ = run(capsys, "force", "clinch", "--help")
    assert "force does not depend on it" in " ".join(out.split())


def test_a_jobs_file_is_not_said_to_be_proven(capsys: pytest.CaptureFixture[str]) -> None:
    Path("jobs.toml").write_text('[[job]]\nname = "nut"\nforce = "8 kN"\n')
    out, err = run(capsys, "jobs", "check", "jobs.toml")
    assert "as stated" in out
    assert "proven" not in out
    assert "No file tells whether a force was proven" in err
    Path("jobs.toml").write_text('[[job]]\nname = "nut"\nforce = "8 kN"\nunproven = true\n')
    out, err = run(capsys, "jobs", "check", "jobs.toml")
    assert "an estimate" in out
    assert "steadyram first-part" in err


def test_choosing_a_job_tells_what_is_still_missing(
    capsys: pytest.CaptureFixture[str], served: Served
) -> None:
    _, err = run(capsys, "jobs", "use", "1", "--port", served.url)
    assert "calibration" not in err
    with Served(blank_bench(Path("blank"))) as blank:
        Path("jobs.toml").write_text('[[job]]\nname = "nut"\nforce = "8 kN"\nunproven = true\n')
        run(capsys, "jobs", "push", "jobs.toml", "--yes", "--port", blank.url)
        _, err = run(capsys, "jobs", "use", "1", "--port", blank.url)
    assert "no calibration yet" in err
    assert "steadyram first-part" in err


def blank_bench(folder: Path) -> Bench:
    """A board with settings and open changes, and nothing else."""
    bench = Bench(folder)
    bench.run(10)
    bench.inputs |= T.IN_ENABLE
    bench.run(2500)
    bench.inputs &= ~T.IN_ENABLE
    bench.run(10)
    connect(bench).push_settings(settings())
    return bench


def test_stopping_says_what_was_changed_and_what_not(
    capsys: pytest.CaptureFixture[str], served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stop(*_: object, **__: object) -> None:
        raise click.Abort

    for name in ("prompt", "confirm"):
        monkeypatch.setattr(f"click.{name}", stop)
    from steadyram.metrology.header_file import TEMPLATE

    Path("header.toml").write_text(TEMPLATE.replace('bore = "4 in"', 'bore = "100 mm"'))
    Path("jobs.toml").write_text('[[job]]\nname = "other"\nforce = "7 kN"\n')
    Path("settings.toml").write_text("changes_s = 700\n")
    port = ("--port", served.url)
    for args, says in (
        (("calibration", "by-hand", "cal.jsonl", "--header", "header.toml", *port), "nothing was written"),
        (
            ("calibration", "run", "--header", "header.toml", *port),
            "was not touched, and no record was written",
        ),
        (("characterise", *port), "No setting was changed on the device and no record was written"),
        (("iocheck", *port), "changes nothing on the device"),
        (("device", "report", "record.md", "--walk", *port), "record.md was not written"),
        (("jobs", "push", "jobs.toml", *port), "Nothing was pushed; the device keeps its jobs"),
        (("device", "settings", "push", "settings.toml", *port), "the device keeps its settings"),
    ):
        _, err = run(capsys, *args, code=130)
        assert err.count("Stopped.") == 1, err
        assert says in err
    assert {path.name for path in Path().iterdir()} == {"header.toml", "jobs.toml", "settings.toml"}


def test_a_trial_tells_which_parts_are_in_the_band(capsys: pytest.CaptureFixture[str]) -> None:
    args = ("trial", "--press", BENCH_4, "--setpoint", "4.8 kN", "--cycles", "3", "--runtime", "cpython",
            "--cutoff", "threshold")  # fmt: skip
    document = json.loads(run(capsys, *args, "--json")[0])
    for row in document["cycles"]:
        assert row["in_band"] is (abs(row["peak_N"] - 4800.0) <= document["band_N"])
    assert document["band_N"] == pytest.approx(max(1.5 * 1.96 * document["limit_sigma_N"], 0.012 * 4800.0))
    assert not any(row["in_band"] for row in document["cycles"])  # a plain threshold on this press
    out = " ".join(run(capsys, *args)[0].split())
    assert "in band" in out
    assert "over" in out
    assert "0 of 3 parts within the band" in out
