"""Names for questions and entries that hold while the note is edited around them.

A page may be older than the record by the time its answer arrives; an answer names what was on the
page, not a number that may mean something else by now.
"""

from __future__ import annotations

from collections.abc import Iterable
from hashlib import sha256

from dictate.record import Evidence, Flag
from dictate.settling import Question, Row, Settled

_LENGTH = 12


def flag_names(settled: Settled) -> dict[str, str]:
    """The name of each flag, by its id."""
    told = {f.id: _flag(settled, f) for f in settled.record.flags}
    return _numbered(told)


def entry_names(settled: Settled) -> dict[str, str]:
    """The name of each entry, by its id."""
    told = {
        one.entry.id: repr((one.decision, _row(Row.of(one.entry)), _words(one.entry.evidence)))
        for one in settled.entries
    }
    return _numbered(told)


def question_name(question: Question, flags: dict[str, str]) -> str:
    """The name of a question; a gathered one is another question when a line comes or goes."""
    return _short(" ".join((question.reason, *(flags[f] for f in question.flags))))


def _flag(settled: Settled, flag: Flag) -> str:
    rows = [_row(Row.of(settled.record.entry(e))) for e in flag.entries]
    return repr((flag.reason, rows, _words(flag.evidence)))


def _row(row: Row) -> tuple[object, ...]:
    return (row.item, row.side, row.value, sorted((k, str(v)) for k, v in row.context.items()))


def _words(evidence: Iterable[Evidence]) -> list[str]:
    return [one.text for one in evidence]


def _numbered(told: dict[str, str]) -> dict[str, str]:
    """Short names; the second of two that are told the same is another one."""
    seen: dict[str, int] = {}
    names = {}
    for key, one in told.items():
        seen[one] = seen.get(one, 0) + 1
        names[key] = _short(f"{seen[one]} {one}")
    return names


def _short(text: str) -> str:
    return "n" + sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:_LENGTH]
