"""The record: entries, flags, derived values and what was not documented.

Everything after the reading works from these frozen objects; `Record.to_dict` gives the
printed form ("exam-record/1").
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

Value = float | int | str | list[float] | None
SCHEMA = "exam-record/1"


@dataclass(frozen=True, slots=True)
class Evidence:
    """Words of the note: characters `start` up to `end` (code points of the note as read)."""

    start: int
    end: int
    text: str

    def to_dict(self) -> dict[str, Any]:
        """The printed form."""
        return {"start": self.start, "end": self.end, "text": self.text}


@dataclass(frozen=True)
class Entry:
    """One row of the record; `why` says, step by step, how it came about."""

    id: str
    item: str
    side: str | None
    value: Value
    unit: str
    context: dict[str, str | int]
    state: str
    evidence: tuple[Evidence, ...]
    flags: tuple[str, ...] = ()
    why: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The printed form."""
        out: dict[str, Any] = {"id": self.id, "item": self.item, "side": self.side, "value": self.value}
        if self.unit:
            out["unit"] = self.unit
        out["context"] = dict(self.context)
        out["state"] = self.state
        if self.flags:
            out["flags"] = list(self.flags)
        out["evidence"] = [e.to_dict() for e in self.evidence]
        return out


@dataclass(frozen=True)
class Flag:
    """Something the clinician must settle before a letter can be drafted."""

    id: str
    reason: str
    question: str
    entries: tuple[str, ...]
    evidence: tuple[Evidence, ...]
    choices: tuple[dict[str, Any], ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The printed form."""
        return {
            "id": self.id,
            "reason": self.reason,
            "question": self.question,
            "entries": list(self.entries),
            "evidence": [e.to_dict() for e in self.evidence],
            "choices": [dict(c) for c in self.choices],
        }


@dataclass(frozen=True)
class Derived:
    """Something computed: its value, the entries it comes from, and the source of its rule."""

    key: str
    side: str | None
    value: Value
    unit: str
    text: str
    entries: tuple[str, ...]
    source: str
    outside: bool = False

    def to_dict(self) -> dict[str, Any]:
        """The printed form."""
        return {
            "key": self.key,
            "side": self.side,
            "value": self.value,
            "unit": self.unit,
            "text": self.text,
            "outside": self.outside,
            "entries": list(self.entries),
            "source": self.source,
        }


@dataclass(frozen=True)
class Record:
    """All that one note says, as read."""

    name: str
    characters: int
    sha256: str
    entries: tuple[Entry, ...] = ()
    flags: tuple[Flag, ...] = ()
    derived: tuple[Derived, ...] = ()
    not_documented: tuple[str, ...] = ()
    unplaced: tuple[Evidence, ...] = ()
    silent: tuple[tuple[str, Evidence], ...] = field(default=())

    @property
    def open(self) -> bool:
        """Whether anything is still to be confirmed."""
        return bool(self.flags)

    def entry(self, entry_id: str) -> Entry:
        """The entry of that id; KeyError if there is none."""
        for entry in self.entries:
            if entry.id == entry_id:
                return entry
        raise KeyError(entry_id)

    def with_derived(self, derived: tuple[Derived, ...]) -> Record:
        """The same record with computed values."""
        return replace(self, derived=derived)

    def to_dict(self) -> dict[str, Any]:
        """The printed form, ready for json.dumps."""
        return {
            "schema": SCHEMA,
            "note": {"name": self.name, "characters": self.characters, "sha256": self.sha256},
            "entries": [e.to_dict() for e in self.entries],
            "flags": [f.to_dict() for f in self.flags],
            "derived": [d.to_dict() for d in self.derived],
            "not_documented": list(self.not_documented),
            "unplaced": [e.to_dict() for e in self.unplaced],
            "left_out": [{"because": because, **e.to_dict()} for because, e in self.silent],
        }
