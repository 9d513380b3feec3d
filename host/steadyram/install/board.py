"""A board at its interpreter, over mpremote: what it is, and the few file operations that installing needs."""

from __future__ import annotations

import ast
import contextlib
import io
from dataclasses import dataclass
from types import TracebackType
from typing import Any

from steadyram.errors import PortLost, SteadyramError

# sys.implementation._mpy: version in bits 0..7, architecture from bit 10 on (MicroPython, docs/reference/mpyfiles)
_ARCHITECTURES = (
    None,
    "x86",
    "x64",
    "armv6",
    "armv6m",
    "armv7m",
    "armv7em",
    "armv7emsp",
    "armv7emdp",
    "xtensa",
    "xtensawin",
    "rv32imc",
    "rv64imc",
)
_QUERY = """
import os, sys, gc
gc.collect()
s = os.statvfs(os.getcwd())
i = sys.implementation
print((i[0], tuple(i[1][:3]), getattr(i, '_mpy', 0), getattr(i, '_machine', ''), os.getcwd(), s[0]*s[3], s[1]*s[2],
 gc.mem_free()))
"""


@dataclass(frozen=True, slots=True)
class Interpreter:
    """What the interpreter says of itself; sizes in bytes."""

    name: str
    version: tuple[int, ...]
    mpy: int
    machine: str
    root: str
    free_flash: int
    whole_flash: int
    free_heap: int

    @property
    def mpy_version(self) -> int:
        return self.mpy & 0xFF

    @property
    def arch(self) -> str | None:
        """Architecture of native code that it takes, as mpy-cross names it; None = none known."""
        number = (self.mpy >> 10) & 0x3F
        return _ARCHITECTURES[number] if number < len(_ARCHITECTURES) else None


class BoardRepl:
    """The interpreter's raw prompt. Use as a context manager."""

    def __init__(self, port: str, transport: Any = None) -> None:
        try:
            from mpremote.transport import TransportError
            from mpremote.transport_serial import SerialTransport
        except ImportError:
            raise SteadyramError("mpremote is missing: pip install mpremote") from None
        self._lost: tuple[type[BaseException], ...] = (TransportError, OSError)
        said = io.StringIO()
        try:
            with contextlib.redirect_stdout(said):
                self._repl = transport if transport is not None else SerialTransport(port)
                self._repl.enter_raw_repl(soft_reset=False, timeout_overall=5)
        except self._lost as error:
            self._close()
            if "access" in str(error) or isinstance(error, OSError):
                raise PortLost(
                    f"The port {port} cannot be opened: {error}. Run 'steadyram doctor'."
                ) from None
            raise NoPrompt(
                f"No interpreter answers at {port}: if steadyram runs there, enable changes at the panel first."
            ) from None

    def __enter__(self) -> BoardRepl:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._close()

    def _close(self) -> None:
        repl = getattr(self, "_repl", None)
        if repl is not None:
            with contextlib.suppress(Exception):
                repl.close()

    def run(self, code: str) -> str:
        """Run code, return what it printed. Raises PortLost when the board goes, SteadyramError when it raises."""
        from mpremote.transport import TransportExecError

        try:
            out: bytes = self._repl.exec(code)
        except TransportExecError as error:
            raise SteadyramError(f"The board refused: {_last_line(error.error_output)}") from None
        except self._lost as error:
            raise PortLost(f"The board went away: {error}") from None
        return out.decode("utf-8", "replace")

    def interpreter(self) -> Interpreter:
        return Interpreter(*ast.literal_eval(self.run(_QUERY).strip()))

    def read_line(self, path: str) -> str | None:
        """First line of a small file, None when there is none."""
        code = f"try:\n f=open({path!r})\n print(repr(f.readline().strip()))\n f.close()\nexcept OSError:\n print(None)"
        value = ast.literal_eval(self.run(code).strip())
        return value if isinstance(value, str) else None

    def folders(self, root: str) -> list[str]:
        code = f"import os\nprint([x[0] for x in os.ilistdir({root!r}) if x[1]&0x4000])"
        return [str(name) for name in ast.literal_eval(self.run(code).strip())]

    def make_folder(self, path: str) -> None:
        """Make a folder and those above it."""
        parts = path.strip("/").split("/")
        made = "/" if path.startswith("/") else ""
        lines = ["import os"]
        for part in parts:
            made += part
            lines.append(f"try:\n os.mkdir({made!r})\nexcept OSError:\n pass")
            made += "/"
        self.run("\n".join(lines))

    def hash(self, path: str) -> str:
        """SHA-256 of a file, "" when there is none."""
        code = (
            "import hashlib,binascii\nh=hashlib.sha256()\n"
            f"try:\n f=open({path!r},'rb')\n"
            " b=f.read(512)\n while b:\n  h.update(b)\n  b=f.read(512)\n f.close()\n"
            " print(str(binascii.hexlify(h.digest()),'ascii'))\nexcept OSError:\n print('')"
        )
        return self.run(code).strip()

    def write(self, path: str, data: bytes) -> None:
        """Write a file; it is whole only once its hash says so."""
        try:
            self._repl.fs_writefile(path, data, chunk_size=1024)
        except self._lost as error:
            raise PortLost(f"The board went away while {path} was written: {error}") from None

    def rename(self, path: str, target: str) -> None:
        self.run(f"import os\nos.rename({path!r}, {target!r})")

    def remove_tree(self, path: str) -> None:
        """Remove a folder with all in it; nothing happens when it is not there."""
        self.run(
            "import os\ndef _rm(p):\n"
            " for x in os.ilistdir(p):\n"
            "  q=p+'/'+x[0]\n"
            "  if x[1]&0x4000:\n   _rm(q)\n"
            "  else:\n   os.remove(q)\n"
            " os.rmdir(p)\n"
            f"try:\n _rm({path!r})\nexcept OSError:\n pass"
        )

    def restart(self) -> None:
        """Hard reset; the port goes away."""
        with contextlib.suppress(*self._lost):
            self._repl.exec_raw_no_follow("import machine\nmachine.reset()")


def _last_line(error: object) -> str:
    rows = str(error).strip().splitlines()
    return rows[-1] if rows else "it did not say why"


class NoPrompt(SteadyramError):
    """Something is on the port, but no interpreter's prompt."""
