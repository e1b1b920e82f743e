"""Entries and computed values in words, as they go along with every code."""

from __future__ import annotations

from dictate.lexicon import Item
from dictate.record import Derived, Entry
from dictate.table import circumstances, value_text

_PLACES = {"eye": "eye", "ear": "ear", "face": "side of the face", "nostril": "nostril"}


def place(side: str, sides: str) -> str:
    """A side in words: "right eye", "left side of the face", "both eyes together"."""
    where = _PLACES.get(sides, "side")
    return f"both {where}s together" if side == "both" else f"{side} {where}"


def subject(entry: Entry, item: Item) -> str:
    """What an entry is of: "Pupil size, right eye (dim)"."""
    told = circumstances(item, entry.context)
    side = f", {place(entry.side, item.sides)}" if entry.side else ""
    return f"{item.title}{side}{f' ({told})' if told else ''}"


def sentence(entry: Entry, item: Item) -> str:
    """An entry as one reads it: "Pupil size, right eye (dim): 4.5 mm"."""
    return f"{subject(entry, item)}: {value_text(item, entry.value)}"


def computed_title(derived: Derived) -> str:
    """What a computed value is: "acuity logmar, right"."""
    words = derived.key.replace(".", " ").replace("_", " ")
    return f"{words}, {derived.side}" if derived.side else words
