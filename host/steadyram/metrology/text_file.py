"""Reading a file that a person names: a plain file of bounded size, or one clear refusal."""

from __future__ import annotations

from pathlib import Path

from steadyram.errors import BadInput


def read_bytes(path: Path, max_bytes: int, what: str) -> bytes:
    """Contents of a plain file. `what` names what it should be, for messages ("a CSV of points").

    Raises BadInput for a missing or unreadable file, a folder or device, and one above `max_bytes`.
    """
    try:
        if not path.exists():
            raise BadInput(f"there is no file {path}; give the path of {what}.")
        if not path.is_file():
            raise BadInput(f"{path} is not a plain file; give the path of {what}.")
        if path.stat().st_size > max_bytes:
            raise BadInput(f"{path} is larger than {max_bytes / 1e6:g} MB, too large for {what}.")
        return path.read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "its name is not valid"
        raise BadInput(f"{str(path)!r:.100} cannot be read ({reason}); give the path of {what}.") from None


def read_text(path: Path, max_bytes: int, what: str) -> str:
    """The same as UTF-8 text; BadInput when it is not text."""
    try:
        return read_bytes(path, max_bytes, what).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadInput(f"{path} is not a text file; give the path of {what} in UTF-8.") from None
