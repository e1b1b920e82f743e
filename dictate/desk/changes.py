"""What an amendment changes against what was signed: rows, and words of the note."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import SequenceMatcher

from dictate.desk.view import row_text
from dictate.lexicon import Lexicon
from dictate.record import Record
from dictate.settling import Row
from dictate.table import value_text

_PIECE = re.compile(r"\s+|\w+|[^\w\s]")
_AROUND = 40  # characters of unchanged note shown beside a change


@dataclass(frozen=True)
class Change:
    """A row that was "changed", "added" or "taken out"; `before` and `after` in words."""

    kind: str
    about: str
    before: str
    after: str


@dataclass(frozen=True)
class Words:
    """A stretch of the note: "same", "gone" or "new"; "…" in place of long stretches that are the same."""

    kind: str
    text: str


def rows(old: Record, new: Record, lexicon: Lexicon) -> list[Change]:
    """Rows that differ, those of one test, side and circumstance set against each other."""
    before, after = _by_subject(old), _by_subject(new)
    out = []
    for subject in dict.fromkeys((*before, *after)):
        gone = [r for r in before.get(subject, []) if r not in after.get(subject, [])]
        come = [r for r in after.get(subject, []) if r not in before.get(subject, [])]
        while gone and come:
            was, now = gone.pop(0), come.pop(0)
            about, _, told = row_text(was, lexicon).rpartition(": ")
            out.append(Change("changed", about, told, row_text(now, lexicon).rpartition(": ")[2]))
        out += [Change("taken out", *_split(row, lexicon), "") for row in gone]
        for row in come:
            about, told = _split(row, lexicon)
            out.append(Change("added", about, "", told))
    return out


def _split(row: Row, lexicon: Lexicon) -> tuple[str, str]:
    item = lexicon.items.get(row.item)
    told = value_text(item, row.value) if item else str(row.value)
    return row_text(row, lexicon).removesuffix(f": {told}"), told


def _by_subject(record: Record) -> dict[str, list[Row]]:
    out: dict[str, list[Row]] = {}
    for entry in record.entries:
        subject = repr((entry.item, entry.side, sorted((k, str(v)) for k, v in entry.context.items())))
        out.setdefault(subject, []).append(Row.of(entry))
    return out


def words(old: str, new: str) -> list[Words]:
    """The note with what went and what came, word by word; nothing if it is the same."""
    if old == new:
        return []
    one, other = _PIECE.findall(old), _PIECE.findall(new)
    out: list[Words] = []
    for tag, a, b, c, d in SequenceMatcher(None, one, other, autojunk=False).get_opcodes():
        if tag == "equal":
            out.append(Words("same", "".join(one[a:b])))
            continue
        out += [Words(kind, "".join(part)) for kind, part in (("gone", one[a:b]), ("new", other[c:d])) if part]
    return list(_shortened(out))


def _shortened(found: list[Words]) -> Iterable[Words]:
    for n, one in enumerate(found):
        if one.kind != "same" or len(one.text) <= 2 * _AROUND:
            yield one
            continue
        start = one.text[:_AROUND].rpartition(" ")[0] if n else ""
        end = one.text[-_AROUND:].partition(" ")[2] if n < len(found) - 1 else ""
        yield Words("same", f"{start} … {end}")
