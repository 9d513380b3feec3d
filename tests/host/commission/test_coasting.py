"""A valve's lags and scatter from the ram's travel over a train of pulses, on travel made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from steadyram.commission.coasting import Train, plan_train, point_times_ms, read_trains, timing_settings

SPEED = 12e-6  # metres a ms
SETTINGS = {
    "open_lag_us": 40_000, "close_lag_us": 36_000, "sensor_lag_us": 12_000, "jitter_us": 8_000,
    "slow_fitted": 1, "slow_open_lag_us": 42_000, "slow_close_lag_us": 38_000,
}  # fmt: skip


def travelled(
    train: Train, times: np.ndarray, opens: np.ndarray, closes: np.ndarray, see_ms: float
) -> np.ndarray:
    """Return travel at `times`, seen `see_ms` late: full speed from begin plus opens[k] to end plus closes[k]."""
    travel = np.zeros_like(times)
    for k in range(train.pulses):
        off = train.off_ms(k)
        ran = np.clip(
            times - see_ms - (off - train.width_ms + opens[k]), 0.0, train.width_ms + closes[k] - opens[k]
        )
        travel += SPEED * ran
    return travel


@pytest.mark.parametrize("see_ms", [0.0, 7.5])
def test_lags_and_scatter_are_read_off_the_travel_of_a_train(see_ms: float) -> None:
    rng = np.random.default_rng(5)
    train = plan_train(SETTINGS, 1e3 * SPEED, 0.03)
    assert train is not None
    spacing = 8 if train.off_ms(train.pulses) > 2048 else 4
    times = point_times_ms(500, spacing)
    closes = 50.0 + 1.4 * rng.standard_normal(train.pulses)
    opens = 36.0 + 1.4 * rng.standard_normal(train.pulses)
    seen = read_trains(train, [(times, travelled(train, times, opens, closes, see_ms))], see_ms, 1.2e-6)
    assert seen is not None
    assert seen.n == train.pulses
    assert seen.close_ms == pytest.approx(float(np.mean(closes)), abs=0.2)
    assert seen.open_ms == pytest.approx(float(np.mean(opens[1:])), abs=0.3)
    assert seen.sd_ms == pytest.approx(float(np.std(closes, ddof=1)), rel=0.15)
    told = timing_settings(seen, SETTINGS)
    # What the valve has more the sensor has less, down to none; the slow feed's lags move alike.
    assert told["close_lag_us"] + told["sensor_lag_us"] == pytest.approx(48_000, abs=3_000)
    assert told["slow_close_lag_us"] - told["close_lag_us"] == 2_000
    # Force's 8 ms lies outside the interval: the travel's counts.
    assert told["jitter_us"] == pytest.approx(1e3 * float(np.std(closes, ddof=1)), rel=0.2)


def test_a_reading_too_coarse_for_the_scatter_bounds_what_force_told() -> None:
    train = plan_train(SETTINGS, 1e3 * SPEED, 0.03)
    assert train is not None
    times = point_times_ms(500, 8)
    same = np.full(train.pulses, 50.0)
    coarse = 20e-6
    travel = np.round(travelled(train, times, same - 14.0, same, 0.0) / coarse) * coarse
    seen = read_trains(train, [(times, travel)], 0.0, coarse / np.sqrt(12.0))
    assert seen is not None
    low, high = seen.jitter_bounds_ms()
    assert low == 0.0
    assert timing_settings(seen, SETTINGS)["jitter_us"] == round(1e3 * high) < 3_000
    assert timing_settings(seen, SETTINGS | {"jitter_us": 500})["jitter_us"] == 500


def test_a_full_trace_goes_on_a_spacing_after_its_last_point() -> None:
    # 512 points, every other one kept at 0, 2 ... 510 ms; the next is taken two milliseconds after the last, at 511.
    assert list(point_times_ms(258, 2)[[0, 1, 255, 256, 257]]) == [0, 2, 510, 513, 515]
    assert list(point_times_ms(258, 4)[[127, 128, 255, 256]]) == [508, 513, 1021, 1027]


def test_a_travel_too_short_for_one_pulse_tells_nothing() -> None:
    assert plan_train(SETTINGS, 1e3 * SPEED, 0.0005) is None
    assert read_trains(Train(2, 120, 150), [], 0.0, 1e-6) is None
