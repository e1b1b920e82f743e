"""Stage 5c: which eye a passage speaks of, where the side is not said beside each finding.

"Examination of the left eye showed ..." turns to that eye as a heading does. "The eye was red",
in a note that names no side, leaves open which eye is meant.
"""

from __future__ import annotations

from dictate.marks import Mark
from dictate.offers import Atom, Head, Scene, Side
from dictate.wording import is_plural

_SHOWING = frozenset("show reveal demonstrat disclose disclos exhibit".split())
_BEING = frozenset("is was has had".split())
_LOOKING = frozenset("examination exam inspection biomicroscopy evaluation assessment".split())
_EYE_WORDS = frozenset("eye re le od os".split())
# Words after which "the eye" is a thing looked at and no part of another noun ("the eye movements").
_AFTER_EYE = frozenset(
    """is was wa ha has had show reveal appear look and with but in on at , . ; : ) although though while be remain
    demonstrat disclose disclos itself that which""".split()
)
_AILING = frozenset("affected painful red injured sore sticky itchy watery".split())
_BEFORE_EYE = frozenset("the his her that this".split()) | _AILING


def _next(scene: Scene, i: int) -> int:
    while i < len(scene.tokens) and scene.tokens[i].kind == "space":
        i += 1
    return i


def _previous(scene: Scene, i: int) -> int:
    i -= 1
    while i >= 0 and (scene.tokens[i].kind == "space" or scene.tokens[i].key in ("the", "his", "her")):
        i -= 1
    return i


def turns_to(scene: Scene, side: Side) -> bool:
    """Whether a sentence turns to an eye: "examination of the left eye ...", "the right eye showed ..."."""
    tokens = scene.tokens
    words = {t.key for t in tokens.tokens[side.start : side.end]}
    if side.value not in ("right", "left") or not words & _EYE_WORDS:
        return False
    before = _previous(scene, side.start)
    if before > 0 and tokens[before].key == "of" and tokens[_previous(scene, before)].key in _LOOKING:
        return True
    after = _next(scene, side.end)
    if after >= len(tokens) or before >= scene.segments.sentences[side.sentence].start:
        return False
    return tokens[after].key in _SHOWING or _subject_of(scene, side, after)


def _subject_of(scene: Scene, side: Side, after: int) -> bool:
    """ "Right eye cornea clear.", "The left eye was red.": a sentence that opens with an eye and tells of no other."""
    if sum(1 for s in scene.sides if s.sentence == side.sentence) > 1:
        return False
    tokens = scene.tokens
    return tokens[after].text.casefold() in _BEING or after in scene.named


def says_eye(scene: Scene, side: Side) -> bool:
    """Whether a side is told as that of an eye ("right eye", "OD")."""
    return bool({t.key for t in scene.tokens.tokens[side.start : side.end]} & _EYE_WORDS)


def unknown_eye(scene: Scene, marks: list[Mark]) -> bool:
    """Whether a note speaks of "the eye" and nowhere says a side, both eyes, or either of them."""
    spoken = ("talk", "question")
    tokens = scene.tokens
    sides = [m for m in marks if m.has("side") and scene.modes.mode[m.start] not in spoken]
    if any(not mark.start or tokens[mark.start - 1].key != "'" for mark in sides):
        return False
    lone = False
    for token in tokens.tokens:
        if token.key != "eye" or scene.modes.mode[token.i] in spoken:
            continue
        if token.text.casefold() == "eyes":
            return False
        before = token.i - 1
        while before >= 0 and tokens[before].kind == "space":
            before -= 1
        after = _next(scene, token.i + 1)
        ends = after >= len(tokens) or tokens[after].kind == "break"
        if (
            before >= 0
            and tokens[before].key in _BEFORE_EYE
            and (ends or tokens[before].key in _AILING or tokens[after].key in _AFTER_EYE or tokens[after].skipped)
        ):
            lone = True
    return lone


def affected(scene: Scene, side: Side) -> str:
    """ "The injured eye": the one side told of so far, in the complaint too; "unclear" if none or both were."""
    told = {str(s.value) for m in scene.marks if m.start < side.start for s in m.of("side")} & {"right", "left"}
    if len(told) != 1:
        return "unclear"
    only = told.pop()
    return only if side.value == "affected" else {"right": "left", "left": "right"}[only]


def names_pair(scene: Scene, atom: Atom) -> bool:
    """Whether a finding that holds its own name has that name in the plural ("lenses clear")."""
    if atom.sort != "alone":
        return False
    return any(
        is_plural(t.text) and any(s.role in ("topic", "name") for s in scene.lexicon.phrases.get((t.key,), ()))
        for t in scene.tokens.tokens[atom.start : atom.end]
    )


def holds_name(scene: Scene, head: Head) -> bool:
    """Whether a finding's phrase ends in the name of what it is found in ("round pupils")."""
    last = scene.tokens[head.end - 1].key
    return any(s.role in ("topic", "name") for s in scene.lexicon.phrases.get((last,), ()))
