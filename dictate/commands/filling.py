"""Filling in an item's form at the terminal, field by field."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from dictate.commands.keys import Keys, tell
from dictate.lexicon import Lexicon
from dictate.settling import Form, Row, SettleError, form, parse

_SIDES = {"right": "Right", "left": "Left", "both": "Both together", "": "Without a side"}
_NONE = "-"
_WORD = re.compile(r"[^\W_]+")
_MANY = 12  # items to choose from


def choose_item(keys: Keys, first: str, lexicon: Lexicon) -> str | None:
    """An item by words of its title or by its key; Enter takes `first`. None if nothing was told, or q."""
    offered = f" (Enter: {lexicon.items[first].title})" if first in lexicon.items else ""
    while True:
        told = keys.line(f"What was measured or found{offered}: ").casefold()
        if not told:
            return first or None
        if told == "q":
            return None
        found = _matching(told, lexicon)
        if len(found) == 1:
            return found[0]
        if not found or len(found) > _MANY:
            tell(f"“{told}” is the name of {len(found) or 'no'} items; give other words of its title.")
            continue
        picked = _pick(keys, "Which", [lexicon.items[key].title for key in found])
        if picked is not None:
            return found[picked]


def _matching(told: str, lexicon: Lexicon) -> list[str]:
    """Items of this key or title, else those in which each word told begins a word."""
    titles = {key: item.title.casefold() for key, item in lexicon.items.items()}
    exact = [key for key, title in titles.items() if told in (key, title)]
    if exact:
        return exact
    wanted = _WORD.findall(told)
    words = {key: _WORD.findall(f"{key} {title}") for key, title in titles.items()}
    return [k for k, own in words.items() if wanted and all(any(w.startswith(t) for w in own) for t in wanted)]


def _pick(keys: Keys, prompt: str, labels: Sequence[str]) -> int | None:
    """The place of a label, by its number; None for Enter."""
    for n, label in enumerate(labels, 1):
        tell(f"  {n}  {label}")
    while told := keys.line(f"{prompt} (a number, Enter: none): "):
        if told.isdecimal() and 0 < int(told) <= len(labels):
            return int(told) - 1
        tell(f"{told!r} is none of the numbers.")
    return None


def fill(keys: Keys, item_key: str, before: Sequence[Row], lexicon: Lexicon) -> list[Row]:
    """The rows that are typed in for an item, one for each side with a value; empty if there was none.

    `before` are the rows that they take the place of; circumstances are offered from them.
    """
    one = form(item_key, lexicon)
    values = {side: told for side in _ordered(one) if (told := _value(keys, one, side, lexicon))}
    if len(values) > 1:
        values.pop("", None)
    if not values:
        return []
    side = next(iter(values))
    about: dict[str, str] = {}
    for key, choices in one.contexts:
        about[key] = _circumstance(
            keys, one, key, choices, _usual(before, item_key, key), (side, values[side]), lexicon
        )
    return [parse(item_key, {**about, "side": side, "value": told}, lexicon) for side, told in values.items()]


def _ordered(one: Form) -> list[str]:
    return sorted(one.sides or ("",), key=list(_SIDES).index)


def _value(keys: Keys, one: Form, side: str, lexicon: Lexicon) -> str:
    """A value that can be, or "" for none."""
    named = f"{_SIDES[side]}, " if one.sides else ""
    hint = f" [{one.hint}{' ' + one.unit if one.unit else ''}]" if one.hint else ""
    if one.values:
        tell(f"{named}{one.title}:" if named else f"{one.title}:")
        for n, (_, label) in enumerate(one.values, 1):
            tell(f"  {n}  {label}")
        prompt = "Its number (Enter: none): "
    else:
        prompt = f"{named}{one.title}{hint} (Enter: none): "
    while told := keys.line(prompt):
        if one.values and told.isdecimal() and 0 < int(told) <= len(one.values):
            told = one.values[int(told) - 1][0]
        try:
            parse(one.item, {"value": told, "side": side}, lexicon)
        except SettleError as error:
            tell(str(error))
        else:
            return told
    return ""


def _usual(before: Sequence[Row], item: str, key: str) -> str:
    """A circumstance that all rows before have alike."""
    told = {str(row.context.get(key, "")) for row in before if row.item == item}
    return told.pop() if len(told) == 1 else ""


def _circumstance(
    keys: Keys, one: Form, key: str, choices: Sequence[str], usual: str, value: tuple[str, str], lexicon: Lexicon
) -> str:
    """A circumstance that can be, or "" for one that was not said."""
    said = usual.replace("_", " ") or "not said"
    if choices:
        tell(f"{key.capitalize()}: " + "  ".join(f"{n} {c.replace('_', ' ')}" for n, c in enumerate(choices, 1)))
    none = f", {_NONE}: not said" if usual else ""
    while told := keys.line(f"{'Its number' if choices else key.capitalize()} (Enter: {said}{none}): "):
        if told == _NONE:
            return ""
        if choices and told.isdecimal() and 0 < int(told) <= len(choices):
            return choices[int(told) - 1]
        told = told.casefold().replace(" ", "_")
        fields: Mapping[str, str] = {"side": value[0], "value": value[1], key: told}
        try:
            parse(one.item, fields, lexicon)
        except SettleError as error:
            tell(str(error))
        else:
            return told
    return usual
