"""Bad input at the command line: one sentence, exit 2, no traceback, nothing changed or written."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.host.cycles.test_cycles_pull import ready_bench
from tests.host.served import Served

from steadyram.cli import main
from steadyram.device import Device
from steadyram.link.client import Client
from steadyram.link.transport import open_transport
from steadyram.metrology.header_file import TEMPLATE

PRESSES = Path(__file__).parents[2] / "presses"
GOOD_JOBS = '[[job]]\nname = "nut"\nforce = "8 kN"\n'


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STEADYRAM_CONFIG_DIR", str(tmp_path / "config"))
    monkeypatch.delenv("STEADYRAM_PORT", raising=False)
    monkeypatch.delenv("STEADYRAM_STORE", raising=False)
    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    with Served(ready_bench(tmp_path / "flash", 3)) as serving:
        yield serving


def refused(capsys: pytest.CaptureFixture[str], *args: str) -> str:
    """Run the command line; assert that it refuses as every command must; returns the sentence."""
    before = {path: path.read_bytes() for path in Path().rglob("*") if path.is_file()}
    with pytest.raises(SystemExit) as stop:
        main(list(args))
    captured = capsys.readouterr()
    after = {path: path.read_bytes() for path in Path().rglob("*") if path.is_file()}
    assert stop.value.code == 2, captured.err
    assert captured.out == ""
    lines = captured.err.strip().splitlines()
    assert len(lines) == 1, captured.err
    assert "Traceback" not in lines[0]
    assert after == before
    return lines[0]


def state(url: str) -> tuple[object, ...]:
    """All sets that a device holds."""
    device = Device(Client(open_transport(url)))
    try:
        return device.settings(), device.jobs(), device.calibration()
    finally:
        device.close()


@pytest.mark.parametrize("port", ["/dev/no-such-port", "socket://127.0.0.1:1", "socket://nowhere", "COM?"])
@pytest.mark.parametrize(
    "command",
    [
        ("device", "show"),
        ("device", "show", "--json"),
        ("jobs", "list"),
        ("cycles", "pull"),
        ("characterise",),
        ("device", "clock"),
    ],
)
def test_a_wrong_port(capsys: pytest.CaptureFixture[str], port: str, command: tuple[str, ...]) -> None:
    assert "port" in refused(capsys, *command, "--port", port).lower()


def wrong_unit(table_line: str, line: str) -> Path:
    text = (PRESSES / "workshop-20.toml").read_text()
    assert table_line in text
    path = Path("press.toml")
    path.write_text(text.replace(table_line, line))
    return path


@pytest.mark.parametrize(
    ("good", "bad", "key"),
    [
        ('bore = "4 in"', 'bore = "4 kN"', "bore"),
        ('bore = "4 in"', "bore = 4", "bore"),
        ('relief = "3300 psi"', 'relief = "3300 in"', "relief"),
        ('range = "5000 psi"', 'range = "5000 pfi"', "range"),
        ('stiffness = "200 kN/mm"', 'stiffness = "200 kN"', "stiffness"),
    ],
)
def test_a_press_file_with_a_wrong_unit(
    capsys: pytest.CaptureFixture[str], good: str, bad: str, key: str
) -> None:
    path = str(wrong_unit(good, bad))
    Path("jobs.toml").write_text(GOOD_JOBS)
    for command in (
        ("size", "--press", path),
        ("size", "--press", path, "--json"),
        ("trial", "--press", path, "--setpoint", "1 tonf", "--json"),
        ("virtual", "--press", path),
        ("jobs", "check", "jobs.toml", "--press", path),
    ):
        sentence = refused(capsys, *command)
        assert key in sentence, command
        assert "press.toml" in sentence, command


def test_a_job_over_the_press_capacity(capsys: pytest.CaptureFixture[str], served: Served) -> None:
    Path("jobs.toml").write_text('[[job]]\nname = "huge"\nforce = "40 tonf"\n')
    before = state(served.url)
    sentence = refused(capsys, "jobs", "check", "jobs.toml", "--press", str(PRESSES / "workshop-20.toml"))
    assert "huge" in sentence
    for command in ("push", "diff"):
        options = ["--yes"] if command == "push" else []
        sentence = refused(capsys, "jobs", command, "jobs.toml", "--port", served.url, *options)
        assert "huge" in sentence
        assert "lower its force" in sentence
    assert state(served.url) == before
    sentence = refused(
        capsys, "trial", "--press", str(PRESSES / "workshop-20.toml"), "--setpoint", "40 tonf", "--json"
    )
    assert "above" in sentence


def test_a_calibration_with_two_equal_points(capsys: pytest.CaptureFixture[str], served: Served) -> None:
    Path("header.toml").write_text(TEMPLATE)
    # kN against counts; 60 kN is there twice on the way up.
    Path("points.csv").write_text("reference,reading\n20,10600\n60,18300\n60,18310\n100,25900\n150,35400\n")
    before = state(served.url)
    given = ("--header", "header.toml", "--zero", "6554", "--reference-unit", "kN")
    for command in (
        ("calibration", "analyse", "points.csv", *given),
        ("calibration", "analyse", "points.csv", "--json", *given),
        ("calibration", "certificate", "points.csv", *given),
        ("calibration", "upload", "points.csv", "--port", served.url, *given),
    ):
        sentence = refused(capsys, *command)
        assert "row 4" in sentence
        assert re.search("twice|distinct", sentence)
    assert state(served.url) == before


def test_an_unknown_key_in_a_jobs_file(capsys: pytest.CaptureFixture[str], served: Served) -> None:
    Path("jobs.toml").write_text(GOOD_JOBS + 'colour = "red"\n')
    before = state(served.url)
    for command in (
        ("check", "jobs.toml"),
        ("check", "jobs.toml", "--json"),
        ("diff", "jobs.toml", "--port", served.url),
        ("push", "jobs.toml", "--port", served.url, "--yes"),
    ):
        sentence = refused(capsys, "jobs", *command)
        assert "'colour'" in sentence
        assert "'nut'" in sentence
    assert state(served.url) == before


def test_calibrate_refuses_before_the_ram_moves(capsys: pytest.CaptureFixture[str], served: Served) -> None:
    before = state(served.url)
    assert "no.toml" in refused(capsys, "calibration", "run", "--header", "no.toml", "--port", served.url)
    Path("header.toml").write_text(TEMPLATE.replace('bore = "4 in"', 'bore = "4 psi"'))
    assert "press.bore" in refused(
        capsys, "calibration", "run", "--header", "header.toml", "--port", served.url
    )
    Path("header.toml").write_text(TEMPLATE)
    Path("calibration-1.jsonl").write_text("mine\n")
    assert "never overwritten" in refused(
        capsys, "calibration", "run", "--header", "header.toml", "--port", served.url
    )
    wrong = ("calibration", "run", "--header", "header.toml", "--out", "c.jsonl", "--reference-unit", "bar")
    assert "not read in bar" in refused(capsys, *wrong, "--port", served.url)
    Path("header.toml").write_text(TEMPLATE.replace('bore = "4 in"', 'bore = "7 in"'))
    assert "piston area" in refused(
        capsys, "calibration", "run", "--header", "header.toml", "--out", "c.jsonl", "--port", served.url
    )
    assert state(served.url) == before


def test_the_demo_never_touches_files_that_are_not_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    Path("mine").mkdir()
    Path("mine/cycles.db").write_text("years of work\n")
    assert "mine" in refused(capsys, "demo", "--out", "mine")
    assert "mine/cycles.db" in refused(capsys, "demo", "--out", "mine/cycles.db")


def test_an_unknown_option_or_command_names_itself(capsys: pytest.CaptureFixture[str]) -> None:
    assert "--prt" in refused(capsys, "device", "show", "--prt", "x")
    assert "trail" in refused(capsys, "trail")
