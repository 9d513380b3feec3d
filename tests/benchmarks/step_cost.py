"""What a control step costs: time on real MicroPython, instructions, code size, RAM, and what native code changes.

    python tests/benchmarks/step_cost.py [--write]

Measured: nanoseconds a step on the unix build of this machine; x86-64 instructions a step under callgrind, where
valgrind is installed; bytes of the compiled files for Cortex-M0+; heap on the 32-bit WebAssembly build.
Estimated, and labelled so: microseconds on an RP2040 at 125 MHz.
"""

from __future__ import annotations

import argparse
import importlib.util
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.micropython import make_tape, runtimes  # noqa: E402

from steadyram_fw import tables  # noqa: E402

HERE = Path(__file__).resolve().parent
RESULTS = HERE / "results" / "step_cost.txt"
PRESS = ROOT / "tests" / "presses" / "workshop-20-fine.toml"
# Cycles of a Cortex-M0+ for one x86-64 instruction of the interpreter: two-operand Thumb code needs more of them
# (1.3 to 1.8), most take one or two cycles, and code runs from cached serial flash. Assumed, no source; a range,
# to be replaced by a measurement on a board.
CYCLES_LOW, CYCLES_HIGH = 2.0, 4.0
RP2040_MHZ = 125.0
TIMED_STEPS = 60_000
# Steps over which instructions are counted, at the start of the tape, since all before them are counted too.
WINDOW = (2_000, 8_000)


def build_module() -> Any:
    """firmware/build.py as a module."""
    spec = importlib.util.spec_from_file_location("steadyram_build", ROOT / "firmware" / "build.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def unix(firmware: Path) -> tuple[list[str], str]:
    """Command up to the script's arguments, and MICROPYPATH."""
    command = [str(runtimes.micropython()), "-X", "heapsize=4M", str(HERE / "step_timing.py")]
    return command, f"{firmware}:{ROOT / 'tests' / 'micropython'}:.frozen"


def timed(firmware: Path, tape: Path, first: int, rounds: int = 3) -> dict[int, tuple[int, int, int]]:
    """state -> (steps, mean ns, worst ns)."""
    command, path = unix(firmware)
    found = {}
    for line in runtimes.run([*command, str(tape), str(rounds), str(first)], path=path):
        state, steps, mean, worst = map(int, line.split())
        found[state] = (steps, mean, worst)
    return found


def instructions(firmware: Path, tape: Path) -> int | None:
    """x86-64 instructions of playing a tape, interpreter start included; None without valgrind."""
    valgrind = shutil.which("valgrind")
    if valgrind is None:
        return None
    command, path = unix(firmware)
    with tempfile.TemporaryDirectory() as scratch:
        options = ["--tool=callgrind", "--trace-children=yes", f"--callgrind-out-file={scratch}/%p.out"]
        done = subprocess.run(
            [valgrind, *options, *command, str(tape), "0", "0"],
            capture_output=True,
            text=True,
            # The launcher is CPython: without a fixed seed its own start differs from run to run.
            env={"PATH": "/usr/bin:/bin", "MICROPYPATH": path, "PYTHONHASHSEED": "0"},
        )
    counts = [int(found) for found in re.findall(r"Collected : (\d+)", done.stderr)]
    if done.returncode or not counts:
        print(done.stderr[-2000:], file=sys.stderr)
        return None
    return counts[-1]


def ram(firmware: Path) -> list[str]:
    """Heap bytes of code and objects on the 32-bit build."""
    node = shutil.which("node")
    if node is None or not runtimes.WASM.is_file():
        return ["not measured: Node or MicroPython's WebAssembly build is missing"]
    return runtimes.run([node, str(HERE / "ram.mjs"), str(runtimes.WASM), str(firmware)])


def estimate_us(count: float) -> str:
    low, high = (count * cycles / RP2040_MHZ for cycles in (CYCLES_LOW, CYCLES_HIGH))
    return f"{low:5.0f} to {high:5.0f}"


def first_live_step(tape: make_tape.Tape) -> int:
    """The jobs come after the installation: begin there."""
    return max(0, tape.steps - TIMED_STEPS)


def report() -> list[str]:
    build = build_module()
    lines = ["Cost of a control step. Press file: workshop-20-fine; the last part of a taped day.", ""]
    with tempfile.TemporaryDirectory() as folder:
        scratch = Path(folder)
        recorded = make_tape.record(PRESS, seed=5, short=True)
        tape = scratch / "day.tape"
        recorded.write(tape)
        first = first_live_step(recorded)
        part, more = scratch / "part.tape", scratch / "more.tape"
        make_tape.cut(tape, part, WINDOW[0])
        make_tape.cut(tape, more, WINDOW[1])
        folders = {}
        # as the sources stand, with constants folded in, and as built for a board
        for kind, native, folded in (("plain", False, False), ("folded", False, True), ("built", True, True)):
            folders[kind] = scratch / kind
            build.build(folders[kind], "x64", native, folded)
        times = {kind: timed(where, tape, first) for kind, where in folders.items()}
        lines.append(
            "measured on this PC, MicroPython unix x86-64, ns: mean and worst of a step by state at its start"
        )
        lines.append(f"{'state':<10} {'steps':>7}" + "".join(f" {kind:>9} {'worst':>7}" for kind in folders))
        for state, (steps, _, _) in times["plain"].items():
            figures = "".join(f" {times[kind][state][1]:>9} {times[kind][state][2]:>7}" for kind in folders)
            lines.append(f"{tables.STATE_NAMES[state]:<10} {steps:>7}{figures}")
        lines.append("")
        for kind, where in folders.items():
            less, all_of_it = instructions(where, part), instructions(where, more)
            if less is None or all_of_it is None:
                lines.append(f"{kind}: instructions not counted (valgrind is not installed)")
                continue
            window = timed(where, more, WINDOW[0])
            window_ns = sum(row[0] * row[1] for row in window.values())
            window_steps = sum(row[0] for row in window.values())
            # Instructions of one nanosecond, over the same steps: turns every time above into instructions.
            per_ns = (all_of_it - less) / window_ns
            each = (all_of_it - less) / window_steps
            lines.append(
                f"{kind}: {each:.0f} x86-64 instructions a step over {window_steps} steps (callgrind, measured),"
            )
            lines.append(
                f"  {per_ns:.1f} of them a ns; by that, on an RP2040 at 125 MHz, us: mean, worst  ESTIMATE"
            )
            for state, (_, mean, worst) in times[kind].items():
                shown = f"{estimate_us(mean * per_ns)}  |  {estimate_us(worst * per_ns)}"
                lines.append(f"  {tables.STATE_NAMES[state]:<10} {shown}")
        lines += [
            "",
            f"The estimate takes {CYCLES_LOW:g} to {CYCLES_HIGH:g} cycles of the Cortex-M0+ for an x86-64",
        ]
        lines += [
            "instruction: an assumption without a source, to be replaced by a measurement on a board.",
            "",
        ]
        plain = build.build(scratch / "m0", "armv6m", False, False)
        native_sizes = build.build(scratch / "m0n", "armv6m", True)
        lines.append("bytes of .mpy for Cortex-M0+: plain bytecode, as built (folded, native where it pays)")
        for name, size in plain.items():
            if name.startswith("core/") or native_sizes[name] != size:
                lines.append(f"  {name:<22} {size:>7} {native_sizes[name]:>7}")
        lines.append(f"  {'all modules':<22} {sum(plain.values()):>7} {sum(native_sizes.values()):>7}")
        lines += ["", "heap of a 32-bit build, bytes, folded bytecode (measured on the WebAssembly build)"]
        lines += [f"  {line}" for line in ram(folders["folded"])]
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description="What a control step costs.")
    parser.add_argument("--write", action="store_true", help=f"write {RESULTS.relative_to(ROOT)} too")
    chosen = parser.parse_args()
    text = "\n".join(report()) + "\n"
    print(text, end="")
    if chosen.write:
        RESULTS.parent.mkdir(exist_ok=True)
        RESULTS.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
