"""What the store hands out: frozen objects without a tie to the database. Times are aware and in UTC."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any, Literal, get_args

State = Literal["open", "settled", "signed"]
Kind = Literal["new", "note", "decision", "undo", "patient", "sign", "amend", "delete", "letter", "referral"]
LetterKind = Literal["referral", "patient"]
ReferralState = Literal["draft", "sent", "booked", "replied", "closed"]

LETTER_KINDS: tuple[LetterKind, ...] = get_args(LetterKind)
REFERRAL_STATES: tuple[ReferralState, ...] = get_args(ReferralState)
"""In the order in which a referral goes through them."""


def in_words(state: ReferralState) -> str:
    """A referral's state as a person says it."""
    return "reply received" if state == "replied" else state


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
class KeptLetter:
    """A letter that is kept with a record: the draft of its kind, or a final one, which does not change.

    `number` counts the record's final letters from 1; a draft has 0. `letter` is the letter as it was drafted or made
    final, JSON-able, and `body` the text that was edited. `version` is the record's version it was made from, `made_on`
    the record's revision then; `revision` grows with every save of a draft and guards against overwriting.
    """

    record_id: str
    number: int
    kind: LetterKind
    letter: dict[str, Any]
    body: str
    version: int
    made_on: int
    revision: int
    at: datetime
    by: str

    @property
    def final(self) -> bool:
        """Whether it was made final."""
        return self.number > 0


@dataclass(frozen=True)
class Referral:
    """How a referral stands.

    `due` is the day by which the patient is to be seen there, `appointment` the day that was booked, `days` the day on
    which it came into each state. `letter` is the number of its final letter, if one was made here. `revision` grows with every
    change and guards against overwriting.
    """

    record_id: str
    number: int
    to: str
    urgency: str
    state: ReferralState
    due: date
    appointment: date | None
    days: Mapping[str, date]
    letter: int | None
    replies: int
    revision: int
    patient: Patient = field(default_factory=Patient)

    @property
    def id(self) -> str:
        """Its name: the record's id, and a number."""
        return f"{self.record_id}-{self.number}"

    @property
    def word(self) -> str:
        """Its state in words."""
        return in_words(self.state)

    @property
    def awaited(self) -> date | None:
        """The last day on which nothing needs to be asked; None once a reply is there or it is closed."""
        if self.state in ("replied", "closed"):
            return None
        return self.appointment or self.due if self.state == "booked" else self.due

    @property
    def late(self) -> bool:
        """Whether the appointment lies after the day by which the patient is to be seen."""
        return self.state == "booked" and self.appointment is not None and self.appointment > self.due

    def overdue(self, today: date) -> int:
        """Days by which it is overdue; 0 if it is not."""
        return max(0, (today - self.awaited).days) if self.awaited else 0


@dataclass(frozen=True)
class Step:
    """One thing that happened to a referral: how it stood then, when and by whom it was noted, and a reply's words."""

    at: datetime
    by: str
    state: ReferralState
    day: date
    due: date
    appointment: date | None
    reply: str = ""

    @property
    def word(self) -> str:
        """The state in words."""
        return in_words(self.state)


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
