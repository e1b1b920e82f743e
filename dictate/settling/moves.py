"""Where words stand after the note was edited around them."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Callable
from itertools import accumulate

from rapidfuzz.distance import Indel

from dictate.settling.model import Anchor

_PIECE = re.compile(r"\w+|\s+|[^\w\s]")


def carry(old: str, new: str) -> Callable[[Anchor], Anchor | None]:
    """A function from words in the old text to the same words in the new one.

    It gives None where the words themselves were changed, taken out or moved elsewhere. Words
    that stand once in either text are found wherever they are.
    """
    if old == new:
        return lambda anchor: anchor
    one, other = _PIECE.findall(old), _PIECE.findall(new)
    ways = [_Way(one, other, from_start) for from_start in (True, False)]

    def moved(anchor: Anchor) -> Anchor | None:
        for way in ways:
            start = way.place(anchor)
            if start is not None:
                return _at(anchor, start)
        if old.count(anchor.text) == new.count(anchor.text) == 1:
            return _at(anchor, new.index(anchor.text))
        return None

    return moved


def _at(anchor: Anchor, start: int) -> Anchor:
    return Anchor(start, start + anchor.end - anchor.start, anchor.text)


class _Way:
    """One way to lay two texts side by side: what is alike at one end first, then the rest."""

    def __init__(self, old: list[str], new: list[str], from_start: bool) -> None:
        here, there = ([0, *accumulate(map(len, pieces))] for pieces in (old, new))
        self.blocks = [
            (here[source], there[target], here[source + size] - here[source])
            for source, target, size in _alike(old, new, from_start)
        ]
        self.starts = [source for source, _, _ in self.blocks]

    def place(self, anchor: Anchor) -> int | None:
        """Where the words begin in the new text, if they stand together in it."""
        at = bisect_right(self.starts, anchor.start) - 1
        if at < 0:
            return None
        source, target, size = self.blocks[at]
        return target + anchor.start - source if anchor.end <= source + size else None


def _alike(old: list[str], new: list[str], from_start: bool) -> list[tuple[int, int, int]]:
    """(place in old, place in new, how many) of pieces that both have."""
    first = _common(old, new) if from_start else 0
    last = _common(old[first:][::-1], new[first:][::-1])
    if not from_start:
        first = _common(old[: len(old) - last], new[: len(new) - last])
    middle = Indel.opcodes(old[first : len(old) - last], new[first : len(new) - last])
    inner = [(first + b.src_start, first + b.dest_start, b.src_end - b.src_start) for b in middle if b.tag == "equal"]
    blocks = [(0, 0, first), *inner, (len(old) - last, len(new) - last, last)]
    joined: list[tuple[int, int, int]] = []
    for source, target, size in blocks:
        if joined and (joined[-1][0] + joined[-1][2], joined[-1][1] + joined[-1][2]) == (source, target):
            joined[-1] = (*joined[-1][:2], joined[-1][2] + size)
        elif size:
            joined.append((source, target, size))
    return joined


def _common(one: list[str], other: list[str]) -> int:
    """How many pieces the two begin with together."""
    return next((n for n, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), min(len(one), len(other)))
