"""Instructions that a piece of the control step takes on a Cortex-M0, counted on an emulated one.

    python tests/benchmarks/cortex_m0.py

Needs qemu-system-arm and a packaged MicroPython image for its Cortex-M0 machine (Debian: qemu-system-arm,
firmware-microbit-micropython), and valgrind for the same count on this computer. The image is old (1.9.2) and
small, so only `sense.take` as bytecode, the arithmetic heart of the step, fits. What comes of it is the ratio of Thumb
instructions to x86-64 instructions for the same bytecode, which turns the counts that step_cost.py makes into
Cortex-M0 instructions. A virtual microsecond is 15.6 instructions (icount shift 6); checked with a loop of known
length in assembler.
"""

from __future__ import annotations

import os
import re
import select
import shutil
import subprocess
import sys
import time
from pathlib import Path

from steadyram.install.fold import constants_of, fold
from steadyram.install.package import firmware_sources
from steadyram.virtual.runtime import find_micropython
from steadyram_fw.core.cells import C1, CELLS

IMAGE = Path("/usr/share/firmware-microbit-micropython/firmware.hex")
NS_AN_INSTRUCTION = 64
LOOP = "def e(n):\n    x = 0\n    for k in range(n):\n        x = x + 1\n"
ASSEMBLER = "@micropython.asm_thumb\ndef a(r0):\n    label(L)\n    sub(r0, r0, 1)\n    bne(L)\n"


def sense() -> str:
    """`take` with its constants folded, without words, in one file that a small board can compile."""
    sources = firmware_sources()
    name = "steadyram_fw/core/sense.py"
    text = fold(name, sources[name], constants_of(sources))
    found = re.search(r"def take.*?\n\n\n", text, re.S)
    assert found is not None
    take = re.sub(r'""".*?"""', "pass", found[0], flags=re.S)
    return (
        f"from array import array\n{take}c = array('i', [0] * {CELLS})\nc[{C1}] = 338450\n"
        "def g(n):\n    f = take\n    for k in range(n):\n        f(c, 6554 + (k & 3))\n"
    )


def on_cortex_m0(code: str, calls: list[str]) -> list[int]:
    """Milliseconds of virtual time that each call takes."""
    tail = "".join(f"t=running_time();{call};print(running_time()-t)\n" for call in calls)
    program = "from microbit import running_time\n" + code + tail
    process = subprocess.Popen(
        f"qemu-system-arm -M microbit -display none -monitor none -serial stdio -icount shift=6,sleep=off "
        f"-device loader,file={IMAGE}".split(),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )
    assert process.stdin is not None
    assert process.stdout is not None

    def until(mark: bytes, seconds: float) -> bytes:
        got = b""
        end = time.monotonic() + seconds
        while mark not in got and time.monotonic() < end:
            if select.select([process.stdout], [], [], 0.1)[0]:
                got += os.read(process.stdout.fileno(), 4096)
        return got

    try:
        until(b">>> ", 10)
        process.stdin.write(b"\x03\x01")
        process.stdin.flush()
        until(b"exit\r\n>", 5)
        for at in range(0, len(program), 16):
            process.stdin.write(program[at : at + 16].encode())
            process.stdin.flush()
            time.sleep(0.02)
        process.stdin.write(b"\x04")
        process.stdin.flush()
        said = until(b"\x04>", 120).decode(errors="replace")
    finally:
        process.kill()
    found = [int(row) for row in re.findall(r"\d+", said.partition("OK")[2])]
    if len(found) != len(calls):
        raise SystemExit(f"The emulated board said: {said[-300:]}")
    return found


def here(code: str, call: str) -> int:
    """x86-64 instructions of a call, counted by callgrind as the difference of two lengths."""
    counts = []
    for factor in (1, 3):
        text = code + re.sub(r"\((\d+)\)", lambda m, f=factor: f"({int(m[1]) * f})", call) + "\n"
        done = subprocess.run(
            [
                "valgrind",
                "--tool=callgrind",
                "--callgrind-out-file=/dev/null",
                str(find_micropython()),
                "-c",
                text,
            ],
            capture_output=True,
            text=True,
        )
        collected = re.search(r"Collected : (\d+)", done.stderr)
        assert collected is not None, done.stderr
        counts.append(int(collected[1]))
    return (counts[1] - counts[0]) // 2


def main() -> int:
    if shutil.which("qemu-system-arm") is None or not IMAGE.exists() or shutil.which("valgrind") is None:
        print("qemu-system-arm, its MicroPython image or valgrind is missing here.", file=sys.stderr)
        return 3
    (known,) = on_cortex_m0(ASSEMBLER, ["a(10000000)"])
    print(
        f"check: 20 000 000 instructions take {known} virtual ms, {20e6 * NS_AN_INSTRUCTION / 1e6:.0f} expected"
    )
    for name, code, call, times in (
        ("loop", LOOP, "e(10000)", 10000),
        ("sense.take", sense(), "g(1000)", 1000),
    ):
        (ms,) = on_cortex_m0(code, [call])
        thumb = ms * 1e6 / NS_AN_INSTRUCTION / times
        x86 = here(code, call) / times
        print(f"{name}: {thumb:.0f} Thumb, {x86:.0f} x86-64 instructions each, ratio {thumb / x86:.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
