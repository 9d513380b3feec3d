"""A small pump on a soft press: the force rises by a newton or two a millisecond, less than the noise of a sample."""

from __future__ import annotations

import pytest
from tests.campaign.hand_pumps import draw

from steadyram.press.pressfile import build_press
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import open_device
from steadyram.virtual.trial import STRATEGY, install


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
