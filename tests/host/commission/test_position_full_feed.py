"""A press without a slow feed and with a sensor: touches on gauge blocks, speeds, the reference, a stop on depth."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.host.commission.test_position_cli import document, own_folder, ran, served

from steadyram.commission.position import calibrate_position
from steadyram.press.limits import limit_position_m
from steadyram.press.pressfile import read_press, read_press_tables
from steadyram.virtual.hands import VirtualHands
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import set_up
from steadyram.virtual.trial import run_cycle

assert own_folder  # a fixture that every test here uses
PRESS = Path(__file__).parents[3] / "tests/campaign/presses/encoder-20.toml"


def test_an_encoder_from_nothing_to_speeds(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    truth = read_press(PRESS)
    assert truth.valve.slow_feed is None
    with served(PRESS, tmp_path) as (press, where):
        keeper = press.firmware.keeper
        words = (
            "calibrate",
            "--heights",
            "60 mm, 80 mm, 100 mm, 120 mm",
            "--kind",
            "encoder",
            "--nominal",
            "5 um",
        )
        found = document(ran(capsys, *words, *where, "--json"), "position-calibrate")
        assert found["uploaded"]
        # Each stack is met at full feed, 14 mm/s: a touch is told within a sample of a millisecond, 14 um.
        assert found["residual_m"] < 15e-6
        assert found["fields"] == {"position_step_nm": 5000, "position_um_64k": 0}
        fast = document(ran(capsys, "speeds", *where, "--json"), "position-speeds")
        free = truth.pump.flow_m3_s(0) / truth.cylinder.area_m2
        assert fast["full_m_per_s"] == pytest.approx(free, rel=0.02)
        assert fast["slow_m_per_s"] == 0
        assert fast["settings"]["speed_slow_um_s"] == 0
        assert fast["settings"]["speed_um_s"] in list(keeper.measured)


def test_the_reference_is_kept_and_depths_are_landed() -> None:
    limit = limit_position_m(read_press(PRESS))
    assert limit is not None
    with VirtualPress(PRESS, 5, "cpython") as press:
        device = set_up(press, 90e3, job={"stop_on": 1, "depth_um": 5300})
        press.run(0.5)
        assert device.now().referenced
        seen, off = device.now().next_seq, []
        for n in range(1, 9):
            row, code = run_cycle(press, device, n, 90e3, seen)
            assert (row["stop"], code) == ("depth", None)
            seen = row["next_seq"]
            off.append(row["depth_m"] - 5.3e-3)
            assert device.now().referenced
        # A first part is never far over; with the lead learned most are within two deviations of the limit.
        assert off[0] <= 3 * limit
        assert sum(abs(each) <= 2 * limit for each in off[4:]) >= 3, [each / limit for each in off]
        press.inject(f"position-lost-counts@{press.cycle + 1}:start")
        press.cycle += 1
        run_cycle(press, device, 9, 90e3, seen)
        press.run(0.6)
        assert device.now().fault == "position-reference"


def test_a_reading_that_rises_in_free_travel_is_not_taken_for_the_block() -> None:
    """A transducer at the pump's end reads the line's drop: the ram stopped in the air, on every block alike."""
    tables = read_press_tables(PRESS)
    tables["transducer"] |= {"line_drop": "6 bar", "line_frequency": "60 Hz", "line_damping": 0.5}
    tables["cylinder"] |= {"stroke": "40 mm", "breakaway": 1.8}
    with VirtualPress(tables, 5, "cpython") as press:
        device = set_up(press, 60e3)
        hands = VirtualHands(press, 5)
        zero = device.now().mean_counts
        found = calibrate_position(
            device, hands, [0.034, 0.031, 0.028, 0.025], kind="encoder", nominal_m=5e-6, zero_counts=zero,
            touch_counts=600.0,
        )  # fmt: skip
        assert found.fields["position_step_nm"] == pytest.approx(5000, rel=0.01)
