"""Processor time that each command takes before it does its own work, beside that of an empty Python.

    python tests/benchmarks/start_up.py

Prints for `--version`, `--help` and each command's module the seconds of processor, and how many times an empty
interpreter they are. A ratio says more than seconds on a machine that is busy.
"""

from __future__ import annotations

import resource
import subprocess
import sys

from steadyram.cli._commands import COMMANDS


def processor_s(*words: str, times: int = 3) -> float:
    """Return the least processor time of a Python process in seconds, of `times` runs."""
    took = []
    for _ in range(times):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, *words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        took.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(took)


def main() -> None:
    """Print the table."""
    empty = processor_s("-c", "pass")
    rows = {"(empty Python)": ("-c", "pass"), "--version": ("-m", "steadyram", "--version"),
            "--help": ("-m", "steadyram", "--help")}  # fmt: skip
    rows |= {name: ("-m", "steadyram", name, "--help") for name in COMMANDS}
    for name, words in rows.items():
        took = processor_s(*words)
        print(f"{name:16} {took:6.3f} s  {took / empty:5.1f} times an empty Python")


if __name__ == "__main__":
    main()
