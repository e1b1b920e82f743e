"""The note cut where its reading changes: what lies under its words on the page."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

from dictate.desk.names import question_name
from dictate.record import Evidence, Record
from dictate.settling import Question


@dataclass(frozen=True)
class Piece:
    """A stretch of the note. `kinds` of "value", "ask", "loose", "aside"; `entries` and `asked` are names.

    `first` is the name of the question whose words begin here, for the sign in the margin.
    """

    text: str
    kinds: tuple[str, ...] = ()
    entries: tuple[str, ...] = ()
    asked: tuple[str, ...] = ()
    first: str = ""


@dataclass(frozen=True)
class _Mark:
    start: int
    end: int
    kind: str
    name: str = ""


def pieces(
    text: str,
    record: Record,
    questions: Iterable[Question],
    entries: Mapping[str, str],
    flags: Mapping[str, str],
) -> list[Piece]:
    """The note in pieces, from first to last character; `entries` and `flags` give names by id."""
    marks = _marks(record, questions, entries, flags)
    cuts = sorted({0, len(text), *(m.start for m in marks), *(m.end for m in marks)})
    cuts = [c for c in cuts if 0 <= c <= len(text)]
    opening: dict[int, list[_Mark]] = {}
    for mark in marks:
        opening.setdefault(mark.start, []).append(mark)
    first = _first_places(marks)
    out: list[Piece] = []
    on: list[_Mark] = []
    for start, end in pairwise(cuts):
        on = [m for m in on if m.end > start] + [m for m in opening.get(start, ()) if m.end > start]
        kinds = tuple(k for k in ("value", "ask", "loose", "aside") if any(m.kind == k for m in on))
        if "value" in kinds or "ask" in kinds:
            kinds = tuple(k for k in kinds if k in ("value", "ask"))
        out.append(Piece(text[start:end], kinds, _named(on, "value"), _named(on, "ask"), first.get(start, "")))
    return out


def _marks(
    record: Record, questions: Iterable[Question], entries: Mapping[str, str], flags: Mapping[str, str]
) -> list[_Mark]:
    asked = {f: question_name(q, dict(flags)) for q in questions for f in q.flags}
    marks = [_Mark(e.start, e.end, "value", entries[one.id]) for one in record.entries for e in one.evidence]
    marks += [_Mark(e.start, e.end, "ask", asked[f.id]) for f in record.flags for e in f.evidence if f.id in asked]
    marks += [_of("loose", e) for e in record.unplaced]
    marks += [_of("aside", e) for _, e in record.silent]
    return marks


def _of(kind: str, evidence: Evidence) -> _Mark:
    return _Mark(evidence.start, evidence.end, kind)


def _first_places(marks: list[_Mark]) -> dict[int, str]:
    first: dict[str, int] = {}
    for mark in marks:
        if mark.kind == "ask":
            first[mark.name] = min(mark.start, first.get(mark.name, mark.start))
    return {start: name for name, start in first.items()}


def _named(on: list[_Mark], kind: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(m.name for m in on if m.kind == kind))
