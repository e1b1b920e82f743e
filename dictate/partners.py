"""Two values told in one breath of one finding: its kind and its size ("30 PD right esotropia")."""

from __future__ import annotations

from itertools import pairwise

from dictate.answers import unit_after
from dictate.lexicon import Sense
from dictate.offers import Bound, Scene, Target

_LINKS = frozenset({"and", "but"})
LISTED = "listed"  # a value that a denial of the one before it reaches as well
_LIST = frozenset({",", "or", "nor", "and", "/"})
_AUXILIARY = frozenset({"to", "do", "doe", "does", "it", "he", "she", "they", "can", "will"})
_DENIALS = frozenset({"not", "cannot", "never", "no", "fail", "unable", "unabl", "t", "n't"})


def beside(scene: Scene, one: Bound, other: Bound) -> bool:
    """Whether a number and a word stand together with no more than a few plain words between them."""
    if (one.atom.sort == "number") == (other.atom.sort == "number"):
        return False
    first, second = sorted((one.atom, other.atom), key=lambda a: a.start)
    start = unit_after(scene, first.group)[1] if first.group is not None else first.end
    gap = [t for t in scene.tokens.tokens[start : second.start] if t.kind != "space" and not t.skipped]
    return len(gap) <= 4 and not any(t.kind in ("punct", "break", "number") or t.key in _LINKS for t in gap)


def topics(scene: Scene, one: Bound) -> set[str]:
    """The topics of what a value says."""
    return {scene.lexicon.items[t.item].topic for t in one.option.targets}


def share_sides(scene: Scene, bound: list[Bound]) -> None:
    """Give the side told with the kind to the size beside it, and the other way round."""
    for before, after in pairwise(bound):
        if before.atom.sentence != after.atom.sentence or not topics(scene, before) & topics(scene, after):
            continue
        if beside(scene, before, after):
            _lend(scene, before, after)
            _lend(scene, after, before)
            _agree(before, after)


def _agree(before: Bound, after: Bound) -> None:
    """Kind and size that took one side are no longer in doubt about it ("2 mm right ptosis")."""
    sides = (before.option.side, after.option.side)
    if sides[0] is None or sides[1] is None or sides[0].value != sides[1].value:
        return
    for one in (before, after):
        said = [(t.item, t.value) for t in one.option.targets]
        if one.rival is not None and one.rival.side is None and [(t.item, t.value) for t in one.rival.targets] == said:
            one.rival = None


def _lend(scene: Scene, giver: Bound, taker: Bound) -> None:
    items = [scene.lexicon.items[t.item] for t in taker.option.targets]
    of_a_finding = all(item.side_optional and (item.one_side or item.kind == "quantity") for item in items)
    if taker.option.side is not None or not of_a_finding:
        return
    fixed = {t.side for t in giver.option.targets}
    if giver.option.side is not None and giver.option.side.value in ("right", "left"):
        taker.option.side, taker.option.side_way = giver.option.side, giver.option.side_way
    elif len(fixed) == 1 and fixed & {"right", "left"}:
        for target in taker.option.targets:
            target.side = target.side or next(iter(fixed))


def share_denials(scene: Scene, bound: list[Bound]) -> None:
    """Values of one item listed behind one denial: "does not elevate, depress or adduct".

    The first value may hold the denial in its own words; then the rest take it, with its side.
    """
    denied: set[int] = set()
    for before, after in pairwise(bound):
        if before.atom.sentence != after.atom.sentence or len(before.option.targets) != 1 or not before.atom.mark:
            continue
        first = before.option.targets[0]
        sense = _of_item(after, first.item)
        gap = scene.tokens.tokens[before.atom.end : after.atom.start]
        words = [t.key for t in gap if t.kind != "space" and not t.skipped]
        small = _AUXILIARY if "nor" in words else {"to"}
        listed = words == ["to"] or any(w in _LIST for w in words) and all(w in _LIST or w in small for w in words)
        if sense is None or not listed or not first.context:
            continue
        told = scene.tokens.tokens[before.atom.start : before.atom.end]
        own = before.atom.start in denied or any(t.key in _DENIALS for t in told)
        if not own and not all(w in _LIST for w in words):
            continue
        negated = scene.lexicon.items[first.item].negated
        value = negated.get(sense.value, "") if own else sense.value
        if value != first.value:
            continue
        if own and not {"or", "nor"} & set(words) and _finite(scene, after):
            continue  # "does not abduct, adducts fully"
        if "nor" in words:
            value = sense.value  # "nor" denies it by itself
        after.option.targets = [Target(first.item, value, dict(sense.context), None, sense.source, first.side)]
        after.option.head, after.option.head_way = None, "self"
        after.option.side, after.option.side_way = before.option.side, before.option.side_way
        after.rival = None
        if own:
            denied.add(after.atom.start)
        else:
            after.option.notes = (*after.option.notes, LISTED)


def _finite(scene: Scene, one: Bound) -> bool:
    """Whether a value opens with a verb in the third person: a statement of its own."""
    word = scene.tokens[one.atom.start].text.casefold()
    return word.endswith("s") and not word.endswith("ss")


def _of_item(one: Bound, item: str) -> Sense | None:
    """What the words of a value say of one item, with a circumstance of their own."""
    senses = one.atom.mark.of("word", "alone") if one.atom.mark else ()
    return next((s for s in senses if s.item == item and s.context), None)
