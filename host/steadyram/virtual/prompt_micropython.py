# mypy: ignore-errors
"""Run by MicroPython with its prompt after it (-i), not imported by the host: a virtual board left by its firmware.

The flash image is mounted as a board has it; `machine.reset()` ends the interpreter, and the press starts anew.
STEADYRAM_FLASH: image; STEADYRAM_BLOCKS: its blocks; STEADYRAM_HERE: folder with what the board ran until now, to
be written to its flash first (the first time that it is left), or nothing.
"""

import os
import sys

from flash_micropython import Flash


class Machine:
    def reset(self):
        sys.exit(0)


def _copy(source, target):
    for name, kind, *_ in os.ilistdir(source):
        if name in (".", ".."):
            continue
        if kind & 0x4000:
            os.mkdir(target + "/" + name)
            _copy(source + "/" + name, target + "/" + name)
        else:
            with open(source + "/" + name, "rb") as here, open(target + "/" + name, "wb") as there:
                there.write(here.read())


sys.modules["machine"] = Machine()
os.mount(os.VfsLfs2(Flash(os.getenv("STEADYRAM_FLASH"), int(os.getenv("STEADYRAM_BLOCKS")))), "/flash")
if os.getenv("STEADYRAM_HERE"):
    _copy(os.getenv("STEADYRAM_HERE"), "/flash")
os.chdir("/flash")
sys.path[:] = ["/flash", ".frozen"]
