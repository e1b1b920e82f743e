"""A deleted record is gone: its words are in none of the store's files, and a tombstone without content is left."""

from __future__ import annotations

import os
import sqlite3
from datetime import date
from pathlib import Path

import pytest
import sqlalchemy as sa
from conftest import program
from test_chain import raw

from dictate.store import Lingering, Store, Unknown, open_store

SECRET = b"Zyzzyva"
NOTE = f"Left disc pale. {SECRET.decode()} told so. " * 50


def filled(store: Store) -> str:
    """A record that has the word everywhere a record can have it, in old drafts too."""
    head = store.new("MK")
    for number in range(5):
        head = store.save_note(head.id, f"{NOTE} draft {number}", head.revision, "MK")
    head = store.set_patient(head.id, {"name": f"{SECRET.decode()} A", "reference": "ref-77"}, head.revision, "MK")
    head = store.decide(head.id, {"id": "d1", "text": SECRET.decode()}, head.revision, "MK")
    head = store.save_note(head.id, NOTE, head.revision, "MK")
    store.sign(head.id, "MK", {"entries": [SECRET.decode()]}, head.revision, "MK")
    for final in (False, True, False):
        store.save_letter(head.id, "referral", {"opening": SECRET.decode()}, f"{SECRET.decode()}.", "MK", final=final)
    referral = store.open_referral(head.id, f"Dr {SECRET.decode()}", "soon", date(2026, 3, 30), "MK", letter=1)
    store.reply(referral.id, f"{SECRET.decode()} was seen.", "MK")
    head = store.amend(head.id, "MK")
    store.save_note(head.id, f"{NOTE} amended", head.revision, "MK")
    return head.id


def holding(folder: Path) -> list[str]:
    """The files that hold the word."""
    return [path.name for path in sorted(folder.rglob("*")) if path.is_file() and SECRET in path.read_bytes()]


def test_the_record_is_gone_and_a_tombstone_is_left(store: Store) -> None:
    record, other = filled(store), filled(store)
    store.delete(record, "AB")
    for ask in (store.head, store.load, store.versions):
        with pytest.raises(Unknown, match="was deleted on 2026-03-02"):
            ask(record)
    with pytest.raises(Unknown):
        store.delete(record, "AB")
    assert [head.id for head in store.find()] == [other]
    events = store.history(record)
    assert events[-1].kind == "delete"
    assert events[-1].by == "AB"
    assert all(event.payload is None for event in events)
    assert store.load(other).text.endswith("amended")
    assert len(store.versions(other)) == 1
    assert store.verify() == []


def test_several_go_together_or_none(store: Store) -> None:
    records = [store.new("MK").id for _ in range(3)]
    with pytest.raises(Unknown):
        store.delete([records[0], "nothere1"], "MK")
    assert len(store.find()) == 3
    store.delete([records[0], records[2], records[0]], "MK")
    assert [head.id for head in store.find()] == [records[1]]
    assert store.verify() == []


def test_no_row_holds_the_words_or_could_be_guessed_from(store: Store, url: str) -> None:
    store.delete(filled(store), "AB")
    engine = raw(url)
    with engine.connect() as connection:
        for table in sa.inspect(engine).get_table_names():
            rows = repr(connection.exec_driver_sql(f"SELECT * FROM {table}").all())
            assert SECRET.decode() not in rows
            assert "ref-77" not in rows
        assert connection.exec_driver_sql("SELECT count(*) FROM event WHERE salt IS NOT NULL").scalar() == 0
    engine.dispose()


def test_the_words_are_in_no_file(tmp_path: Path) -> None:
    with open_store(str(tmp_path / "records.db")) as store:
        other = store.new("MK")
        store.save_note(other.id, "Right disc pink.", other.revision, "MK")
        record = filled(store)
        assert holding(tmp_path)
        store.delete(record, "MK")
        assert holding(tmp_path) == []
        assert store.load(other.id).text == "Right disc pink."
    assert holding(tmp_path) == []


def test_words_that_were_typed_over_are_gone_with_the_record(tmp_path: Path) -> None:
    with open_store(str(tmp_path / "records.db")) as store:
        head = store.new("MK")
        head = store.save_note(head.id, NOTE, head.revision, "MK")
        head = store.save_note(head.id, "", head.revision, "MK")
        store.delete(head.id, "MK")
        assert holding(tmp_path) == []


def test_a_reader_in_the_way_is_told_and_the_words_go_later(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from dictate.store import engine

    monkeypatch.setattr(engine, "WAIT", 0.1)
    file = tmp_path / "records.db"
    with open_store(str(file)) as store:
        record = filled(store)
        reader = sqlite3.connect(file)
        reader.execute("BEGIN")
        reader.execute("SELECT * FROM event").fetchone()
        with pytest.raises(Lingering, match="is deleted, but another program"):
            store.delete(record, "MK")
        with pytest.raises(Unknown):
            store.head(record)
        assert store.verify() == []
        assert holding(tmp_path)
        reader.close()
        open_store(str(file)).close()
        assert holding(tmp_path) == []


KILLED = """
import os, sys
from dictate.store import erase, open_store
erase.clear = lambda engine: os._exit(9)
with open_store(sys.argv[1]) as store:
    store.delete(sys.argv[2], "MK")
"""


@pytest.mark.skipif(os.name != "posix", reason="files in use can be looked into")
def test_whoever_is_killed_while_deleting_has_it_finished_at_the_next_opening(tmp_path: Path) -> None:
    file = tmp_path / "records.db"
    with open_store(str(file)) as store:
        record = filled(store)
    assert program(KILLED, file, record).wait(timeout=60) == 9
    assert holding(tmp_path)
    with open_store(str(file)) as store:
        assert holding(tmp_path) == []
        assert store.verify() == []


def test_the_words_are_in_no_table_file_of_a_server(database: str) -> None:
    with open_store(database) as store:
        record = filled(store)
        other = raw(database)
        with other.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            folder = Path(str(connection.exec_driver_sql("SHOW data_directory").scalar())) / "base"
            if not os.access(folder, os.R_OK):
                pytest.skip("the server's files cannot be looked into")
            connection.exec_driver_sql("CHECKPOINT")
            assert holding(folder)
            store.delete(record, "MK")
            connection.exec_driver_sql("CHECKPOINT")
            assert holding(folder) == []
        other.dispose()
