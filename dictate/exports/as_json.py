"""The printed record with its patient, version and signature."""

from __future__ import annotations

from typing import Any

from dictate import __version__
from dictate.exports.document import Document


def as_json(document: Document) -> dict[str, Any]:
    """The record as `dictate read` prints it ("exam-record/1"), with more keys, ready for json.dumps.

    `record_id`, `version`, `status`, `at`, `patient`; `signature` is null where nobody has signed; `origins` names the
    entries that were not just read from the note. Open questions stand in `flags`. Times are ISO 8601.
    """
    return {
        **document.record.to_dict(),
        "record_id": document.id or None,
        "version": document.version,
        "status": document.status,
        "at": document.at.isoformat(),
        "patient": {
            "reference": document.reference or None,
            "name": document.name or None,
            "birth_date": document.birth_date.isoformat() if document.birth_date else None,
        },
        "signature": _signature(document),
        "origins": dict(document.origins),
        "program": f"dictate {__version__}",
    }


def _signature(document: Document) -> dict[str, str] | None:
    if document.signed_at is None:
        return None
    return {"by": document.signed_by, "at": document.signed_at.isoformat()}
