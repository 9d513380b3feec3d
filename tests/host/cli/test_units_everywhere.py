"""Forces in sentences and tables are in the unit that the user chose, not in one that a module prefers."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import steadyram
from steadyram.bending.sheet import sheet_of
from steadyram.bending.tonnage import bend_load
from steadyram.bending.tooling import Tooling
from steadyram.commission.capability import can_hold
from steadyram.commission.measured import Characteristics
from steadyram.commission.plausible import doubts_about, refuse_contradictions
from steadyram.errors import BadInput, CheckFailed
from steadyram.jobs.file import read_jobs
from steadyram.metrology.csv_record import default_unit
from steadyram.metrology.record import Header

HOST = Path(steadyram.__file__).parent
RATES = {"open_lag_s": 0.04, "close_lag_s": 0.033, "jitter_s": 0.0014, "noise_N": 100.0}


@pytest.fixture(autouse=True)
def tonf(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("STEADYRAM_CONFIG_DIR", str(tmp_path))
    monkeypatch.setenv("STEADYRAM_FORCE_UNIT", "tonf")
    monkeypatch.setenv("STEADYRAM_PRESSURE_UNIT", "psi")


def test_commissioning_says_what_can_be_held() -> None:
    measured = Characteristics(rate_low_N_per_s=3e5, rate_high_N_per_s=3e5, **RATES)  # type: ignore[arg-type]
    (one,) = can_hold(measured, [88964.43], 170e3, 68.0)
    # 10 tonf are 20,000 lbf of 4.4482216 N.
    assert "hold 10 tonf" in one.sentence


def test_commissioning_refuses_in_the_same_unit() -> None:
    twisted = Characteristics(
        changeover_N=30e3, rate_low_N_per_s=177929.0, rate_high_N_per_s=533786.0, **RATES
    )  # type: ignore[arg-type]
    with pytest.raises(CheckFailed, match=r"\(60 tonf/s\) than below it \(20 tonf/s\)"):
        refuse_contradictions(twisted)
    one = Characteristics(stages=1, seen_from_N=8896.44, seen_to_N=88964.4, **RATES)  # type: ignore[arg-type]
    assert "between 1 tonf and 10 tonf" in " ".join(doubts_about(one))


def test_a_bend_is_checked_in_the_same_unit() -> None:
    tooling = Tooling(
        opening="16 mm", punch_radius="1 mm", shoulder_radius="2 mm", die_angle="60 deg", rating="10 kN/m"
    )
    words = bend_load(tooling, sheet_of(2e-3, "mild-steel-cold-rolled"), 0.3, 1e3).warnings
    assert "tonf/m" in words[0]
    assert re.search(r"[\d.] tonf: above the press's capacity", words[1])
    assert "kN" not in " ".join(words)


def test_a_job_above_its_tooling_is_refused_in_the_same_unit(tmp_path: Path) -> None:
    file = tmp_path / "jobs.toml"
    file.write_text('[[job]]\nname = "a"\nforce = "3 tonf"\ntooling_rated_force = "2 tonf"\n')
    with pytest.raises(BadInput, match="force 3 tonf is above the tooling's rated force 2 tonf"):
        read_jobs(file)


@pytest.mark.parametrize(("kind", "unit"), [("load-cell", "tonf"), ("gauge", "psi")])
def test_a_reading_typed_without_a_unit_is_in_the_users(kind: str, unit: str) -> None:
    reference = type("Reference", (), {"kind": kind})()
    header = Header.model_construct(reference=reference)
    assert default_unit(header) == unit


# What stays in one unit: the constants of the modules that define units and what people may type, and examples.
OWN_UNITS = {"units.py", "config.py", "cli/_figures.py", "bending/quantities.py", "press/materials.py"}


def figures_in_kilonewtons() -> Iterator[str]:
    """Formatted strings of the host that divide a force and write kN behind it."""
    for file in sorted(HOST.rglob("*.py")):
        if str(file.relative_to(HOST)) in OWN_UNITS:
            continue
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.JoinedStr):
                for before, after in zip(node.values, node.values[1:], strict=False):
                    text = after.value if isinstance(after, ast.Constant) else ""
                    if isinstance(before, ast.FormattedValue) and re.match(r" ?kN\b(?!/mm)", str(text)):
                        yield f"{file.relative_to(HOST)}:{node.lineno}"


def test_no_module_writes_kilonewtons_of_its_own() -> None:
    allowed = {"virtual/drawn_press.py", "virtual/demo_shop.py"}  # they write press and jobs files
    assert [each for each in figures_in_kilonewtons() if each.split(":")[0] not in allowed] == []
