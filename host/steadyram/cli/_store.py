"""How a store is named on the command line: a file, or the URL of a database."""

from __future__ import annotations

from pathlib import Path

import click


class StoreAddress(click.ParamType[str | Path]):
    """A path stays a path; anything with "://" is a database's URL."""

    name = "store"

    def convert(
        self, value: str | Path, param: click.Parameter | None, ctx: click.Context | None
    ) -> str | Path:
        if isinstance(value, Path) or "://" in value:
            return value
        path = Path(value)
        if path.is_dir():
            self.fail(f"{value} is a folder; give a file.", param, ctx)
        return path


STORE_ADDRESS = StoreAddress()
