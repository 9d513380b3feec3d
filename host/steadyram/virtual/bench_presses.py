"""The cutoff and its commissioning on presses drawn at random: what fails, and why, in numbers.

Press number s is drawn from the seed s alone. It is installed as any press is (calibrated, commissioned), then runs
jobs drawn for it, learned first, then with the plain threshold for the comparison.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from steadyram.config import preferences
from steadyram.errors import SteadyramError
from steadyram.link.definition import definition
from steadyram.link.records import DeviceJob
from steadyram.press.attainable import attainable_p95_N
from steadyram.press.limits import HOLD_TO
from steadyram.press.pressfile import build_press
from steadyram.press.sizing import smallest_setpoint_N
from steadyram.virtual.bench import judge
from steadyram.virtual.commissioning_check import Checked, check_measured, count_verdicts
from steadyram.virtual.drawn_press import (
    TOP_SHARE,
    draw_press,
    draw_setpoint_N,
    draw_work,
    true_figures,
)
from steadyram.virtual.hands import VirtualHands
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import open_device
from steadyram.virtual.runtime import RuntimeName
from steadyram.virtual.trial import STRATEGY, install, run_cycle

# A part is scrapped when it lands over by this share and by this many bands.
SCRAP_SHARE = 0.08
SCRAP_BANDS = 3.0


@dataclass(frozen=True)
class DrawnJob:
    """One job on a drawn press. Forces in newtons, times in seconds; `missed` names the bars not reached."""

    kind: str
    setpoint_N: float
    capacity_share: float
    limit_sigma_N: float
    attainable_p95_N: float | None
    over_attainable: float | None
    band_N: float
    p95_abs_error_N: float
    mean_error_N: float
    first_over_N: float
    first_allowed_N: float
    overshoot_N: float
    threshold_overshoot_N: float
    added_s: float
    cycles: int
    scrapped: int
    pulses_mean: float
    pulses_most: int
    first_pulses: int
    faults: dict[str, int]
    stops: dict[str, int]
    missed: tuple[str, ...]
    errors: tuple[float, ...]


@dataclass
class DrawnResult:
    """One drawn press: its figures, what commissioning found, and its jobs."""

    seed: int
    capacity_N: float
    smallest_setpoint_N: float | None
    refused: str | None = None
    truth: dict[str, float] = field(default_factory=dict)
    measured: dict[str, int] = field(default_factory=dict)
    checked: list[Checked] = field(default_factory=list)
    jobs: list[DrawnJob] = field(default_factory=list)

    def to_json(self) -> dict[str, Any]:
        """Plain figures."""
        return asdict(self)


def _generator(seed: int) -> np.random.Generator:
    return np.random.Generator(np.random.PCG64([seed, 1]))


def press_of_seed(seed: int) -> dict[str, Any]:
    """Draw the press of a seed: the tables of its press file."""
    return draw_press(_generator(seed), f"drawn-{seed}")


def run_drawn(
    seed: int,
    *,
    jobs: int = 2,
    cycles: int = 30,
    threshold_cycles: int = 8,
    runtime: RuntimeName = "cpython",
    progress: Callable[[str], None] = lambda text: None,
) -> DrawnResult:
    """Draw the press of a seed, install it and run its jobs. What the device or the tool refuses is a result."""
    rng = _generator(seed)
    tables = draw_press(rng, f"drawn-{seed}")
    model = build_press(tables, tables["name"])
    smallest = smallest_setpoint_N(model, HOLD_TO)
    result = DrawnResult(seed, model.capacity_N, smallest, truth=asdict(true_figures(model)))
    if smallest is None or smallest > TOP_SHARE * model.capacity_N:
        result.refused = "sizing: no setpoint up to 85 % of capacity can be held to 5 %"
        return result
    # Drawn before anything runs, so that a press that cannot be installed leaves the draws of others alone.
    plans = [_plan(rng, tables) for _ in range(jobs)]
    with VirtualPress(tables, seed=seed, runtime=runtime) as press:
        device = open_device(press)
        try:
            setup = install(press, device, strategy=STRATEGY["learned"])
        except SteadyramError as error:
            result.refused = f"commissioning: {str(error).splitlines()[0][:200]}"
            return result
        result.measured = dict(setup.settings)
        result.checked = check_measured(model, result.measured)
        for number, (work, setpoint_N) in enumerate(plans, start=1):
            progress(f"press {seed}, job {number}: {work['kind']} {preferences().force(setpoint_N, 3)}")
            result.jobs.append(
                _run_job(
                    press, device, dict(setup.settings), number, work, setpoint_N, cycles, threshold_cycles
                )
            )
    return result


def _plan(rng: np.random.Generator, tables: dict[str, Any]) -> tuple[dict[str, Any], float]:
    """Draw one job's work and its setpoint."""
    model = build_press(tables, tables["name"])
    work = draw_work(rng, model.capacity_N, model.cylinder.stroke)
    model = build_press(tables | {"work": work}, tables["name"])
    smallest = smallest_setpoint_N(model, HOLD_TO) or model.capacity_N
    return work, draw_setpoint_N(rng, smallest, model.capacity_N)


def _run_job(
    press: VirtualPress,
    device: Any,
    settings: dict[str, int],
    number: int,
    work: dict[str, Any],
    setpoint_N: float,
    cycles: int,
    threshold_cycles: int,
) -> DrawnJob:
    hands = VirtualHands(press, press.seed)
    press.change_table("work", work)
    defaults = {each.name: each.default for each in definition().job}
    hands.open_changes()
    device.push_jobs([DeviceJob(number, f"job {number}", defaults | {"setpoint_n": round(setpoint_N)})])
    rows: dict[str, list[dict[str, Any]]] = {}
    codes: Counter[str] = Counter()
    for cutoff, count in (("learned", cycles), ("threshold", threshold_cycles)):
        hands.open_changes()
        device.push_press(settings | {"strategy": STRATEGY[cutoff]})
        device.use_job(number)
        seen = device.now().next_seq
        rows[cutoff] = []
        for n in range(1, count + 1):
            try:
                row, code = run_cycle(press, device, n, setpoint_N, seen)
            except SteadyramError:
                codes["no-acknowledge"] += 1
                break
            seen = row.pop("next_seq")
            rows[cutoff].append(row | {"code": code})
            if code is not None and cutoff == "learned":
                codes[code] += 1
    return _score(press, work, setpoint_N, rows, codes)


def _score(
    press: VirtualPress,
    work: dict[str, Any],
    setpoint_N: float,
    rows: dict[str, list[dict[str, Any]]],
    codes: Counter[str],
) -> DrawnJob:
    model = press.plant.press
    learned = rows["learned"]
    if len(learned) < 6 or not rows["threshold"]:
        # The job ended in a fault that stays: what was not run counts as parts that got no force.
        blank = {"peak_N": 0.0, "duration_s": 0.0, "pulses": 0, "stop": "none"}
        learned = learned + [blank] * (6 - len(learned))
        rows = {"learned": learned, "threshold": rows.get("threshold") or [blank]}
    best_N = attainable_p95_N(model, setpoint_N)
    score = judge("", work["kind"], press.seed, model, setpoint_N, learned, rows["threshold"], best_N)
    errors = [row["peak_N"] - setpoint_N for row in learned]
    scrap_N = max(SCRAP_SHARE * setpoint_N, SCRAP_BANDS * score.band_N)
    refused = any(str(row["stop"]).startswith("refused") for row in learned)
    missed = [*(["fault"] if codes else []), *(["refused"] if refused else []), *score.missed]
    scrapped = sum(error > scrap_N for error in errors)
    if scrapped:
        missed.append("scrap")
    pulses = [int(row["pulses"]) for row in learned]
    return DrawnJob(
        kind=work["kind"],
        setpoint_N=setpoint_N,
        capacity_share=setpoint_N / model.capacity_N,
        limit_sigma_N=score.limit_sigma_N,
        attainable_p95_N=score.attainable_p95_N,
        over_attainable=score.over_attainable,
        band_N=score.band_N,
        p95_abs_error_N=score.p95_abs_error_N,
        mean_error_N=score.mean_error_N,
        first_over_N=score.first_over_N,
        first_allowed_N=score.first_allowed_N,
        overshoot_N=score.overshoot_N,
        threshold_overshoot_N=score.threshold_overshoot_N,
        added_s=score.added_s,
        cycles=len(learned),
        scrapped=scrapped,
        pulses_mean=float(np.mean(pulses)),
        pulses_most=max(pulses),
        first_pulses=pulses[0],
        faults=dict(codes),
        stops=dict(Counter(str(row["stop"]) for row in learned)),
        missed=tuple(missed),
        errors=tuple(round(error / setpoint_N, 5) for error in errors),
    )


def _quantile(jobs: list[DrawnJob], per_cent: float) -> float | None:
    ratios = [job.over_attainable for job in jobs if job.over_attainable is not None]
    return float(np.percentile(ratios, per_cent)) if ratios else None


def summary(results: list[DrawnResult]) -> dict[str, Any]:
    """Count what was refused, what was missed and what was scrapped, over presses and jobs."""
    jobs = [job for result in results for job in result.jobs]
    causes = Counter(cause for job in jobs for cause in job.missed)
    faults = Counter[str]()
    for job in jobs:
        faults.update(job.faults)
    refused = Counter(result.refused for result in results if result.refused)
    parts = sum(job.cycles for job in jobs)
    over = [job.p95_abs_error_N / job.setpoint_N for job in jobs]
    return {
        "presses": len(results),
        "presses_refused": sum(refused.values()),
        "refused_because": dict(refused.most_common()),
        "commissioning": count_verdicts([result.checked for result in results if result.checked]),
        "jobs": len(jobs),
        "jobs_reach_every_bar": sum(not job.missed for job in jobs),
        "missed": dict(causes.most_common()),
        "first_cause": dict(Counter(job.missed[0] for job in jobs if job.missed).most_common()),
        "faults": dict(faults.most_common()),
        "parts": parts,
        "parts_scrapped": sum(job.scrapped for job in jobs),
        "first_parts_over": sum(job.first_over_N > job.first_allowed_N for job in jobs),
        "over_attainable_median": _quantile(jobs, 50),
        "over_attainable_nine_in_ten": _quantile(jobs, 90),
        "p95_share_median": float(np.median(over)) if over else None,
        "pulses_mean_median": float(np.median([job.pulses_mean for job in jobs])) if jobs else None,
        "first_pulses_most": max((job.first_pulses for job in jobs), default=None),
    }
