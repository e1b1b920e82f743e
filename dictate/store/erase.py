"""Clearing deleted words out of the files, where the database alone would leave them in unused pages."""

from __future__ import annotations

import contextlib
import sqlite3
from typing import cast

import sqlalchemy as sa
from sqlalchemy import exc

from dictate.store import schema
from dictate.store.faults import Lingering

# In the file's own header, so that a program that was killed before it could clear up has it done at the next opening.
_TO_CLEAR = "PRAGMA user_version = 1"
_CLEARED = "PRAGMA user_version = 0"


def mark(connection: sa.Connection) -> None:
    """Remember, within the deleting transaction, that the files are to be cleared."""
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(_TO_CLEAR)


def clear(engine: sa.Engine) -> None:
    """Rewrite the files without what was deleted.

    Raises Lingering if another program is in the way; it is done when the store is next opened, or by the server.
    """
    sqlite = engine.dialect.name == "sqlite"
    try:
        done = _clear_sqlite(engine) if sqlite else _clear_postgresql(engine)
    except (exc.DBAPIError, sqlite3.Error):
        done = False
    if not done:
        later = "close it and run dictate records verify" if sqlite else "the server clears them away by itself, later"
        raise Lingering(
            "it is deleted, but another program is in the way or the disk is full, so its words still lie unused in the"
            f" store: everything else is safe; {later}"
        )


def clear_leftovers(engine: sa.Engine) -> None:
    """Clear up after a program that was killed or hindered while deleting; leaves it for later if hindered again."""
    if engine.dialect.name != "sqlite":
        return
    with engine.connect() as connection:
        waiting = connection.exec_driver_sql("PRAGMA user_version").scalar()
    if waiting:
        with contextlib.suppress(sqlite3.Error):
            _clear_sqlite(engine)


def _clear_sqlite(engine: sa.Engine) -> bool:
    pooled = engine.raw_connection()  # VACUUM runs in no transaction
    try:
        driver = cast(sqlite3.Connection, pooled.driver_connection)
        driver.execute("VACUUM")
        if not _emptied_log(driver):
            return False
        driver.execute(_CLEARED)
        _emptied_log(driver)
        return True
    finally:
        pooled.close()


def _emptied_log(driver: sqlite3.Connection) -> bool:
    busy, _, _ = driver.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    return not busy


def _clear_postgresql(engine: sa.Engine) -> bool:
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        for table in schema.ROWS:
            connection.exec_driver_sql(f"VACUUM FULL {table.name}")
    return True
