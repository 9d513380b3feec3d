"""What every benchmark does with its lines: print them, and keep them under results/ when asked to."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def tell(parser: argparse.ArgumentParser, results: Path, report: Callable[..., Iterable[str]]) -> None:
    """Read the command line and tell `report`, called with what else the parser knows."""
    parser.add_argument("--write", action="store_true", help=f"write {results.relative_to(ROOT)} too")
    chosen = vars(parser.parse_args())
    write = chosen.pop("write")
    text = "\n".join(report(**chosen)) + "\n"
    print(text, end="")
    if write:
        results.parent.mkdir(exist_ok=True)
        results.write_text(text, encoding="utf-8")
