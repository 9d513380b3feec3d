"""A board that is not there: real MicroPython behind a pseudo-terminal, its flash a file with littlefs on it."""

from __future__ import annotations

import os
import pty
import subprocess
import textwrap
import tty
from pathlib import Path

import steadyram.virtual
from steadyram.virtual.runtime import find_micropython

BLOCK = 4096
_VIRTUAL = str(Path(steadyram.virtual.__file__).parent)

_MOUNT = """
import os, sys
sys.path.insert(0, {here!r})
from flash_micropython import Flash
_flash = Flash({image!r}, {blocks})
try:
    _files = os.VfsLfs2(_flash)
except OSError:
    os.VfsLfs2.mkfs(_flash)
    _files = os.VfsLfs2(_flash)
os.mount(_files, "/flash")
os.chdir("/flash")
sys.path[:] = ["/flash", ".frozen"]
"""


class PtyBoard:
    """`port` is what the host opens. kill() pulls the plug; the image keeps what was written."""

    def __init__(self, folder: Path, blocks: int = 256) -> None:
        self.image = folder / "flash.img"
        self.blocks = blocks
        self._folder = folder
        if not self.image.exists():
            self.image.write_bytes(b"\xff" * BLOCK * blocks)
        self._process: subprocess.Popen[bytes] | None = None
        self._slave = self._master = -1

    def _script(self, name: str, more: str) -> Path:
        path = self._folder / name
        path.write_text(
            _MOUNT.format(here=_VIRTUAL, image=str(self.image), blocks=self.blocks) + textwrap.dedent(more)
        )
        return path

    def plug_in(self) -> str:
        """Start the interpreter at its prompt; returns the port."""
        program = find_micropython()
        assert program is not None
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self._process = subprocess.Popen(
            [str(program), "-i", str(self._script("prompt.py", ""))],
            stdin=self._master,
            stdout=self._master,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        return os.ttyname(self._slave)

    def kill(self) -> None:
        """Pull the plug."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None
            os.close(self._master)
            os.close(self._slave)

    def run(self, code: str) -> list[str]:
        """Power up into `code` instead of the prompt; returns what it printed, line by line."""
        program = find_micropython()
        done = subprocess.run(
            [str(program), str(self._script("run.py", code))], capture_output=True, text=True, timeout=300
        )
        return (done.stdout + done.stderr).splitlines()

    def power_up(self, healthy: bool = True) -> str:
        """One start as the board does it; "runs VERSION" or what went wrong. `healthy`: it proves itself."""
        rows = self.run(
            f"""
            import main
            main.keyboard = main.watchdog = lambda on: None
            now = main.choose("/flash/")
            if now is None:
                print("stays")
            else:
                main.HEALTHY = {healthy}
                print("again" if main.start("/flash/", now) else "prompt")
            """
        )
        ran = [row for row in rows if row.startswith("runs ")]
        return ran[0] if ran else "\n".join(rows)
