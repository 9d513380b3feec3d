"""The commissioning record: filled in where the device knows, empty where only a person can see."""

from pathlib import Path

from test_iocheck import device, press  # noqa: F401

from steadyram.install.iocheck import Checked
from steadyram.install.record import characteristics, fill, template

NOTES = Path(__file__).parents[3] / "hardware_notes"


def test_template_is_that_of_the_hardware_notes():
    assert template() == (NOTES / "commissioning_record.md").read_text(encoding="utf-8")


def row(text, key):
    return [
        cell.strip() for cell in next(r for r in text.splitlines() if r.startswith(f"| {key} ")).split("|")
    ][3:5]


def test_fresh_device_fills_in_who_it_is_and_leaves_the_rest(device):  # noqa: F811
    text = fill(device, [Checked("cutoff", True, ""), Checked("latch", False, "")], True)
    assert row(text, "6") == ["2 checked; bad: latch", "NO"]
    assert row(text, "5") == ["as told", "yes"]
    assert row(text, "1") == ["", ""]
    assert row(text, "12") == ["", ""], "not measured yet"
    assert f"Board uid {device.identity().uid}" in text
    assert f"Settings digest {device.settings().digest}" in text
    assert "Calibration serial none" in text
    assert len(text.splitlines()) == len(template().splitlines())


def test_characteristics_are_judged_by_the_limits_of_the_notes():
    good = {
        "close_lag_us": 33000,
        "jitter_us": 1400,
        "sensor_lag_us": 2000,
        "leak_ppm_s": 5000,
        "holds_load": 1,
    }
    assert characteristics(good) == ("33.0 / 1.4 / 2.0 ms / 0.50%/s", True)
    for key, value in (
        ("close_lag_us", 100000),
        ("jitter_us", 3000),
        ("sensor_lag_us", 10000),
        ("leak_ppm_s", 10000),
    ):
        assert not characteristics({**good, key: value})[1], key
    assert characteristics({**good, "leak_ppm_s": 900000, "holds_load": 0})[1], "an open centre holds nothing"
