"""Stage 7: what is told of the other side with its value left out.

"Notch above on the right and below on the left" has one value and two places; "the right pupil reacts but not
the left" has one value, affirmed of one side and denied of the other.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

from dictate.marks import Mark
from dictate.offers import Bound, Scene, Side

_KEYS = ("sector", "region", "branch")
_SMALL = frozenset({"on", "in", "of", "at", "over", "for", "only", "from", "with", "to"})
_JOINS = frozenset({"and", "but", ",", "&", "+", "while", "whil", "whereas", ";"})
_VERBS = frozenset("do doe did does is was were has ha had have can could would will".split())
_ENDS = frozenset({"and", "but", "so", "at", "which", "though", "although", "while", "whereas"})


@dataclass(frozen=True, slots=True)
class Elided:
    """Words from `start` up to `end` that tell the value of `giver` of another side.

    `mark` and `key` hold its place there; with no mark the value is denied there.
    """

    start: int
    end: int
    side: Side
    giver: Bound
    mark: Mark | None = None
    key: str = ""


def elided(scene: Scene, bound: dict[int, list[Bound]], places: dict[int, list[Mark]]) -> list[Elided]:
    """All of them, in order of place."""
    sides: dict[int, list[Side]] = {}
    for side in scene.sides:
        if side.value in ("right", "left") and side.sentence in bound:
            sides.setdefault(side.sentence, []).append(side)
    denials: dict[int, list[Mark]] = {}
    for cue in scene.cues:
        if any(s.data == "negation" for s in cue.of("cue")):
            denials.setdefault(scene.segments.sentence_of[cue.start], []).append(cue)
    out: list[Elided] = []
    for sentence, told in sides.items():
        if len(told) < 2:
            continue
        here = bound[sentence]
        used = {id(one.option.side) for one in here if one.option.side is not None}
        ends = [one.atom.end for one in here]
        for side in told:
            if id(side) in used:
                continue
            found = _placed(scene, side, here, ends, places.get(sentence, [])) or _denied(
                scene, side, here, ends, denials.get(sentence, [])
            )
            out += [found] if found is not None else []
    for cue, side in scene.set_against:
        here = bound.get(side.sentence, [])
        other = "left" if side.value == "right" else "right"
        before = [one for one in here if one.atom.end <= cue.start]
        giver = _giver(before, side) or next((one for one in here if one.atom.start >= side.end), None)
        if giver is not None and giver.option.side is not None and giver.option.side.value == other:
            out.append(Elided(cue.start, side.end, side, giver))
    return out


def _placed(scene: Scene, side: Side, here: list[Bound], ends: list[int], places: list[Mark]) -> Elided | None:
    """A place beside a side of its own: "... and below on the left"."""
    for mark in places:
        keys = [k for s in mark.of("context") for k, _ in s.context if k in _KEYS]
        start, end = min(mark.start, side.start), max(mark.end, side.end)
        if not keys or not _together(scene, mark, side) or not _joined(scene, start):
            continue
        giver = _giver(here[: bisect_right(ends, start)], side)
        taken = [k for k in keys if giver is not None and _takes(scene, giver, k)]
        if giver is not None and taken:
            return Elided(start, end, side, giver, mark, taken[0])
    return None


def _denied(scene: Scene, side: Side, here: list[Bound], ends: list[int], denials: list[Mark]) -> Elided | None:
    """A side with nothing but a denial: "... but not the left", "..., the left does not"."""
    for cue in denials:
        start, end = min(cue.start, side.start), max(cue.end, side.end)
        small = _SMALL if cue.end <= side.start else _SMALL | _VERBS
        if not _together(scene, cue, side, small) or not _clause_ends(scene, end):
            continue
        giver = _giver(here[: bisect_right(ends, start)], side)
        if giver is not None and giver.atom.sort in ("word", "alone") and bisect_right(ends, start) == len(here):
            return Elided(start, end, side, giver)
    return None


def _together(scene: Scene, mark: Mark, side: Side, small: frozenset[str] = _SMALL) -> bool:
    """Whether no more than small words stand between a mark and a side."""
    first, second = sorted(((mark.start, mark.end), (side.start, side.end)))
    return first[1] <= second[0] and all(
        t.kind == "space" or t.skipped or t.key in small for t in scene.tokens.tokens[first[1] : second[0]]
    )


def _joined(scene: Scene, start: int) -> bool:
    """Whether "and" or a comma leads to a place, small words left aside."""
    i = start - 1
    while i > 0 and (scene.tokens[i].kind == "space" or scene.tokens[i].skipped or scene.tokens[i].key in _SMALL):
        i -= 1
    return i >= 0 and scene.tokens[i].key in _JOINS


def _clause_ends(scene: Scene, i: int) -> bool:
    """Whether nothing more of the clause follows."""
    while i < len(scene.tokens) and (scene.tokens[i].kind == "space" or scene.tokens[i].skipped):
        i += 1
    return i >= len(scene.tokens) or scene.tokens[i].kind in ("punct", "break") or scene.tokens[i].key in _ENDS


def _giver(before: list[Bound], side: Side) -> Bound | None:
    """The value told last, if it was told of the other side."""
    told = [one for one in before if one.option.targets]
    other = "left" if side.value == "right" else "right"
    last = told[-1] if told else None
    return last if last is not None and last.option.side is not None and last.option.side.value == other else None


def _takes(scene: Scene, one: Bound, key: str) -> bool:
    return all(key in scene.lexicon.items[t.item].context for t in one.option.targets)
