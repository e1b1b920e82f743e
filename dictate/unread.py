"""Words that no stage could read, standing where the name of a test belongs ("Rainy is positive").

A value with a subject of its own that was not read says nothing sure of a test that was named elsewhere.
"""

from __future__ import annotations

from dictate import english
from dictate.lexicon import Lexicon
from dictate.note import Token
from dictate.offers import Bound, Scene

_UNCOMMON = 2_500  # from this rank a word is hardly one of those that tie a sentence together
_FARTHEST = 12  # tokens between an unread name and its value
_MOST = 5  # words of such a name
_NO_PART = frozenset("i he she it they we who with of from in by after before".split())  # of no misheard name
_VOWELS = frozenset("aeiouy")


Idle = dict[int, frozenset[str]]  # token -> the groups of a value word that says nothing where it stands


def idle(bound: list[Bound], lexicon: Lexicon) -> Idle:
    """The value words that found no test to speak of ("your jerk is normal")."""
    out: Idle = {}
    for one in bound:
        mark = one.atom.mark
        if mark is not None and not one.option.targets:
            topics = frozenset(lexicon.item_group.get(s.item, s.topic) for s in mark.senses)
            out.update(dict.fromkeys(range(one.atom.start, one.atom.end), topics))
    return out


def subject(scene: Scene, one: Bound, unread_values: Idle) -> tuple[int, int] | None:
    """The unread words that stand as the name of this value, or None.

    They stand right before the value (sides, circumstances and small words may come between), and at least one of
    them is an uncommon word. Value words that say nothing here are unread too, unless they are
    of the very test.
    """
    atom, head = one.atom, one.option.head
    if atom.sort not in ("word", "number") or head is None:
        return None
    start = scene.segments.sentences[atom.sentence].start
    if head.sentence == atom.sentence:
        if head.start >= atom.start or atom.sort == "number":  # "ptosis measuring 2 mm"
            return None
        start = head.end
    own = {scene.lexicon.item_group.get(t.item, "") for t in one.option.targets}
    unused = frozenset(i for i in range(start, atom.start) if i in unread_values and own.isdisjoint(unread_values[i]))
    passed = _passed(scene, atom.sentence)
    at = atom.start - 1
    while at >= start and atom.start - at < _FARTHEST and (_small(scene.tokens[at]) or at in passed):
        at -= 1
    end = at + 1
    while at >= start and end - at <= _MOST and _free(scene, at, unused):
        at -= 1
    words = [t for t in scene.tokens.tokens[at + 1 : end] if t.kind == "word" and not t.skipped]
    if not any(_uncommon(scene, t, unused) for t in words) or any(t.key in _NO_PART for t in words):
        return None
    return words[0].i, end


def _passed(scene: Scene, sentence: int) -> set[int]:
    """Tokens of sides and circumstances, which may stand between a name and its value."""
    sides = {i for s in scene.sides if s.sentence == sentence for i in range(s.start, s.end)}
    return sides | {i for m in scene.contexts for i in range(m.start, m.end)}


def _small(token: Token) -> bool:
    return token.kind == "space" or token.skipped


def _free(scene: Scene, at: int, unused: frozenset[int]) -> bool:
    token = scene.tokens[at]
    return token.kind == "space" or token.kind == "word" and (at not in scene.known or at in unused)


def _uncommon(scene: Scene, token: Token, unused: frozenset[int]) -> bool:
    word = token.text.lower()
    if len(word) < 3 or not word.isalpha() or not _VOWELS.intersection(word):
        return False
    if token.key in scene.lexicon.vocabulary() and token.i not in unused:
        return False
    return english.rank(word) >= _UNCOMMON
