"""What the dead-stop test found, and how it goes into the device's settings."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from steadyram.commission.pulse_response import PulseResponse

_DEAD_UNKNOWN_US = -1_000_000
_UNKNOWN = -1


@dataclass
class Characteristics:
    """What was measured; times in seconds, forces in newtons, rates in newtons a second; None: not found.

    *_u_s, *_u_N: expanded uncertainty (95 %) in the unit of the figure; *_u: relative. stages: of the pump, None where
    it cannot be told; the rates then are the steepest seen. seen_from_N, seen_to_N: forces that the rises cover.
    lag_u_s: of a valve's lag and the sensor's together.
    lags are those of equivalent full flow: a flow that builds up counts as if it came at once.
    """

    open_lag_s: float = 0.0
    close_lag_s: float = 0.0
    slow_open_lag_s: float = 0.0
    slow_close_lag_s: float = 0.0
    sensor_lag_s: float = 0.0
    jitter_s: float = 0.0
    rate_low_N_per_s: float = 0.0
    rate_high_N_per_s: float = 0.0
    rate_slow_N_per_s: float = 0.0
    changeover_N: float | None = None
    stages: Literal[1, 2] | None = None
    stages_why: str = ""
    seen_from_N: float | None = None
    seen_to_N: float | None = None
    noise_N: float = 0.0
    leak_per_s: float = 0.0
    strokes: int = 0
    open_lag_u_s: float | None = None
    close_lag_u_s: float | None = None
    slow_open_lag_u_s: float | None = None
    slow_close_lag_u_s: float | None = None
    lag_u_s: float | None = None
    lag_drift_s: float | None = None
    sensor_lag_u_s: float | None = None
    jitter_u_s: float | None = None
    rate_low_u: float | None = None
    rate_high_u: float | None = None
    rate_slow_u: float | None = None
    changeover_u_N: float | None = None
    noise_u_N: float | None = None
    line_lag_s: float | None = None
    line_Hz: float | None = None
    slew_s: float | None = None
    friction_N: float | None = None
    friction_u_N: float | None = None
    friction_scatter_N: float | None = None
    friction_scatter_u_N: float | None = None
    breakaway_N: float | None = None
    breakaway_u_N: float | None = None
    line_drop_N: float | None = None
    zero_wander_N: float | None = None
    zero_wander_u_N: float | None = None
    pulse_dead_s: float | None = None
    pulse_dead_u_s: float | None = None
    pulse_least_s: float | None = None
    pulse_least_u_s: float | None = None
    pulse_limit: Literal["relay", "spool"] | None = None
    slow_pulse_dead_s: float | None = None
    slow_pulse_dead_u_s: float | None = None
    slow_pulse_least_s: float | None = None
    slow_pulse_least_u_s: float | None = None
    slow_pulse_limit: Literal["relay", "spool"] | None = None
    doubts: list[str] = field(default_factory=list)
    open_samples_s: list[float] = field(default_factory=list)
    close_samples_s: list[float] = field(default_factory=list)

    def take_pulses(self, found: PulseResponse, *, slow: bool) -> None:
        """Note one feed's pulse response."""
        start = "slow_pulse_" if slow else "pulse_"
        for key, value in (
            ("dead_s", found.dead_ms),
            ("dead_u_s", found.u_dead_ms),
            ("least_s", found.least_ms),
            ("least_u_s", found.u_least_ms),
        ):
            setattr(self, start + key, None if value is None else value / 1e3)
        setattr(self, start + "limit", found.limit)

    def settings(self) -> dict[str, int]:
        """Return the device's settings that this test measures, in protocol units."""
        # A reading that leads (a line's pressure drop) has no place among the settings: the lags take it over, since
        # only their sum with the sensor's counts for where a stroke ends.
        lead = min(0.0, self.sensor_lag_s)
        slow_lead = lead if self.slow_close_lag_s > 0 else 0.0
        return {
            "char_valid": 1,
            "open_lag_us": max(0, _micro(self.open_lag_s + lead)),
            "close_lag_us": max(0, _micro(self.close_lag_s + lead)),
            "slow_open_lag_us": max(0, _micro(self.slow_open_lag_s + slow_lead)),
            "slow_close_lag_us": max(0, _micro(self.slow_close_lag_s + slow_lead)),
            "sensor_lag_us": max(0, _micro(self.sensor_lag_s)),
            "jitter_us": _micro(self.jitter_s),
            "rate_low_n_s": round(self.rate_low_N_per_s),
            "rate_high_n_s": round(self.rate_high_N_per_s),
            "rate_slow_n_s": round(self.rate_slow_N_per_s),
            "changeover_n": 0 if self.changeover_N is None else round(self.changeover_N),
            "noise_n": max(1, round(self.noise_N)),
            "leak_ppm_s": max(0, round(1e6 * self.leak_per_s)),
            "coast_us": 0,
            "pulse_dead_us": _micro(self.pulse_dead_s, _DEAD_UNKNOWN_US),
            "pulse_least_us": _micro(self.pulse_least_s),
            "slow_pulse_dead_us": _micro(self.slow_pulse_dead_s, _DEAD_UNKNOWN_US),
            "slow_pulse_least_us": _micro(self.slow_pulse_least_s),
            "breakaway_n": _whole(self.breakaway_N),
            "friction_scatter_n": _whole(self.friction_scatter_N),
            "zero_wander_n": _whole(self.zero_wander_N),
            "rate_low_u_ppt": _thousandths(self.rate_low_u),
            "rate_high_u_ppt": _thousandths(self.rate_high_u),
            "rate_slow_u_ppt": _thousandths(self.rate_slow_u),
            "lag_u_us": _micro(self.lag_u_s),
            "line_drop_n": _whole(self.line_drop_N),
        }

    def to_json(self) -> dict[str, Any]:
        """Return the record for a file."""
        return asdict(self)


def _micro(value_s: float | None, unknown: int = _UNKNOWN) -> int:
    return unknown if value_s is None else round(1e6 * value_s)


def _whole(value: float | None) -> int:
    return _UNKNOWN if value is None else max(0, round(value))


def _thousandths(value: float | None) -> int:
    return _UNKNOWN if value is None else min(10_000, max(1, round(1000.0 * value)))
