"""Which values a negation reaches ("no ptosis, proptosis or diplopia but nystagmus on the left").

A cue reaches forward over the value that follows it and on over a list of bare findings; it
stops at an end cue, at a new test with a value of its own, and at the end of the sentence.
"""

from __future__ import annotations

from dictate.binding import Atom, Bound, Scene
from dictate.marks import Mark

_LIST = frozenset({"or", "nor", "and", ",", "/", "&", "+"})
_HARD = frozenset({",", ":", "-", "|", ".", ")", "("})


def negated(scene: Scene, bound: list[Bound]) -> dict[int, Mark]:
    """For each negated value (by its start token) the cue that negates it."""
    out: dict[int, Mark] = {}
    by_sentence: dict[int, list[Bound]] = {}
    for one in bound:
        by_sentence.setdefault(one.atom.sentence, []).append(one)
    cues: dict[int, list[Mark]] = {}
    for cue in scene.cues:
        cues.setdefault(scene.segments.sentence_of[cue.start], []).append(cue)
    for sentence, found in by_sentence.items():
        here = cues.get(sentence, [])
        negations = [c for c in here if any(s.data == "negation" for s in c.of("cue"))]
        ends = [c.start for c in here if any(s.data == "end" for s in c.of("cue"))]
        for number, cue in enumerate(negations):
            limit = scene.segments.sentences[sentence].end
            if number + 1 < len(negations):
                limit = negations[number + 1].start
            stop = min([e for e in ends if e > cue.start] + [limit])
            _spread(scene, cue, stop, found, out)
    return out


def _signs(scene: Scene, a: int, b: int) -> list[str]:
    return [t.key for t in scene.tokens.tokens[a:b] if t.kind != "space" and not t.skipped]


def _spread(scene: Scene, cue: Mark, stop: int, found: list[Bound], out: dict[int, Mark]) -> None:
    """Carry one negation over the list that follows it."""
    last_end = cue.end
    first = True
    for one in found:
        atom = one.atom
        if atom.start < cue.end or not one.option.targets:
            continue
        if atom.start >= stop:
            break
        signs = _signs(scene, last_end, atom.start)
        if first:
            if any(k in _HARD for k in signs) or len(signs) > 6:
                break
            if atom.sort == "number":
                if len(signs) > 2:
                    break
                last_end = atom.end
                continue
            out[atom.start] = cue
            first = False
        elif not _continues(scene, one, cue, last_end, signs):
            break
        else:
            out[atom.start] = cue
        last_end = atom.end


def _continues(scene: Scene, one: Bound, cue: Mark, last_end: int, signs: list[str]) -> bool:
    """Whether a value is the next member of the negated list."""
    atom: Atom = one.atom
    if len(signs) > 4:
        return False
    if "or" in signs or "nor" in signs:
        return True
    named_before = one.option.head is not None and one.option.head.end <= cue.start
    bare = atom.sort == "alone" or (atom.mark is not None and atom.mark.has("word") and named_before)
    own_name = any(
        last_end <= h.start and h.end <= atom.start and not h.finding for h in scene.heads if h.sentence == atom.sentence
    )
    side_between = any(s.sentence == atom.sentence and last_end <= s.start and s.end <= atom.start for s in scene.sides)
    return bare and any(k in _LIST for k in signs) and not own_name and not side_between
