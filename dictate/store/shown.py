"""Records as lists and pages show them: looked up, searched, and turned into what the store hands out."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from typing import Any, cast

import sqlalchemy as sa

from dictate.store import ledger, schema
from dictate.store.faults import Damaged, Signed, Stale, Unknown
from dictate.store.model import Event, Patient, RecordHead, State, Version, moment, stamp
from dictate.store.words import folded, line

Row = Mapping[str, Any]
"""A row of `record`, joined with `patient`."""

_ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"  # no letter that reads as another or as a digit
_ID_LENGTH = 8
_WHO = (schema.patient.c.reference, schema.patient.c.name, schema.patient.c.birth_date)
_HEAD = (*(c for c in schema.record.c if not c.name.startswith(("draft", "noted"))), *_WHO)
_JOINED = schema.record.join(schema.patient, schema.record.c.id == schema.patient.c.id)


def row(connection: sa.Connection, record_id: str) -> Row:
    """The row of a record. Raises Unknown."""
    if not set(record_id) <= set(_ALPHABET):  # no database is asked with whatever an address may hold
        raise unknown(record_id)
    query = sa.select(schema.record, *_WHO).select_from(_JOINED).where(schema.record.c.id == record_id)
    found = connection.execute(query).mappings().first()
    if found is None:
        tombstone = next(ledger.links(connection, record_id, kinds=("delete",)), None)
        raise unknown(record_id, tombstone.at if tombstone else None)
    return {str(key): value for key, value in found.items()}


def open_row(connection: sa.Connection, record_id: str, revision: int) -> Row:
    """The row of a record that may be changed by somebody who knows this revision. Raises Unknown, Stale, Signed."""
    found = row(connection, record_id)
    if found["revision"] != revision:
        raise Stale(head(found))
    if found["state"] == "signed":
        raise Signed(
            f"record {record_id} is signed by {found['signed_by']} and does not change: nothing was changed; amend it to"
            " make a new version"
        )
    return found


def unknown(record_id: str, deleted_at: str | None = None) -> Unknown:
    """The fault that a record is not there."""
    name = line(record_id)[:40]
    look = "nothing was changed; dictate records list shows what there is"
    if deleted_at:
        return Unknown(f"record {name} was deleted on {moment(deleted_at).astimezone().date()}: {look}")
    return Unknown(f"there is no record {name}: {look}")


def history(connection: sa.Connection, record_id: str) -> list[Event]:
    """All events of a record, also of a deleted one. Raises Unknown."""
    known = set(record_id) <= set(_ALPHABET)
    events = [ledger.told(link) for link in ledger.links(connection, record_id)] if known else []
    if not events:
        raise unknown(record_id)
    return events


def new_id(connection: sa.Connection) -> str:
    """A name that no record has or had, short enough to be typed."""
    while True:
        record_id = "".join(secrets.choice(_ALPHABET) for _ in range(_ID_LENGTH))
        if next(ledger.links(connection, record_id), None) is None:
            return record_id


def search(
    connection: sa.Connection,
    text: str = "",
    state: State | None = None,
    since: date | datetime | None = None,
    until: date | datetime | None = None,
    limit: int | None = None,
) -> list[RecordHead]:
    """Records, those changed last first; `Store.find` says what is found."""
    record, patient = schema.record.c, schema.patient.c
    query = sa.select(*_HEAD).select_from(_JOINED).order_by(record.updated.desc(), record.id).limit(limit)
    for word in folded(line(text)).split():
        query = query.where(
            patient.search.contains(word, autoescape=True) | record.id.startswith(word, autoescape=True)
        )
    if state is not None:
        query = query.where(record.state == state)
    if since is not None:
        query = query.where(record.created >= stamp(_instant(since)))
    if until is not None:
        query = query.where(record.created < stamp(_instant(until, days=1)))
    return [head({str(key): value for key, value in found.items()}) for found in connection.execute(query).mappings()]


def _instant(bound: date | datetime, *, days: int = 0) -> datetime:
    """An aware time as it is; of a day, its beginning in local time, some days later."""
    if isinstance(bound, datetime):
        return bound
    return datetime.combine(bound + timedelta(days=days), time()).astimezone()


def head(row: Row) -> RecordHead:
    """A row as it is handed out."""
    return RecordHead(
        id=row["id"],
        created=moment(row["created"]),
        updated=moment(row["updated"]),
        state=cast(State, row["state"]),
        revision=row["revision"],
        version=row["version"],
        questions=row["questions"],
        signed_by=row["signed_by"],
        signed_at=moment(row["signed_at"]) if row["signed_at"] else None,
        patient=Patient.from_dict(row),
    )


def version(event: Event, texts: Mapping[str, str]) -> Version:
    """A signature as it is handed out; `texts` are the record's notes by their SHA-256."""
    content = event.payload or {}
    note = texts.get(content.get("note_sha256", ""))
    if note is None:
        raise Damaged(
            f"the note that was signed as record {event.record_id} is not in the store: nothing was changed; run dictate"
            " records verify and restore the last sound backup"
        )
    return Version(
        number=content["version"],
        initials=content["initials"],
        at=event.at,
        note=note,
        record=content["record"],
        patient=Patient.from_dict(content["patient"]),
        program=content["program"],
    )
