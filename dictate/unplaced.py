"""What was said and not placed: measurements that no test took."""

from __future__ import annotations

from dictate.answers import unit_after
from dictate.numbers import Group
from dictate.offers import Bound, Scene, Side

_MEASURES = frozenset({"mm", "mm[Hg]", "Hz", "um", "[p'diop]", "cm"})


def _measures(scene: Scene, group: Group) -> bool:
    """Whether a number has the look of a measurement of this examination."""
    unit, _ = unit_after(scene, group)
    if unit == "_foreign":
        return False
    first = group.nums[0]
    if unit in _MEASURES:
        return True
    return first.decimal and 0 < first.value < 1


def questions(scene: Scene, bound: list[Bound]) -> list[tuple[str, str, int, int]]:
    """(reason, question, start, end) for each measurement with a side that found no test."""
    out: list[tuple[str, str, int, int]] = []
    by_sentence: dict[int, list[Side]] = {}
    for side in scene.sides:
        by_sentence.setdefault(side.sentence, []).append(side)
    for one in bound:
        atom = one.atom
        if atom.group is None or one.option.targets or scene.modes.mode[atom.start] != "finding":
            continue
        near = [
            s
            for s in by_sentence.get(atom.sentence, ())
            if (0 <= atom.start - s.end <= 2 or 0 <= s.start - atom.end <= 3)
        ]
        if not near or not _measures(scene, atom.group):
            continue
        start, end = min(atom.start, near[0].start), max(atom.end, near[0].end)
        words = scene.tokens.words(start, end)
        out.append(("item", f"“{words}”: what was measured?", start, end))
    return out
