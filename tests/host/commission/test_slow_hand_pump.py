"""A small pump on a soft press: the force rises by a newton or two a millisecond, less than the noise of a sample."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.campaign.hand_pumps import draw

from steadyram.commission.strokes import probe_stroke
from steadyram.errors import CheckFailed
from steadyram.nameplate import nameplate_settings
from steadyram.press.pressfile import build_press, read_press
from steadyram.virtual.hands import VirtualHands
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import open_device
from steadyram.virtual.trial import STRATEGY, install

ROOT = Path(__file__).parents[3]


def test_a_rise_below_the_noise_of_a_sample_is_measured():
    tables, _ = draw(8103)
    valve = build_press(tables, "drawn").valve
    with VirtualPress(tables, seed=8103, runtime="cpython") as press:
        found = install(press, open_device(press), strategy=STRATEGY["learned"])
    measured = found.settings
    assert measured["char_valid"] == 1
    assert measured["rate_low_n_s"] < 100 * measured["noise_n"]
    # The spool's slew counts half; strokes scatter by some milliseconds, for noise is larger than a millisecond's rise.
    true_us = 1e6 * (valve.relay_delay + valve.close_delay + valve.slew / 2)
    assert measured["close_lag_us"] == pytest.approx(true_us, abs=12_000)


def test_the_longest_stroke_allowed_fits_the_pump():
    press = read_press(ROOT / "hardware_notes" / "presses" / "hand-pump.toml")
    # 70 mm bore, 120 mm stroke: 461.8 mL. 40 strokes of 3 mL a minute fill that in 230.9 s.
    allowed_s = nameplate_settings(press)["cycle_max_ms"] / 1000
    assert allowed_s > 230.9
    assert allowed_s < 1.5 * 230.9
    # A power unit fills it in seconds, and keeps the default.
    powered = read_press(ROOT / "hardware_notes" / "presses" / "two-stage.toml")
    assert nameplate_settings(powered)["cycle_max_ms"] == 60_000
    # Nothing beyond the setting's range, however small the pump.
    slow, _ = draw(8104)
    assert nameplate_settings(build_press(slow, "drawn"))["cycle_max_ms"] == 600_000


def test_a_stroke_that_outlasts_the_limit_names_the_setting():
    tables, _ = draw(8203)
    with VirtualPress(tables, seed=8203, runtime="cpython") as press:
        device, hands = open_device(press), VirtualHands(press, 8203)
        press.run(0.5)
        hands.open_changes()
        device.push_press(nameplate_settings(press.plant.press) | {"cycle_max_ms": 2000})
        hands.use_block()
        with pytest.raises(CheckFailed, match=r"cycle-too-long.*raise the setting cycle_max"):
            probe_stroke(device, hands, cut_counts=40_000)
