"""What a clinician decided, and the record as it stands after that."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from dictate.record import Entry, Evidence, Record, Value

Origin = Literal["read", "chosen", "own"]
Kind = Literal["choose", "rows", "drop", "change", "remove", "add"]


@dataclass(frozen=True)
class Row:
    """What an entry states, without its words."""

    item: str
    side: str | None
    value: Value
    context: Mapping[str, str | int] = field(default_factory=dict)

    @classmethod
    def of(cls, entry: Entry) -> Row:
        """The row that an entry states."""
        return cls(entry.item, entry.side, entry.value, dict(entry.context))

    def to_dict(self) -> dict[str, Any]:
        """The form that is kept."""
        return {"item": self.item, "side": self.side, "value": self.value, "context": dict(self.context)}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Row:
        """The row kept as `to_dict` gives it."""
        return cls(data["item"], data["side"], data["value"], dict(data["context"]))


@dataclass(frozen=True)
class Anchor:
    """Words of the note as it stood at the decision: characters `start` up to `end`."""

    start: int
    end: int
    text: str

    @classmethod
    def of(cls, evidence: Evidence) -> Anchor:
        """The anchor in the words of an entry or a flag."""
        return cls(evidence.start, evidence.end, evidence.text)


@dataclass(frozen=True)
class Target:
    """What a decision is about: a question (`reason` set) with its rows, or else one entry; and the words.

    `made_by` is the decision that made the entry, if one did: a row added by hand has no words.
    """

    reason: str = ""
    rows: tuple[Row, ...] = ()
    anchors: tuple[Anchor, ...] = ()
    made_by: str = ""

    def to_dict(self) -> dict[str, Any]:
        """The form that is kept."""
        return {
            "reason": self.reason,
            "rows": [r.to_dict() for r in self.rows],
            "anchors": [[a.start, a.end, a.text] for a in self.anchors],
            "made_by": self.made_by,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Target:
        """The target kept as `to_dict` gives it."""
        return cls(
            data["reason"],
            tuple(Row.from_dict(r) for r in data["rows"]),
            tuple(Anchor(*a) for a in data["anchors"]),
            data["made_by"],
        )


@dataclass(frozen=True)
class Decision:
    """One decision of the clinician, with what stood before it.

    choose: one of a question's choices. rows: other rows take the place of those asked about.
    drop: what was asked about was not said. change, remove, add: by hand, on the record itself.
    `note` is the SHA-256 of the note's text at that time; `at` is UTC, ISO 8601.
    """

    id: str
    kind: Kind
    note: str
    by: str
    at: str
    targets: tuple[Target, ...] = ()
    rows: tuple[Row, ...] = ()
    choice: Mapping[str, Any] = field(default_factory=dict)

    @property
    def was(self) -> tuple[Row, ...]:
        """The rows that stood before."""
        return tuple(row for target in self.targets for row in target.rows)

    def to_dict(self) -> dict[str, Any]:
        """The form that is kept; `from_dict` reads it back."""
        return {
            "id": self.id,
            "kind": self.kind,
            "note": self.note,
            "by": self.by,
            "at": self.at,
            "targets": [t.to_dict() for t in self.targets],
            "rows": [r.to_dict() for r in self.rows],
            "choice": dict(self.choice),
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Decision:
        """The decision kept as `to_dict` gives it."""
        return cls(
            data["id"],
            data["kind"],
            data["note"],
            data["by"],
            data["at"],
            tuple(Target.from_dict(t) for t in data["targets"]),
            tuple(Row.from_dict(r) for r in data["rows"]),
            dict(data["choice"]),
        )


@dataclass(frozen=True)
class SettledEntry:
    """An entry with its origin: read from the note, chosen in answer to a question, or the clinician's own.

    `was` is what stood before the decision; `decision` is the id of the last one.
    """

    entry: Entry
    origin: Origin = "read"
    was: tuple[Row, ...] = ()
    decision: str = ""


@dataclass(frozen=True)
class Settled:
    """A record after decisions.

    `record` holds entries numbered anew, the questions still open, and what is computed from what
    stands. `lapsed` are decisions whose words are no longer there: they count no more and are asked again.
    """

    record: Record
    entries: tuple[SettledEntry, ...]
    applied: tuple[Decision, ...] = ()
    lapsed: tuple[Decision, ...] = ()

    @property
    def open(self) -> int:
        """How many questions are open."""
        return len(self.record.flags)

    def settled_entry(self, entry_id: str) -> SettledEntry:
        """The entry of that id with its origin; KeyError if there is none."""
        for one in self.entries:
            if one.entry.id == entry_id:
                return one
        raise KeyError(entry_id)
