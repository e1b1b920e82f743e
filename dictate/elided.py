"""Stage 7: a place told for the other side too, its value left out ("notch above on the right and below on the left")."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

from dictate.marks import Mark
from dictate.offers import Bound, Scene, Side

_KEYS = ("sector", "region", "branch")
_SMALL = frozenset({"on", "in", "of", "at", "over", "for", "only"})
_JOINS = frozenset({"and", "but", ",", "&", "+", "while", "whil", "whereas", ";"})


@dataclass(frozen=True, slots=True)
class Elided:
    """A place and a side whose value is the one told before them."""

    mark: Mark
    key: str
    side: Side
    giver: Bound


def elided(scene: Scene, bound: dict[int, list[Bound]], places: dict[int, list[Mark]]) -> list[Elided]:
    """The places that stand with a side of their own, joined to a value of the other side, by sentence."""
    sides: dict[int, list[Side]] = {}
    for side in scene.sides:
        if side.value in ("right", "left") and side.sentence in places and side.sentence in bound:
            sides.setdefault(side.sentence, []).append(side)
    out: list[Elided] = []
    for sentence, told in sides.items():
        if len(told) < 2:
            continue
        used = {id(one.option.side) for one in bound[sentence] if one.option.side is not None}
        ends = [one.atom.end for one in bound[sentence]]
        for side in told:
            if id(side) in used:
                continue
            for mark in places[sentence]:
                keys = [k for s in mark.of("context") for k, _ in s.context if k in _KEYS]
                start = min(mark.start, side.start)
                if not keys or not _together(scene, mark, side) or not _joined(scene, start):
                    continue
                before = bound[sentence][: bisect_right(ends, start)]
                given = [(k, giver) for k in keys if (giver := _giver(scene, before, k, side)) is not None]
                if given:
                    out.append(Elided(mark, given[0][0], side, given[0][1]))
                    break
    return out


def _together(scene: Scene, mark: Mark, side: Side) -> bool:
    """Whether no more than a preposition stands between a place and a side."""
    first, second = sorted(((mark.start, mark.end), (side.start, side.end)))
    return first[1] <= second[0] and all(
        t.kind == "space" or t.skipped or t.key in _SMALL for t in scene.tokens.tokens[first[1] : second[0]]
    )


def _joined(scene: Scene, start: int) -> bool:
    """Whether "and" or a comma leads to a place, small words left aside."""
    i = start - 1
    while i > 0 and (scene.tokens[i].kind == "space" or scene.tokens[i].skipped or scene.tokens[i].key in _SMALL):
        i -= 1
    return i >= 0 and scene.tokens[i].key in _JOINS


def _giver(scene: Scene, before: list[Bound], key: str, side: Side) -> Bound | None:
    """The value told last, if it has such places and was told of the other side."""
    told = [one for one in before if one.option.targets]
    if not told or told[-1].option.side is None:
        return None
    last = told[-1]
    other = "left" if side.value == "right" else "right"
    takes = all(key in scene.lexicon.items[t.item].context for t in last.option.targets)
    return last if takes and last.option.side is not None and last.option.side.value == other else None
