"""Cranial nerves told by number: "II-XII intact except the left third"."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

from dictate.lexicon import Item, Lexicon, Sense
from dictate.marks import Mark
from dictate.note import Tokens
from dictate.numbers import ORDINALS, ROMAN, UNITS
from dictate.wording import plain

NAMES = tuple(ROMAN)
_NOUN = frozenset({"cn", "cns", "nerve", "nerves"})
_RANGE = frozenset({"-", "to", "through", "thru", "until"})
_OPENING = frozenset({*_NOUN, *ORDINALS, *UNITS, "cranial"})  # besides digits and roman numerals
_LIST = frozenset({",", "and", "&", "/", "+", "or"})


@dataclass(frozen=True, slots=True)
class NerveRef:
    """Nerves named by number in tokens `start` up to `end`."""

    start: int
    end: int
    nerves: tuple[int, ...]
    worded: bool  # with "nerve" or "CN" beside the numbers
    ranged: bool


def _number(tokens: Tokens, i: int, worded: bool) -> int | None:
    token = tokens[i]
    word = plain(token.text)
    if token.kind == "word":
        if token.text in ROMAN and (worded or len(token.text) > 1 or token.text in "IVX"):
            return ROMAN[token.text]
        if worded and token.text.upper() in ROMAN and (not tokens.mixed_case or token.text != "i"):
            return ROMAN[token.text.upper()]
        if word in ORDINALS and worded:
            return ORDINALS[word]
        if worded and word in UNITS and 1 <= UNITS[word] <= 12:
            return UNITS[word]
    if token.kind == "number" and token.text.isdecimal() and worded and 1 <= int(token.text[:3]) <= 12:
        return int(token.text)
    return None


def _next(tokens: Tokens, i: int) -> int:
    i += 1
    while i < len(tokens) and (
        tokens[i].kind == "space" and len(tokens[i].text) < 3 or tokens[i].skipped and tokens[i].kind == "word"
    ):
        i += 1
    return i


def find(tokens: Tokens) -> list[NerveRef]:
    """All runs of nerve numbers: after "CN"/"cranial nerves", before "nerve", or roman ranges."""
    out: list[NerveRef] = []
    i = 0
    while i < len(tokens):
        token = tokens.tokens[i]
        word = plain(token.text) if token.kind == "word" else ""
        if word not in _OPENING and token.kind != "number" and token.text.upper() not in ROMAN:
            i += 1
            continue
        worded = word in _NOUN
        at = i
        if worded:
            at = _next(tokens, i)
            if at < len(tokens) and plain(tokens[at].text) in ("number", "numbers", ":"):
                at = _next(tokens, at)
        elif word == "cranial":
            i += 1
            continue
        if at >= len(tokens) or not (worded or tokens[i].kind in ("word", "number")):
            i += 1
            continue
        run = _run(tokens, at, worded or _noun_follows(tokens, at))
        if run is None and not worded:
            run = _bare_range(tokens, at)
        if run is None:
            i += 1
            continue
        nerves, end, ranged = run
        follows = _next(tokens, end - 1)
        noun_after = follows < len(tokens) and plain(tokens[follows].text) in (_NOUN | {"cranial"})
        start = i
        if worded and i and plain(tokens[i - 1].text) == "cranial":
            start = i - 1
        elif worded and i > 1 and plain(tokens[i - 2].text) == "cranial":
            start = i - 2
        if noun_after:
            end = follows + 1
            if plain(tokens[follows].text) == "cranial":
                more = _next(tokens, follows)
                if more < len(tokens) and plain(tokens[more].text) in _NOUN:
                    end = more + 1
        if worded or noun_after or ranged or len(nerves) > 1:
            out.append(NerveRef(start, end, nerves, worded or noun_after, ranged))
            i = end
            continue
        if tokens[at].text in ROMAN and (_label(tokens, at, end) or _opens(tokens, at, end)):
            out.append(NerveRef(at, end, nerves, False, False))
            i = end
            continue
        i += 1
    return out


def _bare_range(tokens: Tokens, i: int) -> tuple[tuple[int, ...], int, bool] | None:
    """ "Two to twelve intact": a range of plain numbers that only nerves are called intact in."""
    word = plain(tokens[i].text)
    if i and tokens[i - 1].end == tokens[i].start and tokens[i - 1].kind == "word":
        return None
    if not (word in UNITS or tokens[i].kind == "number" and word.isdecimal() and len(word) < 3):
        return None
    run = _run(tokens, i, True)
    if run is None or not run[2]:
        return None
    after = _next(tokens, run[1] - 1)
    if after < len(tokens) and plain(tokens[after].text) == "all":
        after = _next(tokens, after)
    return run if after < len(tokens) and plain(tokens[after].text) == "intact" else None


def _label(tokens: Tokens, start: int, end: int) -> bool:
    before = start - 1
    while before >= 0 and tokens[before].kind == "space":
        before -= 1
    at_line_start = before < 0 or tokens[before].kind == "break"
    after = _next(tokens, end - 1)
    return (
        at_line_start
        and after < len(tokens)
        and (
            tokens[after].key in (":", "-", ".", ")") or tokens[after].kind == "space" and len(tokens[after].text) >= 3
        )
    )


def _opens(tokens: Tokens, start: int, end: int) -> bool:
    """ "XII midline.": a numeral of more than one letter that opens a statement, a word right behind it."""
    before = start - 1
    while before >= 0 and tokens[before].kind == "space":
        before -= 1
    opened = before < 0 or tokens[before].kind == "break" or tokens[before].key in (".", ";")
    after = _next(tokens, end - 1)
    return opened and len(tokens[start].text) > 1 and after < len(tokens) and tokens[after].kind == "word"


def _noun_follows(tokens: Tokens, i: int) -> bool:
    """Whether "nerve(s)" follows within a list of ordinals ("third, fourth and sixth nerves")."""
    at, steps = i, 0
    while at < len(tokens) and steps < 12:
        word = plain(tokens[at].text)
        if word in _NOUN or word == "cranial":
            return steps > 0
        if not (
            word in ORDINALS
            or word in UNITS
            or word in _LIST
            or word in _RANGE
            or tokens[at].text in ROMAN
            or tokens[at].kind in ("space", "number")
            or tokens[at].skipped
        ):
            return False
        at += 1
        steps += 1
    return False


def _run(tokens: Tokens, i: int, worded: bool) -> tuple[tuple[int, ...], int, bool] | None:
    first = _number(tokens, i, worded)
    if first is None:
        return None
    nerves = [first]
    end = i + 1
    ranged = False
    while True:
        at = _next(tokens, end - 1)
        if at >= len(tokens):
            break
        sign = plain(tokens[at].text) if tokens[at].kind == "word" else tokens[at].key
        if sign in _RANGE:
            beyond = _next(tokens, at)
            last = _number(tokens, beyond, True) if beyond < len(tokens) else None
            if last is None or last <= nerves[-1]:
                break
            nerves += list(range(nerves[-1] + 1, last + 1))
            end = beyond + 1
            ranged = True
            continue
        if sign in _LIST:
            beyond = _next(tokens, at)
            if beyond < len(tokens) and plain(tokens[beyond].text) == "and":
                beyond = _next(tokens, beyond)
            more = _number(tokens, beyond, worded) if beyond < len(tokens) else None
            if more is None or more in nerves:
                break
            nerves.append(more)
            end = beyond + 1
            continue
        if worded:
            more = _number(tokens, at, True)
            if (
                more is not None
                and more > nerves[-1]
                and tokens[at].kind == "word"
                and plain(tokens[at].text) in ORDINALS
            ):
                nerves.append(more)
                end = at + 1
                continue
        break
    return tuple(nerves), end, ranged


def nerve_item(lexicon: Lexicon) -> Item | None:
    """The item told per nerve: the one that has a nerve among its circumstances."""
    for item in lexicon.items.values():
        if "nerve" in item.context:
            return item
    return None


def lead_of(lexicon: Lexicon, nerve: int, word: str) -> Item | None:
    """The item that stands for a nerve's test and has a value for a general word ("symmetrical")."""
    for item in lexicon.items.values():
        if item.lead and item.nerve == [NAMES[nerve - 1]] and word in item.generic:
            return item
    return None


def headings(tokens: Tokens, refs: list[NerveRef], lexicon: Lexicon) -> list[Mark]:
    """ "XII: midline": a number that heads what follows takes the tests of its nerve in hand."""
    out: list[Mark] = []
    for ref in refs:
        if len(ref.nerves) != 1 or ref.worded or ref.ranged:
            continue
        name = NAMES[ref.nerves[0] - 1]
        topics = dict.fromkeys(item.topic for item in lexicon.items.values() if name in item.nerve)
        senses = tuple(Sense("hint", f"nerve {name}", topic=topic) for topic in topics)
        if senses:
            out.append(Mark(ref.start, ref.end, senses))
    return out


@dataclass
class NerveStatement:
    """ "II to XII intact": nerves, value, side and the tokens that say it."""

    nerves: tuple[int, ...]
    value: str
    side: str | None
    start: int
    end: int
    alike: bool = False  # "symmetrical": said of what the nerve moves, not of the nerve


def statements(tokens: Tokens, refs: list[NerveRef], marks: list[Mark], sentence_of: list[int]) -> list[NerveStatement]:
    """What is said of nerves named by number, where no test stands between."""
    out: list[NerveStatement] = []
    by_sentence: dict[int, list[Mark]] = {}
    for mark in marks:
        by_sentence.setdefault(sentence_of[mark.start], []).append(mark)
    n = 0
    while n < len(refs):
        ref = refs[n]
        sentence = sentence_of[ref.start]
        here = by_sentence.get(sentence, [])
        at = bisect_left(here, ref.end, key=lambda m: m.start)
        following = here[at : at + 40]
        statement = _statement(tokens, ref, following)
        if statement is None and ref.worded:
            statement = _failing(tokens, ref, [m for m in here if m.end <= ref.start])
        elif statement is not None and statement.value == "impaired" and statement.side is None:
            statement.side = _side_told(following, statement.end) or _side_before(tokens, ref, here)
        if statement is not None:
            exceptions = _exceptions(tokens, refs, n, following, sentence, sentence_of)
            lost = {x for e in exceptions for x in e.nerves}
            statement.nerves = tuple(x for x in statement.nerves if x not in lost)
            out.append(statement)
            out += exceptions
        n += 1
    return out


def _statement(tokens: Tokens, ref: NerveRef, following: list[Mark]) -> NerveStatement | None:
    for place, mark in enumerate(following):
        if mark.has("name", "topic", "alone", "complete", "word") and not mark.has("generic"):
            return None
        if mark.has("side", "context", "mask", "unit", "mode"):
            continue
        if mark.has("cue"):
            data = {s.data for s in mark.of("cue")}
            if data & {"negation", "not_done"}:
                return None
            continue
        for sense in mark.of("generic"):
            if mark.start - ref.end > (6 if ref.worded or ref.ranged else 3):
                return None
            if not (ref.worded or ref.ranged) and not _ends(tokens, mark.end):
                return None
            value = {
                "normal": "intact",
                "equal": "intact",
                "abnormal": "impaired",
                "reduced": "impaired",
            }.get(sense.data)
            if value is None:
                return None
            behind = following[place + 1] if place + 1 < len(following) else None
            if behind is not None and behind.start - mark.end <= 1 and behind.has("name", "topic", "alone"):
                return None
            between = [t.key for t in tokens.tokens[mark.end : mark.end + 3] if t.kind != "space"]
            if between[:1] == ["to"]:
                return None
            return NerveStatement(ref.nerves, value, None, ref.start, mark.end, sense.data == "equal")
        return None
    return None


def _side_told(following: list[Mark], end: int) -> str | None:
    """The one side said between the nerves and what is told of them, or right behind it."""
    sides = {str(s.value) for m in following if m.start <= end + 4 for s in m.of("side")}
    return sides.pop() if len(sides) == 1 and sides <= {"right", "left"} else None


def _side_before(tokens: Tokens, ref: NerveRef, here: list[Mark]) -> str | None:
    """ "Right seventh nerve weak": the side right before the nerve that is impaired."""
    for mark in here:
        if mark.has("side") and mark.end <= ref.start <= mark.end + 2:
            value = str(mark.of("side")[0].value)
            close = all(t.kind == "space" or t.skipped for t in tokens.tokens[mark.end : ref.start])
            return value if close and value in ("right", "left") else None
    return None


_FAILING = frozenset("dysfunction impairment involvement".split())


def _failing(tokens: Tokens, ref: NerveRef, before: list[Mark]) -> NerveStatement | None:
    """ "Left-sided dysfunction of cranial nerves IX and X": what is told stands before the nerves."""
    words = [i for i in range(max(0, ref.start - 8), ref.start) if tokens[i].kind == "word" and not tokens[i].skipped]
    if len(words) < 2 or tokens[words[-1]].key != "of" or plain(tokens[words[-2]].text) not in _FAILING:
        return None
    if any(m.has("cue") and {"negation", "suspected"} & {s.data for s in m.of("cue")} for m in before[-3:]):
        return None
    near = [m for m in before if m.has("side") and words[-2] - m.end <= 4]
    sides = {str(s.value) for m in near for s in m.of("side")} & {"right", "left"}
    start = min([words[-2], *[m.start for m in near]])
    return NerveStatement(ref.nerves, "impaired", sides.pop() if len(sides) == 1 else None, start, ref.end)


def _ends(tokens: Tokens, i: int) -> bool:
    while i < len(tokens) and tokens[i].kind == "space":
        i += 1
    return i >= len(tokens) or tokens[i].kind == "break" or tokens[i].key in (".", ";", ",")


def _listed(tokens: Tokens, a: int, b: int) -> bool:
    """ "The left seventh and twelfth": nothing but a link stands between two of a list."""
    words = [t.key for t in tokens.tokens[a:b] if t.kind != "space" and not t.skipped]
    return bool(words) and all(w in _LIST for w in words)


def _exceptions(
    tokens: Tokens, refs: list[NerveRef], n: int, following: list[Mark], sentence: int, sentence_of: list[int]
) -> list[NerveStatement]:
    cues = [m for m in following if any(s.data == "exception" for s in m.of("cue"))]
    if not cues:
        return []
    out: list[NerveStatement] = []
    sides = [m for m in following if m.has("side") and m.start >= cues[0].end]
    reach = dict.fromkeys(i for c in cues for i in range(c.end, min(c.end + 14, len(tokens))))
    for i in reach:
        if sentence_of[i] != sentence:
            break
        if any(e.start <= i < e.end for e in out):
            continue
        value = _number(tokens, i, True)
        if value is None or tokens[i].kind == "number" and i and tokens[i - 1].key == "/":
            continue
        near = [m for m in sides if -4 <= m.start - i <= 3]
        side = next((m.of("side")[0].value for m in near), None)
        if side is None and out and _listed(tokens, out[-1].end, i):
            side = out[-1].side
        if any(e.nerves == (value,) and side in (None, e.side) for e in out):
            continue
        start = min([i, *[m.start for m in near]])
        end = max([i + 1, *[m.end for m in near]])
        out.append(NerveStatement((value,), "impaired", side if side in ("right", "left") else None, start, end))
    return out
