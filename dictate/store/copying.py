"""Backup and restore: a store's rows in a file of their own, and back."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Self

import sqlalchemy as sa
from sqlalchemy.pool import StaticPool

from dictate.store import checking, ledger, paths, schema
from dictate.store.engine import Place, engine_at, place, reading, set_up_sqlite, writing
from dictate.store.faults import Damaged, NotEmpty, StoreError, told
from dictate.store.ledger import BATCH, Ledger
from dictate.store.migrate import anew, current, keep_out, migrate
from dictate.store.model import Copied


def backup(source: sa.Connection, path: str) -> Copied:
    """Copy what `source` sees into a new file. Raises StoreError, and leaves nothing behind, if that fails."""
    target = place(str(Path(path)))
    assert target.file is not None
    if target.file.exists():
        raise StoreError(f"{path} is there already: nothing was written; name a file that is not")
    part = target.file.with_name(target.file.name + ".part")
    with told(path):
        try:
            paths.make_file(part)
        except FileExistsError:
            raise StoreError(
                f"{part} is left of a backup that was broken off, or one is being made: nothing was written; remove it"
            ) from None
        try:
            copied = _filled(source, place(str(part)))
            with part.open("rb") as written:
                os.fsync(written.fileno())
            _name(part, target.file)
        except FileExistsError:
            raise StoreError(f"{path} is there already: nothing was written; name a file that is not") from None
        finally:
            part.unlink(missing_ok=True)
    return copied


def _filled(source: sa.Connection, where: Place) -> Copied:
    engine = engine_at(where, journal="DELETE")
    try:
        migrate(engine, where.shown)
        with writing(engine) as target:
            _copy(source, target)
        with reading(engine) as target:
            return Copied(*_counts(target), faults=tuple(checking.faults(target)))
    finally:
        engine.dispose()


def _name(part: Path, file: Path) -> None:
    try:
        os.link(part, file)  # unlike a rename, takes nobody's place
    except FileExistsError:
        raise
    except OSError:  # a memory stick may know no second names
        part.rename(file)


class Backup:
    """A backup in memory, brought to the present schema and found sound; the file is only read.

    Raises Damaged if the file holds no sound store, Newer if a later version of the program wrote it.
    """

    def __init__(self, path: str) -> None:
        self.path = path
        file = Path(path).absolute()
        if not file.is_file():
            raise StoreError(f"{path} is no file: nothing was changed; name the file of a backup")
        if not os.access(file, os.R_OK, effective_ids=os.access in os.supports_effective_ids):
            raise StoreError(f"{path} cannot be read: nothing was changed; allow reading it and try again")
        memory = sqlite3.connect(":memory:", check_same_thread=False)
        try:
            with contextlib.closing(sqlite3.connect(f"{file.as_uri()}?mode=ro", uri=True)) as kept:
                kept.backup(memory)
        except sqlite3.Error:
            memory.close()
            raise Damaged(f"{path} is damaged or no backup: nothing was changed; try an earlier backup") from None
        self.engine = sa.create_engine("sqlite://", creator=lambda: memory, poolclass=StaticPool, hide_parameters=True)
        set_up_sqlite(self.engine, "MEMORY")
        try:
            self._check()
        except BaseException:
            self.engine.dispose()
            raise

    def _check(self) -> None:
        with reading(self.engine) as connection:
            if current(connection, self.path) is None:
                raise Damaged(f"{self.path} is no backup: nothing was changed; name the file of a backup")
        migrate(self.engine, self.path)
        with reading(self.engine) as connection:
            found = list(checking.faults(connection))
        if found:
            more = f" and {len(found) - 1} more" if len(found) > 1 else ""
            raise Damaged(f"{self.path} is not sound ({found[0]}{more}): nothing was changed; try an earlier backup")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.engine.dispose()


def restore(kept: Backup, target: sa.Connection, at: str, shown: str, *, replace: bool) -> Copied:
    """Fill the store, inside the writing transaction of `target`, with a backup that was found sound."""
    guarded = not list(checking.guards(target))
    if guarded:
        ledger.chain_head(target, lock=True)
    else:
        keep_out(target)
    if not replace and not ledger.is_empty(target):
        raise NotEmpty(
            "the store holds records: nothing was changed; restore with --replace to give them up for the backup"
        )
    buried = [(link.record_id, link.by) for link in ledger.links(target, kinds=("delete",))]
    if guarded:
        _emptied(target)
    else:  # readers at this moment may miss their record, which a tampered store may ask of them
        anew(target, shown)
    with reading(kept.engine) as source:
        _copy(source, target)
    book = Ledger(target, at)
    for record_id, by in buried:
        if target.execute(sa.select(schema.record.c.id).where(schema.record.c.id == record_id)).first():
            book.bury(record_id, by)
    return Copied(*_counts(target))


def _emptied(target: sa.Connection) -> None:
    with _unguarded(target):
        for table in reversed(schema.ROWS):
            target.execute(table.delete())


def _copy(source: sa.Connection, target: sa.Connection) -> None:
    """Copy all rows into tables that are empty but for the head of the chain."""
    with _unguarded(target):
        for table in schema.ROWS:
            rows = source.execute(sa.select(table).execution_options(yield_per=BATCH)).mappings()
            for batch in rows.partitions(BATCH):
                target.execute(table.insert(), [dict(row) for row in batch])
        head = ledger.chain_head(source)
        if head is None:
            target.execute(schema.chain_head.delete())
        else:  # the same row, for which other writers wait
            target.execute(schema.chain_head.update().values(seq=head.seq, hash=head.hash))


def _counts(connection: sa.Connection) -> tuple[int, int]:
    return (
        connection.execute(sa.select(sa.func.count()).select_from(schema.record)).scalar_one(),
        connection.execute(sa.select(sa.func.count()).select_from(schema.event)).scalar_one(),
    )


@contextlib.contextmanager
def _unguarded(connection: sa.Connection) -> Iterator[None]:
    """Lift the guards of events and chain inside a transaction; an error leaves that to be rolled back."""
    if connection.dialect.name == "postgresql":
        for table in ("event", "chain_head"):
            connection.exec_driver_sql(f"ALTER TABLE {table} DISABLE TRIGGER USER")
        yield
        for table in ("event", "chain_head"):
            connection.exec_driver_sql(f"ALTER TABLE {table} ENABLE TRIGGER USER")
        return
    guards = connection.exec_driver_sql("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").all()
    for name, _ in guards:
        connection.exec_driver_sql(f'DROP TRIGGER "{name}"')
    yield
    for _, made_by in guards:
        connection.exec_driver_sql(made_by)
