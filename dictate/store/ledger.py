"""Writing to the store: the chain is locked first, so that writers come one after another, and then grows."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any, cast

import sqlalchemy as sa

from dictate.store import schema
from dictate.store.chain import START, Link, follow
from dictate.store.faults import Damaged
from dictate.store.model import ChainHead, Event, Kind, moment
from dictate.store.words import digest

BATCH = 1000
"""Rows that are fetched or written at a time."""


class Ledger:
    """One writing transaction; `at` is the time, as stored, of everything in it."""

    def __init__(self, connection: sa.Connection, at: str) -> None:
        self.connection = connection
        self.at = at
        head = chain_head(connection, lock=True)
        if head is None:
            raise Damaged("the head of the chain is gone: nothing was changed; run dictate records verify")
        self.head = head

    def append(self, record_id: str, kind: Kind, by: str, content: dict[str, Any] | None) -> None:
        """Add an event. Content is JSON-able; a tombstone has none."""
        link, self.head = follow(self.head, record_id=record_id, kind=kind, at=self.at, by=by, content=content)
        self.connection.execute(schema.event.insert(), asdict(link))
        self.connection.execute(schema.chain_head.update().values(seq=self.head.seq, hash=self.head.hash))

    def note(self, row: Mapping[str, Any], by: str) -> None:
        """Have an event hold the draft, unless the last one that holds a note has this very text."""
        sha256 = digest(row["draft"])
        if sha256 == row["noted"]:
            return
        self.append(row["id"], "note", by, {"text": row["draft"], "sha256": sha256})
        self.change(row["id"], noted=sha256)

    def change(self, record_id: str, **values: Any) -> None:
        """Change how a record is shown."""
        self.connection.execute(schema.record.update().where(schema.record.c.id == record_id).values(**values))

    def bury(self, record_id: str, by: str) -> None:
        """Empty every event of a record, remove the rest of it, and leave a tombstone."""
        self.append(record_id, "delete", by, None)
        event = schema.event
        self.connection.execute(
            event.update()
            .where(event.c.record_id == record_id, event.c.payload.is_not(None))
            .values(payload=None, salt=None)
        )
        for table, column in schema.OF_RECORD:
            self.connection.execute(table.delete().where(column == record_id))
        self.connection.execute(schema.record.delete().where(schema.record.c.id == record_id))


def chain_head(connection: sa.Connection, *, lock: bool = False) -> ChainHead | None:
    """The head of the chain; None if its row is gone. `lock` keeps other writers waiting on a server."""
    query = sa.select(schema.chain_head.c.seq, schema.chain_head.c.hash)
    row = connection.execute(query.with_for_update() if lock else query).first()
    return ChainHead(*row) if row else None


def links(connection: sa.Connection, record_id: str | None = None, *, kinds: Sequence[Kind] = ()) -> Iterator[Link]:
    """Events as stored, by number: all, or those of a record, or of some kinds."""
    event = schema.event
    query = sa.select(event).order_by(event.c.seq)
    if record_id is None:
        query = query.execution_options(yield_per=BATCH)  # may be more than memory holds
    else:
        query = query.where(event.c.record_id == record_id)
    if kinds:
        query = query.where(event.c.kind.in_(kinds))
    for row in connection.execute(query):
        yield Link(*row)


def told(link: Link) -> Event:
    """A stored event as it is handed out."""
    content = None if link.payload is None else json.loads(link.payload)
    return Event(link.seq, link.record_id, cast(Kind, link.kind), moment(link.at), link.by, content)


def standing(connection: sa.Connection, record_id: str) -> list[dict[str, Any]]:
    """The decisions of a record that were not undone, in the order they were taken."""
    found: dict[str, dict[str, Any]] = {}
    for link in links(connection, record_id, kinds=("decision", "undo")):
        content = json.loads(link.payload or "{}")
        if link.kind == "decision":
            found[content["id"]] = content
        else:
            found.pop(content["decision"], None)
    return list(found.values())


def notes(connection: sa.Connection, record_id: str) -> dict[str, str]:
    """The versions of a note that events hold, by their SHA-256."""
    contents = (json.loads(link.payload or "{}") for link in links(connection, record_id, kinds=("note",)))
    return {content["sha256"]: content["text"] for content in contents}


def is_empty(connection: sa.Connection) -> bool:
    """Whether nothing was ever recorded."""
    head = chain_head(connection)
    count = connection.execute(sa.select(sa.func.count()).select_from(schema.event)).scalar_one()
    return head == START and count == 0
