"""Events in a chain, and the records as they stand.

There is no way back: it could only drop what was recorded.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

START = "0" * 64

SQLITE = (
    """
    CREATE TRIGGER event_insert BEFORE INSERT ON event
    WHEN NOT EXISTS (SELECT 1 FROM chain_head WHERE seq = NEW.seq - 1 AND hash = NEW.prev_hash)
    BEGIN SELECT RAISE(ABORT, 'an event follows the one before it'); END
    """,
    """
    CREATE TRIGGER event_update BEFORE UPDATE ON event
    WHEN NOT (
      NEW.payload IS NULL AND NEW.salt IS NULL
      AND (NEW.seq, NEW.record_id, NEW.kind, NEW."at", NEW."by", NEW.payload_hash, NEW.prev_hash, NEW.hash)
        IS (OLD.seq, OLD.record_id, OLD.kind, OLD."at", OLD."by", OLD.payload_hash, OLD.prev_hash, OLD.hash)
      AND EXISTS (SELECT 1 FROM event WHERE record_id = OLD.record_id AND kind = 'delete'))
    BEGIN SELECT RAISE(ABORT, 'events do not change'); END
    """,
    """
    CREATE TRIGGER event_delete BEFORE DELETE ON event
    BEGIN SELECT RAISE(ABORT, 'events are not removed'); END
    """,
    """
    CREATE TRIGGER chain_head_update BEFORE UPDATE ON chain_head
    WHEN NOT (NEW.seq = OLD.seq + 1
      AND EXISTS (SELECT 1 FROM event WHERE seq = NEW.seq AND hash = NEW.hash))
    BEGIN SELECT RAISE(ABORT, 'the chain only grows'); END
    """,
    """
    CREATE TRIGGER chain_head_delete BEFORE DELETE ON chain_head
    BEGIN SELECT RAISE(ABORT, 'the chain only grows'); END
    """,
)

POSTGRES = (
    """
    CREATE FUNCTION dictate_event_kept() RETURNS trigger LANGUAGE plpgsql AS $body$
    BEGIN
      IF TG_OP = 'INSERT' THEN
        IF NOT EXISTS (SELECT 1 FROM chain_head WHERE seq = NEW.seq - 1 AND hash = NEW.prev_hash) THEN
          RAISE EXCEPTION 'an event follows the one before it';
        END IF;
        RETURN NEW;
      ELSIF TG_OP = 'UPDATE' THEN
        IF NEW.payload IS NULL AND NEW.salt IS NULL
          AND (NEW.seq, NEW.record_id, NEW.kind, NEW."at", NEW."by", NEW.payload_hash, NEW.prev_hash, NEW.hash)
            IS NOT DISTINCT FROM
            (OLD.seq, OLD.record_id, OLD.kind, OLD."at", OLD."by", OLD.payload_hash, OLD.prev_hash, OLD.hash)
          AND EXISTS (SELECT 1 FROM event WHERE record_id = OLD.record_id AND kind = 'delete') THEN
          RETURN NEW;
        END IF;
      END IF;
      RAISE EXCEPTION 'events do not change and are not removed';
    END $body$
    """,
    """
    CREATE FUNCTION dictate_chain_head_kept() RETURNS trigger LANGUAGE plpgsql AS $body$
    BEGIN
      IF TG_OP = 'UPDATE' THEN
        IF NEW.seq = OLD.seq + 1 AND EXISTS (SELECT 1 FROM event WHERE seq = NEW.seq AND hash = NEW.hash) THEN
          RETURN NEW;
        END IF;
      END IF;
      RAISE EXCEPTION 'the chain only grows';
    END $body$
    """,
    "CREATE TRIGGER event_kept BEFORE INSERT OR UPDATE OR DELETE ON event"
    " FOR EACH ROW EXECUTE FUNCTION dictate_event_kept()",
    "CREATE TRIGGER event_not_cleared BEFORE TRUNCATE ON event"
    " FOR EACH STATEMENT EXECUTE FUNCTION dictate_event_kept()",
    "CREATE TRIGGER chain_head_kept BEFORE UPDATE OR DELETE ON chain_head"
    " FOR EACH ROW EXECUTE FUNCTION dictate_chain_head_kept()",
    "CREATE TRIGGER chain_head_not_cleared BEFORE TRUNCATE ON chain_head"
    " FOR EACH STATEMENT EXECUTE FUNCTION dictate_chain_head_kept()",
)


def upgrade() -> None:
    """Make the tables, the start of the chain and the triggers."""
    big = sa.BigInteger().with_variant(sa.Integer, "sqlite")
    op.create_table(
        "event",
        sa.Column("seq", big, primary_key=True, autoincrement=False),
        sa.Column("record_id", sa.Text, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("payload", sa.Text),
        sa.Column("salt", sa.Text),
        sa.Column("payload_hash", sa.Text, nullable=False),
        sa.Column("prev_hash", sa.Text, nullable=False),
        sa.Column("hash", sa.Text, nullable=False),
    )
    op.create_index("ix_event_record_id", "event", ["record_id"])
    op.create_table(
        "chain_head",
        sa.Column("one", sa.Integer, sa.CheckConstraint("one = 1"), primary_key=True, autoincrement=False),
        sa.Column("seq", sa.BigInteger, nullable=False),
        sa.Column("hash", sa.Text, nullable=False),
    )
    op.execute(f"INSERT INTO chain_head (one, seq, hash) VALUES (1, 0, '{START}')")
    op.create_table(
        "record",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("created", sa.Text, nullable=False),
        sa.Column("updated", sa.Text, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("questions", sa.Integer),
        sa.Column("draft", sa.Text, nullable=False),
        sa.Column("draft_at", sa.Text, nullable=False),
        sa.Column("draft_by", sa.Text, nullable=False),
        sa.Column("noted", sa.Text),
        sa.Column("signed_by", sa.Text, nullable=False),
        sa.Column("signed_at", sa.Text),
    )
    op.create_index("ix_record_updated", "record", ["updated"])
    op.create_table(
        "patient",
        sa.Column("id", sa.Text, sa.ForeignKey("record.id", ondelete="CASCADE"), primary_key=True),
        sa.Column("reference", sa.Text, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("birth_date", sa.Text, nullable=False),
        sa.Column("search", sa.Text, nullable=False),
    )
    for statement in POSTGRES if op.get_bind().dialect.name == "postgresql" else SQLITE:
        op.execute(statement)
