"""No line of text on a drawing leaves its sheet, in any font: its width is written down."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pytest

DIAGRAMS = Path(__file__).parents[2] / "hardware_notes" / "diagrams"
SVG = "{http://www.w3.org/2000/svg}"
OURS = sorted(each for each in DIAGRAMS.glob("*.svg") if not each.name.startswith("circuit-"))


@pytest.mark.parametrize("path", OURS, ids=lambda each: each.stem)
def test_every_line_lies_on_the_sheet(path):
    sheet = ElementTree.parse(path).getroot()
    width, height = float(sheet.get("width")), float(sheet.get("height"))
    lines = [each for each in sheet.iter(f"{SVG}text") if each.text]
    assert len(lines) > 5
    for line in lines:
        long = float(line.get("textLength"))
        left = float(line.get("x")) - {"start": 0.0, "middle": long / 2, "end": long}[line.get("text-anchor")]
        assert left >= 0.0, line.text
        assert left + long <= width, line.text
        assert 0.0 < float(line.get("y")) < height, line.text


LIBRARY = sorted(DIAGRAMS.glob("circuit-*.svg"))


@pytest.mark.parametrize("path", LIBRARY, ids=lambda each: each.stem)
def test_every_line_of_a_circuit_lies_on_the_sheet(path):
    sheet = ElementTree.parse(path).getroot()
    x, y, width, height = (float(each) for each in sheet.get("viewBox").split())
    lines = 0
    for text in sheet.iter(f"{SVG}text"):
        at_y = float(text.get("y"))
        for line in text.iter(f"{SVG}tspan"):
            at_y += float(line.get("dy", 0))
            if not (line.text or "").strip():
                continue
            lines += 1
            long = float(line.get("textLength"))
            shift = {"start": 0.0, "middle": long / 2, "end": long}[text.get("text-anchor")]
            left = float(line.get("x")) - shift
            assert x <= left, line.text
            assert left + long <= x + width, line.text
            assert y < at_y < y + height, line.text
    assert lines > 5
