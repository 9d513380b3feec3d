"""Figures as people read them: units chosen once, no exponent, one precision in a column."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from tests.host.cycles.test_cycles_pull import ready_bench
from tests.host.served import Served

from steadyram.cli import main
from steadyram.errors import UnitError
from steadyram.units import figure, parse, show, show_column

PRESSES = Path(__file__).parents[2] / "presses"


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (3300.0, 2, "3,300"),
        (34473.8, 3, "34,500"),
        (1234567.0, 4, "1,235,000"),
        (0.0000123, 2, "0.000012"),
        (25.9, 4, "25.9"),
        (9.9999, 3, "10"),
        (-412.34, 3, "-412"),
        (0.0, 4, "0"),
    ],
)
def test_figure_has_no_exponent(value: float, digits: int, text: str) -> None:
    assert figure(value, digits) == text


def test_pressure_of_a_relief_valve_is_written_out() -> None:
    assert show(3300 * 6894.757293168361, "pascal", "psi", 2) == "3,300 psi"


def test_a_column_has_one_precision() -> None:
    assert show_column([25900.0, 25890.0, 800.0], "newton", "kN") == ["25.90 kN", "25.89 kN", "0.80 kN"]
    assert show_column([0.0, 0.0], "newton", "kN") == ["0 kN", "0 kN"]


@pytest.mark.parametrize("text", ["3,300 psi", "3,3 bar"])
def test_comma_is_refused_because_it_means_two_things(text: str) -> None:
    with pytest.raises(UnitError, match="write the number without one"):
        parse(text, "pascal")


@pytest.fixture
def in_tons(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STEADYRAM_CONFIG_DIR", str(tmp_path))
    monkeypatch.setenv("STEADYRAM_FORCE_UNIT", "tonf")
    monkeypatch.setenv("STEADYRAM_PRESSURE_UNIT", "psi")
    monkeypatch.setenv("COLUMNS", "80")


@pytest.mark.usefixtures("in_tons")
def test_trial_shows_the_chosen_unit_in_eighty_columns(capsys: pytest.CaptureFixture[str]) -> None:
    main(["trial", "--press", str(PRESSES / "bench-4.toml"), "--setpoint", "4.8 kN", "--cycles", "3",
          "--runtime", "cpython", "--cutoff", "threshold"])  # fmt: skip
    out = capsys.readouterr().out
    assert "forces in tonf" in out
    assert "kN" not in out
    assert max(map(len, out.splitlines())) <= 80
    rows = [re.split(r"\s*│\s*", line) for line in out.splitlines() if line.startswith("│")]
    assert len(rows) == 3
    decimals = {len(cell.partition(".")[2]) for row in rows for cell in (row[2], row[5])}
    assert len(decimals) == 1


@pytest.mark.usefixtures("in_tons")
def test_records_and_settings_show_the_chosen_unit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Served(ready_bench(tmp_path / "flash", 3)) as served:
        store = ["--store", str(tmp_path / "cycles.db")]
        main(["cycles", "pull", "--port", served.url, *store])
        capsys.readouterr()
        main(["cycles", "list", *store])
        listed = capsys.readouterr().out
        (tmp_path / "settings.toml").write_text('capacity = "15 tonf"\n')
        main(
            ["device", "settings", "push", str(tmp_path / "settings.toml"), "--dry-run", "--port", served.url]
        )
        changed = capsys.readouterr().out
    assert "forces in tonf" in listed
    rows = [re.split(r"\s*│\s*", line) for line in listed.splitlines() if line.startswith("│")]
    # 9000, 9001 and 9002 N, of 8896.44 N a short ton-force
    assert [row[4] for row in rows] == ["1.012", "1.012", "1.012"]
    assert "15 tonf" in changed
    assert "133447" not in changed
    assert max(map(len, (listed + changed).splitlines())) <= 80


@pytest.mark.usefixtures("in_tons")
@pytest.mark.parametrize(
    ("smallest", "begins"),
    [
        ("0.8 tonf", "Yes: this press can hold 0.8 tonf to 5 %"),
        ("0.2 tonf", "No: this press cannot hold 0.2 tonf to 5 %"),
    ],
)
def test_size_answers_the_question_first(
    capsys: pytest.CaptureFixture[str], smallest: str, begins: str
) -> None:
    main(["size", "--press", str(PRESSES / "workshop-20-slow.toml"), "--smallest", smallest])
    out = capsys.readouterr().out
    assert out.startswith(begins)
    assert "kN " not in out.replace("kN/mm", "")
    assert max(map(len, out.splitlines())) <= 80
