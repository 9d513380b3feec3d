"""The hardware notes: diagrams are current, links lead somewhere, figures are those of the commands."""

import importlib.util
import json
import re
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from steadyram.cli import main

NOTES = Path(__file__).parents[2] / "hardware_notes"


@pytest.fixture(scope="module")
def drawn():
    pytest.importorskip("schemdraw")
    spec = importlib.util.spec_from_file_location("hardware_notes_draw", NOTES / "draw.py")
    module = importlib.util.module_from_spec(spec)
    before = list(sys.path)
    spec.loader.exec_module(module)
    try:
        yield module.drawings()
    finally:
        sys.path[:] = before


def test_every_diagram_is_what_the_pin_maps_and_press_files_give(drawn):
    committed = {path.name: path.read_text(encoding="utf-8") for path in (NOTES / "diagrams").glob("*.svg")}
    assert set(committed) == set(drawn)
    for name, text in drawn.items():
        assert committed[name] == text, f"{name} is out of date: run python hardware_notes/draw.py"
        ElementTree.fromstring(text)


@pytest.mark.parametrize("board", ["pico", "esp32"])
def test_wiring_diagram_shows_every_pin_of_the_map(drawn, board):
    module = __import__(f"steadyram_fw.boards.pins_{board}", fromlist=["INPUTS"])
    text = drawn[f"wiring-{board}.svg"]
    for row in [*module.INPUTS, *module.KNOB, *module.OUTPUTS, module.ADC_SDA, module.SCREEN_SCL]:
        assert re.search(rf">(GP{row[1]}  {row[2]}|{row[2]}  GP{row[1]})<", text), row


def test_circuits_show_the_figures_of_their_press_file(drawn):
    assert "relief 22.8 MPa" in drawn["hydraulic-two-stage.svg"]
    assert "0.4 L/min" in drawn["hydraulic-two-stage-slow.svg"]
    assert "pilot-operated" not in drawn["hydraulic-open-centre.svg"]
    assert "3.0 cm³" in drawn["hydraulic-hand-pump.svg"]


def pages():
    return sorted(NOTES.glob("*.md"))


@pytest.mark.parametrize("page", pages(), ids=lambda p: p.name)
def test_links_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (page.parent / target).exists(), target


@pytest.mark.parametrize(
    ("name", "kilonewtons"),
    [
        ("hand-pump", 1.7),
        ("air-over-oil", 2.8),
        ("shared-12v", 27),
        ("two-stage", 37),
        ("two-stage-slow", 3.5),
    ],
)
def test_smallest_setpoints_told_in_the_recipes(name, kilonewtons, capsys):
    main(["size", "--press", str(NOTES / "presses" / f"{name}.toml"), "--json"])
    found = json.loads(capsys.readouterr().out)["smallest_setpoint_N"] / 1000
    assert found == pytest.approx(kilonewtons, rel=0.03)
    assert f"{kilonewtons} kN" in (NOTES / "retrofits.md").read_text(encoding="utf-8")


def test_standards_are_named_with_number_and_title():
    text = (NOTES / "cautions.md").read_text(encoding="utf-8")
    for number in ("16092-1:2017", "16092-3:2017", "12100:2010", "13849-1:2023", "4413:2010", "60204-1:2016"):
        assert number in text
    for number in ("1910.212", "1910.217(a)(5)", "1910.147", "B11.2"):
        assert number in text
    assert "not a safety function" in text
