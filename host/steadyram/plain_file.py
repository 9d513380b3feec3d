"""Reading a file of unknown origin, a plain file and no more of it than makes sense; and writing one whole."""

from __future__ import annotations

import errno
import os
import stat
import tempfile
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


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file whole or not at all. Raises BadInput when the place cannot be written."""
    temporary: str | None = None
    try:
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with os.fdopen(handle, "wb") as stream:
            stream.write(content.encode("utf-8") if isinstance(content, str) else content)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(temporary, path.stat().st_mode & 0o777 if path.exists() else 0o644)
        os.replace(temporary, path)
    except OSError as error:
        if temporary is not None and os.path.exists(temporary):
            os.unlink(temporary)
        raise BadInput(f"{path} cannot be written ({error.strerror}); choose another place.") from None
