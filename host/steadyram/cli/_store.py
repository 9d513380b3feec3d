"""How a store is named on the command line: a file, or the URL of a database."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import urlsplit

import click

from steadyram.errors import BadInput
from steadyram.plain_file import read_plain, refuse_place

# How every SQLite 3 file begins (sqlite.org/fileformat2, section 1.3).
_SQLITE = b"SQLite format 3\x00"


def refuse_unlike_sqlite(path: Path) -> None:
    """Refuse a file that is no SQLite file, without opening it as one; an empty one may become one. Raises BadInput."""
    try:
        if path.is_dir():
            raise BadInput(f"{path} is a folder; give a file.")
        begins = read_plain(path, len(_SQLITE) - 1)
    except OSError as error:
        raise BadInput(
            f"{path} cannot be read as a store ({error.strerror}); name another with --store."
        ) from None
    if begins and begins != _SQLITE:
        raise BadInput(
            f"{path} is not a cycle store but a file of something else; name another with --store."
        )


class StoreAddress(click.ParamType[str | Path]):
    """A path stays a path; anything with "://" is a database's URL."""

    name = "store"

    def _url(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> None:
        parts = value.split("://")
        if parts[0] not in ("sqlite", "postgres", "postgresql", "postgresql+psycopg"):
            self.fail(
                f"a store cannot be kept in '{parts[0]}'; give a file or postgresql://USER@HOST/NAME.",
                param,
                ctx,
            )
        try:
            urlsplit(value)
        except ValueError:
            self.fail("its address cannot be read; give a file or postgresql://USER@HOST/NAME.", param, ctx)

    def convert(
        self, value: str | Path, param: click.Parameter | None, ctx: click.Context | None
    ) -> str | Path:
        if isinstance(value, Path):
            return self._file(value, param, ctx)
        if "://" in value:
            self._url(value, param, ctx)
            return value
        return self._file(Path(value), param, ctx)

    def _file(self, path: Path, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """Return the path of a file that is a store, or that one can be made at."""
        try:
            if path.exists():
                refuse_unlike_sqlite(path)
            else:
                refuse_place(path)
        except BadInput as error:
            self.fail(str(error), param, ctx)
        return path


STORE_ADDRESS = StoreAddress()
