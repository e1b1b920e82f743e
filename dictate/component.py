"""The reading as a component of a spaCy pipeline.

    nlp = spacy.blank("en")
    nlp.add_pipe("dictate")
    record = nlp("Pupils 4 mm, equal, no RAPD.")._.dictation

The factory is found by its entry point. The record's offsets are those of `doc.text`. A `Doc`
keeps the record as plain data, so that it can be sent between processes and stored.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from spacy.language import Language
from spacy.tokens import Doc

from dictate.lexicon import load
from dictate.pipeline import read
from dictate.record import Derived, Entry, Evidence, Flag, Record

_KEY = "dictate.record"


def _evidence(data: Any) -> tuple[Evidence, ...]:
    return tuple(Evidence(**one) for one in data)


def _record(data: dict[str, Any]) -> Record:
    """The record that `dataclasses.asdict` took apart."""

    def tuples(one: dict[str, Any], *keys: str) -> dict[str, Any]:
        return {**one, **{k: tuple(one[k]) for k in keys}}

    return Record(
        **{
            **data,
            "entries": tuple(
                Entry(**{**tuples(e, "flags", "why"), "evidence": _evidence(e["evidence"])}) for e in data["entries"]
            ),
            "flags": tuple(
                Flag(**{**tuples(f, "entries", "choices"), "evidence": _evidence(f["evidence"])}) for f in data["flags"]
            ),
            "derived": tuple(Derived(**tuples(d, "entries")) for d in data["derived"]),
            "not_documented": tuple(data["not_documented"]),
            "unplaced": _evidence(data["unplaced"]),
            "silent": tuple((because, Evidence(**e)) for because, e in data["silent"]),
        }
    )


def _get(doc: Doc) -> Record | None:
    data = doc.user_data.get(_KEY)
    return None if data is None else _record(data)


def _set(doc: Doc, record: Record) -> None:
    doc.user_data[_KEY] = asdict(record)


class Dictation:
    """Reads each document into `Doc._.dictation`."""

    def __init__(self, lexicon: str | None = None) -> None:
        self.lexicon = load(lexicon)

    def __call__(self, doc: Doc) -> Doc:
        """Put the record of the document's text on it."""
        _set(doc, read(doc.text, lexicon=self.lexicon))
        return doc


if not Doc.has_extension("dictation"):
    Doc.set_extension("dictation", getter=_get, setter=_set)


@Language.factory("dictate", default_config={"lexicon": None})
def make(nlp: Language, name: str, lexicon: str | None) -> Dictation:
    """The factory; `lexicon` is a folder of lexicon files to add. Raises LexiconError."""
    return Dictation(lexicon)
