"""Which values a negation reaches ("no ptosis, proptosis or diplopia but nystagmus on the left").

A cue reaches forward over the value that follows it and on over a list of values; it stops at
an end cue, at the next negation, at a new test or side with a value of its own, and at the end
of the sentence. Commas do not stop it inside a list that ends in "or". Some cues reach back
("ptosis was ruled out"), and some hold their own object and reach nothing ("no change in ...").
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise

from dictate.binding import unmarked
from dictate.lexicon import Sense
from dictate.marks import Mark
from dictate.note import Tokens
from dictate.offers import Bound, Scene

_LIST = frozenset({"or", "nor", "and", ",", "/", "&", "+"})
_OR = frozenset({"or", "nor"})
_HARD = frozenset({":", "-", "|", ".", ")", "(", ";"})
_REACH = 6  # words between a negation and its first value
_BACK = 5  # words between a value and a negation that follows it
_MEMBER = 4  # words and signs between two members of a list
_OR_MEMBER = 8  # the same inside a list that ends in "or"
_DENIAL = (Sense("cue", "negation", data="negation"),)
_SEEN = frozenset({"present", "positive"})
_SAYING = 8  # words and signs between "it cannot be said that" and the denial it takes back
_TAKEN_BACK = 3  # words between a negation and the word of denial that it denies ("by no means free of")
_PLAIN_NO = frozenset({"no", "nil", "none", "nothing", "neither", "nor", "zero"})
_STOPS = frozenset({",", "and", "or", "but", "nor"})


def take_back(tokens: Tokens, marks: list[Mark], sentence_of: list[int]) -> list[Mark]:
    """The marks, with each denial that is itself denied made no denial ("not without", "cannot
    be said that ... is not", "no doubt that"): neither of the two reaches a value then."""
    out = list(marks)
    for at, cue in enumerate(marks):
        if not _denies(out[at]):
            continue
        holds = tokens[cue.end - 1].key in ("that", "to")
        for later in range(at + 1, min(at + 7, len(marks))):
            other = out[later]
            if other.start < cue.end:
                continue
            gap = [t.key for t in tokens.tokens[cue.end : other.start] if t.kind != "space" and not t.skipped]
            if sentence_of[other.start] != sentence_of[cue.start] or any(k in _HARD or k in _STOPS for k in gap):
                break
            if _taken_back(tokens, other, gap, holds):
                out[at], out[later] = _doubled(cue), _doubled(other)
                break
            spoken_of = other.has("name", "topic", "side") or {s.data for s in other.of("alone")} & {
                "plan",
                "impression",
            }
            if other.has("cue") or _within_cue(out, later) or holds and spoken_of:
                continue
            break
    return out


def _within_cue(marks: list[Mark], at: int) -> bool:
    """Whether a mark stands inside a cue that is told right behind it ("free" in "free of")."""
    return any(m.has("cue") and m.start <= marks[at].start < m.end for m in marks[at + 1 : at + 3])


def _kinds(mark: Mark) -> set[str]:
    return {s.data for s in mark.of("cue")}


def _denies(mark: Mark) -> bool:
    return "negation" in _kinds(mark) and not mark.has("alone", "word", "generic", "complete")


def _taken_back(tokens: Tokens, other: Mark, gap: list[str], holds: bool) -> bool:
    """Whether a denial before this mark, with these words between, denies it."""
    kinds = _kinds(other)
    if "negation" in kinds and holds:
        return len(gap) <= _SAYING
    if "denial" in kinds:
        return len(gap) <= _TAKEN_BACK
    return "negation" in kinds and len(gap) <= _TAKEN_BACK and tokens[other.start].key not in _PLAIN_NO


def _doubled(mark: Mark) -> Mark:
    kept = tuple(s for s in mark.senses if s.role != "cue")
    return Mark(mark.start, mark.end, (*kept, Sense("cue", "cues.toml#doubled", data="doubled")))


@dataclass
class _Sentence:
    """What one sentence offers, each sort in order of place."""

    end: int
    found: list[Bound] = field(default_factory=list)
    forward: list[Mark] = field(default_factory=list)
    spent: list[Mark] = field(default_factory=list)
    after: list[Mark] = field(default_factory=list)
    ends: list[int] = field(default_factory=list)
    clauses: list[int] = field(default_factory=list)
    own_names: list[int] = field(default_factory=list)
    sides: list[int] = field(default_factory=list)


def negated(scene: Scene, bound: list[Bound]) -> dict[int, Mark]:
    """For each negated value (by its start token) the cue that negates it."""
    out: dict[int, Mark] = {}
    for sentence in _sentences(scene, bound):
        starts = sorted([c.start for c in (*sentence.forward, *sentence.spent)])
        for cue in sentence.forward:
            _forward(scene, sentence, cue, _next(starts, cue.end, sentence.end), out)
        for cue in sentence.spent:
            _spent(scene, sentence, cue, _next(starts, cue.end, sentence.end), out)
        for cue in sentence.after:
            _back(scene, sentence, cue, out)
        _carry_to_seen(sentence, out)
    _carry_over_or(scene, bound, out)
    return out


def _carry_over_or(scene: Scene, bound: list[Bound], out: dict[int, Mark]) -> None:
    """ "Cannot elevate or adduct": the denial inside the first finding holds for the second."""
    for one, other in pairwise(b for b in bound if b.option.targets):
        if (
            one.atom.sort != "alone"
            or other.atom.sort not in ("alone", "word")
            or other.atom.start in out
            or one.option.targets[0].item != other.option.targets[0].item
            or _signs(scene, one.atom.end, other.atom.start) not in (["or"], ["nor"])
        ):
            continue
        item = scene.lexicon.items[other.option.targets[0].item]
        said, opposite = one.option.targets[0].value, item.negated.get(str(other.option.targets[0].value))
        if said == opposite or one.atom.start in out:
            out[other.atom.start] = out.get(one.atom.start, Mark(one.atom.start, one.atom.end, _DENIAL))


def _sentences(scene: Scene, bound: list[Bound]) -> Iterable[_Sentence]:
    """The sentences that hold both values and negations."""
    sentence_of = scene.segments.sentence_of
    out: dict[int, _Sentence] = {}
    for cue in scene.cues:
        kinds = {s.data for s in cue.of("cue")}
        if not kinds & {"negation", "spent", "negation_after", "end", "exception", "clause"}:
            continue
        number = sentence_of[cue.start]
        one = out.setdefault(number, _Sentence(scene.segments.sentences[number].end))
        if "negation" in kinds:
            one.forward.append(cue)
        if "spent" in kinds:
            one.spent.append(cue)
        if "negation_after" in kinds:
            one.after.append(cue)
        if kinds & {"end", "exception"}:
            one.ends.append(cue.start)
        if "clause" in kinds:
            one.clauses.append(cue.start)
    out = {n: one for n, one in out.items() if one.forward or one.spent or one.after}
    for b in bound:
        if b.atom.sentence in out:
            out[b.atom.sentence].found.append(b)
    for head in scene.heads:
        if head.sentence in out and not head.finding:
            out[head.sentence].own_names.append(head.start)
    for side in scene.sides:
        if side.sentence in out:
            out[side.sentence].sides.append(side.start)
    return [one for one in out.values() if one.found]


def _next(places: list[int], start: int, otherwise: int) -> int:
    """The first place at or after a token."""
    at = bisect_left(places, start)
    return places[at] if at < len(places) else otherwise


def _any_in(places: list[int], a: int, b: int) -> bool:
    return _next(places, a, b) < b


def _signs(scene: Scene, a: int, b: int) -> list[str]:
    return [t.key for t in scene.tokens.tokens[a:b] if t.kind != "space" and not t.skipped]


def _or_end(scene: Scene, a: int, b: int) -> int:
    """The place of the last "or" of the list that starts at token a; -1 if there is none."""
    last = -1
    for i in range(a, b):
        token = scene.tokens[i]
        if token.key in _HARD and token.kind == "punct" and not token.skipped:
            break
        if token.key in _OR:
            last = i
    return last


def _at(found: list[Bound], place: int) -> int:
    """The number of the first value that starts at or after a token."""
    return bisect_left(found, place, key=lambda b: b.atom.start)


def _forward(scene: Scene, sentence: _Sentence, cue: Mark, limit: int, out: dict[int, Mark]) -> None:
    """Carry one negation to the value that it denies, and on over the list."""
    stop = min(limit, _next(sentence.ends, cue.end, limit))
    or_end = _or_end(scene, cue.end, stop)
    last = cue.end
    for at in range(_at(sentence.found, cue.start + 1), len(sentence.found)):
        one = sentence.found[at]
        if one.atom.start >= stop:
            return
        if not one.option.targets:
            continue
        signs = _signs(scene, last, one.atom.start)
        if one.atom.sort == "number":
            if len(signs) > 2:
                return
            last = one.atom.end
            continue
        if _reached(sentence, last, one.atom.start, signs, last <= or_end):
            out.setdefault(one.atom.start, cue)
            _list(scene, sentence, cue, at, stop, or_end, out)
        return


def _spent(scene: Scene, sentence: _Sentence, cue: Mark, limit: int, out: dict[int, Mark]) -> None:
    """A cue that holds its own object reaches on only where that object is a value."""
    at = _at(sentence.found, cue.start)
    if at < len(sentence.found) and sentence.found[at].atom.start < cue.end and sentence.found[at].option.targets:
        stop = min(limit, _next(sentence.ends, cue.end, limit))
        out.setdefault(sentence.found[at].atom.start, cue)
        _list(scene, sentence, cue, at, stop, _or_end(scene, cue.end, stop), out)


def _list(scene: Scene, sentence: _Sentence, cue: Mark, at: int, stop: int, or_end: int, out: dict[int, Mark]) -> None:
    """Carry a negation from one negated value over the members of its list."""
    lead = sentence.found[at]
    last = lead.atom.end
    for one in sentence.found[at + 1 :]:
        if one.atom.start >= stop:
            return
        if not one.option.targets:
            continue
        signs = _signs(scene, last, one.atom.start)
        if _normal(scene, one) != _normal(scene, lead) or _states(scene, one):
            return
        if one.option.targets[0].item == lead.option.targets[0].item and last > or_end:
            return  # "no longer sluggish, brisk": one thing cannot be denied twice over
        shared = one.option.head is not None and one.option.head is lead.option.head
        if not _continues(sentence, one, last, signs, last <= or_end, shared):
            return
        out.setdefault(one.atom.start, cue)
        last = one.atom.end


def _reached(sentence: _Sentence, last: int, start: int, signs: list[str], listed: bool) -> bool:
    """Whether the first value after a negation is what it denies."""
    if any(k in _HARD for k in signs):
        return False
    if "," not in signs:
        return len(signs) <= _REACH
    return listed and len(signs) <= _OR_MEMBER and _plain_gap(sentence, last, start)


def _plain_gap(sentence: _Sentence, a: int, b: int) -> bool:
    """Whether nothing in between opens a statement of its own: a test, a side, a verb."""
    return not any(_any_in(places, a, b) for places in (sentence.own_names, sentence.sides, sentence.clauses))


_BE = frozenset({"is", "are", "was", "were"})


def _states(scene: Scene, one: Bound) -> bool:
    """Whether a value's own words are a whole statement ("pursuit is jerky"): no member of a denied list."""
    return any(t.text.casefold() in _BE for t in scene.tokens.tokens[one.atom.start : one.atom.end])


def _normal(scene: Scene, one: Bound) -> bool:
    """Whether a value says that all is well; a list denies either such values or the others."""
    target = one.option.targets[0]
    return unmarked(scene.lexicon.items[target.item], target.value)


def _continues(
    sentence: _Sentence, one: Bound, last: int, signs: list[str], listed: bool, shared: bool = False
) -> bool:
    """Whether a value is the next member of the negated list; `shared`: one name stands for all of it."""
    atom = one.atom
    if any(k in _HARD for k in signs) or len(signs) > (_OR_MEMBER if listed else _MEMBER):
        return False
    if _any_in(sentence.clauses, last, atom.start):
        return False
    if any(k in _OR for k in signs):
        return len(signs) <= _MEMBER or _plain_gap(sentence, last, atom.start)
    head = one.option.head
    named_before = head is not None and head.end <= atom.start or shared
    bare = atom.sort == "alone" or (atom.mark is not None and atom.mark.has("word") and named_before)
    joined = any(k in _LIST for k in signs) or not signs and (listed or atom.sort == "alone")  # a list without commas
    return bare and joined and _plain_gap(sentence, last, atom.start)


def _back(scene: Scene, sentence: _Sentence, cue: Mark, out: dict[int, Mark]) -> None:
    """Carry a negation that follows its value back over the list before it."""
    next_start = cue.start
    first = True
    for at in range(_at(sentence.found, cue.start) - 1, -1, -1):
        one = sentence.found[at]
        if one.atom.sort == "number" or not one.option.targets or next_start - one.atom.end > 4 * _BACK:
            break
        signs = _signs(scene, one.atom.end, next_start)
        if any(k in _HARD for k in signs) or _any_in(sentence.ends, one.atom.end, next_start):
            break
        if first and ("," in signs and signs != [","] or len(signs) > _BACK):
            break
        if not first and not (signs and len(signs) <= _MEMBER and any(k in _LIST for k in signs)):
            break
        out.setdefault(one.atom.start, cue)
        first = False
        next_start = one.atom.start


def _carry_to_seen(sentence: _Sentence, out: dict[int, Mark]) -> None:
    """ "No ptosis is seen": the word that answers a denied finding is denied with it."""
    for one in sentence.found:
        head, mark = one.option.head, one.atom.mark
        if head is None or mark is None or head.start not in out or one.atom.start in out:
            continue
        if any(s.data in _SEEN for s in mark.of("generic")):
            out[one.atom.start] = out[head.start]
