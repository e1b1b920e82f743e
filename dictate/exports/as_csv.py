"""Many records as one table: a row an entry, every thing in a column of its own (RFC 4180).

Fields are separated by commas and lines end in CRLF; a field with a comma, a quotation mark or a line break is quoted.
A cell that a spreadsheet would take for a formula gets an apostrophe before it (OWASP, CSV injection); numbers never do.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable

from dictate.exports.document import Document
from dictate.lexicon import Lexicon
from dictate.record import Entry, Record

_BEFORE = "record note version status signed_by signed_at patient_reference patient_name birth_date".split()
_ENTRY = "entry item title side value low high unit".split()
_AFTER = "state origin questions start end words".split()
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?([eE][+-]?\d+)?")
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_BETWEEN = " | "


def columns(lexicon: Lexicon) -> list[str]:
    """The head of the table: one column for each circumstance that an item can have, in the lexicon's order."""
    told = (key for item in lexicon.items.values() for key in (*item.context, *item.soft_context))
    return [*_BEFORE, *_ENTRY, *dict.fromkeys(told), *_AFTER]


def as_csv(documents: Iterable[Document], lexicon: Lexicon) -> str:
    """The table with its head. A number is in `value`, and in `low` and `high`, which bound a range ("0.5 to 0.6")."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    head = columns(lexicon)
    writer.writerow(head)
    for document in documents:
        before = _document(document)
        for entry in document.record.entries:
            row = before | _row(entry, document.record, lexicon) | {"origin": document.origin(entry.id)}
            writer.writerow([guarded(row.get(column, "")) for column in head])
    return out.getvalue()


def guarded(cell: str) -> str:
    """A cell that no spreadsheet runs as a formula; "-0.10" and "+0.25" stay as they are."""
    return f"'{cell}" if cell.lstrip(" ").startswith(_FORMULA) and not _NUMBER.fullmatch(cell) else cell


def _document(document: Document) -> dict[str, str]:
    return {
        "record": document.id,
        "note": document.record.name,
        "version": str(document.version),
        "status": document.status,
        "signed_by": document.signed_by,
        "signed_at": document.signed_at.isoformat() if document.signed_at else "",
        "patient_reference": document.reference,
        "patient_name": document.name,
        "birth_date": document.birth_date.isoformat() if document.birth_date else "",
    }


def _row(entry: Entry, record: Record, lexicon: Lexicon) -> dict[str, str]:
    item = lexicon.items.get(entry.item)
    asked = [flag.question for flag in record.flags if flag.id in entry.flags]
    first = entry.evidence[0] if entry.evidence else None
    return {
        "entry": entry.id,
        "item": entry.item,
        "title": item.title if item else "",
        "side": entry.side or "",
        **_value(entry),
        "unit": entry.unit,
        **{key: str(value) for key, value in entry.context.items()},
        "state": entry.state,
        "questions": _BETWEEN.join(asked),
        "start": str(first.start) if first else "",
        "end": str(first.end) if first else "",
        "words": _BETWEEN.join(one.text for one in entry.evidence),
    }


def _value(entry: Entry) -> dict[str, str]:
    value = entry.value
    if isinstance(value, list):
        return {"value": " to ".join(map(str, value)), "low": str(min(value)), "high": str(max(value))}
    if isinstance(value, int | float):
        return {"value": str(value), "low": str(value), "high": str(value)}
    return {"value": value or ""}
