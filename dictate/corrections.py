"""Stage 4b: what a speaker took back. The smallest earlier stretch of the same kind as what
follows the correction is struck, so that only the corrected words are bound."""

from __future__ import annotations

from bisect import bisect_left

from dictate.marks import Mark
from dictate.note import Tokens
from dictate.numbers import Group
from dictate.segments import Segments

_REACH = 26  # tokens a correction looks back over
_EVERYDAY = frozenset({"check", "make", "redo", "call", "let", "change"})
_SUBJECTS = frozenset(
    "i we he she they you it did do does doe will would can could to and always then also must should please".split()
)
# Circumstances that hold until changed: a corrected value keeps those told with the wrong one.
_LASTING = frozenset({"light", "correction", "viewing", "fork", "method"})


def _kind(mark: Mark) -> str:
    if mark.has("side"):
        return "side"
    if mark.has("unit", "cue", "mask", "mode"):
        return ""
    if mark.has("alone", "word", "generic", "direction", "complete"):
        return "value"
    if mark.has("name", "topic"):
        return "name"
    if mark.has("context"):
        return "context"
    return ""


def strike(
    tokens: Tokens, marks: list[Mark], groups: list[Group], cues: list[Mark], segments: Segments
) -> tuple[set[int], list[Mark]]:
    """Token indices taken back, with the words of the correction itself; and the corrections that
    strike nothing, because what follows amends one side of what was told of both."""
    events: list[tuple[int, int, str, Mark | None]] = [(m.start, m.end, _kind(m), m) for m in marks if _kind(m)]
    covered = {i for m in marks if m.has("side", "alone", "word") for i in range(m.start, m.end)}
    events += [(g.start, g.end, "number", None) for g in groups if g.start not in covered]
    events.sort(key=lambda e: (e[0], e[1]))
    struck: set[int] = set()
    amending: list[Mark] = []
    told = [c for c in cues if any(s.data == "strike" for s in c.of("correction")) and not _plain_words(tokens, c)]
    for cue in [*told, *_bare_no(tokens, events)]:
        if cue.start in struck:
            continue
        if _one_of_both(events, cue, segments):
            struck.update(range(cue.start, _comma_after(tokens, cue.end)))
            amending.append(cue)
            continue
        _strike_one(tokens, events, cue, segments, struck)
    return struck, amending


def _one_of_both(events: list[tuple[int, int, str, Mark | None]], cue: Mark, segments: Segments) -> bool:
    """ "16 in both eyes, sorry, the left was 18": one side is told again of what was told of both."""
    at = bisect_left(events, cue.start, key=lambda e: e[0])
    before = [e for e in events[max(0, at - 6) : at] if cue.start - e[1] <= _REACH and e[2] == "side"]
    if not before or _side_of(before[-1]) != "both":
        return False
    sentence = segments.sentence_of[cue.start]
    after = [e for e in events[at : at + 6] if e[0] >= cue.end and segments.sentence_of[e[0]] - sentence <= 1]
    sides = [e for e in after[:3] if e[2] == "side"]
    valued = any(e[2] in ("value", "number") for e in after[:4])
    return bool(sides) and _side_of(sides[0]) in ("right", "left") and sides[0][0] - cue.end <= 10 and valued


def _side_of(event: tuple[int, int, str, Mark | None]) -> str:
    return event[3].of("side")[0].value if event[3] is not None else ""


def _plain_words(tokens: Tokens, cue: Mark) -> bool:
    """ "I did check that twice": words of a correction in the middle of a clause are none."""
    if tokens[cue.start].key not in _EVERYDAY:
        return False
    before = _real(tokens, cue.start, -1)
    return before >= 0 and tokens[before].kind == "word" and tokens[before].key in _SUBJECTS


def _bare_no(tokens: Tokens, events: list[tuple[int, int, str, Mark | None]]) -> list[Mark]:
    """ ", no, " between two values of one kind."""
    out = []
    ends = {e[1] for e in events if e[2] == "number"}
    starts = {e[0] for e in events if e[2] == "number"}
    events_at = {e[0]: e for e in events if e[2] == "context"}
    ends_at = {e[1]: e for e in events if e[2] == "context"}
    both = {e[1] for e in events if e[2] == "side" and _side_of(e) == "both"}
    sides = {k for e in events if e[2] == "side" for k in range(e[0], e[1])}
    for i, token in enumerate(tokens.tokens):
        if token.key != "no" or i == 0:
            continue
        before, after = _real(tokens, i, -1), _real(tokens, i, 1)
        if (
            before >= 0
            and after < len(tokens)
            and tokens[before].key in (",", "-", ".")
            and tokens[after].key in (",", "-")
        ):
            out.append(Mark(i, after + 1, ()))
        elif (
            after in starts
            and (before + 1 in ends or _unit_behind(tokens, before, ends))
            or _retold(events_at, ends_at, before + 1, after)
            or before + 1 in both
            and after < len(tokens)
            and tokens[after].text.casefold() in ("the", "that")
            or _sides_around(tokens, i, sides)
        ):
            out.append(Mark(i, i + 1, ()))
    return out


def _sides_around(tokens: Tokens, i: int, sides: set[int]) -> bool:
    """ "The right sixth no the right fourth": a side, or a side and one word, on both sides of a "no"."""
    after = _real(tokens, i, 1)
    if after >= len(tokens) or tokens[after].text.casefold() != "the" or _real(tokens, after, 1) not in sides:
        return False
    before = _real(tokens, i, -1)
    return before in sides or _real(tokens, before, -1) in sides


def _unit_behind(tokens: Tokens, i: int, ends: set[int]) -> bool:
    """ "six weeks no four weeks": a word right behind the number that is taken back."""
    return tokens[i].kind == "word" and (_real(tokens, i, -1) + 1) in ends


def _retold(
    starting: dict[int, tuple[int, int, str, Mark | None]],
    ending: dict[int, tuple[int, int, str, Mark | None]],
    before: int,
    after: int,
) -> bool:
    """Two circumstances of one kind around a "no" ("soon no urgently")."""
    one, two = ending.get(before), starting.get(after)
    if one is None or two is None or one[3] is None or two[3] is None:
        return False
    keys = [{k for s in m.of("context") for k, _ in s.context} for m in (one[3], two[3])]
    return one[2] == two[2] == "context" and bool(keys[0] & keys[1])


def _real(tokens: Tokens, i: int, step: int) -> int:
    i += step
    while 0 <= i < len(tokens) and tokens[i].kind == "space":
        i += step
    return i


def _strike_one(
    tokens: Tokens, events: list[tuple[int, int, str, Mark | None]], cue: Mark, segments: Segments, struck: set[int]
) -> None:
    low = bisect_left(events, cue.start - _REACH - 12, key=lambda e: e[0])
    high = bisect_left(events, cue.end + 18, key=lambda e: e[0])
    near = events[low:high]
    said = {t.text.casefold() for t in tokens.tokens[cue.start : cue.end]}
    drop = bool(said & {"scratch", "delete", "cancel", "erase", "ignore", "disregard", "strike"})
    reach = 16 if drop else 8
    following = [e for e in near if e[0] >= cue.end and e[0] - cue.end <= reach and e[0] not in struck]
    earlier = [
        e
        for e in near
        if e[1] <= cue.start and cue.start - e[1] <= _REACH and not any(i in struck for i in range(e[0], e[1]))
    ]
    if not earlier:
        struck.update(range(cue.start, cue.end))
        return
    sentence = segments.sentence_of[cue.start]
    match: tuple[int, int, str, Mark | None] | None = None
    retold = _told_as_same(tokens, earlier, following, cue)
    if retold is not None:
        struck.update(range(earlier[-1][0], retold))
        return
    if following and (segments.sentence_of[following[0][0]] in (sentence, sentence + 1)):
        for lead in following[: 4 if drop else 2]:
            match = _same_kind(lead, earlier, segments, sentence)
            if match is not None or lead[2] == "name" and not drop:
                break
    if match is not None:
        kept = _lasting(near, match, cue, tokens)
        struck.update(i for i in range(match[0], _comma_after(tokens, cue.end)) if i not in kept)
        return
    if drop:
        chunk = segments.chunk_of[earlier[-1][0]]
        first = min(e[0] for e in earlier if segments.chunk_of[e[0]] == chunk)
        struck.update(range(first, cue.end))
        return
    if said & {"sorry", "mean", "correction", "scratch", "wait", "delete"}:
        struck.update(range(cue.start, cue.end))


def _told_as_same(
    tokens: Tokens,
    earlier: list[tuple[int, int, str, Mark | None]],
    following: list[tuple[int, int, str, Mark | None]],
    cue: Mark,
) -> int | None:
    """ "Near 14, no, same as distance, 12": where the number begins that takes the place of the one before."""
    numbers = [e for e in following if e[2] == "number"]
    if not numbers or earlier[-1][2] != "number" or cue.start - earlier[-1][1] > 4:
        return None
    between = {t.key for t in tokens.tokens[cue.end : numbers[0][0]]}
    return numbers[0][0] if {"same", "as"} <= between and numbers[0][0] - cue.end <= 10 else None


def _comma_after(tokens: Tokens, end: int) -> int:
    """The end of a correction with the comma that sets it off from what is right."""
    at = _real(tokens, end - 1, 1)
    return at + 1 if at < len(tokens) and tokens[at].key == "," else end


def _lasting(
    near: list[tuple[int, int, str, Mark | None]],
    match: tuple[int, int, str, Mark | None],
    cue: Mark,
    tokens: Tokens,
) -> set[int]:
    """Tokens of circumstances told with a wrong number, where the right one has none of its own."""
    if match[2] != "number":
        return set()
    told = [(e, _circumstances(e[3])) for e in near if e[3] is not None and e[3].has("context")]
    again = {key for e, keys in told if e[0] >= cue.end for key in keys}
    return {i for e, keys in told if match[1] <= e[0] < cue.start and keys and not keys & again for i in range(*e[:2])}


def _circumstances(mark: Mark | None) -> set[str]:
    if mark is None:
        return set()
    return {key for s in mark.of("context") for key, _ in s.context if key in _LASTING}


def _same_kind(
    lead: tuple[int, int, str, Mark | None],
    earlier: list[tuple[int, int, str, Mark | None]],
    segments: Segments,
    sentence: int,
) -> tuple[int, int, str, Mark | None] | None:
    """The last earlier event of the lead's kind; for values, one that says of the same item."""
    for event in reversed(earlier):
        if event[2] != lead[2] or sentence - segments.sentence_of[event[0]] > 1:
            continue
        if lead[2] in ("value", "name", "context"):
            assert lead[3] is not None and event[3] is not None
            if not _akin(lead[3], event[3]):
                continue
        return event
    return None


def _akin(a: Mark, b: Mark) -> bool:
    def subjects(mark: Mark) -> set[str]:
        out = set()
        for s in mark.senses:
            if s.role in ("alone", "word", "name", "direction"):
                out.add(s.item)
                if s.topic:
                    out.add("topic:" + s.topic)
            elif s.role == "topic":
                out.add("topic:" + s.topic)
            elif s.role == "generic":
                out.add("generic")
            elif s.role == "context":
                out.add("context:" + s.data)
        return out

    return (
        bool(subjects(a) & subjects(b))
        or ("generic" in subjects(a) and b.has("word"))
        or ("generic" in subjects(b) and a.has("word"))
    )
