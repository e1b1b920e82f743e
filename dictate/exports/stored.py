"""Documents of what the store holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dictate.exports.document import Document
from dictate.record import Record

if TYPE_CHECKING:
    from dictate.settling import Settled
    from dictate.store.model import RecordHead, Version


def signed(record_id: str, version: Version) -> Document:
    """A record as it was signed."""
    return Document(
        record=Record.from_dict(version.record),
        at=version.at,
        text=version.note,
        id=record_id,
        version=version.number,
        signed_by=version.initials,
        signed_at=version.at,
        reference=version.patient.reference,
        name=version.patient.name,
        birth_date=version.patient.birth_date,
        origins={key: str(told["origin"]) for key, told in version.record.get("origins", {}).items()},
    )


def draft(head: RecordHead, text: str, settled: Settled) -> Document:
    """A record as it stands: `text` is its note, `settled` what it says after the decisions."""
    return Document(
        record=settled.record,
        at=head.updated,
        text=text,
        id=head.id,
        version=head.version,
        reference=head.patient.reference,
        name=head.patient.name,
        birth_date=head.patient.birth_date,
        origins={one.entry.id: one.origin for one in settled.entries if one.origin != "read"},
    )
