"""What the store hands out: frozen objects without a tie to the database. Times are aware and in UTC."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, Literal

State = Literal["open", "settled", "signed"]
Kind = Literal["new", "note", "decision", "undo", "patient", "sign", "amend", "delete"]

_STAMP = "%Y-%m-%dT%H:%M:%S.%fZ"


def stamp(moment: datetime) -> str:
    """A time as the store writes it: UTC to the microsecond, of one width, so that text sorts as time."""
    return moment.astimezone(UTC).strftime(_STAMP)


def moment(text: str) -> datetime:
    """The time that `stamp` wrote."""
    return datetime.strptime(text, _STAMP).replace(tzinfo=UTC)


@dataclass(frozen=True)
class Patient:
    """Whose record it is, as far as anybody said; kept apart from the note."""

    reference: str = ""
    name: str = ""
    birth_date: date | None = None

    def to_dict(self) -> dict[str, str]:
        """JSON-able; a birth date that is not given is an empty string."""
        return {
            "reference": self.reference,
            "name": self.name,
            "birth_date": self.birth_date.isoformat() if self.birth_date else "",
        }

    @classmethod
    def from_dict(cls, given: Mapping[str, str]) -> Patient:
        """The patient that `to_dict` wrote."""
        born = given.get("birth_date", "")
        return cls(given.get("reference", ""), given.get("name", ""), date.fromisoformat(born) if born else None)


@dataclass(frozen=True)
class RecordHead:
    """How a record stands: what a list shows of it.

    `revision` grows with every change and guards against overwriting; `version` counts signatures, from 1, and is
    the number that the next (or, once signed, the last) signature has. `questions` is the number of open questions, or None
    where nobody has counted them since the last change.
    """

    id: str
    created: datetime
    updated: datetime
    state: State
    revision: int
    version: int
    questions: int | None
    signed_by: str
    signed_at: datetime | None
    patient: Patient


@dataclass(frozen=True)
class Loaded:
    """A record as it stands at one moment.

    `decisions` are those that hold, in the order they were taken; `texts` are the note's versions by their SHA-256,
    the present one among them.
    """

    head: RecordHead
    text: str
    decisions: tuple[dict[str, Any], ...]
    texts: dict[str, str]


@dataclass(frozen=True)
class Event:
    """One link of the chain. `payload` is None in a tombstone and in what it has emptied."""

    seq: int
    record_id: str
    kind: Kind
    at: datetime
    by: str
    payload: dict[str, Any] | None


@dataclass(frozen=True)
class Version:
    """A record as it was signed; `record` is the snapshot that was given, `program` the version that wrote it."""

    number: int
    initials: str
    at: datetime
    note: str
    record: dict[str, Any]
    patient: Patient
    program: str


@dataclass(frozen=True)
class ChainHead:
    """The end of the chain; noted elsewhere, it proves later that nothing before it was rewritten."""

    seq: int
    hash: str


@dataclass(frozen=True)
class Copied:
    """What a backup or a restore has taken over, and the faults found in it."""

    records: int
    events: int
    faults: tuple[str, ...] = ()
