"""The tables as they stand after the last migration; the migrations make them, never this module."""

from __future__ import annotations

import json
from typing import Any

import sqlalchemy as sa

from dictate.store.words import written

REVISION = "0002"
"""The last migration; a store at another one is brought here, or refused if it is unknown."""

VERSION_TABLE = "dictate_version"

TRIGGERS = {
    "sqlite": {"event_insert", "event_update", "event_delete", "chain_head_update", "chain_head_delete"},
    "postgresql": {"event_kept", "event_not_cleared", "chain_head_kept", "chain_head_not_cleared"},
}
"""What refuses to alter events, by database."""

FUNCTIONS = ("dictate_event_kept", "dictate_chain_head_kept")
"""What the guards of a PostgreSQL store call."""


class Words(sa.types.TypeDecorator[str]):
    """Any text at all, as a JSON string: PostgreSQL holds no NUL, neither database half a surrogate pair."""

    impl = sa.Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: sa.Dialect) -> str | None:
        return None if value is None else written(value)

    def process_result_value(self, value: Any, dialect: sa.Dialect) -> str | None:
        return None if value is None else str(json.loads(value))


metadata = sa.MetaData()

event = sa.Table(
    "event",
    metadata,
    sa.Column("seq", sa.BigInteger().with_variant(sa.Integer, "sqlite"), primary_key=True, autoincrement=False),
    sa.Column("record_id", sa.Text, nullable=False, index=True),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("by", sa.Text, nullable=False),
    sa.Column("payload", sa.Text),
    sa.Column("salt", sa.Text),
    sa.Column("payload_hash", sa.Text, nullable=False),
    sa.Column("prev_hash", sa.Text, nullable=False),
    sa.Column("hash", sa.Text, nullable=False),
)

chain_head = sa.Table(
    "chain_head",
    metadata,
    sa.Column("one", sa.Integer, sa.CheckConstraint("one = 1"), primary_key=True, autoincrement=False),
    sa.Column("seq", sa.BigInteger, nullable=False),
    sa.Column("hash", sa.Text, nullable=False),
)

record = sa.Table(
    "record",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("created", sa.Text, nullable=False),
    sa.Column("updated", sa.Text, nullable=False, index=True),
    sa.Column("state", sa.Text, nullable=False),
    sa.Column("revision", sa.Integer, nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("questions", sa.Integer),
    sa.Column("draft", Words, nullable=False),
    sa.Column("draft_at", sa.Text, nullable=False),
    sa.Column("draft_by", sa.Text, nullable=False),
    sa.Column("noted", sa.Text),
    sa.Column("signed_by", sa.Text, nullable=False),
    sa.Column("signed_at", sa.Text),
)

patient = sa.Table(
    "patient",
    metadata,
    sa.Column("id", sa.Text, sa.ForeignKey("record.id", ondelete="CASCADE"), primary_key=True),
    sa.Column("reference", sa.Text, nullable=False),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("birth_date", sa.Text, nullable=False),
    sa.Column("search", sa.Text, nullable=False),
)

letter_draft = sa.Table(
    "letter_draft",
    metadata,
    sa.Column("record_id", sa.Text, sa.ForeignKey("record.id", ondelete="CASCADE"), primary_key=True),
    sa.Column("kind", sa.Text, primary_key=True),
    sa.Column("letter", Words, nullable=False),
    sa.Column("body", Words, nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("made_on", sa.Integer, nullable=False),
    sa.Column("revision", sa.Integer, nullable=False),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("by", sa.Text, nullable=False),
)
"""A letter while it is written, one of a kind for each record; the final ones are events."""

referral = sa.Table(
    "referral",
    metadata,
    sa.Column("record_id", sa.Text, sa.ForeignKey("record.id", ondelete="CASCADE"), primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("recipient", sa.Text, nullable=False),
    sa.Column("urgency", sa.Text, nullable=False),
    sa.Column("state", sa.Text, nullable=False),
    sa.Column("due", sa.Text, nullable=False),
    sa.Column("appointment", sa.Text, nullable=False),
    sa.Column("days", sa.Text, nullable=False),
    sa.Column("letter", sa.Integer),
    sa.Column("replies", sa.Integer, nullable=False),
    sa.Column("revision", sa.Integer, nullable=False),
)
"""Referrals as lists show them; each is what its last event says. Days are YYYY-MM-DD, `days` is JSON by state."""

ROWS = (event, record, patient, letter_draft, referral)
"""What a store holds, in an order in which it can be filled; the head of the chain comes last."""

OF_RECORD = ((patient, patient.c.id), (letter_draft, letter_draft.c.record_id), (referral, referral.c.record_id))
"""What goes with a record, and the column that names it."""
