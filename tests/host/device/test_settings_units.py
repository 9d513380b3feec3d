"""Settings entered with units: the integer that the device gets, and what a press file makes of itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from steadyram.cli import main
from steadyram.errors import BadInput
from steadyram.link.definition import definition
from steadyram.nameplate import nameplate_settings
from steadyram.press.pressfile import read_press
from steadyram.settings_file import as_quantity, read_settings, settings_with_units, short_name
from steadyram.units import FORCE_UNITS, PRESSURE_UNITS

PRESSES = sorted((Path(__file__).parents[2] / "presses").glob("*.toml"))


def read(folder: Path, text: str) -> dict[str, int]:
    path = folder / "settings.toml"
    path.write_text(text)
    return read_settings(path)


@pytest.mark.parametrize(
    ("line", "key", "value"),
    [
        ('capacity = "20 tonf"', "capacity_n", 177929),  # 40 000 lbf of 4.4482216152605 N
        ('capacity = "178 kN"', "capacity_n", 178000),
        ('bore = "4 in"', "bore_um", 101600),
        ('range = "5000 psi"', "range_kpa", 34474),  # 5000 psi of 6.894757 kPa
        ('range = "250 bar"', "range_kpa", 25000),
        ('cycle_max = "1.5 min"', "cycle_max_ms", 90000),
        ('changes = "10 min"', "changes_s", 600),
        ('position_drift = "0.5 mm"', "position_drift_um", 500),
        ('cell = "5 tonf"', "cell_n", 44482),
        ("slow_fitted = true", "slow_fitted", 1),
        ("top_switch = false", "top_switch", 0),
        ("capacity_n = 178000", "capacity_n", 178000),
    ],
)
def test_quantity_becomes_the_devices_integer(tmp_path: Path, line: str, key: str, value: int) -> None:
    assert read(tmp_path, line) == {key: value}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("capacity = 20", "without a unit"),
        ('capacity = "20 ton"', "ambiguous"),
        ('capacity = "20 mm"', "of the wrong kind"),
        ('range = "5,000 psi"', "write the number without one"),
        ('capacity = "20 tonf"\ncapacity_n = 177929', "the same setting; give one"),
        ('bore = "4 m"', "outside 5000 to 600000 micrometres"),
        ('leak_limit_ppt = "100 s"', "is not a setting"),
        ("sensor_kind = true\nchanges_s = true", "changes_s is not a whole number"),
        ('panel_unit = "stone"', "panel_unit is 'stone', which is not one of kN, tonf"),
        ("panel_unit = 9", "panel_unit is 9, outside 0 to 5"),
    ],
)
def test_wrong_entry_is_named(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(BadInput, match=says):
        read(tmp_path, text)


@pytest.mark.parametrize("press", PRESSES, ids=lambda path: path.stem)
def test_made_from_a_press_file_it_reads_back(press: Path, tmp_path: Path) -> None:
    values = nameplate_settings(read_press(press))
    for force, pressure in (("kN", "MPa"), ("tonf", "psi"), ("long_tonf", "bar"), ("lbf", "kPa")):
        assert force in FORCE_UNITS
        assert pressure in PRESSURE_UNITS
        assert read(tmp_path, settings_with_units(values, force, pressure)) == values


def test_command_prints_the_users_units(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("STEADYRAM_CONFIG_DIR", str(tmp_path))
    monkeypatch.setenv("STEADYRAM_FORCE_UNIT", "tonf")
    monkeypatch.setenv("STEADYRAM_PRESSURE_UNIT", "psi")
    (press,) = (path for path in PRESSES if path.stem == "workshop-20-slow")
    main(["device", "settings", "new", "--press", str(press)])
    out = capsys.readouterr().out
    assert 'range = "5000 psi"' in out
    assert 'capacity = "20.667 tonf"' in out
    assert read(tmp_path, out) == nameplate_settings(read_press(press)) | {"panel_unit": 1}


def test_every_unit_has_its_example_and_its_display() -> None:
    for field in (*definition().settings, *definition().measured):
        if short_name(field.name) is not None:
            assert as_quantity(field.name, max(field.minimum, 1), "kN", "MPa") is not None


def test_no_two_settings_share_a_short_name() -> None:
    names = [field.name for field in (*definition().settings, *definition().measured)]
    short = [short_name(name) for name in names if short_name(name) is not None]
    assert len(set(short)) == len(short)
    assert not set(short) & set(names)
