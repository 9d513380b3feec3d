"""How much of a small board's heap the firmware needs on a busy day, and what is left.

    python tests/benchmarks/heap_margin.py [--write]

Measured: the least heap on which the day of heap_day.py passes on the 64-bit unix build (by bisection, with the
fragmentation that comes with it); what is live there and on the 32-bit WebAssembly build, whose objects
have a board's size. Estimated, and labelled so: what a board needs. That build's heap grows by itself, hence the
detour: passing work and fragmentation are taken from the 64-bit build, by the ratio of what is live on both.
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
from steadyram.install.pico_bounds import HEAP_BYTES  # noqa: E402

HERE = Path(__file__).resolve().parent
TESTS = ROOT / "tests" / "firmware"
RESULTS = HERE / "results" / "heap_margin.txt"
# Loaded only where a ram position sensor is set.
POSITION = ("/travel.mpy", "/depth.mpy", "/place.mpy", "/quadrature.mpy")


def compiled(folder: Path) -> int:
    """The firmware as bytecode, names kept for the day's script; returns what machine code adds for a Cortex-M0+."""
    scripts = [HERE / "heap_day.py", TESTS / "bench.py", TESTS / "fake_core.py"]
    readers = [script.read_text(encoding="utf-8") for script in scripts]
    for name, data in build(None, readers=readers).files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    slim, machine = (build(arch).files for arch in (None, "armv6m"))
    return sum(len(machine[name]) - len(slim[name]) for name in slim if not name.endswith(POSITION))


def figures(text: str) -> dict[str, int]:
    rows = [line.split() for line in text.splitlines()]
    return {row[0]: int(row[1]) for row in rows if len(row) == 2 and row[1].lstrip("-").isdigit()}


def passes(found: dict[str, int]) -> bool:
    """Every stroke recorded, nothing ran out."""
    return found.get("fault") == 0 and found.get("records") == 9


def on_unix(firmware: Path, heap: int, look: bool = False) -> dict[str, int]:
    """The day on a heap of so many bytes. look: how much of it is in use."""
    with tempfile.TemporaryDirectory() as files:
        command = [str(runtimes.micropython()), "-X", f"heapsize={heap}", str(HERE / "heap_day.py")]
        done = subprocess.run(
            [*command, str(firmware), str(TESTS), files, str(int(look))],
            capture_output=True,
            text=True,
            timeout=120,
        )
    return figures(done.stdout)


def least(firmware: Path, step: int = 2048) -> int:
    """Least heap, bytes, on which the day passes on the 64-bit build."""
    low, high = 100_000, 500_000
    if not passes(on_unix(firmware, high)):
        raise SystemExit("The day does not pass on 500 KB either.")
    while high - low > step:
        middle = (low + high) // 2
        if passes(on_unix(firmware, middle)):
            high = middle
        else:
            low = middle
    return high


def on_wasm(firmware: Path) -> dict[str, int]:
    """The day on the 32-bit build; empty without Node or that build."""
    node = shutil.which("node")
    if node is None or not runtimes.WASM.is_file():
        return {}
    command = [node, str(HERE / "heap_day.mjs"), str(runtimes.WASM), str(firmware), str(TESTS)]
    done = subprocess.run([*command, str(HERE / "heap_day.py")], capture_output=True, text=True, timeout=300)
    return figures(done.stdout)


def at_rest() -> dict[str, int]:
    """The application alone at rest on the 32-bit build, as installed (names left out or short), piece by piece."""
    boards = TESTS / "boards"
    node = shutil.which("node")
    assert node is not None
    with tempfile.TemporaryDirectory() as folder:
        reader = (boards / "application_at_rest.py").read_text(encoding="utf-8")
        for name, data in build(None, readers=[reader]).files.items():
            path = Path(folder) / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
        said = runtimes.run([node, str(boards / "heap_on_wasm.mjs"), str(runtimes.WASM), folder])
    return figures("\n".join(said))


def report() -> list[str]:
    with tempfile.TemporaryDirectory() as folder:
        firmware = Path(folder)
        machine = compiled(firmware)
        need = least(firmware)
        large = on_unix(firmware, 8_000_000, look=True)
        lines = [
            "Heap of the whole application on a busy day: settings, calibration, 16 jobs, strokes with records and",
            "traces, the link asking for everything, log and traces pulled, knob and display. Bytes.",
            "",
            f"64-bit unix build: least heap on which the day passes  {need:>8}  (measured, bisection to 2 KB)",
            f"  of that live between slices                          {large['live']:>8}  (measured)",
        ]
        small = on_wasm(firmware)
        if not passes(small):
            return [*lines, "32-bit build: not measured, Node or the WebAssembly build is missing"]
        rest = at_rest()
        # The day has a board of the tests in the place of the loader's and the Pico's.
        pico = rest["loader"] - rest["interpreter"] + rest["board"] - rest["services_and_panel"]
        own = small["live"] - small["script"]
        more = round((need - large["live"]) * small["live"] / large["live"])
        board = own + pico + machine + more
        lines += [
            f"32-bit WebAssembly build: live, the day's script apart {own:>8}  (measured)",
            f"the loader and a Pico's own modules                    {pico:>8}  (measured there, too)",
            f"machine code of the control step, Cortex-M0+           {machine:>8}  (measured: size of the files)",
            f"passing work and fragmentation                         {more:>8}  ESTIMATE: 64-bit, by the ratio of live",
            f"a board's need                                         {board:>8}  ESTIMATE",
            f"heap of an RP2040's interpreter                        {HEAP_BYTES:>8}  (measured on the emulated board)",
            f"margin                                                 {HEAP_BYTES - board:>8}  ESTIMATE",
            "",
            f"at rest, loader, Pico's modules and display included   {rest['application'] - rest['interpreter']:>8}",
        ]
        return lines


def main() -> None:
    parser = argparse.ArgumentParser(description="How much heap a busy day needs.")
    tell(parser, RESULTS, report)


if __name__ == "__main__":
    main()
