"""What can be typed in for an item by hand, and the check of what was typed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from dictate.asking import unit_of
from dictate.errors import DictateError
from dictate.lexicon import Item, Lexicon
from dictate.pipeline import read
from dictate.record import Value
from dictate.settling.model import Row
from dictate.table import value_text

NOT_DONE = "not_done"
_NUMBER = re.compile(r"(\d+(?:[.,]\d+)?|[.,]\d+)(?:\s*(?:-|–|to)\s*(\d+(?:[.,]\d+)?|[.,]\d+))?")
_SCORE = re.compile(r"(\d{1,3})\s*(?:/|of|out of)\s*(\d{1,3})")
# A record names the direction in space, and the sector of the eye instead of the hour of the clock.
_TURNED = frozenset({"abduction", "adduction"})
_HOUR = "clock_"
_HINTS = {
    "acuity": "6/9, 20/40, 0.2 logMAR, CF 1 m, HM, LP, NLP",
    "near": "N5, J2, 0.4M, 20/25",
    "score": "13/15",
    "grade": "as written: 4/5, 2+, trace",
    "text": "in words",
}


class SettleError(DictateError):
    """What was typed cannot be taken; the sentence names the field."""


@dataclass(frozen=True)
class Form:
    """The fields of one item: its values (with words), unit, sides, and circumstances (key, choices)."""

    item: str
    title: str
    kind: str
    unit: str
    values: tuple[tuple[str, str], ...]
    hint: str
    sides: tuple[str, ...]
    contexts: tuple[tuple[str, tuple[str, ...]], ...]


def circumstances(lexicon: Lexicon) -> dict[str, tuple[str, ...]]:
    """The values in words that each circumstance can have, by the lexicon; numbers are not listed."""
    found: dict[str, dict[str, None]] = {}
    for senses in lexicon.phrases.values():
        for sense in senses:
            for key, value in sense.context:
                if isinstance(value, str) and value not in _TURNED and not value.startswith(_HOUR):
                    found.setdefault(key, {})[value] = None
    return {key: tuple(values) for key, values in found.items()}


def form(item_key: str, lexicon: Lexicon) -> Form:
    """The form of an item. Raises SettleError for an item that is not in the lexicon."""
    contexts = circumstances(lexicon)
    item = _item(item_key, lexicon)
    values = ["present", "absent", "suspected"] if item.kind == "finding" else list(item.values)
    if item.kind in ("finding", "category") and item.role == "finding":
        values.append(NOT_DONE)
    sides = ("right", "left") if item.sided else ()
    if item.both_eyes:
        sides = (*sides, "both")
    if item.sided and item.side_optional or item.role != "finding" and item.sided:
        sides = ("", *sides)
    hint = _HINTS.get(item.kind, "")
    if item.kind == "quantity":
        hint = f"{item.plausible[0]:g} to {item.plausible[1]:g}" if item.plausible else "a number"
    return Form(
        item.key,
        item.title,
        item.kind,
        unit_of(item),
        tuple((v, value_text(item, v)) for v in values),
        hint,
        sides,
        tuple((key, contexts.get(key, ())) for key in item.context),
    )


def parse(item_key: str, fields: Mapping[str, str], lexicon: Lexicon) -> Row:
    """The row that typed fields stand for: `value`, `side`, and each circumstance by its key.

    Raises SettleError, in one sentence that names the field.
    """
    item = _item(item_key, lexicon)
    side = fields.get("side", "").strip() or None
    contexts = circumstances(lexicon)
    allowed = form(item_key, lexicon).sides
    if (side or "") not in (allowed or ("",)):
        choices = ", ".join(a for a in allowed if a) or "none"
        raise SettleError(f"{item.title}: side {side or 'missing'!s} does not fit; it can be {choices}.")
    context: dict[str, str | int] = {}
    for key in (*item.context, *item.soft_context):
        told = fields.get(key, "").strip()
        if told:
            context[key] = _circumstance(item, key, told, contexts.get(key, ()))
    return Row(item.key, side, _value(item, fields.get("value", "").strip(), lexicon), context)


def _item(key: str, lexicon: Lexicon) -> Item:
    if key not in lexicon.items:
        raise SettleError(f"There is no item {key!r}.")
    return lexicon.items[key]


def _circumstance(item: Item, key: str, told: str, values: tuple[str, ...]) -> str | int:
    if values and told not in values:
        raise SettleError(f"{item.title}: {key} {told!r} is none of {', '.join(values)}.")
    if values:
        return told
    if key in ("fork", "sample"):
        if not told.isdecimal():
            raise SettleError(f"{item.title}: {key} {told!r} is no whole number.")
        return int(told)
    return told


def _value(item: Item, told: str, lexicon: Lexicon) -> Value:
    if not told:
        raise SettleError(f"{item.title}: the value is missing.")
    if told.casefold().replace(" ", "_") == NOT_DONE:
        return NOT_DONE
    if item.kind == "quantity":
        return _quantity(item, told)
    if item.kind == "score":
        found = _SCORE.fullmatch(told)
        if not found:
            raise SettleError(f"{item.title}: {told!r} is no score such as 13/15.")
        if int(found[1]) > int(found[2]):
            raise SettleError(f"{item.title}: {told!r} has more right than were shown.")
        return f"{int(found[1])}/{int(found[2])}"
    if item.kind in ("finding", "category"):
        values = ("present", "absent", "suspected") if item.kind == "finding" else tuple(item.values)
        key = told.casefold().replace(" ", "_")
        if key not in values:
            raise SettleError(f"{item.title}: {told!r} is none of {', '.join(v.replace('_', ' ') for v in values)}.")
        return key
    if item.kind in ("acuity", "near", "grade"):
        return _read_as(item, told, lexicon)
    return told.casefold()


def _quantity(item: Item, told: str) -> Value:
    found = _NUMBER.match(told)
    rest = told[found.end() :].strip().casefold() if found else ""
    if not found or rest not in ("", unit_of(item).casefold(), item.unit.casefold()):
        unit = f" in {unit_of(item)}" if unit_of(item) else ""
        raise SettleError(f"{item.title}: {told!r} is no number{unit}.")
    numbers = [float(n.replace(",", ".")) for n in found.groups() if n]
    if item.possible and not all(item.possible[0] <= n <= item.possible[1] for n in numbers):
        low, high = item.possible
        raise SettleError(f"{item.title}: {told!r} cannot be; it lies between {low:g} and {high:g} {unit_of(item)}.")
    plain: list[float] = [int(n) if n.is_integer() else n for n in numbers]
    return plain[0] if len(plain) == 1 else plain


def _read_as(item: Item, told: str, lexicon: Lexicon) -> Value:
    """What the reading makes of the item's name and the value typed."""
    record = read(f"{item.title} right {told}" if item.sided else f"{item.title} {told}", lexicon=lexicon)
    values = [e.value for e in record.entries if e.item == item.key and e.value is not None]
    if not values:
        raise SettleError(f"{item.title}: {told!r} is no value of it (such as {_HINTS[item.kind]}).")
    return values[0]
