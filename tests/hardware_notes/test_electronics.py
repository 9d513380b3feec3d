"""The electric circuits of the notes in a circuit simulator: every claim holds, and a wrong part is noticed."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import pytest

NOTES = Path(__file__).parents[2] / "hardware_notes"
sys.path.insert(0, str(NOTES / "electronics"))

import simulate  # noqa: E402

if shutil.which("ngspice") is None:
    if os.environ.get("CI"):
        pytest.fail("ngspice is missing, and the checks must have it: apt-get install ngspice", pytrace=False)
    pytest.skip("ngspice is not installed (apt-get install ngspice)", allow_module_level=True)


@pytest.fixture(scope="module")
def found() -> list[simulate.Claim]:
    return simulate.claims()


def test_every_claim_holds(found: list[simulate.Claim]) -> None:
    assert len(found) >= 52
    assert [f"{claim.says}: {claim.value}" for claim in found if not claim.holds] == []


def test_page_shows_the_simulated_figures(found: list[simulate.Claim]) -> None:
    assert simulate.PAGE.read_text(encoding="utf-8") == simulate.page(found)


@pytest.mark.parametrize(
    ("circuit", "given", "wrong", "figure"),
    [
        ("contact_level", {"resistance": 0.1}, {"series": 2200.0}, "low_v"),
        ("divider_corner", {}, {"filter": 1000.0}, "corner_hz"),
        ("divider_mismatch", {}, {"top": 100e3, "bottom": 150e3}, "error_percent"),
        ("loop_levels", {}, {"series": 100e3}, "error_percent"),
        ("loop_levels", {}, {"burden": 150.0}, "high_v"),
        ("driver_off", {"diode": 1.0}, {"relay": 6000.0, "coil": 6000.0}, "release_s"),
        # A potentiometer that the reference pin could carry would be no reason for the 16-bit converter.
        ("wiper_reference", {}, {"pot": 20e3}, "over_v"),
        ("loop_short", {"loop_supply": 24.0}, {"series": 100.0}, "series_a"),
        ("driver_gate", {}, {"pull_down": 1000.0}, "on_v"),
        ("driver_gate", {}, {"pull_down": 4700.0}, "floating_v"),
        ("contact_wire", {"wire": 24.0, "wires": 1.0}, {"pin_series": 1.0}, "pin_v"),
        ("contact_wire", {"wire": 24.0, "wires": 3.0}, {"series": 1.0, "pin_series": 1000.0}, "rail_v"),
        ("divider_unpowered", {}, {"bleeder": 5000.0}, "rail_v"),
        ("stop_held", {"held": 0.0}, {"suppressor": 0.01}, "release_s"),
        ("stop_held", {"held": 15.0}, {"coil": 160.0}, "release_s"),
        ("sag", {}, {"reservoir": 100.0}, "control_v"),
    ],
)
def test_wrong_part_fails_its_claim(
    found: list[simulate.Claim], circuit: str, given: dict[str, float], wrong: dict[str, float], figure: str
) -> None:
    claim = next(each for each in found if (each.circuit, each.figure) == (circuit, figure))
    assert claim.holds
    value = simulate.simulate(circuit, given | wrong)[figure]
    assert not claim.low <= value <= claim.high


def test_a_potentiometer_is_drawn_and_told_only_beside_the_16_bit_converter(
    found: list[simulate.Claim],
) -> None:
    claim = next(each for each in found if each.circuit == "wiper_reference")
    assert claim.holds
    wiring = (NOTES / "wiring.md").read_text(encoding="utf-8")
    assert "**Potentiometer, Pico-class board**, only with the 16-bit converter" in wiring
