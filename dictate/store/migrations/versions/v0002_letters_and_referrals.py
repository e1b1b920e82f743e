"""Letters that are being written, and referrals as they stand; what is final lies in the events."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Make the two tables."""
    op.create_table(
        "letter_draft",
        sa.Column("record_id", sa.Text, sa.ForeignKey("record.id", ondelete="CASCADE"), primary_key=True),
        sa.Column("kind", sa.Text, primary_key=True),
        sa.Column("letter", sa.Text, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("made_on", sa.Integer, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("by", sa.Text, nullable=False),
    )
    op.create_table(
        "referral",
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
