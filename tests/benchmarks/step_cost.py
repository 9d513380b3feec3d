"""What a control step costs: instructions by state, code size, RAM, and what machine code changes.

    python tests/benchmarks/step_cost.py [--write]

Measured: x86-64 instructions of MicroPython's unix build under callgrind, with the heap locked as in a hard
interrupt, by the state in which a step begins; nanoseconds on this computer; bytes of the compiled files for a
Cortex-M0+; heap on the 32-bit WebAssembly build. Estimated, and labelled so: microseconds on an RP2040.
Needs valgrind; Node and the WebAssembly build for the heap.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.benchmarks.tell import tell  # noqa: E402
from tests.micropython import make_tape, runtimes  # noqa: E402

from steadyram.press.pressfile import build_press, read_press_tables  # noqa: E402
from steadyram.virtual.press import VirtualPress  # noqa: E402
from steadyram.virtual.quick_setup import set_up  # noqa: E402
from steadyram_fw import tables  # noqa: E402
from steadyram_fw.core import controller  # noqa: E402

HERE = Path(__file__).resolve().parent
RESULTS = HERE / "results" / "step_cost.txt"
PRESSES = ROOT / "tests" / "presses"
# Press file and share of its capacity: a landing planned by position, one led by force, one with a slow feed.
DAYS = (("workshop-20-fine", 0.25), ("workshop-20", 0.6), ("workshop-20-slow", 0.2))
# Thumb instructions for one x86-64 instruction of the same interpreter: counted by cortex_m0.py.
THUMB_LOW, THUMB_HIGH = 1.57, 1.78
# Cycles a Thumb instruction: most take one, loads and taken branches two, and a miss of the flash cache many more.
# Assumed, no source; to be replaced by a measurement on a board.
CYCLES_LOW, CYCLES_HIGH = 1.2, 1.6
KINDS = (("plain", False, False), ("folded", False, True), ("built", True, True))


@dataclass
class State:
    """Steps that begin in one state: how many, the sum of their instructions, the dearest that changes the state."""

    steps: int = 0
    total: float = 0.0
    change: float = 0.0

    @property
    def mean(self) -> float:
        return self.total / self.steps if self.steps else 0.0


def build_module() -> Any:
    """firmware/build.py as a module."""
    spec = importlib.util.spec_from_file_location("steadyram_build", ROOT / "firmware" / "build.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@contextmanager
def taped() -> Iterator[make_tape.Tape]:
    """Controllers made meanwhile write on the tape."""
    tape = make_tape.Tape()
    module: Any = controller
    before = module.Controller
    module.Controller = make_tape.taping(tape)
    try:
        yield tape
    finally:
        module.Controller = before


def short_day(press_file: Path, share: float, parts: int = 4) -> tuple[make_tape.Tape, int]:
    """A job on a press that is ready: its first part, learned ones with a dwell, an emergency stop in a stroke.

    Returns the tape and the step at which the first part begins.
    """
    raw = read_press_tables(press_file)
    capacity_N = build_press(raw, str(press_file)).capacity_N
    with taped() as tape, VirtualPress(raw, seed=5, runtime="cpython") as press:
        device = set_up(press, share * capacity_N, job={"dwell_ms": 300})
        first = tape.steps
        day = make_tape.Day(press, device)
        for _ in range(parts):
            day.part()
        press.load_part()
        press.operator.press_extend()
        press.run(0.2)
        press.operator.push_estop()
        press.run(0.3)
        press.operator.release_all()
        press.operator.pull_estop()
        day.acknowledge()
    return tape, first


def callgrind(
    firmware: Path, script: str, *arguments: str, dumps: bool = False
) -> tuple[list[str], list[int]]:
    """Lines printed by a script on the unix build, and the instructions of each dump (or of the whole)."""
    valgrind = shutil.which("valgrind")
    if valgrind is None:
        raise SystemExit("valgrind is missing (apt-get install valgrind).")
    with tempfile.TemporaryDirectory() as scratch:
        options = ["--tool=callgrind", f"--callgrind-out-file={scratch}/out"]
        if dumps:
            options.append("--dump-before=mp_micropython_stack_use")
        # The launcher is CPython: without a fixed seed its own start differs from run to run.
        environment = {
            "PATH": os.environ["PATH"],
            "MICROPYPATH": f"{firmware}:{ROOT / 'tests' / 'micropython'}:.frozen",
            "PYTHONHASHSEED": "0",
        }
        program = [sys.executable, str(runtimes.micropython()), "-X", "heapsize=8M", str(HERE / script)]
        done = subprocess.run(
            [valgrind, *options, *program, *arguments], capture_output=True, text=True, env=environment
        )
        if done.returncode:
            raise SystemExit(done.stdout[-500:] + done.stderr[-1500:])
        if not dumps:
            return done.stdout.splitlines(), [int(re.findall(r"Collected : (\d+)", done.stderr)[-1])]
        files = sorted(Path(scratch).glob("out.*"), key=lambda file: int(file.suffix[1:]))
        found = [re.search(r"^(?:totals|summary): (\d+)", file.read_text(), re.M) for file in files]
        return done.stdout.splitlines(), [int(match[1]) for match in found if match is not None]


def by_state(firmware: Path, tape: Path, first: int) -> dict[int, State]:
    """Instructions of the steps from `first` on, those of the loop around them taken off."""
    lines, counts = callgrind(firmware, "step_segments.py", str(tape), str(first), dumps=True)
    # The first dump is all that came before; then one a segment, the loop without steps first.
    counts = counts[1 : 1 + len(lines)]
    rows = [tuple(map(int, line.split())) for line in lines]
    assert len(counts) == len(rows), (len(counts), len(rows))
    loop = counts[0] / rows[0][1]
    states: dict[int, State] = defaultdict(State)
    for (state, steps, single), count in list(zip(rows, counts, strict=True))[2:]:
        own = count - loop * steps
        if single:
            states[state].change = max(states[state].change, own)
        else:
            states[state].steps += steps
            states[state].total += own
    return states


def each(firmware: Path, what: str, times: int = 1000) -> float:
    """Instructions of one call, from the difference of two lengths (see callback_calls.py)."""
    few, many = (callgrind(firmware, "callback_calls.py", str(n), what)[1][0] for n in (200, 200 + times))
    return (many - few) / times


def nanoseconds(firmware: Path, tape: Path, first: int) -> str:
    """Mean of all steps from `first` on, least of five rounds each, on this computer."""
    path = f"{firmware}:{ROOT / 'tests' / 'micropython'}:.frozen"
    script = str(HERE / "step_timing.py")
    command = [str(runtimes.micropython()), "-X", "heapsize=8M", script, str(tape), "5", str(first)]
    rows = [tuple(map(int, line.split())) for line in runtimes.run(command, path=path)]
    return f"{sum(row[1] * row[2] for row in rows) / sum(row[1] for row in rows):.0f}"


def estimate_us(instructions: float, mhz: float) -> str:
    low = instructions * THUMB_LOW * CYCLES_LOW / mhz
    high = instructions * THUMB_HIGH * CYCLES_HIGH / mhz
    return f"{low:.0f} to {high:.0f}"


def ram(firmware: Path) -> list[str]:
    """Heap bytes of code and objects on the 32-bit build."""
    node = shutil.which("node")
    if node is None or not runtimes.WASM.is_file():
        return ["not measured: Node or MicroPython's WebAssembly build is missing"]
    return runtimes.run([node, str(HERE / "ram.mjs"), str(runtimes.WASM), str(firmware)])


def step_lines(folders: dict[str, Path], scratch: Path) -> tuple[list[str], float, float]:
    """The table by state, and instructions of the dearest mean and the dearest single step as built."""
    found: dict[str, dict[int, State]] = {kind: defaultdict(State) for kind in folders}
    times = []
    for name, share in DAYS:
        day, first = short_day(PRESSES / f"{name}.toml", share)
        tape = scratch / f"{name}.tape"
        day.write(tape)
        for kind, folder in folders.items():
            for state, seen in by_state(folder, tape, first).items():
                whole = found[kind][state]
                # The dearest day of each state counts.
                if seen.mean > whole.mean:
                    whole.steps, whole.total = seen.steps, seen.total
                whole.change = max(whole.change, seen.change)
        timed = "  ".join(f"{kind} {nanoseconds(folder, tape, first)}" for kind, folder in folders.items())
        times.append(f"  {name:<18} {day.steps - first:>6} steps  {timed}")
    lines = [
        "x86-64 instructions of Controller.step by the state at its start (callgrind, measured): mean of the steps",
        "that stay in it, and the dearest step that leaves it or makes a record; the dearest of the presses each",
        f"{'state':<10} {'steps':>6}" + "".join(f" {kind:>9} {'change':>8}" for kind in folders),
    ]
    for state in sorted(found["built"]):
        row = "".join(f" {found[k][state].mean:>9.0f} {found[k][state].change:>8.0f}" for k in folders)
        lines.append(f"{tables.STATE_NAMES[state]:<10} {found['built'][state].steps:>6}{row}")
    lines += ["", "mean nanoseconds a step on this computer (measured, least of five rounds)", *times]
    built = found["built"].values()
    return lines, max(s.mean for s in built), max(s.change for s in built)


def report() -> list[str]:
    build = build_module()
    with tempfile.TemporaryDirectory() as folder:
        scratch = Path(folder)
        folders = {}
        for kind, machine, folded in KINDS:
            folders[kind] = scratch / kind
            build.build(folders[kind], "x64", machine, folded, names=True)
        lines = ["Cost of a control step. plain: the sources' bytecode; folded: named constants folded in;"]
        lines.append("built: as for a board, with machine code where it pays.")
        presses = ", ".join(f"{name} at {share:.0%}" for name, share in DAYS)
        lines += [f"Presses: {presses} of capacity.", ""]
        table, mean, change = step_lines(folders, scratch)
        lines += table
        around = each(folders["built"], "around")
        travel = each(folders["built"], "travel") - each(folders["built"], "rest")
        read = {what: each(folders["built"], what) - around for what in ("wiper", "encoder", "pulses")}
        lines += [
            "",
            f"the callback around the step (converter, contacts, outputs, clock; built): {around:.0f} instructions",
            f"a ram position input fitted, in addition (built, at rest): {travel:.0f} instructions",
            "reading it, in addition (built; calls of the hardware stood for by empty ones in C): "
            + ", ".join(f"{what} {count:.0f}" for what, count in read.items()),
            "",
            "ESTIMATE for an RP2040, us               125 MHz         200 MHz (as the firmware sets it)",
        ]
        for title, count in (
            ("step, dearest state", mean),
            ("whole callback, dearest state", mean + around),
            ("the same with a position input", mean + around + travel + max(read.values())),
            ("dearest single callback", change + around),
        ):
            at = f"{estimate_us(count, 125.0):>15} {estimate_us(count, 200.0):>15}"
            lines.append(f"  {title:<31} {at}")
        lines += [
            f"It takes {THUMB_LOW} to {THUMB_HIGH} Thumb instructions for an x86-64 one (counted by cortex_m0.py), of",
            f"{CYCLES_LOW} to {CYCLES_HIGH} cycles each (assumed, no source) until a board is measured.",
            "",
        ]
        plain = build.build(scratch / "m0", "armv6m", False, False)
        machine_sizes = build.build(scratch / "m0n", "armv6m", True)
        lines.append("bytes of .mpy for a Cortex-M0+: plain bytecode, as built")
        for name, size in plain.items():
            if name.startswith("core/") or machine_sizes[name] > size:
                lines.append(f"  {name:<22} {size:>7} {machine_sizes[name]:>7}")
        lines.append(f"  {'all modules':<22} {sum(plain.values()):>7} {sum(machine_sizes.values()):>7}")
        lines += ["", "heap of a 32-bit build, bytes, folded bytecode (measured on the WebAssembly build)"]
        lines += [f"  {line}" for line in ram(folders["folded"])]
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description="What a control step costs.")
    tell(parser, RESULTS, report)


if __name__ == "__main__":
    main()
