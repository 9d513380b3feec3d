"""Reading a file of unknown origin, a plain file and no more of it than makes sense; and writing one whole."""

from __future__ import annotations

import errno
import os
import stat
import tempfile
from collections.abc import Iterable
from pathlib import Path

from steadyram.errors import BadInput


def read_plain(path: str | Path, most_bytes: int) -> bytes:
    """Contents of a plain file, at most `most_bytes` and one more, by which the caller sees that it is too large.

    Raises OSError with a reason in `strerror` for anything that cannot be read, folders, devices and pipes included
    (a device has no end, and a pipe may never begin).
    """
    try:
        if not stat.S_ISREG(Path(path).stat().st_mode):
            raise OSError(errno.EINVAL, "it is not a plain file")
        with Path(path).open("rb") as file:
            return file.read(most_bytes + 1)
    except ValueError:
        raise OSError(errno.EINVAL, "its name is not valid") from None


def refuse_place(path: Path, *, folder: bool = False) -> None:
    """Refuse a place that a file (or a folder) is not to be written to; write nothing.

    Refused are links, devices, pipes and sockets, a folder where a file is meant and the other way round, a name that
    is not valid, and a folder above that is not there or may not be written. A folder may have to be made below one
    that is there. Raises BadInput.
    """
    try:
        if path.is_symlink():
            raise BadInput(f"{path} is a link to {os.readlink(path)}; name the file itself.")
        if path.exists():
            mode = path.stat().st_mode
            if folder and not stat.S_ISDIR(mode):
                raise BadInput(f"{path} is not a folder; name a folder.")
            if not folder and stat.S_ISDIR(mode):
                raise BadInput(f"{path} is a folder; name a file in it.")
            if not folder and not stat.S_ISREG(mode):
                raise BadInput(f"{path} is a device, a pipe or a socket and not a plain file; name a file.")
        above = path if folder else path.parent
        while folder and not above.exists():
            above = above.parent
        if not above.is_dir():
            raise BadInput(
                f"{path} cannot be written: {above} is not a folder; make it or choose another place."
            )
        if not os.access(above, os.W_OK | os.X_OK):
            raise BadInput(f"{path} cannot be written: {above} is read-only; choose another place.")
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "its name is not valid"
        raise BadInput(f"{str(path)!r} cannot be written ({reason}); choose another place.") from None


def make_folder(path: Path) -> None:
    """Make a folder and those above it. Raises BadInput where that is not possible."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "its name is not valid"
        raise BadInput(f"{path} cannot be made ({reason}); choose another folder.") from None


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a plain file whole or not at all. Raises BadInput when the place cannot be written (`refuse_place`)."""
    write_pieces(path, [content])


def write_pieces(path: Path, pieces: Iterable[str | bytes]) -> None:
    """Write the pieces of a plain file one after another, the whole file or nothing. Raises BadInput likewise."""
    refuse_place(path)
    temporary: str | None = None
    try:
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with os.fdopen(handle, "wb") as stream:
            for piece in pieces:
                stream.write(piece.encode("utf-8") if isinstance(piece, str) else piece)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(temporary, path.stat().st_mode & 0o777 if path.exists() else 0o644)
        os.replace(temporary, path)
        temporary = None
    except OSError as error:
        raise BadInput(f"{path} cannot be written ({error.strerror}); choose another place.") from None
    finally:
        # Also when a piece could not be had.
        if temporary is not None and os.path.exists(temporary):
            os.unlink(temporary)
