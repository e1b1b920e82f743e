"""A side in a sentence: "{side:eye}" gives "the right eye", "both eyes" or "one eye"."""

from __future__ import annotations

from dataclasses import dataclass

BOTH = "both"


@dataclass(frozen=True)
class Side:
    """Right, left, both, or None where none was said."""

    value: str | None

    def __format__(self, noun: str) -> str:
        if not noun:
            return self.value or ""
        if self.value is None:
            return f"one {noun}"
        return f"both {noun}s" if self.value == BOTH else f"the {self.value} {noun}"


def filled(sentence: str, side: str | None) -> str:
    """A sentence with {side:noun} and {other:noun} filled in. Raises KeyError or ValueError on other braces."""
    other = {"right": "left", "left": "right"}.get(side or "", side)
    return sentence.format_map({"side": Side(side), "other": Side(other)})
