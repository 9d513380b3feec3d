"""A first part on the virtual press: what the device proposes, and what is stored on confirmation."""

from __future__ import annotations

import pytest

from steadyram.commission.first_part import read_first_part, terminal_curve, wait_for_stroke
from steadyram.errors import BadInput, CheckFailed
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import open_changes, set_up

PRESS = "tests/presses/workshop-20.toml"
PLATEAU_N = 1.6 * 8896.443230521  # the press file's embedding force; the knee lies 10 % above it


@pytest.fixture
def pressed():
    """A part taken up to 2.4 tonf in safe steps and let go there by the device."""
    with VirtualPress(PRESS, seed=5, runtime="cpython") as press:
        characterised = {
            "char_valid": 1, "open_lag_us": 38000, "close_lag_us": 33000, "sensor_lag_us": 2000, "jitter_us": 1400,
            "rate_low_n_s": 944000, "rate_high_n_s": 270000, "changeover_n": 38500, "noise_n": 140,
        }  # fmt: skip
        device = set_up(press, 21_351.0, settings=characterised)
        press.load_part()
        seen = device.now().next_seq
        press.operator.press_extend()
        record = wait_for_stroke(device, seen, press.run, 60.0)
        press.operator.release_extend()
        press.run(0.3)
        yield press, device, record


def test_knee_and_settled_force_are_proposed(pressed):
    press, device, record = pressed
    found = read_first_part(record, device.trace(record.seq))
    assert record.stop == "setpoint"
    assert "first" in record.flags
    # The plateau scatters by 4 % and the device's nameplate calibration is 1.5 % off.
    assert found.knee_N == pytest.approx(1.1 * PLATEAU_N, rel=0.12)
    assert found.by_knee_N == pytest.approx(1.05 * found.knee_N)
    assert found.by_settled_N == pytest.approx(press.plant.force_N, rel=0.03)
    assert found.contact_s is not None
    lines = terminal_curve(found.trace)
    assert len(lines) == 8
    assert "█" in lines[-1]


def test_the_confirmed_force_becomes_the_jobs_setpoint_and_is_proven(pressed):
    press, device, record = pressed
    found = read_first_part(record, None)
    press.operator.press_retract()
    press.run_until(lambda p: p.plant.at_top, 20.0)
    press.operator.release_retract()
    press.run(0.5)
    open_changes(press)
    assert device.teach(found.by_settled_N) == pytest.approx(found.by_settled_N, abs=0.51)
    job = device.jobs().jobs[0]
    assert job.fields["setpoint_n"] == round(found.by_settled_N)
    assert job.fields["unproven"] == 0


def test_waiting_for_a_stroke_that_does_not_come_ends_with_a_sentence(pressed):
    press, device, _ = pressed
    with pytest.raises(CheckFailed, match="No stroke was finished within 1 s"):
        wait_for_stroke(device, device.now().next_seq, press.run, 1.0)


def test_a_silly_margin_is_refused(pressed):
    with pytest.raises(BadInput, match="margin"):
        read_first_part(pressed[2], None, margin=3.0)
