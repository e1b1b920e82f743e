"""Whether a store is sound: the file, the guards, the chain, and the records that are shown."""

from __future__ import annotations

from collections.abc import Iterator

import sqlalchemy as sa

from dictate.store import chain, ledger, schema
from dictate.store.replay import Told, differences, referral_differences, replayed


def faults(connection: sa.Connection) -> Iterator[str]:
    """Every fault in a sentence; nothing if the store is sound. The connection sees one moment."""
    yield from _file(connection)
    yield from guards(connection)
    told: dict[str, Told] = {}
    links = replayed(ledger.links(connection), told)
    yield from chain.faults(links, ledger.chain_head(connection))
    patient = schema.patient.c
    query = sa.select(schema.record, patient.reference, patient.name, patient.birth_date).select_from(
        schema.record.outerjoin(schema.patient, schema.record.c.id == patient.id)
    )
    yield from differences(told, [dict(row) for row in connection.execute(query).mappings()])
    rows = connection.execute(sa.select(schema.referral)).mappings()
    yield from referral_differences(told, [dict(row) for row in rows])


def _file(connection: sa.Connection) -> Iterator[str]:
    if connection.dialect.name == "sqlite":
        for (found,) in connection.exec_driver_sql("PRAGMA integrity_check(20)"):
            if found != "ok":
                yield f"the file is damaged: {found}"


def guards(connection: sa.Connection) -> Iterator[str]:
    """Whether the triggers that refuse to alter events are there and at work."""
    sqlite = connection.dialect.name == "sqlite"
    query = (
        "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        if sqlite
        else "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgenabled <> 'D'"
        " AND tgrelid IN ('event'::regclass, 'chain_head'::regclass)"
    )
    there = {name for (name,) in connection.exec_driver_sql(query)}
    missing = sorted(schema.TRIGGERS[connection.dialect.name] - there)
    if missing:
        yield f"the guards that keep events from change are missing: {', '.join(missing)}"
