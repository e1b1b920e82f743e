"""What is exported: a record with its note, its patient, its version and its signature."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Literal
from uuid import UUID, uuid5

from dictate.errors import DictateError
from dictate.record import Record

Status = Literal["preliminary", "final", "amended"]

ROOT = UUID("4957d8c7-f87d-474f-ac72-24f239a6119e")
"""Namespace of every identifier made here: the same document has the same identifiers each time."""


class OpenQuestions(DictateError):  # noqa: N818
    """A record of which something is still to be confirmed; `documents` are those concerned."""

    def __init__(self, *documents: Document) -> None:
        self.documents = documents
        super().__init__("; ".join(f"{one.label}: {_count(len(one.record.flags))} still open" for one in documents))


@dataclass(frozen=True)
class Document:
    """A record to be exported.

    `at` is the aware time at which it stood like this: of the signature, or else of the last change. `id` is its id
    in the store, if it is kept in one. `name`, `reference` and `birth_date` are the patient's, as far as known. `origins`
    names, by their ids, the entries that were not just read: "chosen" in answer to a question, or the clinician's "own".
    """

    record: Record
    at: datetime
    text: str = ""
    id: str = ""
    version: int = 1
    signed_by: str = ""
    signed_at: datetime | None = None
    reference: str = ""
    name: str = ""
    birth_date: date | None = None
    origins: Mapping[str, str] = field(default_factory=dict)

    @property
    def label(self) -> str:
        """What a person calls it: the record's id or the note's name."""
        return self.id or self.record.name

    @property
    def signed(self) -> bool:
        """Whether a clinician has signed it."""
        return self.signed_at is not None

    @property
    def status(self) -> Status:
        """How far it has come: a later version that is signed amends the one before."""
        if not self.signed:
            return "preliminary"
        return "final" if self.version == 1 else "amended"

    @property
    def key(self) -> str:
        """What tells it from every other record: its id, or else the digest of its note."""
        return self.id or self.record.sha256

    def uuid(self, *parts: str) -> str:
        """An identifier for a part of it, the same each time."""
        return str(uuid5(ROOT, "/".join((self.key, str(self.version), *parts))))

    def origin(self, entry_id: str) -> str:
        """How an entry came about: "read", "chosen" or "own"."""
        return self.origins.get(entry_id, "read")

    def settled(self) -> Document:
        """Itself. Raises OpenQuestions."""
        if self.record.open:
            raise OpenQuestions(self)
        return self


def _count(number: int) -> str:
    return f"{number} question{'s' * (number != 1)}"
