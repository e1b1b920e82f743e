"""The record: entries, flags, derived values and what was not documented.

Everything after the reading works from these frozen objects; `Record.to_dict` gives the
printed form ("exam-record/1").
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Evidence:
        """The words that `to_dict` printed."""
        return cls(data["start"], data["end"], data["text"])


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

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Record:
        """The record that `to_dict` printed; how each entry came about is not in print."""
        note = data["note"]
        return cls(
            name=note["name"],
            characters=note["characters"],
            sha256=note["sha256"],
            entries=tuple(
                Entry(
                    one["id"],
                    one["item"],
                    one["side"],
                    one["value"],
                    one.get("unit", ""),
                    dict(one["context"]),
                    one["state"],
                    _evidence(one["evidence"]),
                    tuple(one.get("flags", ())),
                )
                for one in data["entries"]
            ),
            flags=tuple(
                Flag(
                    one["id"],
                    one["reason"],
                    one["question"],
                    tuple(one["entries"]),
                    _evidence(one["evidence"]),
                    tuple(dict(c) for c in one["choices"]),
                )
                for one in data["flags"]
            ),
            derived=tuple(
                Derived(
                    one["key"],
                    one["side"],
                    one["value"],
                    one["unit"],
                    one["text"],
                    tuple(one["entries"]),
                    one["source"],
                    one["outside"],
                )
                for one in data["derived"]
            ),
            not_documented=tuple(data["not_documented"]),
            unplaced=_evidence(data["unplaced"]),
            silent=tuple((one["because"], Evidence.from_dict(one)) for one in data["left_out"]),
        )


def _evidence(printed: Sequence[Mapping[str, Any]]) -> tuple[Evidence, ...]:
    return tuple(Evidence.from_dict(one) for one in printed)
