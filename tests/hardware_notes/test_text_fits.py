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
