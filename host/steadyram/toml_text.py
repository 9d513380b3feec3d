"""TOML from outside: the standard library's parser behind two bounds that it lacks."""

from __future__ import annotations

import tomllib
from typing import Any, Final

# A key of many thousand dots on one line keeps the parser busy for a minute (its time grows with their square).
LINE_MOST: Final = 2000


def parse_toml(text: str) -> dict[str, Any]:
    """The tables of a TOML text.

    Raises ValueError (tomllib.TOMLDecodeError is one) with a short reason, also for what the parser itself gives up
    on in other ways: nesting beyond its depth, a number of thousands of digits, a line beyond LINE_MOST.
    """
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > LINE_MOST:
            raise ValueError(f"line {number} has more than {LINE_MOST} characters")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ValueError("its brackets are nested too deep") from None
    except tomllib.TOMLDecodeError:
        raise
    except ValueError:
        raise ValueError("a number in it has too many digits") from None
