"""No false alarms: healthy parts on every press file, and not one fault.

Every press of tests/presses, three setpoints (one with a dwell), learned cutoff and plain threshold.

    python -m tests.campaign.healthy --out tests/campaign/out/healthy.json

Seeded, resumable (finished runs are in OUT.part), parallel (--workers).
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from steadyram.link.definition import definition
from steadyram.press.pressfile import read_press
from steadyram.virtual.trial import run_trial

if __package__:
    from tests.campaign.faults import FIRST_SEED, PRESSES, TUNED_ON, commit
else:
    from faults import FIRST_SEED, PRESSES, TUNED_ON, commit

SHARES = (0.06, 0.25, 0.6)
DWELL_SHARE, DWELL_MS = 0.25, 400


def run(work: tuple[str, float, str, int, int]) -> dict[str, Any]:
    """One trial; faults by cycle and how the strokes ended."""
    name, share, cutoff, cycles, seed = work
    file = PRESSES / f"{name}.toml"
    force = share * read_press(file).capacity_N
    job = {"dwell_ms": DWELL_MS if share == DWELL_SHARE else 0}
    told = run_trial(file, force, cycles, seed=seed, cutoff=cutoff, runtime="cpython", job=job)
    stops = Counter(row["stop"] for row in told["cycles"])
    return {
        "press": name,
        "share_of_capacity": share,
        "cutoff": cutoff,
        "seed": seed,
        "cycles": cycles,
        "stops": dict(sorted(stops.items())),
        "faults": told["faults"],
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cycles", type=int, default=21, help="parts a run")
    parser.add_argument("--seed", type=int, default=FIRST_SEED)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    part = options.out.with_suffix(".part")
    began = commit()  # others may commit while it runs
    rows = [json.loads(line) for line in part.read_text().splitlines()] if part.exists() else []
    done = {(r["press"], r["share_of_capacity"], r["cutoff"]) for r in rows}
    work = [
        (file.stem, share, cutoff, options.cycles, options.seed)
        for file in sorted(PRESSES.glob("*.toml"))
        for share in SHARES
        for cutoff in ("learned", "threshold")
        if (file.stem, share, cutoff) not in done
    ]
    with multiprocessing.Pool(options.workers) as pool:
        for row in pool.imap_unordered(run, work):
            rows.append(row)
            with part.open("a") as out:
                out.write(json.dumps(row) + "\n")
            print(
                f"{sum(r['cycles'] for r in rows)} cycles, {sum(len(r['faults']) for r in rows)} faults",
                flush=True,
            )
    rows.sort(key=lambda r: (r["press"], r["share_of_capacity"], r["cutoff"]))
    told = {
        "protocol": definition().version,
        "date": datetime.now(UTC).date().isoformat(),
        "commit": began,
        "seed": options.seed,
        "tuned_on": TUNED_ON,
        "cycles": sum(r["cycles"] for r in rows),
        "faults": sum(len(r["faults"]) for r in rows),
        "presses": len({r["press"] for r in rows}),
        "runs": rows,
    }
    options.out.write_text(json.dumps(told, indent=1) + "\n")
    part.unlink(missing_ok=True)


if __name__ == "__main__":
    main()
