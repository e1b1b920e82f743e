"""Connections to the database: where it is, how it is set up, and the two kinds of transaction."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import sqlalchemy as sa
from sqlalchemy import exc

from dictate.store import paths
from dictate.store.faults import StoreError, Unreachable

WAIT = 5
"""How long one writer waits for another, in seconds."""

_WRITE = "dictate_write"


@dataclass(frozen=True)
class Place:
    """Where a store is. `file` is None for a server; `shown` names the place without user and password."""

    url: sa.URL
    file: Path | None
    shown: str


def place(url: str | None = None) -> Place:
    """The place that `url`, else the environment, else the default names. A plain path is a file.

    Raises StoreError for an address that no store can have.
    """
    given = url or os.environ.get(paths.VARIABLE) or str(paths.default_file())
    if "://" not in given:
        return _file(Path(given))
    try:
        parsed = sa.make_url(given)
    except exc.ArgumentError:
        raise StoreError(
            f"the address of the store in {paths.VARIABLE} cannot be read: nothing was opened; give a path, or"
            " postgresql://user@host/database"
        ) from None
    backend = parsed.get_backend_name()
    if backend == "sqlite" and parsed.database and parsed.database != ":memory:" and not parsed.query:
        return _file(Path(parsed.database))
    if backend in ("postgresql", "postgres"):
        shown = f"the database {parsed.database or 'of your name'} on {parsed.host or 'this computer'}"
        return Place(parsed.set(drivername="postgresql+psycopg"), None, shown)
    raise StoreError(
        f"a store cannot be kept at an address of the kind {parsed.drivername}: nothing was opened; give the path of a"
        " file, or postgresql://user@host/database"
    )


def _file(file: Path) -> Place:
    file = file.expanduser().absolute()
    return Place(sa.URL.create("sqlite", database=str(file)), file, str(file))


def engine_at(where: Place, *, journal: Literal["WAL", "DELETE"] = "WAL") -> sa.Engine:
    """An engine; no connection is made yet. Parameters, which are words of notes, are kept out of its errors and logs."""
    if where.file is not None:
        engine = sa.create_engine(where.url, hide_parameters=True, pool_size=5, max_overflow=40, pool_timeout=WAIT)
        set_up_sqlite(engine, journal)
        return engine
    asked = where.url.query.get("options", "")
    asked = asked if isinstance(asked, str) else " ".join(asked)
    options = f"{asked} -c lock_timeout={int(WAIT * 1000)} -c synchronous_commit=on -c client_encoding=UTF8"
    try:
        return sa.create_engine(
            where.url.difference_update_query(["options"]),
            hide_parameters=True,
            pool_pre_ping=True,
            pool_size=5,
            max_overflow=20,
            pool_timeout=WAIT,
            connect_args={"connect_timeout": WAIT, "application_name": "dictate", "options": options},
        )
    except ModuleNotFoundError:
        raise Unreachable(
            "a store on PostgreSQL needs psycopg, which is not installed: nothing was opened; pip install 'dictate[clinic]'"
        ) from None


def set_up_sqlite(engine: sa.Engine, journal: Literal["WAL", "DELETE", "MEMORY"]) -> None:
    """Have every connection durable, and transactions begun by us: reading ones see one moment, writing ones lock."""

    @sa.event.listens_for(engine, "connect")
    def _connected(connection: sqlite3.Connection, _: Any) -> None:
        connection.isolation_level = None  # the driver would begin too late, and not at all for CREATE
        for pragma in (
            f"busy_timeout = {int(WAIT * 1000)}",
            f"journal_mode = {journal}",
            "synchronous = FULL",
            "foreign_keys = ON",
            "secure_delete = ON",
            "temp_store = MEMORY",  # VACUUM would write a copy outside the store's folder
            "trusted_schema = OFF",
        ):
            connection.execute(f"PRAGMA {pragma}")

    @sa.event.listens_for(engine, "begin")
    def _begun(connection: sa.Connection) -> None:
        writes = connection.get_execution_options().get(_WRITE)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextlib.contextmanager
def reading(engine: sa.Engine) -> Iterator[sa.Connection]:
    """A transaction that sees the store as it is at one moment, whatever others write."""
    options = {"isolation_level": "REPEATABLE READ"} if engine.dialect.name == "postgresql" else {}
    with engine.connect().execution_options(**options) as connection, connection.begin():
        yield connection


@contextlib.contextmanager
def writing(engine: sa.Engine) -> Iterator[sa.Connection]:
    """A transaction that is saved as a whole at its end, or not at all."""
    with engine.execution_options(**{_WRITE: True}).connect() as connection, connection.begin():
        yield connection
