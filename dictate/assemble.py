"""Stage 9: observations -> the record: evidence, flags with their questions, order, ids."""

from __future__ import annotations

from collections import Counter
from typing import Any

from dictate.asking import ask
from dictate.lexicon import Lexicon
from dictate.note import Note, Tokens
from dictate.record import Entry, Evidence, Flag, Record
from dictate.rows import Observation


def evidence(tokens: Tokens, start: int, end: int) -> Evidence:
    """The note's words from token `start` up to `end`, blanks trimmed."""
    while start < end - 1 and tokens[start].kind in ("space", "break"):
        start += 1
    while end - 1 > start and tokens[end - 1].kind in ("space", "break"):
        end -= 1
    a, b = tokens[start].start, tokens[end - 1].end
    return Evidence(a, b, tokens.note.text[a:b])


def _all_evidence(tokens: Tokens, row: Observation) -> tuple[Evidence, ...]:
    out: list[Evidence] = []
    for start, end in row.spans:
        one = evidence(tokens, start, end)
        if one not in out and not any(o.start <= one.start and one.end <= o.end for o in out):
            out.append(one)
    return tuple(out)


class _Flags:
    def __init__(self, tokens: Tokens, lexicon: Lexicon) -> None:
        self.tokens = tokens
        self.lexicon = lexicon
        self.flags: list[Flag] = []

    def add(
        self, reason: str, question: str, entries: list[str], words: list[Evidence], choices: list[dict[str, Any]]
    ) -> str:
        flag_id = f"f{len(self.flags) + 1}"
        self.flags.append(Flag(flag_id, reason, question, tuple(entries), tuple(words), tuple(choices)))
        return flag_id


def entries_of(tokens: Tokens, lexicon: Lexicon, rows: list[Observation]) -> list[Entry]:
    """The rows as entries without flags, to compute from."""
    out = []
    for n, row in enumerate(rows):
        item = lexicon.items[row.item]
        unit = item.unit if item.kind == "quantity" and row.value != "not_done" else ""
        state = "confirm" if row.doubts else "stated"
        out.append(Entry(f"e{n}", row.item, row.side, row.value, unit, row.context, state, _all_evidence(tokens, row)))
    return out


def record(
    note: Note,
    tokens: Tokens,
    lexicon: Lexicon,
    rows: list[Observation],
    loose: list[tuple[str, str, int, int]],
    unplaced: list[tuple[int, int]],
    silent: list[tuple[str, int, int]],
    not_documented: tuple[str, ...] = (),
) -> Record:
    """Put everything into a record; `loose` are flags without a row (reason, question, span)."""
    rows = sorted(rows, key=lambda r: (r.order, r.spans[0][0], 0 if r.side == "right" else 1))
    ids = {id(row): f"e{n}" for n, row in enumerate(rows, 1)}
    flags = _Flags(tokens, lexicon)
    attached: dict[int, list[str]] = {}
    for bundle, reason, detail in _bundles(rows):
        unique = list(dict.fromkeys(e for r in bundle for e in _all_evidence(tokens, r)))
        question, choices = ask(reason, bundle, [e.text for e in unique], detail, lexicon)
        flag_id = flags.add(reason, question, [ids[id(r)] for r in bundle], unique, choices)
        for row in bundle:
            attached.setdefault(id(row), []).append(flag_id)
    for reason, question, start, end in loose:
        flags.add(reason, question, [], [evidence(tokens, start, end)], [])
    entries = []
    for row in rows:
        item = lexicon.items[row.item]
        own = tuple(attached.get(id(row), ()))
        value = row.value
        entries.append(
            Entry(
                ids[id(row)],
                row.item,
                row.side,
                value,
                item.unit if item.kind == "quantity" and value != "not_done" else "",
                row.context,
                "confirm" if own else "stated",
                _all_evidence(tokens, row),
                own,
                tuple(row.why),
            )
        )
    return Record(
        note.name,
        len(note.text),
        note.sha256,
        tuple(entries),
        tuple(flags.flags),
        (),
        not_documented,
        tuple(evidence(tokens, a, b) for a, b in unplaced),
        tuple((m, evidence(tokens, a, b)) for m, a, b in silent),
    )


def _bundles(rows: list[Observation]) -> list[tuple[list[Observation], str, str]]:
    """Rows that one question settles together: a value told for both sides, a pair, a conflict."""
    disputed = Counter(
        (row.item, row.side)
        for row in rows
        for reason, detail in row.doubts
        if reason == "conflict" and not detail.startswith("#")
    )
    together = {item for (item, side), n in disputed.items() if side not in ("right", "left") or n == 1}
    out: dict[tuple[object, ...], tuple[list[Observation], str, str]] = {}
    for row in rows:
        for reason, detail in row.doubts:
            key: tuple[object, ...]
            if reason == "conflict":
                side = "" if row.item in together else row.side
                key = (reason, detail) if detail.startswith("#") else (reason, row.item, side)
            elif reason == "order":
                key = (reason, row.item)
            elif row.group >= 0:
                key = (reason, row.group, row.item)
            else:
                key = (reason, row.item, row.spans[0])
            bundle = out.setdefault(key, ([], reason, "" if detail.startswith("#") else detail))
            bundle[0].append(row)
    return list(out.values())
