"""Bringing a store to the present schema when it is opened."""

from __future__ import annotations

import threading
from pathlib import Path

import sqlalchemy as sa

from dictate.store.engine import reading, writing
from dictate.store.faults import Damaged, Newer, StoreError
from dictate.store.schema import FUNCTIONS, REVISION, VERSION_TABLE, metadata

FOLDERS = [Path(__file__).parent / "migrations" / "versions"]
"""Where the steps lie."""

_ADVISORY = 0x64696374  # any number that programs with other purposes are unlikely to use
_one_at_a_time = threading.Lock()  # Alembic keeps the migration that is running in a global


def current(connection: sa.Connection, shown: str) -> str | None:
    """The revision a store is at; None if it is empty. Raises Damaged if the file holds something else."""
    tables = set(sa.inspect(connection).get_table_names())
    if VERSION_TABLE in tables:
        return connection.execute(sa.text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar()
    if tables and connection.dialect.name == "sqlite":
        raise Damaged(f"{shown} holds something other than records: nothing was changed; name another file")
    return None


def migrate(engine: sa.Engine, shown: str, *, target: str = REVISION) -> None:
    """Run the steps that the store lacks, all or none. `shown` names it in errors.

    Raises Newer if the store is at a step that this program does not know.
    """
    with reading(engine) as connection:
        _fits(connection, shown)
        if current(connection, shown) == target:
            return
    with writing(engine) as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_ADVISORY)))
        at = current(connection, shown)
        if at != target:  # another program may have been quicker
            _upgrade(connection, at, target, shown)


def keep_out(connection: sa.Connection) -> None:
    """Keep all others out to the end of the transaction.

    Comes first in it: a writer that waited for a row would in turn keep us from dropping the table.
    """
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql("LOCK TABLE chain_head IN ACCESS EXCLUSIVE MODE")


def anew(connection: sa.Connection, shown: str) -> None:
    """Drop all a store holds and make it anew, empty, inside a writing transaction that keeps others out."""
    metadata.drop_all(connection)
    connection.exec_driver_sql(f"DROP TABLE IF EXISTS {VERSION_TABLE}")
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(f"DROP FUNCTION IF EXISTS {', '.join(FUNCTIONS)}")
    _upgrade(connection, None, REVISION, shown)


def _fits(connection: sa.Connection, shown: str) -> None:
    if connection.dialect.name == "postgresql":
        encoding = connection.execute(sa.text("SHOW server_encoding")).scalar()
        if encoding != "UTF8":
            raise StoreError(
                f"{shown} is encoded in {encoding}, which cannot hold every note: nothing was changed; make a database"
                " with the encoding UTF8"
            )


def _upgrade(connection: sa.Connection, at: str | None, target: str, shown: str) -> None:
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    config.set_main_option("path_separator", "newline")
    config.set_main_option("version_locations", "\n".join(str(folder).replace("%", "%%") for folder in FOLDERS))
    config.attributes["connection"] = connection
    known = {step.revision for step in ScriptDirectory.from_config(config).walk_revisions()}
    if at is not None and at not in known:
        raise Newer(
            f"{shown} was written by a later version of dictate (its form is {at}, this version knows {target}):"
            " nothing was changed; install that version"
        )
    with _one_at_a_time:
        command.upgrade(config, target)
