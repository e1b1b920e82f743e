"""Letters kept with a record: a draft of each kind beside it, final ones in the chain."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, cast

import sqlalchemy as sa

from dictate.store import ledger, schema, shown
from dictate.store.chain import Link
from dictate.store.faults import NotSettled, Overtaken, StoreError
from dictate.store.ledger import Ledger
from dictate.store.model import LETTER_KINDS, KeptLetter, LetterKind, moment
from dictate.store.words import line, plain, written

Row = Mapping[str, Any]


def save(
    book: Ledger, record_id: str, kind: LetterKind, letter: Mapping[str, Any], body: str, by: str, revision: int | None
) -> KeptLetter:
    """Save the draft of its kind; `Store.save_letter` says more."""
    row = _row(book.connection, record_id, kind)
    before = _before(book.connection, row, kind, revision)
    draft = schema.letter_draft
    kept = {
        "record_id": record_id,
        "kind": kind,
        "letter": written(dict(letter)),
        "body": plain(body),
        "version": row["version"],
        "made_on": row["revision"],
        "revision": before + 1,
        "at": book.at,
        "by": line(by),
    }
    _drop(book.connection, record_id, kind)
    book.connection.execute(draft.insert(), kept)
    return _draft(kept)


def finish(
    book: Ledger, record_id: str, kind: LetterKind, letter: Mapping[str, Any], body: str, by: str, revision: int | None
) -> KeptLetter:
    """Make a letter final: an event of the chain, and no draft any more."""
    row = _row(book.connection, record_id, kind)
    _before(book.connection, row, kind, revision)
    if row["state"] != "signed":
        raise NotSettled(
            f"record {record_id} is not signed: the letter stays a draft and is saved; sign the record first"
        )
    content = {
        "number": len(final(book.connection, record_id)) + 1,
        "kind": kind,
        "letter": dict(letter),
        "body": plain(body),
        "version": row["version"],
        "made_on": row["revision"],
    }
    book.append(record_id, "letter", line(by), content)
    _drop(book.connection, record_id, kind)
    return final(book.connection, record_id)[-1]


def draft(connection: sa.Connection, record_id: str, kind: LetterKind) -> KeptLetter | None:
    """The draft of that kind, if there is one."""
    _row(connection, record_id, kind)
    table = schema.letter_draft
    query = sa.select(table).where(table.c.record_id == record_id, table.c.kind == kind)
    found = connection.execute(query).mappings().first()
    return _draft({str(key): value for key, value in found.items()}) if found else None


def drop(book: Ledger, record_id: str, kind: LetterKind) -> None:
    """Throw the draft of that kind away."""
    _row(book.connection, record_id, kind)
    _drop(book.connection, record_id, kind)


def final(connection: sa.Connection, record_id: str) -> list[KeptLetter]:
    """The letters that were made final, by number."""
    shown.row(connection, record_id)
    return [_final(link) for link in ledger.links(connection, record_id, kinds=("letter",))]


def _row(connection: sa.Connection, record_id: str, kind: str) -> Row:
    if kind not in LETTER_KINDS:
        raise StoreError(f"a letter is one of {', '.join(LETTER_KINDS)}: nothing was changed; please report this")
    return shown.row(connection, record_id)


def _before(connection: sa.Connection, row: Row, kind: LetterKind, revision: int | None) -> int:
    """The revision of the draft that is there, 0 if none is. Raises Overtaken if another one is known."""
    there = draft(connection, row["id"], kind)
    found = there.revision if there else 0
    if revision is not None and revision != found:
        raise Overtaken
    return found


def _drop(connection: sa.Connection, record_id: str, kind: LetterKind) -> None:
    table = schema.letter_draft
    connection.execute(table.delete().where(table.c.record_id == record_id, table.c.kind == kind))


def _draft(row: Row) -> KeptLetter:
    kept = {**row, "letter": json.loads(row["letter"]), "at": moment(row["at"])}
    return KeptLetter(number=0, **kept)


def _final(link: Link) -> KeptLetter:
    content = json.loads(link.payload or "{}")
    return KeptLetter(
        record_id=link.record_id,
        number=content["number"],
        kind=cast(LetterKind, content["kind"]),
        letter=content["letter"],
        body=content["body"],
        version=content["version"],
        made_on=content["made_on"],
        revision=0,
        at=moment(link.at),
        by=link.by,
    )
