"""Stage 5b: what each stretch of the note is: a finding of today, history, a plan, talk ...

Cues come from the lexicon with their reach. A later stage turns only "finding" stretches into
findings, "plan" stretches into plans, and "impression" stretches into conclusions.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

from dictate import visits
from dictate.marks import Mark
from dictate.note import Tokens
from dictate.segments import Segments, Sentence

SILENT = ("rest", "history", "other", "quoted", "purpose", "warning", "talk", "question")
# In a plan only these cues end it: a condition or a purpose does not ("MRI if no better").
_PLAN_ENDS = frozenset(
    {
        "becaus",
        "warn",
        "told",
        "explain",
        "discuss",
        "adviz",
        "red",
        "safety",
        "precaution",
        "ed",
        "counsel",
        "reassur",
        "return",
        "leaflet",
    }
)
_CLAUSE_END = frozenset({",", ":", ";", "(", ")", "-", "|"})
_STARTERS = frozenset(
    "ok okay now and so just then right good well next lovely great fine again if please first but alright".split()
)


# Cues whose own words ("cannot be denied", "could not be said to be") tell of no history.
_HOLD_SAYING = ("doubled", "suspected", "suspected_after", "negation", "out_of_order")
_TIMES = frozenset(
    "day days d week weeks wk wks w month months mo mth year years y yr yrs hour hours h min mins ago x".split()
)


@dataclass
class Modes:
    """For each token its mode, and the cue that set it (token index) or -1."""

    mode: list[str]
    cue: list[int]
    examined: list[int] = field(default_factory=list)  # where the note turns to the examination


def _heading(tokens: Tokens, mark: Mark, sentence: Sentence) -> bool:
    """Whether a mark opens a section: first on its line or sentence, then a colon, dash, end."""
    first = sentence.start
    while first < mark.start and tokens[first].kind in ("space", "break", "punct", "number"):
        first += 1
    if first != mark.start:
        return False
    after = mark.end
    if after < len(tokens) and tokens[after].kind == "space" and len(tokens[after].text) >= 2:
        return True
    while after < len(tokens) and tokens[after].kind == "space":
        after += 1
    if after >= len(tokens) or after >= sentence.end:
        return True
    return tokens[after].kind == "break" or tokens[after].key in (":", "-", ".", "|", ">", "->")


def _opens_paragraph(sentence: Sentence) -> bool:
    return sentence.paragraph_start


def assign(
    tokens: Tokens, marks: list[Mark], cues: list[Mark], segments: Segments, telling: list[Mark] | None = None
) -> Modes:
    """The mode of every token from section headings, sentence cues and clause cues.

    `telling` are the cues that tell one visit from another.
    """
    size = len(tokens)
    mode = ["finding"] * size
    source = [-1] * size
    by_sentence: list[list[Mark]] = [[] for _ in segments.sentences]
    doubled = {
        i
        for m in marks
        if any(s.data in _HOLD_SAYING for s in m.of("cue")) and m.end - m.start > 1
        for i in range(m.start, m.end)
    }
    opening = {m.start for m in marks if m.has("cue")}
    for cue in cues:
        if cue.start in doubled and (cue.end - 1 in doubled or cue.start not in opening):
            continue
        number = segments.sentence_of[cue.start]
        wanted = {k for s in cue.of("mode") for k in s.also}
        if wanted:
            end = segments.sentences[number].end
            near = {t.key for t in tokens.tokens[cue.end : min(end, cue.end + 9)]}
            if not wanted & near and not ("colon" in wanted and _colon_follows(tokens, cue.end)):
                rest = tuple(s for s in cue.senses if not s.also)
                if not rest:
                    continue
                cue = replace(cue, senses=rest)
        by_sentence[number].append(cue)
    content: list[list[Mark]] = [[] for _ in segments.sentences]
    for mark in marks:
        content[segments.sentence_of[mark.start]].append(mark)
    examined: list[int] = []
    earlier = _earlier_visits(tokens, segments)
    section = "finding"
    section_cue = -1
    concluded = False
    ever = False  # whether anything has been concluded yet
    sections: list[str] = []
    for n, sentence in enumerate(segments.sentences):
        if section == "history" and _history_ends(tokens, sentence, content[n], segments, section_cue):
            section, section_cue = "finding", -1
        if concluded and (sentence.paragraph_start or sentence.line_start):
            concluded = False
        openers: list[tuple[int, str]] = []
        for cue in by_sentence[n]:
            for sense in cue.of("mode"):
                if sense.data == "onward" or (sense.data == "section" and _heading(tokens, cue, sentence)):
                    openers.append((cue.start, sense.value))
                    if sense.value == "finding":
                        examined.append(cue.start)
        at = sentence.start
        for place, value in [*openers, (sentence.end, "")]:
            for i in range(at, place):
                mode[i], source[i] = section, section_cue
            if value:
                section, section_cue = value, place
            at = place
        sections.append(mode[sentence.end - 1])
        _sentence_cues(tokens, sentence, by_sentence[n], content[n], mode, source)
        if n in earlier:
            for i in range(sentence.start, sentence.end):
                mode[i], source[i] = "history", sentence.start
        if section == "finding" and _listed_plan(tokens, sentence, content[n], mode, ever):
            for i in range(sentence.start, sentence.end):
                mode[i] = "plan" if mode[i] in ("finding", "impression") else mode[i]
        first = _conclusion(content[n], mode, tokens) if section == "finding" else None
        ever = ever or first is not None or section == "impression"
        if concluded and section == "finding" or first is not None:
            begin = sentence.start if first is None else first
            concluded = True
            for i in range(begin, sentence.end):
                if mode[i] == "finding":
                    mode[i] = "impression"

    def told(n: int) -> bool:
        sentence = segments.sentences[n]
        return _examined(tokens, content[n], sentence.start, sentence.end) or _measured_again(tokens, sentence)

    def silent(n: int, marks: list[Mark]) -> bool:
        others = [c for c in by_sentence[n] if not any(c.start < m.end and m.start < c.end for m in marks)]
        hushed = any(s.value in SILENT or s.value == "plan" for c in others for s in c.of("mode"))
        return hushed or sections[n] not in ("finding", "impression")

    def names(n: int) -> list[Mark]:
        return [m for m in content[n] if m.has("name", "topic")]

    visits.settle(tokens, telling or [], segments, mode, told, silent, names)
    return Modes(mode, source, examined)


_ORDINALS = {"first": 1, "1st": 1, "second": 2, "2nd": 2, "third": 3, "3rd": 3, "fourth": 4, "4th": 4}
_NUMBERS = {"one": 1, "two": 2, "three": 3, "four": 4, "five": 5}


def _visit_number(tokens: Tokens, words: list[int]) -> int:
    """The number of a visit that words name: "visit 2", "second visit"; else 0."""
    for n, i in enumerate(words):
        if tokens[i].key != "visit":
            continue
        after = tokens[words[n + 1]].text.casefold() if n + 1 < len(words) else ""
        before = tokens[words[n - 1]].text.casefold() if n else ""
        if after.isdecimal() and len(after) < 3:
            return int(after)
        if number := _NUMBERS.get(after) or _ORDINALS.get(before):
            return number
    return 0


def _earlier_visits(tokens: Tokens, segments: Segments) -> set[int]:
    """The sentences of the lines that open with an earlier visit than the last one named."""
    told: dict[int, int] = {}
    for n, sentence in enumerate(segments.sentences):
        words = [i for i in range(sentence.start, sentence.end) if tokens[i].kind in ("word", "number")]
        if (n == 0 or sentence.line_start) and (number := _visit_number(tokens, words[:4])):
            told[n] = number
    if len(set(told.values())) < 2:
        return set()
    last = max(told.values())
    out: set[int] = set()
    for n, number in told.items():
        if number == last:
            continue
        out.add(n)
        n += 1
        while n < len(segments.sentences) and not segments.sentences[n].line_start:
            out.add(n)
            n += 1
    return out


_AT_PRESENT = frozenset({"now", "current", "currently", "at"})


_DATED = frozenset("yesterday last week month year mon tue tues wed thur thurs fri sat sun on from of note".split())
_DATE = 7  # tokens of a date between who found it and the colon


def _colon_follows(tokens: Tokens, i: int) -> bool:
    """ "PCP 3/2: ...", "optom (Mon): ...": who found it, at most a date, and a colon."""
    for token in tokens.tokens[i : i + _DATE]:
        if token.key == ":":
            return True
        if token.kind == "break" or token.kind == "word" and not token.skipped and token.key not in _DATED:
            return False
    return False


_PAST = frozenset(
    """was were had showed shown show reveal done normal last ago previous prior report year month yesterday
    befor earlier outsid""".split()
)
_COMING = frozenset({"tomorrow", "tonight", "next", "if", "within", "pleas", "urgent", "urgently", "soon", "week"})


def _listed_plan(tokens: Tokens, sentence: Sentence, marks: list[Mark], mode: list[str], ever: bool) -> bool:
    """A sentence that opens with what is only ever planned, and tells nothing of it: a list of
    things to do under no heading ("MRI brain to be sure.", "Orthoptist within two weeks.")."""
    content = [m for m in marks if not m.has("cue", "context", "unit")]
    listed = any(_only_plan(m) for m in content)
    if not listed or not _can_be_planned(content[0]) or sentence.run_on:
        return False
    lead = [t for t in tokens.tokens[sentence.start : content[0].start] if t.kind not in ("space", "break", "punct")]
    if sum(not t.skipped for t in lead) > 1:
        return False
    words = {t.key for t in tokens.tokens[sentence.start : sentence.end] if t.kind == "word"}
    told = any(
        m.has("generic", "word", "complete") and not _only_plan(m) or m.has("name") and not _can_be_planned(m)
        for m in content
    )
    if not _only_plan(content[0]) and not words & _COMING:
        return False
    return not told and not words & _PAST and (ever or bool(words & _COMING))


def _can_be_planned(mark: Mark) -> bool:
    return any(s.data == "plan" for s in mark.of("alone"))


def _only_plan(mark: Mark) -> bool:
    """A test or service that is no part of the examination itself ("MRI", "ENT")."""
    kinds = {s.data for s in mark.of("alone")}
    return "plan" in kinds and kinds <= {"plan"} and not mark.has("name", "topic", "word", "complete", "generic")


_DENIALS = frozenset({"no", "not", "nothing", "without", "against", "nor"})


def _conclusion(marks: list[Mark], mode: list[str], tokens: Tokens) -> int | None:
    """Where a condition is concluded in the midst of findings: what follows is a summary."""
    for mark in marks:
        if mode[mark.start] not in ("finding", "impression") or not _only_impression(mark):
            continue
        before = {t.key for t in tokens.tokens[max(0, mark.start - 5) : mark.start]}
        if not before & _DENIALS:
            return mark.start
    return None


def _history_ends(tokens: Tokens, sentence: Sentence, marks: list[Mark], segments: Segments, cue: int) -> bool:
    """A history ends with its paragraph, or where a line starts with the name of a test."""
    if sentence.paragraph_start:
        return True
    if not sentence.line_start or not marks:
        return False
    first = marks[0]
    lead = sentence.start
    while lead < first.start and tokens[lead].kind in ("space", "punct"):
        lead += 1
    if lead != first.start or not first.has("name", "topic", "alone", "complete", "side"):
        return False
    after = first.end
    if first.has("complete") or _measured(tokens, first, marks):
        return True
    return after < len(tokens) and (
        tokens[after].key in (":", "-", "|")
        or tokens[after].kind == "space"
        and len(tokens[after].text) >= 2
        or tokens[after].kind == "break"
    )


def _measured(tokens: Tokens, name: Mark, marks: list[Mark]) -> bool:
    """Whether a number follows a test's name, directly or after a side: "VA R 6/12", "NPC 8 cm"."""
    if not name.has("name", "topic"):
        return False
    i = name.end
    sides = {m.start: m.end for m in marks if m.has("side")}
    while i < len(tokens) and (tokens[i].kind == "space" or i in sides):
        i = sides.get(i, i + 1)
    return i < len(tokens) and tokens[i].kind == "number" and not _in_time(tokens, i)


def _in_time(tokens: Tokens, i: int) -> bool:
    """A count of days or years, or a year: nothing that was measured."""
    after = [t.key for t in tokens.tokens[i + 1 : i + 4] if t.kind != "space"]
    return len(tokens[i].text) == 4 or bool(after) and after[0] in _TIMES


def _at_clause_start(tokens: Tokens, i: int, sentence: Sentence) -> bool:
    i -= 1
    while i >= sentence.start:
        token = tokens[i]
        if token.kind in ("space", "break") or token.skipped or token.key in _STARTERS:
            i -= 1
            continue
        return token.kind == "punct"
    return True


def _clause_end(tokens: Tokens, start: int, sentence: Sentence, marks: list[Mark], *, joined: bool = False) -> int:
    """Where the clause of a cue ends; `joined`: names joined by "and" are of the same clause."""
    limit = sentence.end
    names = 0
    for mark in marks:
        if mark.start < start:
            continue
        if sentence.run_on and mark.has("name", "topic"):
            before = [t.key for t in tokens.tokens[max(start, mark.start - 3) : mark.start] if not t.skipped]
            if joined and before and (before[-1] in _JOINS or before[-2:-1] and before[-2] in _JOINS):
                continue
            if joined and _and_he(tokens, start, mark.start):
                continue
            names += 1
            if names > 1 or mark.start - start > 9:
                limit = min(limit, mark.start)
                break
    for i in range(start, limit):
        token = tokens[i]
        if token.kind == "punct" and token.key in _CLAUSE_END and i > start:
            if (
                token.key == "-"
                and 0 < i < len(tokens) - 1
                and tokens[i - 1].end == token.start
                and tokens[i + 1].start == token.end
            ):
                continue
            return i
        if token.kind == "word" and token.key in ("but", "however", "though", "although") and i > start:
            return i
    return limit


_PRONOUNS = frozenset("he she they it".split())


def _and_he(tokens: Tokens, start: int, i: int) -> bool:
    """ "... and he can't hear": the same person goes on telling."""
    words = [t.key for t in tokens.tokens[max(start, i - 8) : i] if t.kind == "word"]
    return any(a == "and" and b in _PRONOUNS for a, b in pairwise(words))


_JOINS = frozenset({"and", "or", "with", "&", ","})
_CONTRASTS = frozenset({"though", "although", "but", "whil", "wherea", "wher", "than", "unlik"})
_RESULT = frozenset({"so", "henc", "hence", "therefor", "therefore", "thus"})
_MEASURED_AGAINST = frozenset({"than", "unlik"})
_VALUED = ("alone", "word", "generic", "complete")


def _examined(tokens: Tokens, marks: list[Mark], start: int, end: int) -> bool:
    """Whether a named test with its value stands between two tokens."""
    inside = [m for m in marks if start <= m.start and m.end <= end]
    if not any(m.has("name", "topic") for m in inside):
        return any(m.has("complete") for m in inside)
    valued = any(m.has("word", "generic") for m in inside)
    return valued or any(tokens[i].kind == "number" for i in range(start, end))


def _reach(tokens: Tokens, cue: Mark, sentence: Sentence, marks: list[Mark], told: bool) -> tuple[int, int]:
    """The stretch that a word of history silences: its sentence, but for findings of today set off
    from it ("..., though he says", "... than last time", "(was 9 in May)"). What the patient tells
    (`told`) leaves tests with their values alone that stand in another clause."""
    start, end = sentence.start, sentence.end
    for i in range(cue.start - 1, sentence.start - 1, -1):
        token = tokens[i]
        if token.kind == "punct" and token.key in ("(", "["):
            return i, _bracket_end(tokens, i, sentence.end)
        contrast = token.kind == "word" and token.key in _CONTRASTS
        valued = contrast and (any(m.end <= i and m.has(*_VALUED) for m in marks) or _examined(tokens, marks, start, i))
        if valued or told and token.key == "," and _examined(tokens, marks, sentence.start, i):
            start = i
            if token.key in _MEASURED_AGAINST:
                return start, _clause_end(tokens, cue.end, sentence, marks)
            break
        if token.kind == "punct" and token.key in (")", "]"):
            break
    for i in range(cue.end, end):
        if tokens[i].key in _RESULT and any(t.key in _DENIALS for t in tokens.tokens[i + 1 : i + 5]):
            return start, i
    for i in range(cue.end, end if told else cue.end):
        if tokens[i].key in ("but", "though", "although", "which") and _examined(tokens, marks, i, end):
            return start, i
    return start, end


def _measured_again(tokens: Tokens, sentence: Sentence) -> bool:
    """ "It was 14": a measurement that points back to the test named before."""
    words = [tokens[i] for i in range(sentence.start, sentence.end)]
    return any(t.key in ("it", "they", "these") for t in words) and any(t.kind == "number" for t in words)


def _bracket_end(tokens: Tokens, i: int, end: int) -> int:
    return next((k for k in range(i, end) if tokens[k].kind == "punct" and tokens[k].key in (")", "]")), end)


_AT_A_VISIT = frozenset({"at", "after", "over", "during", "in", "through", "throughout", "until", "of"})
_SPANS = frozenset({"day", "week", "month", "year"})


def _visit_that_was(tokens: Tokens, sentence: Sentence) -> Mark | None:
    """ "At the 3-month follow-up", "after two years of follow-up": a visit told with its place in time."""
    words = [i for i in range(sentence.start, sentence.end) if tokens[i].kind != "space" and tokens[i].key != "-"]
    for n, i in enumerate(words[2:-1], 2):
        if tokens[i].key != "follow" or tokens[words[n + 1]].key != "up":
            continue
        span = n - 2 if tokens[words[n - 1]].key == "of" else n - 1
        opening = [tokens[k].key for k in words[max(0, span - 3) : span - 1]]
        if span > 0 and tokens[words[span]].key in _SPANS and _AT_A_VISIT & set(opening):
            return Mark(words[max(0, span - 3)], words[n + 1] + 1, ())
    return None


_PARTICIPLES = frozenset("seen noted note found record present describ report document visibl mention".split())
_HOLDS = frozenset("is are has have was were remain persist s".split())


def _points_back(tokens: Tokens, cue: Mark, sentence: Sentence) -> bool:
    """ "The haemorrhage seen last time has cleared": the time only tells which one is meant."""
    before = {t.key for t in tokens.tokens[max(sentence.start, cue.start - 8) : cue.start]}
    after = [t.key for t in tokens.tokens[cue.end : min(sentence.end, cue.end + 12)] if t.kind != "space"]
    if "," in after:
        after = after[: after.index(",")]
    return bool(before & _PARTICIPLES) and not before & _HOLDS and bool(set(after) & _HOLDS)


def _name_in_hand(marks: list[Mark], cue: Mark, mode: list[str]) -> Mark | None:
    """The test named in the history that a value of today answers ("was 9 last time, today 11")."""
    names = [m for m in marks if m.has("name", "topic")]
    before = [m for m in names if m.end <= cue.start and mode[m.start] in ("history", "other")]
    after = [m for m in marks if m.start >= cue.end and m.has("name", "topic", *_VALUED)]
    if not before or after and after[0].has("name", "topic", "alone", "complete"):
        return None
    return before[-1]


def _clause_start(tokens: Tokens, i: int, sentence: Sentence) -> int:
    while i > sentence.start:
        token = tokens[i - 1]
        if token.kind == "punct" and token.key in _CLAUSE_END or token.key in ("but", "and"):
            break
        if sentence.run_on and i < sentence.start:
            break
        i -= 1
    return i


def _sentence_cues(
    tokens: Tokens, sentence: Sentence, cues: list[Mark], marks: list[Mark], mode: list[str], source: list[int]
) -> None:
    def put(start: int, end: int, value: str, cue: int) -> None:
        for i in range(start, end):
            mode[i], source[i] = value, cue

    base = mode[sentence.end - 1]
    plans = [m for m in marks if any(s.data == "plan" or s.item and s.topic == "plan" for s in m.senses)]
    opening = next((i for i in range(sentence.start, sentence.end) if tokens[i].kind == "word"), -1)
    if (
        base == "finding"
        and opening >= 0
        and tokens[opening].key in ("for", "then")
        and any(0 < m.start - opening <= 5 for m in plans)
    ):
        put(opening, sentence.end, "plan", opening)
        base = "plan"
    for cue in cues:
        senses = {(s.value, s.data) for s in cue.of("mode")}
        for value, reach in senses:
            if value == "plan" and reach == "clause" and base != "plan" and not _title(tokens, cue, sentence):
                if any(m.end > cue.start for m in plans) or any(m.end + 6 > cue.start for m in plans):
                    first = cue.start
                    put(min([first, *[m.start for m in plans if first - m.end < 6]]), sentence.end, "plan", cue.start)
    visit = _visit_that_was(tokens, sentence) if base in ("finding", "impression") else None
    if visit is not None:
        put(*_reach(tokens, visit, sentence, marks, told=False), "history", visit.start)
    if base in ("finding", "impression", "plan"):
        for cue in cues:
            senses = {(s.value, s.data) for s in cue.of("mode")}
            for value, reach in sorted(senses):
                if value in ("plan", "impression") or reach in ("section", "onward"):
                    continue
                if base == "plan" and (value not in ("warning", "purpose") or tokens[cue.start].key not in _PLAN_ENDS):
                    continue
                if value == "talk" and (_tells_of_him(tokens, cue) or _relative(tokens, cue, sentence)):
                    continue
                if value == "talk":
                    if _at_clause_start(tokens, cue.start, sentence) or sentence.run_on:
                        end = _clause_end(tokens, cue.start, sentence, marks)
                        if sentence.run_on:
                            told = [
                                m.start
                                for m in marks
                                if m.start >= cue.end and m.has("alone", "word", "generic", "complete", "side")
                            ]
                            end = min([end, cue.end + 5, *told])
                        put(cue.start, end, value, cue.start)
                elif value == "finding":
                    continue
                elif value == "rest":
                    end = _clause_end(tokens, cue.start, sentence, marks)
                    if not any(
                        m.has("name", "topic", "alone", "complete") and cue.start <= m.start < end for m in marks
                    ):
                        put(cue.start, end, value, cue.start)
                elif value == "quoted":
                    put(
                        _clause_start(tokens, cue.start, sentence),
                        _clause_end(tokens, cue.start, sentence, marks),
                        value,
                        cue.start,
                    )
                elif reach in ("sentence", "told"):
                    if sentence.run_on:
                        put(cue.start, _clause_end(tokens, cue.start, sentence, marks, joined=True), value, cue.start)
                    elif not _points_back(tokens, cue, sentence):
                        put(*_reach(tokens, cue, sentence, marks, reach == "told"), value, cue.start)
                elif value == "purpose" and (denial := _found_none(tokens, cue, sentence)) >= 0:
                    put(denial, denial + 1, "found_none", cue.start)
                else:
                    put(cue.start, _clause_end(tokens, cue.start, sentence, marks), value, cue.start)
    if (
        base == "finding"
        and any(_only_impression(m) and mode[m.start] == "finding" for m in marks)
        and not _telegraphic(sentence)
    ):
        for mark in marks:
            if any(s.data == "impression" for s in mark.of("alone")) and mode[mark.start] == "finding":
                put(mark.start, mark.end, "impression", mark.start)
    if base != "plan":
        for cue in cues:
            for sense in cue.of("mode"):
                if base == "history" and tokens[cue.start].key in _AT_PRESENT:
                    continue  # "radio-iodine last autumn, now seeing double": the story goes on
                if sense.value == "finding" and sense.data == "clause":
                    name = _name_in_hand(marks, cue, mode)
                    if name is not None:
                        put(name.start, name.end, "finding", cue.start)
                    for i in range(cue.start, sentence.end):
                        if mode[i] in ("history", "other"):
                            mode[i], source[i] = "finding", cue.start
    if base == "finding":
        for cue in cues:
            if any(s.value == "impression" and s.data == "clause" for s in cue.of("mode")):
                end = _clause_end(tokens, cue.end, sentence, marks)
                for i in range(cue.start, end):
                    if mode[i] == "finding":
                        mode[i], source[i] = "impression", cue.start
    if base in ("finding", "impression"):
        for start in _conditions(tokens, sentence):
            end = _clause_end(tokens, start, sentence, marks, joined=True)
            put(start, end, "purpose", start)
    if sentence.question and _is_question(tokens, sentence):
        put(sentence.start, sentence.end, "question", sentence.end - 1)


_OF_CONDITION = frozenset("the his her their this that these any either it they he she there symptoms vision".split())


def _conditions(tokens: Tokens, sentence: Sentence) -> list[int]:
    """ "Should the pupils still differ, ...": where a condition is told by its verb coming first."""
    out: list[int] = []
    for i in range(sentence.start, sentence.end):
        if tokens[i].key != "should" or i + 1 >= sentence.end:
            continue
        before = next((t for t in reversed(tokens.tokens[max(sentence.start, i - 3) : i]) if t.kind != "space"), None)
        asked = before is not None and before.key in ("what", "why", "how", "when", "where", "which")
        if tokens[i + 1].text.casefold() in _OF_CONDITION and not asked:
            out.append(i)
    return out


_AUXILIARIES = frozenset({"does", "is", "has", "was", "this", "that's", "it's"})


def _tells_of_him(tokens: Tokens, cue: Mark) -> bool:
    """ "Follows the pen", "opens wide": a verb in the third person tells what he did, and asks for nothing."""
    word = tokens[cue.start].text.casefold()
    return word.endswith("s") and not word.endswith("ss") and word not in _AUXILIARIES and len(word) > 3


def _relative(tokens: Tokens, cue: Mark, sentence: Sentence) -> bool:
    """ "The lens, which is clear, ...": a clause that goes on with what was just named, and asks nothing."""
    if tokens[cue.start].key != "which" or sentence.question or sentence.run_on:
        return False
    before = [t for t in tokens.tokens[max(sentence.start, cue.start - 3) : cue.start] if t.kind != "space"]
    return len(before) > 1 and before[-1].key == "," and before[-2].kind in ("word", "number", "punct")


_FINDING = frozenset("there is are was were and but i found find saw see".split())


def _found_none(tokens: Tokens, cue: Mark, sentence: Sentence) -> int:
    """ "I looked for nystagmus, there is none": the place of the denial of what was looked for; or -1."""
    for i in range(cue.end, min(sentence.end, cue.end + 12)):
        if tokens[i].key not in ("none", "nil"):
            continue
        before = [t for t in tokens.tokens[cue.end : i] if not t.skipped and t.key != ","]
        named = [t for t in before if t.key not in _FINDING]
        after = next((t for t in tokens.tokens[i + 1 : i + 2]), None)
        ends = after is None or after.kind in ("punct", "break")
        return i if named and ends and not any(t.key in ("but", "which") for t in before) else -1
    return -1


_VISITS = frozenset({"r", "rv", "review", "follow", "recall", "f", "fu"})


def _title(tokens: Tokens, cue: Mark, sentence: Sentence) -> bool:
    """ "HES r/v, 74F": the visit named at the head of a note that goes on is nothing to be arranged."""
    goes_on = sum(t.kind == "break" for t in tokens.tokens) > 2
    return sentence.start == 0 and goes_on and tokens[cue.start].key in _VISITS


def _only_impression(mark: Mark) -> bool:
    """A condition that is no finding of an examination ("sixth nerve palsy")."""
    kinds = {s.data for s in mark.of("alone")}
    return "impression" in kinds and "finding" not in kinds and not mark.has("complete", "word", "name")


def _telegraphic(sentence: Sentence) -> bool:
    return sentence.run_on


_ASKING = frozenset(
    """any is are do does did can could would will what which where how who when why has have had same
    anything feel tell ready and or number first second third now this that see got other""".split()
)


def _is_question(tokens: Tokens, sentence: Sentence) -> bool:
    words = [tokens[i].text.casefold() for i in range(sentence.start, sentence.end) if tokens[i].kind == "word"]
    if not words:
        return False
    return (
        words[0] in _ASKING
        or bool({"you", "your", "what", "which", "how", "reckon"} & set(words))
        or words[-1] in ("one", "nostril", "now", "here", "too")
    )
