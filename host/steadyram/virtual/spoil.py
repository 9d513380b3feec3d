"""Spoil files in the firmware's flash while it is without power."""

from __future__ import annotations

import subprocess
from pathlib import Path

from steadyram.errors import SteadyramError
from steadyram.virtual.runtime import FLASH_BLOCKS, find_micropython

_FLIP = 0x10


def spoil(state: Path, name: str) -> None:
    """Flip a bit in the middle of every file `name`.* of the flash in `state`, on either runtime.

    Raises SteadyramError when MicroPython's flash cannot be read.
    """
    for file in (state / "files").glob(f"{name}.*"):
        data = bytearray(file.read_bytes())
        data[len(data) // 2] ^= _FLIP
        file.write_bytes(bytes(data))
    image = state / "flash.img"
    if not image.exists():
        return
    program = find_micropython()
    if program is None:
        raise SteadyramError("The flash image needs MicroPython to be spoilt, and there is none here.")
    script = Path(__file__).with_name("spoil_micropython.py")
    done = subprocess.run(
        [str(program), str(script), str(image), str(FLASH_BLOCKS), name, str(_FLIP)],
        capture_output=True,
        text=True,
    )
    if done.returncode != 0:
        raise SteadyramError(f"The flash image could not be spoilt: {done.stderr.strip()[-300:]}")
