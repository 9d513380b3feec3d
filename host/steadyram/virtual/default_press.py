"""The press file that comes with the package, for whoever gives none; imports nothing heavy."""

from __future__ import annotations

from pathlib import Path


def default_press() -> Path:
    """Path of the built-in press file."""
    return Path(__file__).resolve().parent / "default_press.toml"
