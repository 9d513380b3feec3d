"""`size --parts`: the build's rows fitted to a press, each rating against a sum by hand."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from steadyram.cli import main
from steadyram.errors import BadInput
from steadyram.press.part_ratings import ratings, tube
from steadyram.press.parts_list import kinds, tables
from steadyram.press.pressfile import PressFile, build_press, read_press, read_press_tables
from steadyram.press.sizing_parts import Wiring

PRESSES = Path(__file__).parents[3] / "hardware_notes" / "presses"


def changed(name: str, **tables_of_file: dict[str, object]) -> PressFile:
    raw = read_press_tables(PRESSES / f"{name}.toml")
    for table, values in tables_of_file.items():
        raw[table] = raw.get(table, {}) | values
    return build_press(raw, name)


def rating(press: PressFile, name: str, wiring: Wiring | None = None) -> str:
    return ratings(press, wiring or Wiring())[f"press.{name}"]


def test_pressures_follow_the_relief():
    press = changed(
        "two-stage", pump={"relief": "30 MPa", "changeover": "6 MPa"}, transducer={"range": "600 bar"}
    )
    assert rating(press, "relief_mpa") == "30.0"
    # 1.25 x 30 = 37.5: the next step is 42. Gauge 1.5 x 30 = 45: 60. Switch 0.88 x 1.06 x 30.
    assert rating(press, "line_mpa") == "42"
    assert rating(press, "gauge_mpa") == "60"
    assert rating(press, "switch_mpa") == "28.0"
    assert rating(press, "unload_mpa") == "6.0"
    assert rating(press, "range") == "60.0 MPa (8700 psi)"


def test_a_transducer_that_does_not_cover_the_relief_is_not_ordered_again():
    # 1.1 x 30 MPa = 4786 psi: the next usual range is 5000 psi.
    press = changed("two-stage", pump={"relief": "30 MPa"}, transducer={"range": "200 bar"})
    assert rating(press, "range") == "34.5 MPa (5000 psi)"


def test_flows_follow_pump_and_bore():
    # 4 in bore, 3 in rod: A / annulus = 16 / 7. 20 L/min out drive 45.7 L/min back; 1.5 x: 80, 6 x: 300.
    press = changed(
        "two-stage",
        cylinder={"rod": "3 in"},
        pump={
            "flow_low_stage": "20 L/min",
            "flow_high_stage": "5 L/min",
            "relief": "20 MPa",
            "changeover": "5 MPa",
        },
    )
    assert rating(press, "valve_lpm") == "80"
    assert rating(press, "filter_lpm") == "300"
    # 5 MPa x 20 L/min = 1.67 kW, 20 MPa x 5 L/min likewise; over 0.8: 2.08.
    assert rating(press, "motor_kw") == "2.2"
    assert rating(press, "tank_l") == "60"


def test_force_follows_the_bore():
    small, large = changed("two-stage", cylinder={"bore": "63 mm", "rod": "36 mm"}), changed("two-stage")
    # 22.75 MPa x 31.2 cm2 = 70.9 kN less 0.6 kN of friction; 81.1 cm2: 183.9 kN.
    assert rating(small, "capacity_kn") == "70"
    assert rating(small, "cell_kn") == "100"
    assert rating(large, "cell_kn") == "200"


def test_tank_follows_the_stroke():
    # 81.1 cm2 x 1 m = 8.1 L, three times that: 30 L.
    press = changed("two-stage", cylinder={"stroke": "1 m"})
    assert rating(press, "tank_l") == "30"


def test_currents_follow_the_supply():
    press = changed("two-stage")
    at_12, at_24 = Wiring(12.0, 30.0, 5.0), Wiring(24.0, 30.0, 5.0)
    assert rating(press, "coil_a", at_24) == "1.25"
    assert rating(press, "coil_a", at_12) == "2.5"
    # A feed and the unloading valve: 2.5 A, 5 A at 12 V. Fuse 1.25 x that: 3.15 and 6.3 A. Supply 1.5 x the fuse and
    # the control, 0.6 and 1.2 A: 5.3 and 10.7 A. A contact twice 2.5 and 5 A.
    assert [rating(press, name, at_24) for name in ("supply_a", "fuse_a", "feed_a")] == ["10", "3.15", "5"]
    assert [rating(press, name, at_12) for name in ("supply_a", "fuse_a", "feed_a")] == ["20", "6.3", "10"]
    # With a slow feed both feeds may be on beside it.
    assert rating(changed("two-stage-slow"), "fuse_a", at_24) == "5"
    # 30 m at 12 V: 2 x 1.75e-8 x 30 x 2.5 / 0.6 = 4.4 mm2, next 6.
    assert float(rating(press, "coil_mm2", Wiring(12.0, 30.0, 30.0))) == pytest.approx(6.0)


def test_tube_carries_pressure_and_flow():
    for pressure_Pa, flow_lpm in ((7e6, 5), (21.9e6, 9.3), (31.5e6, 30), (15e6, 80)):
        outer, wall, hose = tube(pressure_Pa, flow_lpm / 60e3)
        bore = outer - 2 * wall
        assert 1.25 * pressure_Pa * outer / (2 * wall) <= 235e6 / 2 * 1.001
        assert flow_lpm / 60e3 / (3.14159 / 4 * (bore / 1e3) ** 2) <= 5.01
        assert hose >= 0.9 * (flow_lpm / 60e3 * 4 / 3.14159 / 5.0) ** 0.5 * 1e3


@pytest.mark.parametrize("path", sorted(PRESSES.glob("*.toml")), ids=lambda path: path.stem)
def test_every_recipe_gets_a_whole_list(path):
    found = tables(read_press(path), Wiring())
    assert "{" not in "".join(str(value) for rows in found.values() for row in rows for value in row.values())
    ids = {row["id"] for row in found["part"]}
    found_kinds = kinds(read_press(path))
    if "lamp" in found_kinds:
        # No valve, no relay, no pressure: a force sensor, lamp and buzzer.
        assert not {each for each in ids if each[0] in "HPAS" or each in ("E10", "E11", "E13")}
        assert {"L1", "E23"} <= ids
        return
    assert ("E11" in ids) == ("cutout" in found_kinds)
    assert {"E10", "E13", "E18"} <= ids
    assert ({"P1", "P2", "P3", "P8"} <= ids) == ("hand" in found_kinds)
    assert ({"A1", "A2", "A3"} <= ids) == ("air" in found_kinds)
    assert ({"H3", "E8", "H19", "H20"} <= ids) == ("unit" in found_kinds)
    assert ({"H1", "E7"} <= ids) == ("motor" in found_kinds)
    assert ({"S1", "S2", "S3"} <= ids) == ("shared" in found_kinds)
    assert ({"H4", "H5", "H11", "H12"} <= ids) == ("hold" in found_kinds)
    assert ({"H6", "H7", "H9"} <= ids) == ("slow" in found_kinds)


def test_a_drive_that_does_not_go_with_the_flows_is_refused():
    with pytest.raises(BadInput, match="does not go with these flows"):
        changed("two-stage", pump={"drive": "air"})
    with pytest.raises(BadInput, match="does not go with these flows"):
        changed("hand-pump", pump={"drive": "shared"})


def run(capsys, *args: str) -> tuple[int, str]:
    """Exit code of `size` and what it said on standard error."""
    capsys.readouterr()
    code = 0
    try:
        main(["size", *args])
    except SystemExit as left:
        code = int(left.code or 0)
    return code, capsys.readouterr().err


def test_lists_are_written_and_not_over_others(tmp_path, capsys):
    press = str(PRESSES / "hand-pump-70mpa.toml")
    folder = tmp_path / "new" / "lists"
    code, _ = run(capsys, "--press", press, "--parts", str(folder))
    assert code == 0
    rows = list(csv.DictReader((folder / "parts.csv").open(encoding="utf-8")))
    page = (folder / "parts.md").read_text(encoding="utf-8")
    assert all(f"| {row['id']} | {row['qty']} |" in page for row in rows)
    assert "OPEN AT REST" in page
    # Circuit, panel and bring-up with this press's figures.
    assert "## Circuit in words" in page
    assert "switch P7 turned above the relief" in page
    assert "65.3 MPa" in page.split("## From dead to live")[1]
    assert list(csv.DictReader((folder / "wires.csv").open(encoding="utf-8")))
    before = (folder / "parts.csv").read_bytes()
    code, said = run(capsys, "--press", press, "--parts", str(folder))
    assert code == 2
    assert "there already" in said
    assert (folder / "parts.csv").read_bytes() == before


def test_a_shared_pump_gets_lists_for_12_volts(tmp_path, capsys):
    press = str(PRESSES / "shared-12v.toml")
    assert run(capsys, "--press", press, "--parts", str(tmp_path / "lists"))[0] == 0
    rows = list(csv.DictReader((tmp_path / "lists" / "parts.csv").open(encoding="utf-8")))
    # A suppressor across a vehicle's 12 V stands off a jump start's 24 V; K5 may be fed by a converter.
    assert [row["id"] for row in rows if "24 V" in row["rating"] + row["what"]] == ["E11", "E15"]
    # What a starting motor leaves of the battery, simulated, and the converter behind diode and reservoir.
    rated = {row["id"]: row["rating"] for row in rows}
    assert "holds at 6.6 V" in rated["E8"]
    assert "input 7 to 18 V" in rated["E6"]


def test_a_folder_that_cannot_be_made_is_one_sentence(tmp_path, capsys):
    (tmp_path / "file").write_text("x")
    code, said = run(
        capsys, "--press", str(PRESSES / "two-stage.toml"), "--parts", str(tmp_path / "file" / "lists")
    )
    assert code == 2
    assert "Traceback" not in said
    assert "is not a folder" in said
