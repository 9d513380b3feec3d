"""An emulated Pico: its flash made on this computer, its serial line and pins driven from here.

The binaries of MicroPython's rp2 port and the chip's boot ROM are not in the repository. STEADYRAM_BOARD_DIR names
the folder that has them (default: shared/board beside the clone): `micropython-VERSION-rpi_pico.bin`, and
`emulator/bootrom.mjs` with the boot ROM B1 as `bootromB1`, an array of words.
"""

from __future__ import annotations

import base64
import json
import os
import shutil
import subprocess
from array import array
from pathlib import Path
from typing import Any

from steadyram.errors import BadInput
from steadyram.install.install import POINTER
from steadyram.install.package import Package, build, loader_source
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.runtime import CoreState, FlashCut, Heard, Runtime, RuntimeInfo
from steadyram_fw import tables
from steadyram_fw.boards import pins_pico as pins

REPO = Path(__file__).resolve().parents[2]
NEWEST, OLDEST, TOO_OLD = "1.28.0", "1.26.1", "1.25.0"
FILES_AT, BLOCK, BLOCKS = (
    0xA0000,
    4096,
    352,
)  # where a Pico's port of these versions keeps its files: 1408 KiB
FLASH_BYTES = 2 * 1024 * 1024
# The flash cache's model: flash clocks and processor cycles a miss costs, the least and the most that is assumed.
CACHE_LIGHT, CACHE_HEAVY = (21, 6), (28, 6)
LIKELY_MS = 6000  # a start takes less


class NoBoard(Exception):
    """What is missing for an emulated board, in a sentence."""


def board_folder() -> Path:
    """The folder with the binaries. Raises NoBoard."""
    folder = Path(os.environ.get("STEADYRAM_BOARD_DIR") or REPO.parent / "shared" / "board")
    if not (folder / "emulator" / "bootrom.mjs").is_file():
        raise NoBoard(
            f"No emulated board: {folder} has no emulator/bootrom.mjs; put the RP2040's boot ROM and the .bin of"
            " MicroPython releases for RPI_PICO (its download page has them) there, or set STEADYRAM_BOARD_DIR."
        )
    return folder


def emulator() -> Path:
    """The module rp2040js. Raises NoBoard."""
    module = REPO / ".ci" / "node_modules" / "rp2040js" / "dist" / "esm" / "index.js"
    if not module.is_file() or shutil.which("node") is None:
        raise NoBoard("No emulated board: install Node and run npm install --prefix .ci --no-package-lock.")
    return module


def interpreter(version: str) -> Path:
    """The port's binary of a MicroPython version. Raises NoBoard."""
    file = board_folder() / f"micropython-{version}-rpi_pico.bin"
    if not file.is_file():
        raise NoBoard(
            f"No emulated board: {file} is missing; take the .bin (or the .uf2, converted)"
            " of that release for RPI_PICO from MicroPython's download page."
        )
    return file


def flash_image(target: Path, version: str, files: dict[str, bytes]) -> Path:
    """Write a whole flash: the interpreter, and a file system with `files` by their paths."""
    try:
        from littlefs import LittleFS
    except ImportError:
        raise NoBoard("No emulated board: pip install littlefs-python.") from None
    system = LittleFS(block_size=BLOCK, block_count=BLOCKS, prog_size=256, read_size=32)
    for path, data in sorted(files.items()):
        folder = path.rpartition("/")[0]
        if folder:
            system.makedirs(folder, exist_ok=True)
        with system.open(path, "wb") as file:
            file.write(data)
    program = interpreter(version).read_bytes()
    image = bytearray(b"\xff" * FLASH_BYTES)
    image[: len(program)] = program
    made = bytes(system.context.buffer)
    image[FILES_AT : FILES_AT + len(made)] = made
    target.write_bytes(image)
    return target


def files_of(image: Path, torn: list[str] | None = None) -> dict[str, bytes]:
    """Return every file in a flash, by its path. `torn` takes the paths of those that cannot be read."""
    from littlefs import LittleFS, LittleFSError

    system = LittleFS(block_size=BLOCK, block_count=BLOCKS, prog_size=256, read_size=32, mount=False)
    system.context.buffer = bytearray(image.read_bytes()[FILES_AT : FILES_AT + BLOCK * BLOCKS])
    system.mount()
    out = {}
    for root, _, names in system.walk("/"):
        for name in names:
            path = root.rstrip("/") + "/" + name
            try:
                with system.open(path, "rb") as file:
                    out[path] = file.read()
            except LittleFSError:
                if torn is None:
                    raise
                torn.append(path)
    return out


def installed(package: Package | None = None, trust: str = "good", before: str = "-") -> dict[str, bytes]:
    """The files of an installation, as the installer leaves them."""
    package = package or build("armv6m")
    files = {f"/{package.folder}/{name}": data for name, data in package.files.items()}
    files["/main.py"] = loader_source()
    files["/" + POINTER] = f"{package.folder} {trust} {before}\n".encode()
    return files


def _mask(names: tuple[str, ...]) -> int:
    return sum(getattr(tables, "IN_" + name.upper()) for name in names)


class Board:
    """The emulator's process over one flash image. Time is the chip's; nothing here waits for a clock."""

    def __init__(self, image: Path, cache: tuple[int, int] | None = None) -> None:
        options = {
            "flash": str(image),
            "cache": cache,
            "pins": {
                "inputs": [(_mask(names), gpio) for names, gpio, _ in pins.INPUTS],
                "outputs": [gpio for _, gpio, _ in pins.OUTPUTS],
                "knob": [gpio for _, gpio, _ in pins.KNOB],
                "alive": pins.ALIVE[1],
            },
        }
        serve = Path(__file__).parent / "emulator" / "serve.mjs"
        rom = board_folder() / "emulator" / "bootrom.mjs"
        self.image = image
        self._process = subprocess.Popen(
            [
                "node",
                str(serve),
                str(emulator()),
                str(rom),
                json.dumps(options),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        self.us = 0
        self.resets = 0
        self.gone = False

    def tell(self, do: str, **more: Any) -> dict[str, Any]:
        """One order to the emulator and its answer; serve.mjs lists them."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps({"do": do, **more}).encode() + b"\n")
        self._process.stdin.flush()
        row = self._process.stdout.readline()
        if not row:
            raise RuntimeError(f"the emulator ended by itself at {self.us} us, asked for {do}")
        answer: dict[str, Any] = json.loads(row)
        self.us, self.resets, self.gone = answer["us"], answer["resets"], answer["gone"]
        return answer

    def free(self, ms: float, data: bytes = b"") -> bytes:
        """Let time pass, at most `ms`; back early with what the board wrote."""
        return base64.b64decode(self.tell("free", ms=ms, link=base64.b64encode(data).decode())["link"])

    def until(self, what: bytes, ms: float, data: bytes = b"") -> bytes:
        """What the board writes until `what` is in it. Raises AssertionError after `ms`."""
        end = self.us + 1000 * ms
        got = self.free(1, data)
        while what not in got:
            assert self.us < end, f"{what!r} did not come in {ms} ms, but {got[-400:]!r}"
            got += self.free((end - self.us) / 1000)
        return got

    def steps(self, ms: float) -> list[list[float]]:
        """The control steps of the next `ms`."""
        self.tell("steps", on=True)
        end = self.us + 1000 * ms
        while self.us < end:
            self.free((end - self.us) / 1000)
        rows: list[list[float]] = self.tell("steps", on=False)["steps"]
        return rows

    def prompt(self) -> None:
        """Take the interpreter's raw prompt, as an editor does."""
        self.until(b"raw REPL; CTRL-B to exit\r\n>", 20_000, b"\r\x03\x03\x01")

    def run(self, code: str, ms: float = 30_000) -> str:
        """Run code at the raw prompt; what it printed. Raises AssertionError with the traceback."""
        said = self.until(b"\x04>", ms, code.encode() + b"\x04")
        out, error = said.split(b"OK", 1)[1].split(b"\x04")[:2]
        assert not error, error.decode()
        return out.decode()

    def close(self) -> None:
        """End the emulator; the flash image stays as last saved."""
        self._process.kill()
        self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                stream.close()


class EmulatedRuntime(Runtime):
    """The firmware on an emulated board, for a virtual press: a millisecond of the plant a millisecond of the chip."""

    batch_least = 16

    def __init__(self, image: Path, version: str, cache: tuple[int, int] | None = None) -> None:
        self.board = Board(image, cache)
        self.info = RuntimeInfo("micropython", version)

    def exchange(self, samples: array[int], link: bytes, knob: int) -> Heard:
        answer = self.board.tell(
            "ticks", words=list(samples), link=base64.b64encode(link).decode(), knob=knob
        )
        if answer["gone"]:
            self.board.tell("save")
            raise FlashCut("The power was cut in the middle of a flash write.")
        return Heard(answer["ticks"], answer["outputs"], base64.b64decode(answer["link"]), None)

    def cut_in_write(self, after: int) -> None:
        self.board.tell("cut", after=after)

    def look(self) -> CoreState:
        raise BadInput("What is in an emulated board's memory is not known; ask over its link.")

    def fail_writes(self, on: bool) -> None:
        raise BadInput("An emulated board's flash takes every write.")

    def close(self) -> None:
        if not self.board.gone:
            self.board.tell("save")
        self.board.close()


class BoardPress(VirtualPress):
    """A virtual press whose firmware runs on an emulated board. The board's display is not read."""

    def __init__(
        self,
        press: Any,
        image: Path,
        version: str = NEWEST,
        *,
        seed: int = 0,
        cache: tuple[int, int] | None = None,
    ) -> None:
        self._made = (image, version, cache)
        super().__init__(press, seed)

    def power_up(self) -> None:
        """Give the board power; it answers some seconds later."""
        if self._runtime is not None:
            return
        self._runtime = EmulatedRuntime(*self._made)
        self._info = self._runtime.info
        self._ahead = self._runtime.batch_least
        self.note("power-up")

    @property
    def board(self) -> Board:
        """The emulated board itself."""
        assert isinstance(self._runtime, EmulatedRuntime)
        return self._runtime.board
