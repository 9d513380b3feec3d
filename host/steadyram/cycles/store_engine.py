"""From a path or URL to an engine whose database is a store of the newest schema.

SQLite: one file in write-ahead mode; writers take turns (`BEGIN IMMEDIATE`), readers never wait.
PostgreSQL: by URL through psycopg; a table of its own schema version is brought up under an advisory lock, so
that several collectors may start at once.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from sqlalchemy import URL, Connection, Engine, create_engine, event, inspect, make_url, text
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError

from steadyram.cycles.store_schema import HEAD
from steadyram.errors import BadInput

_APPLICATION_ID: Final = 0x73645952  # "sdYR"
# Kept beside Alembic's own table, so that a tool from before it says "newer steadyram" and stops.
_USER_VERSION: Final = 1
# Number of the advisory lock that schema changes are made under; any constant does.
SCHEMA_LOCK: Final = 0x73645952
_WAIT_S: Final = 30.0


class StoreError(BadInput):
    """The store cannot be reached or written just now; the same call may work later."""


def address(store: str | Path) -> URL:
    """The database URL of a path, `sqlite:///PATH` or `postgresql://USER@HOST/NAME`. Raises BadInput."""
    if isinstance(store, Path) or "://" not in store:
        return URL.create("sqlite", database=str(store))
    try:
        url = make_url(store)
    except (ArgumentError, ValueError):
        raise BadInput(
            "The store's address cannot be read; give a file or postgresql://USER@HOST/NAME."
        ) from None
    if url.drivername in ("postgresql", "postgres"):
        return url.set(drivername="postgresql+psycopg")
    if url.drivername not in ("sqlite", "postgresql+psycopg"):
        raise BadInput(
            f"A store cannot be kept in '{url.drivername}'; give a file or postgresql://USER@HOST/NAME."
        )
    return url


def shown(store: str | Path) -> str:
    """The store's address for messages: never with a password."""
    if isinstance(store, Path) or "://" not in store:
        return str(store)
    return address(store).set(query={}).render_as_string(hide_password=True).replace("+psycopg", "")


def open_engine(store: str | Path, *, create: bool) -> Engine:
    """Engine of a store that is there, ours and of the newest schema. Raises BadInput and StoreError."""
    url = address(store)
    name = shown(store)
    if url.get_backend_name() == "sqlite":
        file = Path(url.database or "")
        if not create and (not file.is_file() or file.stat().st_size == 0):
            raise BadInput(f"There is no cycle store at {name}; pull one first or name another with --store.")
        frozen = not create and _is_frozen(file)
        engine = create_engine(
            _frozen(file) if frozen else url, connect_args={"timeout": _WAIT_S}, pool_size=8, max_overflow=24
        )
        if frozen:
            engine = engine.execution_options(steadyram_frozen=True)
        event.listen(engine, "connect", _quiet_driver)
    else:
        try:
            engine = create_engine(
                url, pool_pre_ping=True, pool_size=8, max_overflow=24, connect_args={"connect_timeout": 10}
            )
        except (NoSuchModuleError, ImportError):
            raise BadInput(
                "A store in PostgreSQL needs psycopg; install it with pip install 'steadyram[shop]'."
            ) from None
    event.listen(engine, "begin", _begin)
    try:
        with explained(name):
            _prepare(engine, name)
    except BaseException:
        engine.dispose()
        raise
    return engine


@contextmanager
def explained(name: str) -> Iterator[None]:
    """Turn a database's error into one sentence. Raises StoreError."""
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error) as error:
        cause = str(error.orig if isinstance(error, DBAPIError) and error.orig else error)
        first = " ".join(cause.split("\n")[0].split())[:200]
        raise StoreError(
            f"The cycle store {name} cannot be used ({first}); check the path or name another with --store."
        ) from None


def writing(engine: Engine) -> Connection:
    """A connection whose transaction will write: it takes its turn at once, not in the middle."""
    return engine.connect().execution_options(steadyram_writes=True)


def _is_frozen(file: Path) -> bool:
    """Return whether a file or its folder may not be written, so that the store can be read and no more."""
    return not (os.access(file, os.W_OK) and os.access(file.parent, os.W_OK))


def _frozen(file: Path) -> URL:
    """Return the URL that reads a file where nothing may be written.

    A write-ahead log beside it is read, too, where its index is there; without one the file is all there is.
    """
    waiting = file.with_name(file.name + "-wal")
    whole = not waiting.exists() or waiting.stat().st_size == 0
    query = {"uri": "true", "mode": "ro", **({"immutable": "1"} if whole else {})}
    return URL.create("sqlite", database=f"file:{quote(str(file.absolute()))}", query=query)


def _quiet_driver(connection: sqlite3.Connection, record: Any) -> None:
    # Transactions are begun by `_begin` alone; the driver's own habit would begin them too late.
    connection.isolation_level = None
    # A pull that was reported as done must survive a power cut of the computer.
    connection.execute("PRAGMA synchronous = FULL")


def _begin(connection: Connection) -> None:
    if connection.dialect.name == "sqlite":
        writes = connection.get_execution_options().get("steadyram_writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _prepare(engine: Engine, name: str) -> None:
    if engine.dialect.name == "sqlite":
        _prepare_file(engine, name)
    with engine.connect() as connection:
        if _revision(connection, name) == HEAD:
            return
    if engine.get_execution_options().get("steadyram_frozen"):
        raise BadInput(
            f"{name} is of an older steadyram and read-only; make a copy that can be written and name that."
        )
    with writing(engine) as connection, connection.begin():
        if engine.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:n)"), {"n": SCHEMA_LOCK})
        found = _revision(connection, name)
        if found != HEAD:
            _upgrade(connection)


def _prepare_file(engine: Engine, name: str) -> None:
    """Refuse files of something else or of a later tool; go into write-ahead mode."""
    raw = engine.raw_connection()
    try:
        cursor = raw.cursor()
        application, version, tables = (
            cursor.execute(query).fetchone()[0]
            for query in (
                "PRAGMA application_id",
                "PRAGMA user_version",
                "SELECT count(*) FROM sqlite_master",
            )
        )
        if application != _APPLICATION_ID and tables:
            raise BadInput(f"{name} is an SQLite file of something else; name another store with --store.")
        if version > _USER_VERSION:
            raise _newer(name)
        if not engine.get_execution_options().get("steadyram_frozen"):
            cursor.execute("PRAGMA journal_mode = WAL")
    finally:
        raw.close()


def _newer(name: str) -> BadInput:
    return BadInput(f"{name} was written by a newer steadyram; update this one or name another store.")


def _revision(connection: Connection, name: str) -> str | None:
    """Return the schema's revision, None for an empty database. Raises BadInput for tables of something else."""
    there = set(inspect(connection).get_table_names())
    if "alembic_version" in there:
        found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
        if found is not None:
            if str(found) > HEAD:
                raise _newer(name)
            return str(found)
    if there:
        raise BadInput(f"{name} holds tables of something else; give the store a database of its own.")
    return None


def _upgrade(connection: Connection) -> None:
    from alembic import command  # here, not above: slow to load and seldom needed
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(f"PRAGMA application_id = {_APPLICATION_ID}")
        connection.exec_driver_sql(f"PRAGMA user_version = {_USER_VERSION}")
