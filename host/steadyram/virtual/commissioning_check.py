"""What commissioning found on a simulated press, held against the press's true figures.

A figure is *inside* when it is off by no more than its stated uncertainty (a lag: or 2 ms, the least pulse: 1 ms), and
*wrong in silence* when it is off by more than three times that. What was not found is *unknown*. Cold oil lengthens
the spool's delays, so a lag is right anywhere between that of warm oil and that of the first stroke.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from steadyram.press.pressfile import PressFile
from steadyram.virtual.drawn_press import true_figures

Verdict = Literal["inside", "outside", "wrong", "unknown"]

LAG_S = 2e-3
LEAST_PULSE_S = 1e-3
# The changeover has no stated uncertainty: within this share of it.
CHANGEOVER_SHARE = 0.1
# A rate whose uncertainty is not stated claims to be as good as this.
UNSTATED_SHARE = 0.05
UNKNOWN_US = -1_000_000
WRONG = 3.0


@dataclass(frozen=True)
class Checked:
    """One figure: what was measured, between what the truth lies (SI units), what was claimed, the verdict."""

    name: str
    measured: float | None
    low: float
    high: float
    claimed: float
    verdict: Verdict


def _judge(name: str, measured: float | None, low: float, high: float, claimed: float) -> Checked:
    if measured is None:
        return Checked(name, None, low, high, claimed, "unknown")
    off = max(low - measured, measured - high, 0.0)
    verdict: Verdict = "inside" if off <= claimed else "outside" if off <= WRONG * claimed else "wrong"
    return Checked(name, measured, low, high, claimed, verdict)


def check_measured(press: PressFile, settings: dict[str, int]) -> list[Checked]:
    """Hold the measured settings (protocol units) against the press. Single figures that do not apply are left out."""
    warm = true_figures(press)
    cold = true_figures(press, delay_factor=1.0 + press.valve.warm_up)
    found = []
    lag_u = max(LAG_S, max(0, settings.get("lag_u_us", -1)) / 1e6)
    for name, key in (("open_lag", "open_lag_us"), ("close_lag", "close_lag_us")):
        ends = [getattr(each, f"{name}_s") for each in (warm, cold)]
        raw = settings.get(key, 0)
        found.append(_judge(name, raw / 1e6 if raw > 0 else None, min(ends), max(ends), lag_u))
    for stage, true in (
        ("low", warm.rate_low_N_per_s),
        ("high", warm.rate_high_N_per_s),
        ("slow", warm.rate_slow_N_per_s),
    ):
        if true <= 0.0:
            continue
        raw = settings.get(f"rate_{stage}_n_s", 0)
        stated = settings.get(f"rate_{stage}_u_ppt", -1)
        share = stated / 1000 if stated >= 0 else UNSTATED_SHARE
        found.append(_judge(f"rate_{stage}", float(raw) if raw > 0 else None, true, true, share * raw))
    found.append(_changeover(warm.changeover_N, settings))
    ends = sorted((warm.pulse_least_s, cold.pulse_least_s))
    raw = settings.get("pulse_least_us", -1)
    found.append(_judge("pulse_least", raw / 1e6 if raw >= 0 else None, ends[0], ends[1], LEAST_PULSE_S))
    ends = sorted((warm.pulse_dead_s, cold.pulse_dead_s))
    raw = settings.get("pulse_dead_us", UNKNOWN_US)
    found.append(_judge("pulse_dead", None if raw == UNKNOWN_US else raw / 1e6, ends[0], ends[1], lag_u))
    return found


def _changeover(true_N: float, settings: dict[str, int]) -> Checked:
    """A changeover that is not there and was not found is inside; one that is there and was not found is unknown."""
    raw = settings.get("changeover_n", 0)
    if true_N <= 0.0:
        return Checked("changeover", float(raw), 0.0, 0.0, 0.0, "inside" if raw <= 0 else "wrong")
    return _judge("changeover", float(raw) if raw > 0 else None, true_N, true_N, CHANGEOVER_SHARE * true_N)


def count_verdicts(checked: list[list[Checked]]) -> dict[str, dict[str, int]]:
    """Count the verdicts of each figure over many presses."""
    counted: dict[str, dict[str, int]] = {}
    for press in checked:
        for each in press:
            row = counted.setdefault(each.name, {"inside": 0, "outside": 0, "wrong": 0, "unknown": 0})
            row[each.verdict] += 1
    return counted
