"""The chain proves that nothing was altered, removed, re-ordered or cut off; the database refuses to do so."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
import sqlalchemy as sa
from hypothesis import given
from hypothesis import strategies as st

from dictate.store import Store
from dictate.store.chain import START, Link, faults, follow
from dictate.store.model import ChainHead
from dictate.store.words import written

Tamper = Callable[..., None]

# ---- without a database -------------------------------------------------------------------

WORDS = st.text(st.characters(), max_size=8)
CONTENT = st.none() | st.dictionaries(WORDS, WORDS | st.integers() | st.lists(WORDS, max_size=2), max_size=3)
EVENTS = st.lists(st.tuples(st.sampled_from(["r1", "r2", "r3"]), WORDS, CONTENT), min_size=1, max_size=8)


def chain(events: list[tuple[str, str, dict[str, Any] | None]]) -> tuple[list[Link], ChainHead]:
    """Links of the events; those without content are tombstones, each of a record of its own."""
    head, links = START, []
    for number, (record, by, content) in enumerate(events):
        if content is None:
            record = f"gone{number}"
        link, head = follow(
            head, record_id=record, kind="note" if content is not None else "delete", at="t", by=by, content=content
        )
        links.append(link)
    return links, head


@given(EVENTS)
def test_a_chain_is_sound(events: list[Any]) -> None:
    links, head = chain(events)
    assert list(faults(links, head)) == []


@given(EVENTS, st.data())
def test_any_change_of_any_part_is_found(events: list[Any], data: st.DataObject) -> None:
    links, head = chain(events)
    at = data.draw(st.integers(0, len(links) - 1))
    part = data.draw(st.sampled_from(list(Link.__dataclass_fields__)))
    before = getattr(links[at], part)
    if part == "seq":
        after: Any = data.draw(st.integers(-3, 20))
    elif part == "payload":
        after = data.draw(st.none() | CONTENT.map(written))
    else:
        after = data.draw(WORDS | st.text("0123456789abcdef", min_size=64, max_size=64))
    if after != before:
        links[at] = replace(links[at], **{part: after})
        assert list(faults(links, head))


@given(EVENTS, st.data())
def test_anything_removed_is_found(events: list[Any], data: st.DataObject) -> None:
    links, head = chain(events)
    first = data.draw(st.integers(0, len(links) - 1))
    last = data.draw(st.integers(first, len(links) - 1))
    assert list(faults(links[:first] + links[last + 1 :], head))


@given(st.lists(st.tuples(st.just("r1"), WORDS, CONTENT), min_size=2, max_size=6, unique_by=repr), st.data())
def test_another_order_is_found(events: list[Any], data: st.DataObject) -> None:
    links, head = chain(events)
    mixed = data.draw(st.permutations(links))
    if mixed != links:
        renumbered = [replace(link, seq=number) for number, link in enumerate(mixed, 1)]
        assert list(faults(mixed, head))
        assert list(faults(renumbered, head))


@given(EVENTS)
def test_content_can_go_with_its_record_and_not_otherwise(events: list[Any]) -> None:
    links, head = chain([*events, ("r9", "MK", {"text": "x"})])
    link, after = follow(head, record_id="r9", kind="delete", at="t", by="MK", content=None)
    emptied = replace(links[-1], payload=None, salt=None)
    assert list(faults([*links[:-1], emptied, link], after)) == []
    assert list(faults([*links[:-1], emptied], head)) == [
        f"the content of event {emptied.seq} is gone, and its record was not deleted"
    ]


def test_two_events_with_the_same_content_do_not_look_alike() -> None:
    (one, two), _ = chain([("r1", "MK", {"text": "x"}), ("r1", "MK", {"text": "x"})])
    assert one.payload == two.payload
    assert one.payload_hash != two.payload_hash


# ---- in a database ------------------------------------------------------------------------


@pytest.fixture
def filled(store: Store) -> str:
    """A record with twelve events, signed."""
    head = store.new("MK")
    head = store.save_note(head.id, "Pressure 16.", head.revision, "MK")
    for number in range(8):
        head = store.decide(head.id, {"id": f"d{number}"}, head.revision, "MK")
    head = store.set_patient(head.id, {"name": "Ann Sample"}, head.revision, "MK")
    store.sign(head.id, "MK", {"entries": []}, head.revision, "MK")
    assert store.verify() == []
    return head.id


@pytest.mark.parametrize(
    ("done", "told"),
    [
        ("UPDATE event SET payload = replace(payload, '16', '61') WHERE seq = 2", "the content of event 2 was altered"),
        ("UPDATE event SET \"by\" = 'AB' WHERE seq = 12", "event 12 was altered"),
        ("UPDATE event SET \"at\" = '2020-01-01T00:00:00.000000Z' WHERE seq = 5", "event 5 was altered"),
        ("UPDATE event SET salt = NULL WHERE seq = 5", "event 5 has lost a part of its content"),
        ("UPDATE event SET salt = 'x' WHERE seq = 5", "the content of event 5 was altered"),
        ("UPDATE event SET payload = NULL, salt = NULL WHERE seq = 5", "the content of event 5 is gone"),
        ("DELETE FROM event WHERE seq = 5", "event 5 is missing"),
        ("DELETE FROM event WHERE seq BETWEEN 5 AND 7", "events 5 to 7 are missing"),
        ("DELETE FROM event WHERE seq > 10", "the end is cut off: event 10 is the last, event 12 was"),
        ("DELETE FROM event", "the end is cut off"),
        ("DELETE FROM chain_head", "the head of the chain is gone"),
        ("UPDATE chain_head SET seq = 11", "event 12 was added past the head"),
        ("UPDATE chain_head SET hash = 'x'", "the last event is not the one"),
        ("UPDATE event SET seq = 0 WHERE seq = 1", "event 0 is there twice or out of order"),
        ("UPDATE record SET signed_by = 'AB'", "does not show what its events say: signature"),
        ("UPDATE record SET state = 'open', signed_at = NULL", "state, signature"),
        ("UPDATE record SET draft = replace(draft, '16', '61')", "the note that was signed"),
        ("UPDATE record SET version = 2", "version"),
        ("UPDATE record SET created = '2020-01-01T00:00:00.000000Z'", "when it was begun"),
        ("UPDATE patient SET name = 'Other'", "patient"),
        ("DELETE FROM patient; DELETE FROM record", "is missing, and was not deleted"),
        ("DROP TRIGGER {guard}", "the guards that keep events from change are missing"),
    ],
)
def test_whatever_is_done_to_the_file_is_found(
    store: Store, filled: str, tamper: Tamper, url: str, done: str, told: str
) -> None:
    if "{guard}" in done:
        _remove_guard(url)
    else:
        tamper(*done.replace("%", "%%").split(";"))
    assert told in "\n".join(store.verify())


def _remove_guard(url: str) -> None:
    engine = raw(url)
    with engine.begin() as connection:
        connection.exec_driver_sql("DROP TRIGGER event_kept ON event" if "://" in url else "DROP TRIGGER event_update")
    engine.dispose()


def test_two_events_in_each_others_place_are_found(store: Store, filled: str, tamper: Tamper) -> None:
    tamper(
        "UPDATE event SET seq = 100 WHERE seq = 4",
        "UPDATE event SET seq = 4 WHERE seq = 5",
        "UPDATE event SET seq = 5 WHERE seq = 100",
    )
    found = "\n".join(store.verify())
    assert "event 4 was altered" in found
    assert "event 5 was altered" in found


def test_a_record_that_no_event_made_is_found(store: Store, filled: str, tamper: Tamper) -> None:
    columns = "created, updated, state, revision, version, draft, draft_at, draft_by, signed_by"
    tamper(f"INSERT INTO record (id, {columns}) SELECT 'other', {columns} FROM record")
    assert store.verify() == ["record other is there without the event that made it"]


def raw(url: str) -> sa.Engine:
    """A connection as another program would have it."""
    if "://" in url:
        return sa.create_engine(sa.make_url(url).set(drivername="postgresql+psycopg"))
    return sa.create_engine(f"sqlite:///{url}")


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE event SET \"by\" = 'AB' WHERE seq = 3",
        "UPDATE event SET payload = 'x' WHERE seq = 3",
        "UPDATE event SET payload = NULL WHERE seq = 3",
        "UPDATE event SET payload = NULL, salt = NULL WHERE seq = 3",
        "UPDATE event SET payload = NULL, salt = NULL, kind = 'x' WHERE seq = 3",
        "UPDATE event SET seq = 99 WHERE seq = 3",
        "DELETE FROM event WHERE seq = 3",
        "DELETE FROM event",
        'INSERT INTO event SELECT 99, record_id, kind, "at", "by", payload, salt, payload_hash, prev_hash, hash'
        " FROM event WHERE seq = 3",
        "UPDATE chain_head SET seq = 3, hash = (SELECT hash FROM event WHERE seq = 3)",
        "UPDATE chain_head SET seq = 13",
        "DELETE FROM chain_head",
        "INSERT INTO chain_head VALUES (2, 3, 'x')",
    ],
)
def test_the_database_refuses_to_alter_events(store: Store, filled: str, url: str, statement: str) -> None:
    refused(url, statement)
    assert store.verify() == []


def refused(url: str, statement: str) -> None:
    engine = raw(url)
    with pytest.raises(sa.exc.DBAPIError), engine.begin() as connection:
        connection.exec_driver_sql(statement)
    engine.dispose()


@pytest.mark.parametrize("url", ["sqlite"], indirect=True)
def test_sqlite_refuses_to_replace_an_event(store: Store, filled: str, url: str) -> None:
    rest = '"at", "by", payload, salt, payload_hash, prev_hash, hash'
    for seq in (3, 12):
        refused(url, f"INSERT OR REPLACE INTO event SELECT seq, record_id, 'x', {rest} FROM event WHERE seq = {seq}")
    assert store.verify() == []


@pytest.mark.parametrize("url", ["postgresql"], indirect=True)
def test_postgresql_refuses_to_clear_the_tables(store: Store, filled: str, url: str) -> None:
    for table in ("event", "chain_head"):
        refused(url, f"TRUNCATE {table}")
    assert store.verify() == []


def test_only_the_events_of_a_deleted_record_can_be_emptied(store: Store, filled: str) -> None:
    other = store.new("MK")
    other = store.set_patient(other.id, {"name": "Other"}, other.revision, "MK")
    store.delete(filled, "MK")
    assert [e.payload for e in store.history(filled)] == [None] * 13
    assert [e.payload for e in store.history(other.id)][1] == {"reference": "", "name": "Other", "birth_date": ""}
    assert store.verify() == []


def test_the_head_noted_elsewhere_tells_a_rewritten_store(store: Store, filled: str) -> None:
    before = store.chain_head()
    assert before is not None
    store.new("MK")
    after = store.chain_head()
    assert after is not None
    assert (after.seq, before.seq) == (13, 12)
    assert after.hash != before.hash
