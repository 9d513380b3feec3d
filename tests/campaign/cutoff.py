"""The learned cutoff beside the plain threshold: every press file, every kind of work, several seeds.

    python -m tests.campaign.cutoff --out tests/campaign/out/cutoff.json

Writes OUT, a picture (.svg) and a table of what falls short and why (.md), none of which is committed; the figures
of `headline` are, by `tests.campaign.evidence`. Seeded, resumable (finished presses are
in OUT.part), parallel (--workers). The bars are those of `steadyram bench cutoff`.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
from collections import Counter
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from steadyram.press.limits import landing_band_N, rise_rate_N_s
from steadyram.press.pressfile import PressFile, apply_change, build_press, read_press_tables
from steadyram.press.sizing import changeover_force_N
from steadyram.virtual.bench import KINDS, Score, bench_press
from steadyram.virtual.bench_plot import draw

if __package__:
    from tests.campaign.faults import PRESSES, commit
else:
    from faults import PRESSES, commit

SETPOINTS, CYCLES, SEEDS = 5, 50, 2
BARS = ("p95", "bias", "first", "ratio", "time")

PLATEAU = "setpoint on the plateau: how long that is differs from part to part"
KNEE = "knee of some parts within one closing lag of the setpoint"
PULSE = "shortest pulse lets through more than the band"
TURN = "setpoint beside the pump's changeover"
SMALL = "among the smallest setpoints that the press can hold"
BURST = "a hand pump's oil comes in bursts"
OTHER = "none of these"


def model_of(name: str, kind: str) -> PressFile:
    """The press file of that name with another kind of work."""
    path = str(PRESSES / f"{name}.toml")
    return build_press(apply_change(read_press_tables(path), "work", "kind", kind, path), path)


def reason(press: PressFile, kind: str, setpoint_N: float, limit_sigma_N: float) -> str:
    """What of the physics makes a job hard, from the press file alone: one of the texts above."""
    work, valve = press.work, press.valve
    plateau = work.plateau or 0.0
    scatter = 1.0 + 2.0 * work.scatter
    if kind == "clinch" and plateau / scatter < setpoint_N < 1.1 * plateau * scatter:
        return PLATEAU
    lag_s = valve.relay_delay + valve.close_delay + press.transducer.lag
    knee_N = {"clinch": 1.1 * plateau, "dimple": plateau, "press-fit": plateau, "dead-stop": 0.0}[kind]
    rise = rise_rate_N_s(press, setpoint_N, slow=True)
    # Some parts have it lower, some higher: two standard deviations of it either way.
    apart_N = 2.0 * work.scatter * knee_N
    if -apart_N < setpoint_N - knee_N < rise * lag_s + apart_N and kind != "dead-stop":
        return KNEE
    if rise * (valve.close_delay - valve.open_delay + 0.001) > landing_band_N(limit_sigma_N, setpoint_N):
        return PULSE
    turn = changeover_force_N(press)
    if turn is not None and abs(setpoint_N / turn - 1.0) < 0.15:
        return TURN
    if press.pump.burst:
        return BURST
    if limit_sigma_N > 0.01 * setpoint_N:
        return SMALL
    return OTHER


def run(work: tuple[str, int, int, int]) -> list[dict[str, Any]]:
    """All jobs of one press and seed."""
    name, seed, setpoints, cycles = work
    scores = bench_press(PRESSES / f"{name}.toml", seed=seed, setpoints=setpoints, cycles=cycles)
    return [
        each.to_json()
        | {"why": reason(model_of(name, each.kind), each.kind, each.setpoint_N, each.limit_sigma_N)}
        for each in scores
    ]


def as_score(row: dict[str, Any]) -> Score:
    """Back from JSON."""
    kept = {
        key: value for key, value in row.items() if key not in ("added_s", "over_attainable", "ratio", "why")
    }
    return Score(**(kept | {"missed": tuple(kept["missed"])}))


def short(row: dict[str, Any]) -> str:
    """By how much each missed bar is missed."""
    told = {
        "p95": f"95 % of errors {row['p95_abs_error_N'] / row['band_N']:.2f} × band",
        "bias": f"mean {row['mean_error_N'] / row['band_N']:+.2f} × band",
        "first": f"first part {row['first_over_N'] / row['first_allowed_N']:.2f} × allowed",
        "ratio": f"ratio {row['ratio'] or 0:.0f}",
        "time": f"{row['added_s']:+.2f} s",
    }
    return "; ".join(told[bar] for bar in row["missed"])


def headline(document: dict[str, Any]) -> dict[str, Any]:
    """Return the figures over all jobs: how many reach every bar, which bars are missed, and beside what cause."""
    rows = document["scores"]
    ratios = [r["ratio"] for r in rows if r["ratio"] and r["threshold_overshoot_N"] > 0.05 * r["setpoint_N"]]
    counted = Counter(bar for row in rows for bar in row["missed"])
    within = [row["p95_abs_error_N"] / row["limit_sigma_N"] for row in rows]
    added = [row["added_s"] for row in rows]
    causes, short_of = Counter(r["why"] for r in rows), Counter(r["why"] for r in rows if r["missed"])
    return {
        "presses": len({row["press"] for row in rows}),
        "jobs": len(rows),
        "parts_a_job": document["cycles"],
        "jobs_that_reach_every_bar": sum(not row["missed"] for row in rows),
        "missed": {bar: counted[bar] for bar in BARS},
        "p95_in_limit_sigmas_median_and_90th": [
            round(float(np.median(within)), 2),
            round(float(np.percentile(within, 90)), 2),
        ],
        "first_part_over_largest_share_of_allowed": round(
            max(r["first_over_N"] / r["first_allowed_N"] for r in rows), 2
        ),
        "overshoot_ratio_least_and_median": [
            round(min(ratios, default=0.0)),
            round(float(np.median(ratios)) if ratios else 0.0),
        ],
        "added_s_median_and_largest": [round(float(np.median(added)), 2), round(max(added), 2)],
        **{f"short of jobs, {why}": [short_of[why], causes[why]] for why in sorted(causes)},
    }


def table(document: dict[str, Any]) -> str:
    """The Markdown that stands beside the results."""
    rows = document["scores"]
    bad = [row for row in rows if row["missed"]]
    told = headline(document)
    lines = [
        "# The cutoff against the physical limit: results",
        "",
        "Written by `python -m tests.campaign.cutoff`, not by hand. The presses are invented, within typical ranges.",
        "",
        f"{document['date']}, commit `{document['commit'][:10]}`: {told['jobs']} jobs on "
        f"{told['presses']} presses, {told['parts_a_job']} parts each, "
        f"seeds 0 to {document['seeds'] - 1}.",
        "",
        f"- {told['jobs_that_reach_every_bar']} of {told['jobs']} jobs reach every bar.",
        "- Missed: " + ", ".join(f"{bar} {told['missed'][bar]}" for bar in BARS) + ".",
        "- 95 % of parts within {:.1f} limit sigmas in the median job, {:.1f} in nine jobs of ten "
        "(a perfect controller: 1.96).".format(*told["p95_in_limit_sigmas_median_and_90th"]),
        f"- First parts over by more than the bar: {told['missed']['first']}; the largest "
        f"{told['first_part_over_largest_share_of_allowed']:+.2f} times what is allowed.",
        "- Overshoot of the plain threshold over that of the learned cutoff: {:.0f} at least, median {:.0f}, "
        "where the threshold goes over by more than 5 %.".format(*told["overshoot_ratio_least_and_median"]),
        "- Time beyond the plain threshold's: median {:.2f} s, largest {:.2f} s.".format(
            *told["added_s_median_and_largest"]
        ),
        "",
        "## What falls short, and what stands in the way",
        "The cause is told from the press file alone, not from the result.",
        "",
        "| press | work | setpoint, kN | seed | short by | what stands in the way |",
        "|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {r['press']} | {r['kind']} | {r['setpoint_N'] / 1000:.2f} | {r['seed']} | {short(r)} | {r['why']} |"
        for r in bad
    ]
    by_cause = Counter(row["why"] for row in bad)
    all_cause = Counter(row["why"] for row in rows)
    lines += ["", "| what stands in the way | jobs | short |", "|---|---|---|"]
    lines += [f"| {cause} | {all_cause[cause]} | {by_cause[cause]} |" for cause in sorted(all_cause)]
    return "\n".join(lines) + "\n"


def presses() -> list[str]:
    """Press files for work on force: those with a position sensor have their own campaigns."""
    return sorted(f.stem for f in PRESSES.glob("*.toml") if "position" not in read_press_tables(f))


def done_already(part: Path) -> Iterable[list[dict[str, Any]]]:
    """Finished presses of an interrupted run."""
    return (json.loads(line) for line in part.read_text().splitlines()) if part.exists() else ()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=SEEDS)
    parser.add_argument("--cycles", type=int, default=CYCLES)
    parser.add_argument("--setpoints", type=int, default=SETPOINTS)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    part = options.out.with_suffix(".part")
    began = commit()
    rows = [row for finished in done_already(part) for row in finished]
    have = {(row["press"], row["seed"]) for row in rows}
    work = [
        (name, seed, options.setpoints, options.cycles)
        for seed in range(options.seeds)
        for name in presses()
        if (name, seed) not in have
    ]
    with multiprocessing.Pool(options.workers) as pool:
        for scored in pool.imap_unordered(run, work):
            rows += scored
            with part.open("a") as out:
                out.write(json.dumps(scored) + "\n")
            print(f"{len(rows)} jobs, {sum(bool(r['missed']) for r in rows)} short", flush=True)
    rows.sort(key=lambda r: (r["press"], KINDS.index(r["kind"]), r["setpoint_N"], r["seed"]))
    document = {
        "date": datetime.now(UTC).date().isoformat(),
        "commit": began,
        "cycles": options.cycles,
        "seeds": options.seeds,
        "setpoints": options.setpoints,
        "scores": rows,
    }
    options.out.write_text(json.dumps(document, indent=1) + "\n")
    options.out.with_suffix(".md").write_text(table(document))
    draw([as_score(row) for row in rows], options.out.with_suffix(".svg"))
    part.unlink(missing_ok=True)


if __name__ == "__main__":
    main()
