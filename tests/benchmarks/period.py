"""Period of the control step by the clock with link, display and logging busy, on real MicroPython.

    python tests/benchmarks/period.py [--write] [--seconds 30]

Measured on this computer (see period_busy.py for the two ways in which the step comes); in real time where the
system lets it (chrt), since otherwise what is measured is the other processes. What follows for a board is argued in
hardware_notes/memory_and_time.md.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.benchmarks.tell import tell  # noqa: E402
from tests.micropython import runtimes  # noqa: E402

from steadyram.install.package import build  # noqa: E402

HERE = Path(__file__).resolve().parent
RESULTS = HERE / "results" / "period.txt"


def in_real_time() -> list[str]:
    """What to put before a command so that it runs in real time; nothing where that is not allowed."""
    chrt = shutil.which("chrt")
    if chrt is None or subprocess.run([chrt, "-f", "10", "true"], capture_output=True).returncode:
        return []
    return [chrt, "-f", "10"]


def run(firmware: Path, way: str, seconds: int) -> list[str]:
    with tempfile.TemporaryDirectory() as files:
        command = [str(runtimes.micropython()), "-X", "heapsize=400k", str(HERE / "period_busy.py")]
        command += [str(firmware), str(ROOT / "tests" / "firmware"), files, str(seconds), way]
        return runtimes.run([*in_real_time(), *command])


def report(seconds: int) -> list[str]:
    lines = [
        f"Lateness of the control step, microseconds, {seconds} s each, machine code for this computer,",
        "real time: " + ("yes" if in_real_time() else "NO: other processes are in these figures"),
        "rest, live: steps, then what 50, 90, 99, 99.9, 99.99 % and all did not exceed",
    ]
    with tempfile.TemporaryDirectory() as folder:
        for name, data in build("x64", names=True).files.items():
            path = Path(folder) / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
        for way in ("thread", "between"):
            lines += ["", way, *("  " + line for line in run(Path(folder), way, seconds))]
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description="Period of the control step on a busy computer.")
    parser.add_argument("--seconds", type=int, default=30)
    tell(parser, RESULTS, report)


if __name__ == "__main__":
    main()
