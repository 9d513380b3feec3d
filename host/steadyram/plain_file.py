"""Reading a file of unknown origin: a plain file, and no more of it than makes sense."""

from __future__ import annotations

import errno
import stat
from pathlib import Path


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
