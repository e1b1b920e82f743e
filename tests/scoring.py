"""Counting a record's rows against annotated ones, by the counts of the shared scorer.

`right`     a stated row, got exactly and not questioned
`needless`  a stated row, got or touched by a flag, yet questioned
`asked`     a confirm row that the program also questions
`unasked`   a confirm row that the program states as sure            (silent)
`wrong`     a sure row of the program that the annotation lacks      (silent)
`miss`      a row that no entry and no flag answers                  (silent)
`evidence`  a sure right row whose evidence does not touch the annotation's quote
`offset`    evidence that is not the note's text at its place
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from dictate.lexicon import Lexicon

Row = dict[str, Any]
Identity = tuple[Any, ...]


@dataclass(frozen=True)
class Case:
    """One row that was not got as annotated."""

    note: str
    kind: str
    row: Row
    detail: str = ""

    def __str__(self) -> str:
        row = self.row
        words = row.get("quote") or [e["text"] for e in row.get("evidence", [])]
        return (
            f"{self.note} {self.kind}: {row['item']} {row.get('side')} {row.get('value')!r} "
            f"{row.get('context') or ''} {words!r} {self.detail}"
        )


@dataclass
class Score:
    """The counts of some notes, with every case that is not right."""

    notes: int = 0
    counts: Counter[str] = field(default_factory=Counter)
    cases: list[Case] = field(default_factory=list)

    def add(self, kind: str, note: str, row: Row, detail: str = "") -> None:
        """Count a case."""
        self.counts[kind] += 1
        self.cases.append(Case(note, kind, row, detail))

    def figures(self) -> dict[str, float]:
        """The shares that the floors speak of; 1.0 or 0.0 where there is nothing to share."""
        c = self.counts
        rows = c["stated"] + c["confirm"]
        sure = c["right"] + c["wrong"] + c["unasked"]
        return {
            "right_without_help": _share(c["right"], c["stated"], 1.0),
            "silent_wrong_share": _share(c["wrong"] + c["unasked"], sure, 0.0),
            "miss_share": _share(c["miss"], rows, 0.0),
            "asked_share": _share(c["asked"], c["confirm"], 1.0),
            "flag_precision": _share(c["flags_warranted"], c["flags"], 1.0),
            "offset": float(c["offset"]),
        }


def _share(part: int, whole: int, empty: float) -> float:
    return part / whole if whole else empty


def plain(value: Any) -> Any:
    """A value in the form it is compared in: numbers rounded, words casefolded."""
    if isinstance(value, bool) or value is None:
        return value
    if isinstance(value, (int, float)):
        return round(float(value), 4)
    if isinstance(value, list):
        return tuple(plain(v) for v in value)
    return " ".join(str(value).casefold().split())


def identity(row: Row, lexicon: Lexicon) -> Identity:
    """What makes two rows the same: item, side, value and the context that counts."""
    item = lexicon.items.get(row["item"])
    keys = item.context if item is not None else []
    context = row.get("context") or {}
    return (
        row["item"],
        row.get("side"),
        plain(row.get("value")),
        tuple((k, plain(context[k])) for k in sorted(keys) if context.get(k) is not None),
    )


def _places(text: str, row: Row) -> list[tuple[int, int]]:
    if "at" in row:
        start, end = row["at"]
        return [(start, end)]
    quote = row["quote"]
    found: list[tuple[int, int]] = []
    start = text.find(quote) if quote else -1
    while start >= 0:
        found.append((start, start + len(quote)))
        start = text.find(quote, start + 1)
    return found


def _touch(spans: Iterable[tuple[int, int]], others: Sequence[tuple[int, int]]) -> bool:
    return any(a < d and c < b for a, b in spans for c, d in others)


def _spans(thing: Row) -> list[tuple[int, int]]:
    return [(e["start"], e["end"]) for e in thing.get("evidence", [])]


def score_note(score: Score, name: str, text: str, gold: list[Row], record: Row, lexicon: Lexicon) -> None:
    """Count one record (printed form) against the annotated rows of its note."""
    score.notes += 1
    counts = score.counts
    flag_spans = [span for flag in record["flags"] for span in _spans(flag)]
    by_identity: dict[Identity, Row] = {}
    for entry in record["entries"]:
        by_identity.setdefault(identity(entry, lexicon), entry)
        if not entry["evidence"] or any(text[e["start"] : e["end"]] != e["text"] for e in entry["evidence"]):
            score.add("offset", name, entry)
    matched: set[Identity] = set()
    asked_for: list[tuple[int, int]] = []
    for row in gold:
        places = _places(text, row)
        key = identity(row, lexicon)
        got = by_identity.get(key)
        if got is not None:
            matched.add(key)
        questioned = _touch(places, flag_spans)
        stated = row["state"] == "stated"
        counts["stated" if stated else "confirm"] += 1
        if not stated:
            asked_for += places
        if got is not None and got["state"] == "stated":
            if not stated:
                score.add("unasked", name, row)
                continue
            counts["right"] += 1
            if not _touch(places, _spans(got)):
                score.add("evidence", name, row)
        elif got is not None or questioned:
            if stated:
                score.add("needless", name, row, "" if got is not None else "only a flag touches it")
            else:
                counts["asked"] += 1
        else:
            score.add("miss", name, row)
    for key, entry in by_identity.items():
        if key not in matched and entry["state"] == "stated":
            score.add("wrong", name, entry)
    counts["flags"] += len(record["flags"])
    counts["flags_warranted"] += sum(_touch(_spans(f), asked_for) for f in record["flags"])


def annotated(folder: Path) -> list[tuple[str, str, list[Row]]]:
    """(name, text, rows) of every NAME.txt with a NAME.rows.json; the text exactly as stored."""
    out = []
    for path in sorted(folder.glob("*.txt")):
        rows = path.with_name(path.stem + ".rows.json")
        if rows.exists():
            gold: list[Row] = json.loads(rows.read_text(encoding="utf-8"))["rows"]
            out.append((path.stem, path.read_bytes().decode("utf-8"), gold))
    return out
