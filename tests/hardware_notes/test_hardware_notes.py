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
        # what the board itself has printed beside the pin
        gpio = f"{'GP' if board == 'pico' else 'IO'}{row[1]}"
        assert re.search(rf">({gpio}  {row[2]}|{row[2]}  {gpio})<", text), row
    for _, number in module.POWER:
        assert f">{number}  " in text


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


def test_the_small_parts_are_as_many_as_the_pin_map_needs():
    from steadyram_fw.boards import pins_esp32, pins_pico

    text = (NOTES / "parts.md").read_text(encoding="utf-8")
    for pins in (pins_pico, pins_esp32):
        contacts, drivers = len(pins.INPUTS) + len(pins.KNOB), len(pins.OUTPUTS)
        assert f"| 4.7 kΩ, 470 Ω, 100 nF | {contacts} of each |" in text
        assert f"| 470 Ω, 3.3 kΩ, N-MOSFET | {drivers} of each |" in text
        assert f"| Schottky diode 30 V 0.2 A | {2 * contacts} | two a contact" in text


def test_the_dividers_keep_a_high_supply_below_the_converters_reference():
    """A board's converter ends at 3.3 V: a supply reading that stands there cancels nothing."""
    drawn = (NOTES / "diagrams" / "circuit-divider.svg").read_text(encoding="utf-8")
    parts = (NOTES / "parts.md").read_text(encoding="utf-8")
    upper, lower = (int(each) for each in re.search(r"\| dividers \| (\d+) kΩ and (\d+) kΩ", parts).groups())
    assert f"{upper} kΩ" in drawn
    assert f"{lower} kΩ" in drawn
    assert 5.25 * lower / (upper + lower) < 3.3  # 5 V and 5 %
    # Behind a Schottky diode, as wired.
    assert f"{4.7 * lower / (upper + lower):.2f} V" in (NOTES / "wiring.md").read_text(encoding="utf-8")


def test_settings_that_the_notes_name_exist():
    from steadyram.link.definition import definition

    known = {field.name for field in definition().settings}
    named = set()
    for path in NOTES.glob("*.md"):
        named |= set(re.findall(r"`([a-z_]+) = \d+`", path.read_text(encoding="utf-8")))
    table = (NOTES / "installing.md").read_text(encoding="utf-8").split("## Settings of your press")[1]
    for row in table.split("## When")[0].splitlines():
        if row.startswith("| `"):
            named |= set(re.findall(r"`([a-z_]+)`", row.split("|")[1]))
    assert len(named) > 10
    assert named <= known, named - known


def test_every_link_within_the_notes_leads_somewhere():
    for path in NOTES.glob("*.md"):
        for target in re.findall(
            r"\]\(([^)#:]+\.(?:md|svg|png|toml))?(#[^)]+)?\)", path.read_text(encoding="utf-8")
        ):
            name, anchor = target
            there = path if not name else (path.parent / name)
            assert there.exists(), (path.name, name)
            if anchor:
                heads = re.findall(r"^#+ (.+)$", there.read_text(encoding="utf-8"), re.M)
                slugs = {re.sub(r"[^\w -]", "", head.lower()).replace(" ", "-") for head in heads}
                assert anchor[1:] in slugs, (path.name, anchor, slugs)
