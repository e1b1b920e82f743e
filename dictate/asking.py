"""Stage 9: the question that settles some rows, in plain words, and what one answer would set."""

from __future__ import annotations

from typing import Any

from dictate.lexicon import Item, Lexicon
from dictate.norms import score_totals
from dictate.rows import Observation

_UNITS = {"mm[Hg]": "mmHg", "[p'diop]": "prism dioptres", "um": "µm", "1": ""}
_NOUNS = {"eye": "eye", "ear": "ear", "nostril": "nostril"}
_NEAREST = 3  # of the numbers that an item can have

Choices = list[dict[str, Any]]


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
    return f"{text} {unit_of(item)}".strip() if item.kind == "quantity" and value != "not_done" else text


def unit_of(item: Item) -> str:
    """The item's unit as it is written in a record, "" if it has none."""
    return _UNITS.get(item.unit, item.unit)


def ask(reason: str, rows: list[Observation], words: list[str], detail: str, lexicon: Lexicon) -> tuple[str, Choices]:
    """The question about rows that one answer settles, and its choices.

    `words` are the rows' words in the note, `detail` is what the doubt adds: the words misheard, the
    usual range, the other item that the words could be of.
    """
    item = lexicon.items[rows[0].item]
    values = [shown(lexicon.items[r.item], r.value) for r in rows]
    title = item.title
    if reason == "side":
        sides: Choices = [{"side": "right"}, {"side": "left"}, {"side": "both"}]
        return f"{title} {values[0]}: which {_NOUNS.get(item.sides, 'side')}?", sides if item.sided else []
    if reason == "order":
        orders: Choices = [{"order": "right_left"}, {"order": "left_right"}]
        return f"{title} {' and '.join(values)}: right first, then left?", orders
    if reason == "heard":
        seen = " and ".join(dict.fromkeys(v for v in values if v))
        return f"“{detail or words[0]}” was read as {title.lower()} {seen}: is that what was said?", _yes_or_no()
    if reason == "range":
        usual = f" (usually {detail})" if detail else ""
        told = values[0] if item.kind == "quantity" else f"{values[0]}{_circumstances(rows[0])}"
        return f"{title} {told}: is that right{usual}?", [*_likelier(item, rows), *_yes_or_no()]
    if reason == "conflict":
        return _which_holds(rows, values, words, lexicon), _of_rows(rows)
    if reason == "item":
        return f"“{words[0]}”: what was measured?", _of_rows(rows) + _other_item(rows, detail, lexicon)
    return f"{title}, “{words[0]}”: what is the value?", [{"value": v} for v in _listed(item, rows)]


def _yes_or_no() -> Choices:
    return [{"accept": True}, {"accept": False}]


def _of_rows(rows: list[Observation]) -> Choices:
    out: Choices = []
    for row in rows:
        choice: dict[str, Any] = {"item": row.item, "side": row.side, "value": row.value}
        if _told_apart(row, rows):
            choice["context"] = dict(row.context)
        if choice not in out:
            out.append(choice)
    return out


def _told_apart(row: Observation, rows: list[Observation]) -> bool:
    """Whether only its circumstances tell this row from another one."""
    return any((r.item, r.side, r.value) == (row.item, row.side, row.value) and r.context != row.context for r in rows)


def _circumstances(row: Observation) -> str:
    told = ", ".join(f"{key} {str(value).replace('_', ' ')}" for key, value in row.context.items())
    return f" ({told})" if told else ""


def _other_item(rows: list[Observation], other: str, lexicon: Lexicon) -> Choices:
    if other not in lexicon.items or any(r.item == other for r in rows):
        return []
    sides = [r.side for r in rows] if lexicon.items[other].sided else [None]
    return [{"item": other, "side": side, "value": rows[0].value} for side in dict.fromkeys(sides)]


def _listed(item: Item, rows: list[Observation]) -> list[Any]:
    told = [c["value"] for r in rows for c in r.choices if "value" in c]
    if item.kind != "score":
        return told or list(item.values)
    if len(set(told)) != 1:
        return []
    count = str(told[0])
    return [f"{count}/{total}" for total in score_totals(item.key) if total >= int(count)]


def _likelier(item: Item, rows: list[Observation]) -> Choices:
    """Numbers that may have been meant: the nearest there are, or the same digits a place further down."""
    value = rows[0].value
    if not isinstance(value, int | float) or len({str(r.value) for r in rows}) > 1:
        return []
    if item.allowed:
        near = sorted(item.allowed, key=lambda n: (abs(n - value), n))[:_NEAREST]
        return [{"value": _plain(n)} for n in near if n != value]
    if item.plausible is None:
        return []
    low, high = item.plausible
    return [{"value": _plain(value / by)} for by in (10, 100) if low <= value / by <= high][:1]


def _plain(number: float) -> float | int:
    return int(number) if float(number).is_integer() else round(number, 4)


def _which_holds(rows: list[Observation], values: list[str], words: list[str], lexicon: Lexicon) -> str:
    item = lexicon.items[rows[0].item]
    if len({r.item for r in rows}) > 1:
        said = " and ".join(f"“{one}”" for one in words[:3])
        return f"{item.title}: the note says {said}. Which holds?"
    sides = {r.side for r in rows}
    side = next(iter(sides)) if len(sides) == 1 else None
    told = [
        f"{r.side if side is None and r.side else ''} {v}{_circumstances(r) if _told_apart(r, rows) else ''}".strip()
        for r, v in zip(rows, values, strict=True)
        if v
    ]
    said = " and ".join(dict.fromkeys(v.replace("_", " ") for v in told))
    return f"{item.title}{f', {side}' if side else ''}: the note says {said}. Which holds?"
