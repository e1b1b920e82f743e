"""A full disk, a file that cannot be written, a store kept busy: one sentence, and nothing saved is lost."""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg
import pytest
import sqlalchemy as sa
from test_chain import raw

from dictate.errors import DictateError
from dictate.store import (
    Damaged,
    Full,
    Locked,
    ReadOnly,
    Store,
    StoreError,
    Unreachable,
    engine,
    open_store,
)
from dictate.store.faults import told

NOTE = "Pressure 16 right, 17 left."
NOBODY = 65534


def filled(store: Store) -> str:
    head = store.new("MK")
    head = store.save_note(head.id, NOTE, head.revision, "MK")
    store.decide(head.id, {"id": "d1"}, head.revision, "MK")
    return head.id


@contextmanager
def no_room(store: Store) -> Iterator[None]:
    """Let the file not grow any more, as on a full disk."""

    def limit(connection: sqlite3.Connection, *_: object) -> None:
        (pages,) = connection.execute("PRAGMA page_count").fetchone()
        connection.execute(f"PRAGMA max_page_count = {pages}")

    def free(connection: sqlite3.Connection, *_: object) -> None:
        connection.execute("PRAGMA max_page_count = 1000000")

    sa.event.listen(store._engine, "checkout", limit)
    try:
        yield
    finally:
        sa.event.remove(store._engine, "checkout", limit)
        sa.event.listen(store._engine, "checkout", free)


def test_a_full_disk_loses_only_the_last_change(tmp_path: Path) -> None:
    long = "x" * 100_000
    with open_store(str(tmp_path / "records.db")) as store:
        record = filled(store)
        before = store.load(record)
        with no_room(store):
            with pytest.raises(
                Full, match=r"is full: .*not saved, everything saved before it is safe; free some space"
            ):
                store.save_note(record, long, before.head.revision, "MK")
            with pytest.raises(Full):
                store.decide(record, {"id": "d2", "long": long}, before.head.revision, "MK")
            assert store.load(record) == before
            assert store.verify() == []
        store.save_note(record, long, before.head.revision, "MK")
        assert store.load(record).text == long
        assert store.verify() == []


def test_a_disk_that_is_full_when_a_store_is_to_be_made() -> None:
    device = Path("/dev/full")
    with pytest.raises(Full, match="is full"), told("the store"), device.open("wb") as file:
        file.write(b"x")


@pytest.fixture
def unprivileged() -> Iterator[Path]:
    """A store of a user who is not root, who may write to everything, and the rest of the test as that user.

    It is made before, as such a user may not be able to read the package.
    """
    folder = Path(tempfile.mkdtemp(prefix="store", dir="/tmp"))
    with open_store(str(folder / "records.db")) as store:
        filled(store)
    root = os.geteuid() == 0
    if root:
        for path in (folder, *folder.iterdir()):
            os.chown(path, NOBODY, NOBODY)
        os.setegid(NOBODY)
        os.seteuid(NOBODY)
    yield folder / "records.db"
    if root:
        os.seteuid(0)
        os.setegid(0)
    for path in (folder, *folder.rglob("*")):
        path.chmod(0o700)
    shutil.rmtree(folder)


@pytest.mark.skipif(os.name != "posix", reason="permissions are those of POSIX")
class TestWithoutPermission:
    """What a user meets who may read, or not even that."""

    def test_a_file_that_cannot_be_written(self, unprivileged: Path) -> None:
        unprivileged.chmod(0o400)
        told_so = pytest.raises(ReadOnly, match=r"cannot be written: .* safe; allow writing")
        with told_so, open_store(str(unprivileged)) as store:
            (head,) = store.find()
            store.save_note(head.id, "other", head.revision, "MK")
        unprivileged.chmod(0o600)
        with open_store(str(unprivileged)) as store:
            (head,) = store.find()
            assert store.load(head.id).text == NOTE

    def test_a_file_that_cannot_be_read(self, unprivileged: Path) -> None:
        unprivileged.chmod(0)
        with pytest.raises(StoreError, match="cannot be"):
            open_store(str(unprivileged))

    def test_a_folder_where_nothing_can_be_made(self, unprivileged: Path) -> None:
        unprivileged.parent.chmod(0o500)
        for name in ("other.db", "below/records.db"):
            with pytest.raises(ReadOnly):
                open_store(str(unprivileged.parent / name))

    def test_a_backup_where_nothing_can_be_made(self, unprivileged: Path) -> None:
        with open_store(str(unprivileged)) as store:
            unprivileged.with_name("shut").mkdir(mode=0o500)
            for name in ("shut/kept.db", "nowhere/kept.db"):
                with pytest.raises(StoreError):
                    store.backup(str(unprivileged.parent / name))

    def test_a_backup_that_cannot_be_read(self, unprivileged: Path) -> None:
        with open_store(str(unprivileged)) as store:
            kept = unprivileged.with_name("kept.db")
            kept.touch(mode=0)
            with pytest.raises(StoreError, match="cannot be read: nothing was changed"):
                store.restore(str(kept))


def test_a_folder_where_a_file_should_be(tmp_path: Path) -> None:
    with pytest.raises(StoreError):
        open_store(str(tmp_path))
    (tmp_path / "file").touch()
    with pytest.raises(StoreError):
        open_store(str(tmp_path / "file" / "records.db"))


def test_a_server_that_takes_no_changes(database: str) -> None:
    with open_store(database) as store:
        record = filled(store)
    url = sa.make_url(database)
    options = f"{url.query['options']} -c default_transaction_read_only=on"
    with open_store(url.update_query_dict({"options": options}).render_as_string(False)) as store:
        loaded = store.load(record)
        assert loaded.text == NOTE
        with pytest.raises(ReadOnly):
            store.save_note(record, "other", loaded.head.revision, "MK")


def test_a_store_that_another_program_keeps_busy(url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine, "WAIT", 0.2 if "://" not in url else 2)
    with open_store(url) as store:
        record = filled(store)
        before = store.load(record)
        other = raw(url)
        with other.connect() as connection:
            if "://" in url:
                connection.exec_driver_sql("SELECT * FROM chain_head FOR UPDATE")
            else:
                connection.exec_driver_sql("BEGIN IMMEDIATE")
            with pytest.raises(Locked, match=r"busy by another program: .*safe; try again in a moment"):
                store.save_note(record, "other", before.head.revision, "MK")
            assert store.load(record) == before
            connection.rollback()
        other.dispose()
        store.save_note(record, "other", before.head.revision, "MK")


def test_a_server_that_went_away_and_came_back(database: str) -> None:
    with open_store(database) as store:
        record = filled(store)
        other = raw(database)
        with other.connect() as connection:
            connection.exec_driver_sql(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                " WHERE application_name = 'dictate' AND pid <> pg_backend_pid()"
            )
        other.dispose()
        assert store.load(record).text == NOTE


def test_a_damaged_file(tmp_path: Path) -> None:
    file = tmp_path / "records.db"
    with open_store(str(file)) as store:
        for _ in range(20):
            filled(store)
    whole = file.read_bytes()
    file.write_bytes(whole[:8192] + b"\xff" * (len(whole) - 12288) + whole[-4096:])
    try:
        with open_store(str(file)) as store:
            told_by_verify = store.verify()
    except Damaged as error:
        assert "restore the last" in str(error)
    else:
        assert "the file is damaged" in told_by_verify[0]


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        (psycopg.errors.DiskFull(), Full),
        (psycopg.errors.TooManyConnections(), Locked),
        (psycopg.errors.ReadOnlySqlTransaction(), ReadOnly),
        (psycopg.errors.InsufficientPrivilege(), ReadOnly),
        (psycopg.errors.DeadlockDetected(), Locked),
        (psycopg.errors.AdminShutdown(), Unreachable),
        (psycopg.errors.InvalidPassword(), Unreachable),
        (psycopg.errors.DataCorrupted(), Damaged),
        (psycopg.errors.CheckViolation(f"Failing row contains ({NOTE})"), StoreError),
    ],
)
def test_what_a_server_says_is_told_plainly(error: psycopg.Error, kind: type[StoreError]) -> None:
    with pytest.raises(StoreError) as caught, told("the store"):
        raise sa.exc.DBAPIError("INSERT", {"text": NOTE}, error)
    assert type(caught.value) is kind
    assert isinstance(caught.value, DictateError)
    assert NOTE not in str(caught.value)
    assert caught.value.__suppress_context__


def test_no_words_of_a_note_in_an_error(store: Store) -> None:
    with pytest.raises(sa.exc.DBAPIError) as caught, store._engine.begin() as connection:
        connection.execute(sa.text("INSERT INTO nowhere VALUES (:text)"), {"text": NOTE})
    assert NOTE not in str(caught.value)


# ---- permissions --------------------------------------------------------------------------


@pytest.mark.skipif(os.name != "posix", reason="permissions are those of POSIX")
def test_every_file_is_the_owners_alone(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        with open_store(str(tmp_path / "a" / "b" / "records.db")) as store:
            record = filled(store)
            seen = {path.name for path in (tmp_path / "a").rglob("*")}
            assert {"records.db", "records.db-wal", "records.db-shm"} <= seen
            store.backup(str(tmp_path / "a" / "kept.db"))
            store.delete(record, "MK")
            store.restore(str(tmp_path / "a" / "kept.db"), replace=True)
            for path in (tmp_path / "a", *(tmp_path / "a").rglob("*")):
                assert stat.S_IMODE(path.stat().st_mode) == (0o700 if path.is_dir() else 0o600), path
    finally:
        os.umask(before)
    assert {path.name for path in (tmp_path / "a").rglob("*") if path.is_file()} == {"records.db", "kept.db"}


@pytest.mark.skipif(os.name != "posix", reason="permissions are those of POSIX")
def test_what_others_could_read_is_closed_and_their_folder_is_left(tmp_path: Path) -> None:
    folder = tmp_path / "shared"
    folder.mkdir()
    folder.chmod(0o755)
    file = folder / "records.db"
    file.touch()
    file.chmod(0o644)
    open_store(str(file)).close()
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o755


def test_nothing_is_written_outside_the_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "tmp").mkdir()
    for name in ("TMPDIR", "SQLITE_TMPDIR"):
        monkeypatch.setenv(name, str(tmp_path / "tmp"))
    (tmp_path / "tmp").chmod(0o755)
    with open_store(str(tmp_path / "store" / "records.db")) as store:
        with store._engine.connect() as connection:
            assert connection.exec_driver_sql("PRAGMA temp_store").scalar() == 2  # memory
        store.delete(filled(store), "MK")
    assert list((tmp_path / "tmp").iterdir()) == []


def test_every_connection_is_durable(tmp_path: Path) -> None:
    with open_store(str(tmp_path / "records.db")) as store:
        pool = store._engine
        wanted = {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "secure_delete": 1}
        for connection in (pool.raw_connection(), pool.raw_connection()):
            for pragma, value in wanted.items():
                assert connection.cursor().execute(f"PRAGMA {pragma}").fetchone() == (value,)


def test_a_server_commits_durably(database: str) -> None:
    with open_store(database) as store, store._engine.connect() as connection:
        assert connection.exec_driver_sql("SHOW synchronous_commit").scalar() == "on"
