"""The store: records as they were noted, decided and signed, in a file of the user's or in a clinic's database.

Needs the extra `desk` (SQLAlchemy, Alembic, platformdirs), and `clinic` for PostgreSQL.
"""

from dictate.store.faults import (
    Damaged,
    Full,
    Lingering,
    Locked,
    Newer,
    NotEmpty,
    NotSettled,
    ReadOnly,
    Signed,
    Stale,
    StoreError,
    Unknown,
    Unreachable,
)
from dictate.store.model import ChainHead, Copied, Event, Loaded, Patient, RecordHead, State, Version
from dictate.store.store import Store, open_store

__all__ = [
    "ChainHead",
    "Copied",
    "Damaged",
    "Event",
    "Full",
    "Lingering",
    "Loaded",
    "Locked",
    "Newer",
    "NotEmpty",
    "NotSettled",
    "Patient",
    "ReadOnly",
    "RecordHead",
    "Signed",
    "Stale",
    "State",
    "Store",
    "StoreError",
    "Unknown",
    "Unreachable",
    "Version",
    "open_store",
]
