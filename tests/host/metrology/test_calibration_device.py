"""Calibration commands against the real App behind a socket."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.host.cycles.test_cycles_pull import ready_bench
from tests.host.metrology.calibration_samples import ZERO, record
from tests.host.metrology.test_calibration_cli import journal_of, run
from tests.host.served import Served

from steadyram.cli._session import connected
from steadyram.metrology.analyse import analyse


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    with Served(ready_bench(tmp_path / "flash", 0)) as serving:
        yield serving


def test_upload_puts_the_integers_in_force(served, tmp_path, capsys):
    path = journal_of(tmp_path / "cal.jsonl")
    code, out, _ = run(capsys, "calibration", "upload", path, "--port", served.url)
    assert code == 0
    assert "in force" in out
    with connected(served.url) as device:
        values = device.calibration().values
    expected = analyse(record(), "x", monte_carlo=False).device.fields
    assert {name: values[name] for name in expected} == expected
    assert values["due_unix"] - values["made_unix"] == 365 * 86400


def test_upload_of_a_calibration_off_the_nameplate_needs_a_reason(served, tmp_path, capsys):
    path = journal_of(tmp_path / "cal.jsonl", gain=1.2)
    order = ("calibration", "upload", path, "--port", served.url)
    code, _, err = run(capsys, *order)
    assert code == 2
    assert "--despite-nameplate" in err
    code, _, err = run(capsys, *order, "--despite-nameplate", "a second cell reads the same")
    assert code == 0
    assert "does not cover a discrepancy of 17 %" in err


def test_new_reads_the_zero_from_the_device(served, tmp_path, capsys, monkeypatch):
    _, template, _ = run(capsys, "calibration", "header")
    (tmp_path / "head.toml").write_text(template)
    answers = iter(["3", "", "21", "", "20", "5"])

    def prompt(*_: object, **__: object) -> str:
        try:
            return next(answers)
        except StopIteration:
            raise KeyboardInterrupt from None

    monkeypatch.setattr("click.prompt", prompt)
    journal = tmp_path / "cal.jsonl"
    code, _, err = run(
        capsys, "calibration", "by-hand", journal, "--header", tmp_path / "head.toml", "--port", served.url
    )
    assert code == 130
    assert "The device was not changed" in err
    assert f"what was taken so far is in {journal}" in err
    head, begun, point = (json.loads(line) for line in journal.read_text().splitlines())
    assert begun["run_begun"]["preloads"] == 3
    assert head["header"]["environment"]["ambient_C"] == 21.0
    assert head["header"]["zero_counts"] == pytest.approx(ZERO, abs=100)
    # At rest the transducer cannot stand for 20 kN; 5 kN may be friction.
    assert "20 kN does not fit" in err
    assert point["point"]["reference"] == 5_000.0
    with connected(served.url) as device:
        assert head["header"]["firmware"] == device.identity().fw != ""


def test_check_reads_the_device(served, tmp_path, capsys):
    path = journal_of(tmp_path / "cal.jsonl")
    code, _, err = run(
        capsys,
        "calibration",
        "check",
        path,
        "--gauge",
        "100 bar",
        "--gauge-range",
        "345 bar",
        "--port",
        served.url,
    )
    assert code == 5  # the bench is at rest while the gauge is said to read 100 bar
    assert "does not pass" in err


def test_the_devices_copy_is_compared_with_the_record(served, tmp_path, capsys):
    path = journal_of(tmp_path / "cal.jsonl")
    code, out, _ = run(capsys, "calibration", "confirm", path, "--port", served.url, "--json")
    assert code == 5
    assert "c1_n" in {each["field"] for each in json.loads(out)["differences"]}
    assert run(capsys, "calibration", "upload", path, "--port", served.url)[0] == 0
    code, out, _ = run(capsys, "calibration", "confirm", path, "--port", served.url)
    assert code == 0
    assert "holds calibration 1 as recorded" in out
