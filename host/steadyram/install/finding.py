"""One thing that was looked at, in plain words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Finding:
    """`do` says what to do about it, "" when nothing is to be done."""

    level: Literal["good", "look", "bad"]
    what: str
    do: str = ""
