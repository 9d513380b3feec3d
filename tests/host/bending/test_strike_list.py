"""The strike list for the press, and where the back gauge stands."""

import re

import pytest

from steadyram.bending.bend_list import build_bend_list
from steadyram.bending.gauging import gauge_words
from steadyram.bending.strike_list import COLUMNS, strike_page, strike_rows
from steadyram.cli import main


def listed(places, blank="180 mm"):
    tables = {
        "name": "bracket <left>",
        "material": "stainless-austenitic",
        "thickness": "2 mm",
        "tooling": {
            "opening": "16 mm",
            "punch_radius": "1 mm",
            "shoulder_radius": "2 mm",
            "die_angle": "60 deg",
        },
        "bend": [
            {"angle": "90 deg", "length": "300 mm"} | ({} if place is None else {"position": f"{place} mm"})
            for place in places
        ],
    }
    return build_bend_list(tables | ({"blank": blank} if blank else {}), "a list")


@pytest.mark.parametrize(
    ("places", "blank", "said"),
    [
        # The flange towards edge A is bent up, so the second bend is gauged from edge B: 180 - 140.
        ((40, 140), "180 mm", ["back gauge 40 mm, edge A", "back gauge 40 mm, edge B"]),
        ((140, 40), "180 mm", ["back gauge 140 mm, edge A", "back gauge 40 mm, edge A"]),
        ((40, 140, 90), "180 mm", ["gauge 40 mm, edge A", "gauge 40 mm, edge B", "no flat edge"]),
        ((40, 140), None, ["back gauge 40 mm, edge A", "no flat edge"]),
        ((None, 40), None, ["", "back gauge 40 mm, edge A"]),
    ],
)
def test_the_back_gauge_is_set_from_an_edge_that_still_lies_flat(places, blank, said):
    bends = listed(places, blank)
    for number, words in enumerate(said, start=1):
        found = gauge_words(bends, number)
        assert words in found if words else found == ""


def test_a_first_strike_stays_above_the_planned_depth():
    for row in strike_rows(listed((40, 140))):
        first, planned = (float(re.match(r"[0-9.]+", row[COLUMNS.index(name)])[0]) for name in (
            "first strike to", "planned depth"
        ))  # fmt: skip
        assert 0.7 * planned < first < planned
        low, high = map(float, re.findall(r"[0-9.]+", row[COLUMNS.index("springback")]))
        assert 0.0 < low < high


def test_the_strike_list_is_a_page_to_print(tmp_path, monkeypatch):
    page = strike_page(listed((40, 140)), "Strike list: bracket <left>")
    assert "<left>" not in page
    assert page.count("<tr>") == 3
    assert page.count('class="room"') == 6
    assert not re.search(r"https?:|src=", page)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "list.toml").write_text(
        'material = "mild-steel-cold-rolled"\nthickness = "2 mm"\n[tooling]\nopening = "16 mm"\n'
        'punch_radius = "1 mm"\n[[bend]]\nangle = "90 deg"\nlength = "300 mm"\nposition = "40 mm"\n'
    )
    assert not main(["bend", "check", "list.toml", "--strike-list", "strikes.html"])
    assert "back gauge 40 mm, edge A against it" in (tmp_path / "strikes.html").read_text()
