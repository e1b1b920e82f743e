"""Stage 9: observations -> the record: evidence, flags with their questions, order, ids."""

from __future__ import annotations

from typing import Any

from dictate.lexicon import Item, Lexicon
from dictate.note import Note, Tokens
from dictate.record import Entry, Evidence, Flag, Record
from dictate.rows import Observation

_UNITS = {"mm[Hg]": "mmHg", "[p'diop]": "prism dioptres", "um": "µm", "1": ""}


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


def shown(item: Item, value: object) -> str:
    """A value as a person writes it, with its unit."""
    if value is None:
        return ""
    if isinstance(value, list):
        text = f"{value[0]:g} to {value[1]:g}"
    elif isinstance(value, float):
        text = f"{value:g}"
    else:
        text = str(value)
    unit = _UNITS.get(item.unit, item.unit)
    return f"{text} {unit}".strip() if item.kind == "quantity" else text


def _sides_of(item: Item) -> list[dict[str, Any]]:
    word = {"side": "right"}, {"side": "left"}
    return [*word, {"side": "both"}] if item.sided else []


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


def _question(
    reason: str, item: Item, rows: list[Observation], words: str, detail: str
) -> tuple[str, list[dict[str, Any]]]:
    values = [shown(item, r.value) for r in rows]
    title = item.title
    if reason == "side":
        noun = {"eye": "eye", "ear": "ear", "nostril": "nostril"}.get(item.sides, "side")
        return f"{title} {values[0]}: which {noun}?", _sides_of(item)
    if reason == "order":
        return (
            f"{title} {' and '.join(values)}: right first, then left?",
            [{"order": "right_left"}, {"order": "left_right"}],
        )
    if reason == "heard":
        seen = " and ".join(dict.fromkeys(v for v in values if v))
        return f"“{detail or words}” was read as {title.lower()} {seen}: is that what was said?", [
            {"accept": True},
            {"accept": False},
        ]
    if reason == "range":
        usual = f" (usually {detail})" if detail else ""
        return f"{title} {values[0]}: is that right{usual}?", [{"accept": True}, {"accept": False}]
    if reason == "conflict":
        return f"{title}: the note says {words}. Which holds?", [
            {"item": item.key, "side": r.side, "value": r.value} for r in rows
        ]
    if reason == "item":
        return f"“{words}”: what was measured?", [{"item": r.item, "side": r.side, "value": r.value} for r in rows]
    return f"{title}, “{words}”: what is the value?", [{"value": c} for c in _value_choices(item, rows)]


def _value_choices(item: Item, rows: list[Observation]) -> list[Any]:
    listed = [c["value"] for r in rows for c in r.choices if "value" in c]
    return listed or list(item.values)


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
        item = lexicon.items[bundle[0].item]
        words = [e for r in bundle for e in _all_evidence(tokens, r)]
        unique = list(dict.fromkeys(words))
        said = " and ".join(f"“{one.text}”" for one in unique[:3]) if reason == "conflict" else unique[0].text
        question, choices = _question(reason, item, bundle, said, detail)
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
    out: dict[tuple[object, ...], tuple[list[Observation], str, str]] = {}
    for row in rows:
        for reason, detail in row.doubts:
            key: tuple[object, ...]
            if reason == "conflict":
                key = (reason, detail) if detail.startswith("#") else (reason, row.item)
            elif reason == "order":
                key = (reason, row.item)
            elif row.group >= 0:
                key = (reason, row.group, row.item)
            else:
                key = (reason, row.item, row.spans[0])
            bundle = out.setdefault(key, ([], reason, "" if detail.startswith("#") else detail))
            bundle[0].append(row)
    return list(out.values())
