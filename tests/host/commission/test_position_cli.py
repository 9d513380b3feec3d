"""`steadyram position`: gauge blocks and speeds on a virtual press, what is uploaded and what stays as it was."""

from __future__ import annotations

import json
import threading
from contextlib import contextmanager
from pathlib import Path

import jsonschema
import pytest
from tests.host.obey import obey

from steadyram.cli import main
from steadyram.commission.kept_fields import position_fields
from steadyram.commission.person import PersonHands
from steadyram.commission.position import (
    PositionFound,
    PositionPoint,
    _fitted,
    calibrate_position,
)
from steadyram.link.definition import definition
from steadyram.press.pressfile import read_press
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import datasheet_characteristics, nameplate_settings, set_up
from steadyram.virtual.server import PressServer

ROOT = Path(__file__).parents[3]
PRESSES = ROOT / "tests/presses"
UNSET = {"position_kind": 0, "position_noise_um": 0, "speed_um_s": 0, "speed_slow_um_s": 0}


@contextmanager
def served(name, tmp_path):
    """A press whose force is calibrated and whose position is not."""
    with VirtualPress(PRESSES / name, 5, "cpython", tmp_path / "flash") as press:
        device = set_up(press, 9_000.0, settings=UNSET)
        device.push_calibration({**device.calibration().values, "position_step_nm": 0, "position_um_64k": 0})
        server = PressServer(press, listen=("127.0.0.1", 0), operator_listen=("127.0.0.1", 0))
        thread = threading.Thread(target=server.serve)
        thread.start()
        try:
            yield press, ["--port", server.url, "--hands", server.hands_url]
        finally:
            server.stop()
            thread.join(300)
            server.close()


@pytest.fixture(autouse=True)
def own_folder(tmp_path, monkeypatch):
    monkeypatch.setenv("STEADYRAM_CONFIG_DIR", str(tmp_path / "config"))
    monkeypatch.chdir(tmp_path)


def ran(capsys, *words, code=0):
    found = 0
    try:
        main(["position", *map(str, words)])
    except SystemExit as stop:
        found = int(stop.code or 0)
    printed = capsys.readouterr()
    assert found == code, printed.err
    return printed


def document(printed, name):
    found = json.loads(printed.out)
    jsonschema.validate(found, json.loads((ROOT / f"protocol/schemas/{name}.schema.json").read_text()))
    return found


def test_an_encoder_from_nothing_to_speeds(tmp_path, capsys):
    truth = read_press(PRESSES / "depth-20.toml")
    heights = "60 mm, 80 mm, 100 mm, 120 mm"
    with served("depth-20.toml", tmp_path) as (press, where):
        # The server's thread runs the press and has room for one host: what the firmware holds is looked at directly.
        keeper = press.firmware.keeper
        force = list(keeper.cal)
        words = ("calibrate", "--heights", heights, "--kind", "encoder", "--nominal", "5 um")
        assert (
            "fewer than four"
            in ran(
                capsys,
                "calibrate",
                "--heights",
                "1 mm, 2 mm",
                "--kind",
                "encoder",
                "--nominal",
                "5 um",
                *where,
                code=2,
            ).err
        )
        assert "position calibrate" in ran(capsys, "speeds", *where, code=5).err
        dry = document(
            ran(capsys, *words, "--no-upload", "--out", "dry.json", *where, "--json"), "position-calibrate"
        )
        assert list(keeper.cal) == force
        assert not dry["uploaded"]
        printed = ran(capsys, *words, "--out", "wet.json", *where, "--json")
        found = document(printed, "position-calibrate")
        assert "learned anew" in printed.err
        assert found["fields"] == {"position_step_nm": 5000, "position_um_64k": 0}
        assert found["residual_m"] < 20e-6
        assert len(found["points"]) == 4
        assert json.loads((tmp_path / "wet.json").read_text())["points"] == found["points"]
        now = list(keeper.cal)
        # Of the calibration set only the sensor's field has changed.
        assert [(a, b) for a, b in zip(force, now, strict=True) if a != b] == [
            (0, found["fields"]["position_step_nm"])
        ]
        assert "never overwritten" in ran(capsys, *words, "--out", "wet.json", *where, code=2).err
        fast = document(ran(capsys, "speeds", *where, "--json"), "position-speeds")
        area = truth.cylinder.area_m2
        assert fast["full_m_per_s"] == pytest.approx(truth.pump.flow_m3_s(0) / area, rel=0.02)
        assert fast["slow_m_per_s"] == pytest.approx(truth.valve.slow_feed / area, rel=0.02)
        wanted = nameplate_settings(truth) | datasheet_characteristics(truth) | fast["settings"]
        wanted |= {"position_kind": 2, "position_noise_um": 0}
        known = definition()
        fields = (*known.settings, *known.measured)
        stored = dict(zip([f.name for f in fields], [*keeper.settings, *keeper.measured], strict=True))
        assert stored.pop("measured_day") >= 20_000
        assert stored == {f.name: f.default for f in fields if f.name != "measured_day"} | wanted


def test_a_potentiometer_by_a_person(tmp_path):
    truth = read_press(PRESSES / "depth-30.toml")
    assert truth.position.kind == "potentiometer"
    with VirtualPress(PRESSES / "depth-30.toml", 5, "cpython", tmp_path / "flash") as press:
        device = set_up(press, 9_000.0)
        told = []

        def say(text):
            told.append(text)
            if not obey(press, text):
                raise AssertionError(text)

        def ask(text):
            assert "gauge blocks" in text
            assert "hands out" in text
            press.operator.use_stack(float(text.split(" mm")[0].split()[-1]) / 1000)
            return ""

        values = device.calibration().values
        daylight = 0.9 * truth.cylinder.stroke
        found = calibrate_position(
            device,
            PersonHands(device, ask, say),
            [daylight - each for each in (0.01, 0.03, 0.05, 0.07)],
            kind="potentiometer",
            nominal_m=truth.position.range / 0.9,
            zero_counts=float(values["zero_counts"]),
            touch_counts=900.0,
        )
    whole_m = truth.position.range / 0.9
    assert 65536 / found.counts_per_m == pytest.approx(whole_m / (1 + truth.position.gain_error), rel=0.02)
    assert found.settings()["position_kind"] == 1
    assert 0 < found.noise_m < 1e-3


def test_residuals_are_those_about_the_line():
    heights = (0.09, 0.06, 0.03, 0.0)
    points = tuple(
        PositionPoint(height, -2e5 * height + bump)
        for height, bump in zip(heights, (0, 4, -4, 0), strict=True)
    )
    found = PositionFound("encoder", points, 2e5, 0.0, 0.0, 0.0, {})
    assert found.residuals_m() == pytest.approx([0, 20e-6, -20e-6, 0], abs=1e-12)


@pytest.mark.parametrize(("true_m", "nm"), [(5.0e-6, 5000), (5.01e-6, 5010), (-5.0e-6, -5000)])
def test_touches_prove_the_data_sheets_step_or_overrule_it(true_m, nm):
    heights = (0.09, 0.06, 0.03, 0.0)
    touched = (3e-6, -6e-6, 5e-6, -2e-6)
    points = [
        PositionPoint(height, (bump - height) / true_m) for height, bump in zip(heights, touched, strict=True)
    ]
    found = _fitted("encoder", points, [0.0] * 4, 5e-6, 0.0)
    assert found.relative_error < 2e-4
    assert found.fields["position_step_nm"] == pytest.approx(nm, abs=0 if abs(nm) == 5000 else 1)


def test_points_that_lie_on_a_line_by_luck_do_not_overrule_the_data_sheet():
    # Seen on the virtual press: 4 um about the line, and the step 0.035 % off, nine standard errors of four points.
    points = [
        PositionPoint(height, (bump - height) / 5.00175e-6)
        for height, bump in zip((0.12, 0.1, 0.08, 0.06), (2e-6, -1e-6, -4e-6, 3e-6), strict=True)
    ]
    found = _fitted("encoder", points, [0.0] * 4, 5e-6, 0.06)
    assert abs(found.fields["position_step_nm"]) == 5000
    assert 1e9 / abs(found.counts_per_m) == pytest.approx(5001.75, abs=0.5)


def test_the_sensors_part_of_a_set_is_kept():
    assert position_fields({"c1_n": 5, "position_step_nm": 5000}) == {
        "position_um_64k": 0,
        "position_step_nm": 5000,
    }


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--heights", "10, 20, 30, 40", "--kind", "encoder", "--nominal", "5 um"], "--heights"),
        (["--heights", "-1 mm, 2 mm, 3 mm, 4 mm", "--kind", "encoder", "--nominal", "5 um"], "below 0"),
        (["--heights", "1 mm, 2 mm, 3 mm, 4 mm", "--kind", "encoder", "--nominal", "0 um"], "not above zero"),
        (["--heights", "1 mm, 2 mm, 3 mm, 4 mm", "--kind", "laser", "--nominal", "5 um"], "laser"),
    ],
)
def test_bad_input_is_one_sentence(words, told, capsys, tmp_path):
    printed = ran(capsys, "calibrate", *words, code=2)
    assert told in printed.err
    assert printed.err.count("\n") == 1
    assert list(tmp_path.glob("*.json")) == []
