"""The cutoff measured against the physical limit: learned beside plain threshold, on one calibrated press a time.

Per press and seed the press is installed once (calibrated, characterised); then every kind of work and setpoint
is run as a job of its own, learned first, then with the plain threshold. The truth is the plant's.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from steadyram.config import preferences
from steadyram.link.definition import definition
from steadyram.link.records import DeviceJob
from steadyram.press.attainable import attainable_p95_N
from steadyram.press.limits import HOLD_TO, landing_band_N, limit_sigma_N
from steadyram.press.pressfile import PressFile, apply_change, build_press, read_press_tables
from steadyram.press.sizing import smallest_setpoint_N
from steadyram.virtual.hands import VirtualHands
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import open_device
from steadyram.virtual.runtime import RuntimeName
from steadyram.virtual.trial import STRATEGY, install, run_cycle

KINDS = ("clinch", "dimple", "press-fit", "dead-stop")
LEARNING_CYCLES = 4
# Bars of the cutoff: see `judge`.
FIRST_SIGMAS = 3.0
FIRST_SHARE = 0.02
RATIO = 25.0
ADDED_S = 0.5
# Share of the setpoint that counts as attained whatever the press could do.
ATTAINABLE_LEAST = 0.004


@dataclass(frozen=True)
class Score:
    """One job on one press. Forces in newtons, times in seconds; `missed` names the bars not reached."""

    press: str
    kind: str
    seed: int
    setpoint_N: float
    limit_sigma_N: float
    p95_abs_error_N: float
    mean_error_N: float
    band_N: float
    first_over_N: float
    first_allowed_N: float
    first_s: float
    overshoot_N: float
    threshold_overshoot_N: float
    duration_s: float
    threshold_duration_s: float
    cycles: int
    missed: tuple[str, ...]
    attainable_p95_N: float | None = None

    @property
    def added_s(self) -> float:
        """Time that the learned cutoff takes over the plain threshold."""
        return self.duration_s - self.threshold_duration_s

    @property
    def over_attainable(self) -> float | None:
        """95 % of errors over the larger of what is attainable and 0.4 % of the setpoint."""
        if self.attainable_p95_N is None:
            return None
        return self.p95_abs_error_N / max(self.attainable_p95_N, ATTAINABLE_LEAST * self.setpoint_N)

    @property
    def ratio(self) -> float:
        """Mean overshoot of the plain threshold over that of the learned cutoff (infinite if none)."""
        return self.threshold_overshoot_N / self.overshoot_N if self.overshoot_N > 0 else math.inf

    def to_json(self) -> dict[str, Any]:
        """Plain figures."""
        return asdict(self) | {
            "added_s": self.added_s,
            "over_attainable": self.over_attainable,
            "ratio": None if math.isinf(self.ratio) else self.ratio,
        }


def setpoints_N(press: PressFile, count: int) -> list[float]:
    """From the smallest that can be held to 85 % of capacity, evenly on a logarithmic scale."""
    top = 0.85 * press.capacity_N
    low = smallest_setpoint_N(press, HOLD_TO) or top
    low = min(low, top)
    return [float(v) for v in np.geomspace(low, top, count)]


def judge(
    name: str,
    kind: str,
    seed: int,
    press: PressFile,
    setpoint_N: float,
    learned: Sequence[dict[str, Any]],
    threshold: Sequence[dict[str, Any]],
    attainable_N: float | None = None,
) -> Score:
    """Turn the rows of two runs into a score and hold it against the bars; attainable_N: see `press.attainable`."""
    sigma = limit_sigma_N(press, setpoint_N)
    errors = np.array([row["peak_N"] for row in learned]) - setpoint_N
    after = errors[LEARNING_CYCLES:]
    band = landing_band_N(sigma, setpoint_N)
    allowed = max(FIRST_SIGMAS * sigma, FIRST_SHARE * setpoint_N)
    p95 = float(np.percentile(np.abs(after), 95))
    mean = float(np.mean(after))
    over = float(np.mean(np.maximum(0.0, after)))
    plain = float(np.mean([max(0.0, row["peak_N"] - setpoint_N) for row in threshold]))
    took = float(np.mean([row["duration_s"] for row in learned[LEARNING_CYCLES:]]))
    plain_took = float(np.mean([row["duration_s"] for row in threshold]))
    missed = []
    if p95 > band:
        missed.append("p95")
    if abs(mean) > band / 2:
        missed.append("bias")
    if errors[0] > allowed:
        missed.append("first")
    if plain > 0.05 * setpoint_N and plain < RATIO * over:
        missed.append("ratio")
    if took - plain_took > ADDED_S:
        missed.append("time")
    return Score(
        name, kind, seed, setpoint_N, sigma, p95, mean, band, float(errors[0]), allowed,
        float(learned[0]["duration_s"]), over, plain, took, plain_took, len(learned), tuple(missed), attainable_N,
    )  # fmt: skip


def bench_press(
    path: str | Path,
    *,
    seed: int,
    kinds: Iterable[str] = KINDS,
    setpoints: int = 5,
    cycles: int = 50,
    threshold_cycles: int = 12,
    runtime: RuntimeName = "cpython",
    progress: Callable[[str], None] = lambda text: None,
) -> list[Score]:
    """Score one press. Raises BadInput, CheckFailed, LinkError."""
    raw = read_press_tables(path)
    name = Path(path).stem
    scores: list[Score] = []
    with VirtualPress(raw, seed=seed, runtime=runtime) as press:
        device = open_device(press)
        hands = VirtualHands(press, seed)
        install(press, device, strategy=STRATEGY["learned"])
        settings = dict(device.settings().values)
        defaults = {field.name: field.default for field in definition().job}
        for kind in kinds:
            tables = apply_change(raw, "work", "kind", kind, str(path))
            model = build_press(tables, str(path))
            press.change("work.kind", kind)
            aims = setpoints_N(model, setpoints)
            hands.open_changes()
            device.push_settings(settings | {"strategy": STRATEGY["learned"]})
            jobs = [
                DeviceJob(i + 1, f"{kind} {i + 1}", defaults | {"setpoint_n": round(aim)})
                for i, aim in enumerate(aims)
            ]
            device.push_jobs(jobs)
            rows: dict[str, list[list[dict[str, Any]]]] = {"learned": [], "threshold": []}
            for cutoff, count in (("learned", cycles), ("threshold", threshold_cycles)):
                hands.open_changes()
                device.push_settings(settings | {"strategy": STRATEGY[cutoff]})
                for i, aim in enumerate(aims):
                    hands.open_changes()
                    device.use_job(i + 1)
                    progress(f"{name} {kind} {preferences().force(aim, 3)} {cutoff}")
                    seen = device.now().next_seq
                    run = []
                    for n in range(1, count + 1):
                        row, _ = run_cycle(press, device, n, aim, seen)
                        seen = row.pop("next_seq")
                        run.append(row)
                    rows[cutoff].append(run)
            for i, aim in enumerate(aims):
                scores.append(
                    judge(
                        name, kind, seed, model, aim, rows["learned"][i], rows["threshold"][i],
                        attainable_p95_N(model, aim),
                    )
                )  # fmt: skip
    return scores
