"""Put a version onto a board so that at every moment the old one or the new one runs.

Files go into a folder of their own, named by their digest, which nothing refers to until all of them have been
read back right. Then one small file is renamed over the pointer. The version before stays and is what the
loader falls back to until the new one has run healthily. Settings and records lie outside these folders.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass

from steadyram.errors import BadInput, SteadyramError
from steadyram.install.board import BoardRepl, Interpreter
from steadyram.install.package import MANIFEST, Package, loader_source

# The first whose machine.Timer takes `hard` on a Pico-class board, and the oldest that tests/board starts; main.py
# checks the same.
OLDEST_MICROPYTHON = (1, 26, 0)
MPY_VERSION = 6
LOADER_MARK = b'"""steadyram loader'
POINTER = "steadyram.now"
_SPARE = 48 * 1024  # bytes that stay free for records while installing


@dataclass(frozen=True, slots=True)
class Installed:
    """What an installation did."""

    folder: str
    before: str
    written: int
    kept: int
    already: bool


def check_interpreter(found: Interpreter) -> None:
    """Raises BadInput with what to do when the board cannot run the firmware."""
    if found.name != "micropython":
        raise BadInput(f"The board runs {found.name}, not MicroPython: put MicroPython on it first.")
    if found.version < OLDEST_MICROPYTHON:
        have = ".".join(map(str, found.version))
        raise BadInput(
            f"The board runs MicroPython {have}; put 1.26 or newer on it first: the files on the board stay."
        )
    if found.mpy_version != MPY_VERSION:
        raise BadInput(
            f"The board takes compiled files of version {found.mpy_version}, this tool makes version {MPY_VERSION}:"
            " put MicroPython 1.26 or newer on the board, or update steadyram."
        )


def install(
    board: BoardRepl,
    package: Package,
    *,
    force: bool = False,
    progress: Callable[[str, int, int], None] | None = None,
) -> Installed:
    """Install `package`; see the module's docstring.

    Args:
        board: an open prompt.
        package: what `build` made for the board's architecture.
        force: replace a main.py that is not steadyram's.
        progress: called with (what, number done, number in all).

    Raises BadInput when the board does not suit, SteadyramError when a file does not read back right, PortLost.
    """
    found = board.interpreter()
    check_interpreter(found)
    root = found.root.rstrip("/") + "/"
    loader = loader_source()
    _check_loader(board, root, force)
    now, trust, before = _pointer(board, root)
    folder = package.folder
    if now == folder and _whole(board, root + folder, package):
        _put_loader(board, root, loader)
        return Installed(folder, before, 0, len(package.files), True)
    proven = now if trust == "good" else before
    _clear(board, root, {now, before, folder}, now, trust)
    free = board.interpreter().free_flash
    need = sum((len(data) + 4095) // 4096 * 4096 + 512 for data in package.files.values())
    if free < need + _SPARE and folder not in board.folders(root):
        raise BadInput(
            f"The board has {free // 1024} KiB free and needs {(need + _SPARE) // 1024}: pull the records, then remove"
            " files that are not steadyram's."
        )
    written, kept = _write_files(board, root + folder, package, progress)
    _put_loader(board, root, loader)
    fallback = before if proven == folder else proven
    _point(board, root, folder, "new", fallback)
    return Installed(folder, fallback, written, kept, False)


def _check_loader(board: BoardRepl, root: str, force: bool) -> None:
    first = board.read_line(root + "main.py")
    if first is not None and not first.encode().startswith(LOADER_MARK) and not force:
        raise BadInput(
            "The board has a main.py that is not steadyram's; save it, then use --force to replace it."
        )


def _pointer(board: BoardRepl, root: str) -> tuple[str, str, str]:
    words = (board.read_line(root + POINTER) or "").split()
    return (words[0], words[1], words[2]) if len(words) == 3 else ("-", "good", "-")


def _whole(board: BoardRepl, folder: str, package: Package) -> bool:
    return all(
        board.hash(f"{folder}/{name}") == hashlib.sha256(data).hexdigest()
        for name, data in package.files.items()
    )


def _clear(board: BoardRepl, root: str, keep: set[str], now: str, trust: str) -> None:
    """Make room: unreferenced folders first; then the older of two, after the pointer no longer names it."""
    for name in board.folders(root):
        if name.startswith("sr-") and name not in keep:
            board.remove_tree(root + name)
    if trust == "good" and now != "-":
        _, _, before = _pointer(board, root)
        if before not in ("-", now):
            _point(board, root, now, "good", "-")
            board.remove_tree(root + before)


def _write_files(
    board: BoardRepl, folder: str, package: Package, progress: Callable[[str, int, int], None] | None
) -> tuple[int, int]:
    files = dict(package.files)
    files[MANIFEST] = package.manifest()
    made: set[str] = set()
    written = kept = 0
    for done, (name, data) in enumerate(sorted(files.items())):
        if progress is not None:
            progress(name, done, len(files))
        path = f"{folder}/{name}"
        parent = path.rpartition("/")[0]
        if parent not in made:
            board.make_folder(parent)
            made.add(parent)
        right = hashlib.sha256(data).hexdigest()
        if board.hash(path) == right:
            kept += 1
            continue
        board.write(path, data)
        if board.hash(path) != right:
            raise SteadyramError(
                f"{name} did not read back right: the old version stays in force. Try again."
            )
        written += 1
    if progress is not None:
        progress("", len(files), len(files))
    return written, kept


def _put_loader(board: BoardRepl, root: str, loader: bytes) -> None:
    right = hashlib.sha256(loader).hexdigest()
    if board.hash(root + "main.py") == right:
        return
    board.write(root + "main.new", loader)
    if board.hash(root + "main.new") != right:
        raise SteadyramError("The loader did not read back right: the old version stays in force. Try again.")
    board.rename(root + "main.new", root + "main.py")


def _point(board: BoardRepl, root: str, folder: str, trust: str, before: str) -> None:
    line = f"{folder} {trust} {before}\n".encode()
    board.write(root + "steadyram.tmp", line)
    if board.hash(root + "steadyram.tmp") != hashlib.sha256(line).hexdigest():
        raise SteadyramError(
            "The pointer did not read back right: the old version stays in force. Try again."
        )
    board.rename(root + "steadyram.tmp", root + POINTER)
