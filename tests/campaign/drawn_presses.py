"""Presses drawn at random: commissioning and cutoff on each, what fails and why, in numbers.

    python -m tests.campaign.drawn_presses --draw 40 --seed 1 --out OUT.json

Press number s comes from the seed s alone (`steadyram.virtual.drawn_press` has the ranges). One line a press goes into
OUT.part, so that a run that was ended goes on where it was. Seeds 1 to 40 are the baseline's; a figure that is to mean
something takes seeds that nobody tuned on.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from pathlib import Path
from statistics import median
from typing import Any

from steadyram.virtual.bench_presses import run_drawn


def figures(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Count causes over presses (as `bench presses --json` writes them)."""
    jobs = [job for row in rows for job in row["jobs"]]
    faults: Counter[str] = Counter()
    for job in jobs:
        faults.update(job["faults"])
    return {
        "presses": len(rows),
        "refused": dict(Counter(row["refused"][:100] for row in rows if row["refused"]).most_common(8)),
        "jobs": len(jobs),
        "jobs_that_reach_every_bar": sum(not job["missed"] for job in jobs),
        "missed": dict(Counter(cause for job in jobs for cause in job["missed"]).most_common()),
        "gravest_cause": dict(Counter(job["missed"][0] for job in jobs if job["missed"]).most_common()),
        "parts_in_fault": dict(faults.most_common(8)),
        "parts": sum(job["cycles"] for job in jobs),
        "parts_scrapped": sum(job["scrapped"] for job in jobs),
        "first_parts_over": sum(job["first_over_N"] > job["first_allowed_N"] for job in jobs),
        "pulses_a_part_median": round(median(job["pulses_mean"] for job in jobs), 2) if jobs else None,
        "pulses_of_a_first_part_most": max((job["first_pulses"] for job in jobs), default=None),
    }


def main() -> None:
    """Run what is missing; write the presses and their figures."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--draw", type=int, default=40)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--jobs", type=int, default=2)
    words.add_argument("--cycles", type=int, default=12)
    words.add_argument("--out", type=Path, required=True)
    given = words.parse_args()
    part = given.out.with_suffix(".part")
    part.parent.mkdir(parents=True, exist_ok=True)
    rows = [json.loads(line) for line in part.read_text().splitlines()] if part.exists() else []
    done = {row["seed"] for row in rows}
    with part.open("a", encoding="utf-8") as file:
        for seed in range(given.seed, given.seed + given.draw):
            if seed not in done:
                row = run_drawn(seed, jobs=given.jobs, cycles=given.cycles, threshold_cycles=4).to_json()
                rows.append(row)
                file.write(json.dumps(row) + "\n")
                file.flush()
    rows = [row for row in rows if given.seed <= row["seed"] < given.seed + given.draw]
    rows.sort(key=lambda row: int(row["seed"]))
    given.out.write_text(json.dumps({"figures": figures(rows), "rows": rows}) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
