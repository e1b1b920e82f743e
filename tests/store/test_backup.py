"""A backup is a whole store in one file; it comes back as it was, or not at all."""

from __future__ import annotations

import contextlib
import shutil
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path

import pytest
import sqlalchemy as sa
from test_chain import raw

from dictate.store import Damaged, Lingering, Newer, NotEmpty, Stale, Store, StoreError, Unknown, open_store, schema

HARD = "nul \x00, half \ud83d, 🙂"


def filled(store: Store, name: str = "Ann Sample") -> str:
    head = store.new("MK")
    head = store.save_note(head.id, f"Pressure 16. {HARD}", head.revision, "MK")
    head = store.set_patient(head.id, {"name": name, "birth_date": "1950-01-02"}, head.revision, "MK")
    head = store.decide(head.id, {"id": "d1", "words": HARD}, head.revision, "MK")
    head = store.sign(head.id, "MK", {"entries": [HARD]}, head.revision, "MK")
    store.save_letter(head.id, "referral", {"opening": [HARD]}, HARD, "MK", final=True)
    referral = store.open_referral(head.id, "Eye clinic Übersee", "soon", date(2026, 3, 30), "MK", letter=1)
    store.set_referral(referral.id, "MK", state="sent")
    store.reply(referral.id, f"Seen. {HARD}", "AB")
    store.save_letter(head.id, "patient", {"opening": [HARD]}, HARD, "MK")
    head = store.amend(head.id, "AB")
    store.save_note(head.id, "Pressure 17.", head.revision, "AB")
    return head.id


def everything(store: Store) -> object:
    heads = store.find()
    kept = [
        (
            store.load(h.id),
            store.versions(h.id),
            store.history(h.id),
            store.letters(h.id),
            store.letter_draft(h.id, "patient"),
        )
        for h in heads
    ]
    followed = [(one, store.referral_story(one.id)) for one in store.referrals()]
    return kept, followed, store.chain_head()


@pytest.fixture
def kept(store: Store, tmp_path: Path) -> Path:
    """A backup of two records and a tombstone."""
    filled(store)
    filled(store, "Börn Müller")
    store.delete(filled(store, "Gone"), "MK")
    path = tmp_path / "kept.db"
    copied = store.backup(str(path))
    assert (copied.records, copied.faults) == (2, ())
    return path


def test_there_and_back(store: Store, kept: Path, tmp_path: Path) -> None:
    before = everything(store)
    with open_store(str(tmp_path / "new" / "records.db")) as other:
        copied = other.restore(str(kept))
        assert copied.records == 2
        assert everything(other) == before
        assert other.verify() == []
        filled(other)
        assert other.verify() == []
        assert [h.patient.name for h in other.find("muller")] == ["Börn Müller"]


def test_from_a_file_to_a_server_and_back(tmp_path: Path, database: str) -> None:
    with open_store(str(tmp_path / "one.db")) as file, open_store(database) as server:
        filled(file)
        file.backup(str(tmp_path / "kept.db"))
        server.restore(str(tmp_path / "kept.db"))
        assert everything(server) == everything(file)
        filled(server)
        assert server.verify() == []
        server.backup(str(tmp_path / "back.db"))
        file.restore(str(tmp_path / "back.db"), replace=True)
        assert everything(file) == everything(server)
        assert file.verify() == []


def test_a_backup_is_a_file_by_itself(kept: Path) -> None:
    assert [path.name for path in kept.parent.iterdir() if path.name.startswith("kept")] == ["kept.db"]
    with open_store(str(kept)) as store:
        assert store.verify() == []
        assert len(store.find()) == 2


def test_a_backup_overwrites_nothing(store: Store, kept: Path) -> None:
    before = kept.read_bytes()
    with pytest.raises(StoreError, match="there already: nothing was written"):
        store.backup(str(kept))
    assert kept.read_bytes() == before
    (kept.parent / "other.db.part").touch()
    with pytest.raises(StoreError, match="broken off"):
        store.backup(str(kept.parent / "other.db"))


def test_a_backup_of_an_empty_store(store: Store, tmp_path: Path) -> None:
    copied = store.backup(str(tmp_path / "kept.db"))
    assert (copied.records, copied.events) == (0, 0)
    store.restore(str(tmp_path / "kept.db"))
    assert store.verify() == []


def test_a_store_that_holds_records_is_not_overwritten_unasked(store: Store, kept: Path) -> None:
    before = everything(store)
    with pytest.raises(NotEmpty, match="nothing was changed; restore with --replace"):
        store.restore(str(kept))
    assert everything(store) == before


def test_a_replaced_store_is_as_it_was(store: Store, kept: Path) -> None:
    before = everything(store)
    later = filled(store, "Later")
    store.restore(str(kept), replace=True)
    assert everything(store) == before
    assert store.verify() == []
    with pytest.raises(Unknown):
        store.head(later)


def test_what_was_deleted_since_stays_deleted(store: Store, kept: Path) -> None:
    record = store.find("ann")[0].id
    store.delete(record, "AB")
    copied = store.restore(str(kept), replace=True)
    assert copied.records == 1
    with pytest.raises(Unknown, match="was deleted"):
        store.head(record)
    assert all(event.payload is None for event in store.history(record))
    assert store.history(record)[-1].by == "AB"
    assert store.verify() == []


def test_the_guards_are_back_after_a_restore(store: Store, kept: Path, url: str) -> None:
    store.restore(str(kept), replace=True)
    engine = raw(url)
    for statement in ("DELETE FROM event", "UPDATE event SET kind = 'x'", "DELETE FROM chain_head"):
        with pytest.raises(sa.exc.DBAPIError), engine.begin() as connection:
            connection.exec_driver_sql(statement)
    engine.dispose()
    assert store.verify() == []


def test_the_guards_that_were_taken_away_are_made_again(store: Store, kept: Path, url: str) -> None:
    engine = raw(url)
    with engine.begin() as connection:
        for name in sorted(schema.TRIGGERS[engine.dialect.name]):
            table = name.partition("_not" if "not" in name else "_kept")[0]
            connection.exec_driver_sql(f"DROP TRIGGER {name}" + f" ON {table}" * ("://" in url))
    engine.dispose()
    assert "guards" in store.verify()[0]
    store.restore(str(kept), replace=True)
    assert store.verify() == []


def test_other_windows_go_on_after_a_restore(store: Store, kept: Path, url: str) -> None:
    record = store.find()[0].id
    with open_store(url) as other:
        for number in range(8):  # enough for a driver to prepare its statements
            other.save_note(record, f"text {number}", other.head(record).revision, "AB")
        store.restore(str(kept), replace=True)
        assert other.load(record).text == "Pressure 17."
        other.save_note(record, "after", other.head(record).revision, "AB")
        assert store.load(record).text == "after"
        assert other.verify() == []


def test_writers_wait_for_a_restore(store: Store, kept: Path, url: str) -> None:
    record = store.find()[0].id
    done = False

    def insist() -> int:
        times = 0
        with open_store(url) as other:
            while not done or not times:
                with contextlib.suppress(Stale):
                    other.save_note(record, f"text {times}", other.head(record).revision, "AB")
                    times += 1
                time.sleep(0.01)  # a file has no queue: whoever never pauses keeps the others out
        return times

    with ThreadPoolExecutor(3) as pool:
        writers = [pool.submit(insist) for _ in range(3)]
        try:
            for _ in range(3):
                with contextlib.suppress(Lingering):  # a reader was just there
                    store.restore(str(kept), replace=True)
        finally:
            done = True
        assert all(writer.result() for writer in writers)
    assert store.verify() == []


def altered(kept: Path, statement: str) -> None:
    engine = sa.create_engine(f"sqlite:///{kept}")
    with engine.begin() as connection:
        for name in schema.TRIGGERS["sqlite"]:
            connection.exec_driver_sql(f"DROP TRIGGER {name}")
        connection.exec_driver_sql(statement)
    engine.dispose()


@pytest.mark.parametrize("statement", ["UPDATE event SET kind = 'x' WHERE seq = 3", "DELETE FROM patient", "SELECT 1"])
def test_a_backup_that_was_altered_is_refused(store: Store, kept: Path, statement: str) -> None:
    before = everything(store)
    altered(kept, statement)
    with pytest.raises(Damaged, match=r"kept.db is not sound \(.*\): nothing was changed"):
        store.restore(str(kept), replace=True)
    assert everything(store) == before
    assert store.verify() == []


@pytest.mark.parametrize("cut", [0, 100, 5000, 20000])
def test_a_backup_that_was_cut_off_is_refused(store: Store, kept: Path, cut: int) -> None:
    before = everything(store)
    kept.write_bytes(kept.read_bytes()[:cut])
    with pytest.raises(Damaged, match="nothing was changed"):
        store.restore(str(kept), replace=True)
    assert everything(store) == before


def test_what_is_no_backup_is_refused(store: Store, tmp_path: Path) -> None:
    (tmp_path / "note.txt").write_text("Pressure 16 right. " * 1000)
    (tmp_path / "folder").mkdir()
    other = sa.create_engine(f"sqlite:///{tmp_path / 'other.db'}")
    with other.begin() as connection:
        connection.exec_driver_sql("CREATE TABLE song (name)")
    other.dispose()
    for name in ("note.txt", "folder", "nowhere.db", "other.db"):
        with pytest.raises(StoreError, match="nothing was changed"):
            store.restore(str(tmp_path / name))
    assert not (tmp_path / "nowhere.db").exists()


def test_a_backup_of_a_later_version_is_refused(store: Store, kept: Path) -> None:
    engine = raw(str(kept))
    with engine.begin() as connection:
        connection.exec_driver_sql(f"UPDATE {schema.VERSION_TABLE} SET version_num = '9999'")
    engine.dispose()
    with pytest.raises(Newer):
        store.restore(str(kept), replace=True)


def test_the_faults_of_a_store_are_copied_and_named(store: Store, tmp_path: Path, tamper: Callable[..., None]) -> None:
    filled(store)
    tamper("UPDATE event SET kind = 'x' WHERE seq = 3")
    copied = store.backup(str(tmp_path / "kept.db"))
    assert "event 3 was altered" in copied.faults
    with pytest.raises(Damaged):
        store.restore(str(tmp_path / "kept.db"), replace=True)


def test_a_restore_that_fails_half_way_changes_nothing(
    store: Store, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from dictate.store import copying

    before = everything(store)
    filled_up = [*copying.schema.ROWS[:2], sa.table("nowhere", sa.column("x"))]
    monkeypatch.setattr(copying.schema, "ROWS", filled_up)
    with pytest.raises(StoreError):
        store.restore(str(kept), replace=True)
    monkeypatch.undo()
    assert everything(store) == before
    assert store.verify() == []


def test_the_words_given_up_are_in_no_file(tmp_path: Path) -> None:
    with open_store(str(tmp_path / "records.db")) as store:
        store.backup(str(tmp_path / "kept.db"))
        filled(store, "Zyzzyva")
        store.restore(str(tmp_path / "kept.db"), replace=True)
        assert [p.name for p in tmp_path.iterdir() if b"Zyzzyva" in p.read_bytes()] == []


def test_a_copied_store_in_use_is_read_with_its_log(tmp_path: Path) -> None:
    with open_store(str(tmp_path / "records.db")) as store:
        filled(store)
        for suffix in ("", "-wal"):
            shutil.copy(tmp_path / f"records.db{suffix}", tmp_path / f"copy.db{suffix}")
        with open_store(str(tmp_path / "new.db")) as other:
            other.restore(str(tmp_path / "copy.db"))
            assert everything(other) == everything(store)
