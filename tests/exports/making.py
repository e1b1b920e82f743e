"""Documents to export: whole notes with their questions dropped, and made-up entries of every item."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any

from dictate import demo, derive
from dictate.exports import Document
from dictate.exports.codes import load as load_codes
from dictate.lexicon import Item, load
from dictate.pipeline import read
from dictate.record import Entry, Evidence, Record
from dictate.settling import drop, settle

LEXICON = load(None)
CODES = load_codes(LEXICON)
AT = datetime(2026, 3, 4, 15, 6, 7, tzinfo=UTC)
NOTES = Path(__file__).parents[1] / "notes"
SHARED = Path(__file__).parents[3] / "shared" / "notes"

_CIRCUMSTANCES: dict[str, str | int] = {
    "fork": 512,
    "sample": 2,
    "time": "14:05",
    "nerve": "III",
    "urgency": "same_day",
}
_VALUES: dict[str, list[Any]] = {
    "quantity": [4, 4.5, [0.5, 0.6]],
    "acuity": ["6/9-2", "20/40", "0.18 logMAR", "-0.10 logMAR", "0.5 decimal", "CF", "CF 1 m", "HM", "LP", "NLP"],
    "near": ["N5", "J2", "0.4M"],
    "score": ["13/15"],
    "finding": ["present", "absent", "suspected"],
    "grade": ["3-4", "25%", "2+", "5/5"],
    "text": ["clove", "6 months"],
}


def note_files() -> list[Path]:
    """Every annotated note, the shared ones where they are at hand."""
    shared = sorted(SHARED.glob("*.txt")) if SHARED.is_dir() else []
    return [*sorted(NOTES.glob("*.txt")), *shared]


def texts() -> Iterator[tuple[str, str]]:
    """Name and text of every note and every demo note."""
    for path in note_files():
        yield path.name, path.read_bytes().decode("utf-8")
    for name in demo.names():
        yield f"{name}.txt", demo.note(name).text


def settled(text: str, name: str = "note.txt") -> Record:
    """A note read, with everything dropped that is asked about."""
    record = read(text, name=name, lexicon=LEXICON)
    decisions: list[Any] = []
    standing = settle(record, text, decisions, {record.sha256: text}, LEXICON)
    while standing.record.flags:
        decisions.append(drop(standing, [standing.record.flags[0].id], "MK"))
        standing = settle(record, text, decisions, {record.sha256: text}, LEXICON)
    return standing.record


def document(record: Record, text: str = "", **more: Any) -> Document:
    """A signed document of a patient."""
    given: dict[str, Any] = {
        "id": "k7",
        "signed_by": "MK",
        "signed_at": AT,
        "reference": "P-17",
        "name": "Ana Examplar",
        "birth_date": date(1961, 2, 3),
    }
    return Document(record, AT, text, **{**given, **more})


def of_note(text: str, **more: Any) -> Document:
    """A signed document of a note."""
    return document(settled(text), text, **more)


def unsigned(one: Document) -> Document:
    """The same before it was signed."""
    return replace(one, signed_by="", signed_at=None)


def of_entries(*given: Entry) -> Document:
    """A document of entries; their words make up the note."""
    text, entries = "", []
    for number, entry in enumerate(given, 1):
        words = f"words {number} of | ^ ~ & \\ “{entry.item}”\n"
        start = len(text)
        text += words
        evidence = (Evidence(start, len(text) - 1, words[:-1]),)
        entries.append(replace(entry, id=f"e{number}", evidence=evidence))
    whole = tuple(entries)
    record = Record(
        "made.txt",
        len(text),
        sha256(text.encode()).hexdigest(),
        whole,
        derived=derive.derive(whole, LEXICON),
        not_documented=derive.not_documented(whole, LEXICON),
    )
    return document(record, text)


def entry(item: str, side: str | None, value: Any, **context: str | int) -> Entry:
    """An entry without words; `of_entries` gives it some."""
    kind = LEXICON.items[item]
    unit = kind.unit if kind.kind == "quantity" and value != "not_done" else ""
    return Entry("", item, side, value, unit, context, "stated", ())


def every(kind: str) -> list[Entry]:
    """Entries of every item of a kind: each value, each side, each circumstance, and not done."""
    out: list[Entry] = []
    for item in LEXICON.items.values():
        if item.kind == kind:
            values = item.values or _VALUES[kind]
            sides = _sides(item)
            out += [entry(item.key, sides[n % len(sides)], value) for n, value in enumerate(values)]
            out += [entry(item.key, side, "not_done") for side in sides]
            for key in (*item.context, *item.soft_context):
                out.append(entry(item.key, sides[0], values[0], **{key: _CIRCUMSTANCES.get(key, "dim")}))
    return out


def _sides(item: Item) -> list[str | None]:
    sides: list[str | None] = ["right", "left"] if item.sided else []
    if item.both_eyes:
        sides.append("both")
    return sides if sides and not item.side_optional else [*sides, None]
