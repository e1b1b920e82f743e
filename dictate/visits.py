"""Stage 5b: which of several visits is this examination.

A note that tells of two visits, by their dates or by words ("three days later", "at review"), is about
the later one; the earlier is history. In a published case it is the other way round: the examination
on presenting is kept, and what came after the treatment is history.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from dictate.marks import Mark
from dictate.note import Tokens
from dictate.segments import Segments, Sentence

_MONTHS = "january february march april may june july august september october november december".split()
_MONTH = {name[:k]: n for n, name in enumerate(_MONTHS, 1) for k in range(3, len(name) + 1)}
_NUMBERED = frozenset({"visit", "day", "week", "month", "appointment"})
_OPENERS = frozenset("seen review reviewed visit clinic on at date examined examination dated re the".split())
_AFTER_DATE = frozenset({":", "-", ",", "|", "–", "—", "."})
_SPANS = frozenset("year day week month hour h yr".split())
_PAST = frozenset("ago last history previous previously childhood age".split())
_NEAR = 5  # words of a sentence before those that date its visit

Told = Callable[[int], bool]


@dataclass(frozen=True, slots=True)
class Dated:
    """A sentence that opens with the date or number of a visit; `when` sorts with its like."""

    sentence: int
    kind: str
    when: tuple[int, ...]


def ordinals(tokens: Tokens) -> frozenset[int]:
    """The tokens that number a visit at the head of a line or sentence ("Visit 2:", "Day 14 -")."""
    out = set()
    for i, token in enumerate(tokens.tokens[1:], 1):
        if token.kind != "number" or tokens[i - 1].kind != "word" or tokens[i - 1].key not in _NUMBERED:
            continue
        before = tokens[i - 2] if i > 1 else None
        opens = before is None or before.kind == "break" or before.kind == "punct" and before.key in (".", ";")
        after = _words(tokens, i + 1, i + 4)
        if opens and after and tokens[after[0]].key in _AFTER_DATE:
            out.add(i)
    return frozenset(out)


def settle(
    tokens: Tokens,
    cues: list[Mark],
    segments: Segments,
    mode: list[str],
    told: Told,
    silent: Callable[[int, list[Mark]], bool],
    names: Callable[[int], list[Mark]],
) -> None:
    """Turn the visits that are not this examination into history, and this one into findings.

    `told(n)` says whether sentence n tells a test with its value; `silent(n, marks)` whether something
    besides those words of a visit makes it no finding; `names(n)` gives the tests named in it.
    """
    by_sentence: dict[int, list[Mark]] = {}
    for cue in cues:
        by_sentence.setdefault(segments.sentence_of[cue.start], []).append(cue)
    case = any(_is(cue, "case") for found in by_sentence.values() for cue in found)
    if case or _opens_with_age(tokens, segments):
        _leave_outcome(tokens, by_sentence, segments, mode, told)
        return
    if not _dated_visits(tokens, segments, mode, told):
        _relative_visits(tokens, by_sentence, segments, mode, told, silent, names)


def _opens_with_age(tokens: Tokens, segments: Segments) -> bool:
    """ "A 79-year-old ...": the indefinite article brings in a patient whom the reader does not know."""
    for sentence in segments.sentences[:2]:
        keys = [
            tokens[i].text.casefold() for i in _words(tokens, sentence.start, min(sentence.end, sentence.start + 12))
        ]
        aged = [k for k, key in enumerate(keys) if key in ("year", "years", "month", "months", "week", "weeks")]
        if keys and keys[0] in ("a", "an") and aged and aged[0] <= 5 and "old" in keys[aged[0] : aged[0] + 4]:
            return True
    return False


def _is(cue: Mark, *kinds: str) -> bool:
    return any(s.data in kinds for s in cue.of("visit"))


def _words(tokens: Tokens, start: int, end: int) -> list[int]:
    return [i for i in range(start, min(end, len(tokens))) if tokens[i].kind not in ("space", "break")]


def _silence(mode: list[str], start: int, end: int) -> None:
    for i in range(start, end):
        if mode[i] in ("finding", "impression"):
            mode[i] = "history"


def _opens(tokens: Tokens, cue: Mark, sentence: Sentence) -> bool:
    return len(_words(tokens, sentence.start, cue.start)) <= _NEAR


def _stated(sentence: Sentence, mode: list[str]) -> bool:
    return "finding" in mode[sentence.start : sentence.end]


def _leave_outcome(
    tokens: Tokens, cues: dict[int, list[Mark]], segments: Segments, mode: list[str], told: Told
) -> None:
    """A published case: from the treatment on, what is told is its outcome."""
    seen = course = False
    for n, sentence in enumerate(segments.sentences):
        here = cues.get(n, [])
        course = course and not any(_is(c, "examined") for c in here)
        turned = [c for c in here if _is(c, "treated") or _is(c, "course", "after") and _opens(tokens, c, sentence)]
        if course:
            _silence(mode, sentence.start, sentence.end)
        elif seen and turned:
            course = True
            opens = any(not _is(c, "treated") for c in turned)
            _silence(mode, sentence.start if opens else min(c.start for c in turned), sentence.end)
        looked = any(_is(c, "examined") for c in here) or _measures(tokens, sentence)
        seen = seen or looked and _stated(sentence, mode) and told(n)


def _measures(tokens: Tokens, sentence: Sentence) -> bool:
    """Whether a number stands in a sentence that is no age and no span of time."""
    return any(
        tokens[i].kind == "number" and not _SPANS & {tokens[k].key for k in _words(tokens, i + 1, i + 4)}
        for i in range(sentence.start, sentence.end)
    )


def _relative_visits(
    tokens: Tokens,
    cues: dict[int, list[Mark]],
    segments: Segments,
    mode: list[str],
    told: Told,
    silent: Callable[[int, list[Mark]], bool],
    names: Callable[[int], list[Mark]],
) -> None:
    """The last visit told by words alone is this examination, if an earlier one was told before it."""
    earlier = False  # whether words have dated an earlier visit
    before: list[int] = []  # sentences with findings so far
    number = -1  # the sentence of the last visit
    today = False
    for n, sentence in enumerate(segments.sentences):
        here = [c for c in cues.get(n, []) if _opens(tokens, c, sentence)]
        after = next((c for c in here if _is(c, "after")), None)
        now = next((c for c in here if _is(c, "now")), None)
        found = after or (now if earlier or number >= 0 else None)
        if found and before and told(n) and not silent(n, cues.get(n, [])) and not (today and found is after):
            if _after_history(tokens, segments, n):
                _silence(mode, sentence.start, sentence.end)
            else:
                number = n
        today = today or now is not None
        if told(n) and (_stated(sentence, mode) or number == n):
            before.append(n)
            earlier = earlier or any(_is(c, "before") for c in cues.get(n, []))
    if number < 0:
        return
    for n in range(number):
        _silence(mode, segments.sentences[n].start, segments.sentences[n].end)
    sentence = segments.sentences[number]
    for i in range(sentence.start, sentence.end):
        if mode[i] == "history":
            mode[i] = "finding"
    if not names(number):  # "when first seen the pupil was 6 mm; now it is 4": the test named before is meant
        for name in names(before[before.index(number) - 1])[-1:]:
            for i in range(name.start, name.end):
                mode[i] = "finding"


def _after_history(tokens: Tokens, segments: Segments, number: int) -> bool:
    """Whether a visit is told behind a history with its time ("surgery in 2019. Two days later ...")."""
    if not number:
        return False
    before = segments.sentences[number - 1]
    here = [tokens[i] for i in range(before.start, before.end)]
    years = [t for t in here if t.kind == "number" and len(t.text) == 4 and t.text[:2] in ("19", "20")]
    if any(t.kind == "number" and t not in years for t in here):
        return False
    return bool(years) or any(t.key in _PAST for t in here)


def _dated_visits(tokens: Tokens, segments: Segments, mode: list[str], told: Told) -> bool:
    """Visits under dates or numbers of their own: the latest is kept."""
    visits = [d for n, s in enumerate(segments.sentences) if (d := _date(tokens, n, s)) is not None]
    if len({d.when for d in visits}) < 2 or len({d.kind for d in visits}) > 1:
        return False
    blocks = []
    for k, dated in enumerate(visits):
        end = visits[k + 1].sentence if k + 1 < len(visits) else len(segments.sentences)
        if any(told(n) and _stated(segments.sentences[n], mode) for n in range(dated.sentence, end)):
            blocks.append((dated, end))
    if len({d.when for d, _ in blocks}) < 2:
        return False
    last = max(d.when for d, _ in blocks)
    for dated, end in blocks:
        if dated.when == last:
            continue
        for n in range(dated.sentence, end):
            sentence = segments.sentences[n]
            if n > dated.sentence and sentence.paragraph_start:
                break
            _silence(mode, sentence.start, sentence.end)
    return True


def _date(tokens: Tokens, number: int, sentence: Sentence) -> Dated | None:
    """The date or number that a sentence opens with, if something is told under it."""
    words = _words(tokens, sentence.start, min(sentence.end, sentence.start + 24))
    while words and tokens[words[0]].key in _OPENERS and not _counts(tokens, words):
        words = words[1:]
    keys = [tokens[i].key for i in words]
    if _counts(tokens, words):
        return Dated(number, keys[0], (int(keys[1]),))
    if len(keys) > 5 and all(k.isdecimal() for k in keys[0:5:2]) and keys[1] == keys[3] and keys[1] in ("/", ".", "-"):
        day, month, year = (int(k) for k in keys[0:5:2])
        if day > 31:
            day, year = year, day
        if keys[5] in _AFTER_DATE and 1 <= month <= 12 and 1 <= day <= 31:
            return Dated(number, "full", (year, month, day))
    if len(keys) > 2 and keys[0].isdecimal() and int(keys[0]) <= 31 and keys[1] in _MONTH:
        year_told = len(keys) > 3 and keys[2].isdecimal() and len(keys[2]) == 4
        year = int(keys[2]) if year_told else 0
        if keys[3 if year_told else 2] in _AFTER_DATE:
            return Dated(number, "year" if year_told else "day", (year, _MONTH[keys[1]], int(keys[0])))
    if len(keys) > 2 and keys[0] in _MONTH and keys[1] == ":":
        return Dated(number, "month", (_MONTH[keys[0]],))
    return None


def _counts(tokens: Tokens, words: list[int]) -> bool:
    keys = [tokens[i].key for i in words[:3]]
    return len(keys) > 2 and keys[0] in _NUMBERED and keys[1].isdecimal() and keys[2] in _AFTER_DATE
