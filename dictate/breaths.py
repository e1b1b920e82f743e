"""Stage 3c: speech with no punctuation is cut where the next test begins.

Several tests told in one breath are one endless sentence, in which a value can reach a name ten
words away. It is cut before the name of a test of another group, and before what is said to the
patient, once the test before has its value. A side that may still hold is never cut off.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field

from dictate import nerves
from dictate.lexicon import Lexicon
from dictate.marks import Mark, Marks
from dictate.note import Tokens
from dictate.numbers import ROMAN
from dictate.segments import Segments, cut_at

_JOINING = frozenset("and then now so ok okay next also but well um er uh right".split())
_LEADING = frozenset(
    """and then now so ok okay next also but well um er uh he she they his her i we you there theres when
    either neither""".split()
)
_TIED = frozenset(  # words that need what follows them
    """of in on to from for with by at over as than has had have having see sees saw seen seeing says say said
    feel feels got gets is are was were be been can could can't cannot won't""".split()
)
_WITHIN = frozenset({"in", "with", "at", "under", "by", "on"})
_FROM = frozenset({"negation", "suspected", "doubled", "through"})
_AFTER_CORRECTION = 6  # tokens behind a correction that may still be what is corrected
_BESIDE = 3  # tokens between a name and an everyday word that is its value
_BOTH = frozenset({"both", "both_open", "right_left", "left_right"})
_PAIRED_IN_HEAD = frozenset({"eye", "face"})  # sides that a speaker keeps from one of these to the other


@dataclass
class _Told:
    """The test in hand since its name or the last cut."""

    groups: frozenset[str] = frozenset()
    kinds: frozenset[str] = frozenset()
    values: list[int] = field(default_factory=list)
    sides: list[tuple[int, str]] = field(default_factory=list)
    held: str = ""  # a side of an earlier test that may still hold
    story: bool = False  # a word of history came before the values

    def closed(self, sides: list[tuple[int, str]]) -> bool:
        """Whether nothing that was said of a side is left hanging."""
        told = {value for _, value in sides}
        return bool(told & _BOTH) or {"right", "left"} <= told or not told and not self.held


def loose(mark: Mark) -> bool:
    """Whether a mark is an everyday word that is a value only beside a name."""
    return any(s.source.endswith(".loose") for s in mark.of("generic"))


def only_plan(mark: Mark) -> bool:
    """Whether a mark is a test or service that is only ever planned ("MRI", "ENT")."""
    kinds = {s.data for s in mark.of("alone")}
    return kinds == {"plan"} and not mark.has("name", "topic", "word", "complete", "generic")


def _takers(lexicon: Lexicon) -> dict[str, set[str]]:
    """For each kind of circumstance the groups of tests that have it."""
    known: dict[str, set[str]] | None = lexicon.cache.get("takers")
    if known is None:
        known = lexicon.cache["takers"] = {}
        for key, item in lexicon.items.items():
            for one in (*item.context, *item.soft_context):
                known.setdefault(one, set()).add(lexicon.item_group[key])
    return known


class _Cutter:
    def __init__(self, tokens: Tokens, lexicon: Lexicon, marks: Marks, cues: list[Mark]) -> None:
        self.tokens, self.lexicon = tokens, lexicon
        content = [m for m in marks.marks if m.has("name", "topic", "alone", "complete", "word", "generic", "side")]
        self.events: list[tuple[int, int, Mark | None]] = [(m.start, m.end, m) for m in content]
        self.events += [(g.start, g.end, None) for g in marks.groups]
        self.events += [(c.start, c.end, c) for c in cues if c.has("mode")]
        self.events += [(m.start, m.end, m) for m in marks.marks if any(s.data == "not_done" for s in m.of("cue"))]
        self.events.sort(key=lambda e: (e[0], e[1]))
        self.story = {c.start for c in cues if any(s.value in ("history", "other") for s in c.of("mode"))}
        self.talk_ends = {c.end for c in cues if any(s.value == "talk" for s in c.of("mode"))}
        self.around = {m.end: m for m in marks.marks if m.has("context") and not m.has("name", "topic", "side")}
        self.number_ends = {g.end: g.start for g in marks.groups}
        self.nerves = {r.end: r.start for r in nerves.find(tokens)}
        self.takers = _takers(lexicon)
        self.leads = {m.end: m for m in marks.marks if any(s.data in _FROM for s in m.of("cue"))}
        self.side_ends = {m.end: m for m in marks.marks if m.has("side")}
        self.side_starts = {m.start for m in self.side_ends.values()}
        self.value_ends = {m.end: m for m in marks.marks if m.has("word", "generic") and not m.has("name")}
        self.name_ends = {m.end for m in content if m.has("name", "topic")}
        self.corrected = sorted(c.end for c in cues if c.has("correction"))

    def cuts(self, start: int, end: int) -> list[int]:
        """The places in a sentence where the next test begins."""
        out: list[int] = []
        told = _Told()
        first = bisect_left(self.events, start, key=lambda e: e[0])
        last = bisect_left(self.events, end, key=lambda e: e[0])
        until = start
        for n in range(first, last):
            at, _, mark = self.events[n]
            if mark is None:
                told.values.append(at)
                continue
            if at in self.story and mark.has("mode"):
                told = _Told(story=True)
                continue
            if only_plan(mark):
                break
            groups, kinds = self._groups(mark)
            talk = any(s.value == "talk" for s in mark.of("mode"))
            opens = bool(groups) and groups.isdisjoint(told.groups) and self._answered(n, last, mark, groups)
            if told.values and (opens or talk):
                place = self._place(n, last, until, told, groups, kinds)
                if place > until:
                    out.append(place)
                    told = _Told(groups, kinds, sides=[s for s in told.sides if s[0] >= place])
                    until = place
                elif opens:
                    held = told.sides[-1][1] if told.sides else told.held
                    told = _Told(groups, kinds, held=held if held in ("right", "left") else "")
            elif opens:
                told.groups, told.kinds = groups, kinds
            if mark.has("side"):
                told.sides.append((at, mark.of("side")[0].value))
            elif self._value_of(mark, told.groups, at) or mark.has("cue") and told.groups:
                told.values.append(at)
        return out

    def _value_of(self, mark: Mark, groups: frozenset[str], at: int) -> bool:
        """Whether a mark says something of one of these groups of tests."""
        if mark.has("complete"):
            return True
        own = [s for s in mark.of("alone", "word") if s.role == "word" or s.data == "finding"]
        if own:
            return any(self.lexicon.item_group.get(s.item, s.topic) in groups for s in own)
        if not mark.has("generic") or not groups:
            return False
        return not loose(mark) or any(at - e <= _BESIDE for e in self.name_ends_before(at))

    def name_ends_before(self, at: int) -> list[int]:
        """The ends of the names close before a token."""
        return [e for e in range(max(0, at - _BESIDE), at + 1) if e in self.name_ends]

    def _answered(self, n: int, last: int, mark: Mark, groups: frozenset[str]) -> bool:
        """Whether a name has a value behind it before another test is named."""
        if mark.has("alone", "complete"):
            return True
        for at, _, other in self.events[n + 1 : min(last, n + 9)]:
            if other is None:
                return True
            named, _ = self._groups(other)
            if named and named.isdisjoint(groups) and self._word_before(at) != "and":
                return False
            if other.has("generic") or self._value_of(other, groups, at):
                return True
        return False

    def _groups(self, mark: Mark) -> tuple[frozenset[str], frozenset[str]]:
        """The groups of tests that a mark names, and the kinds of sides they have; none if it is no name."""
        if mark.has("mode", "side", "unit", "mask") or mark.has("context") and mark.end - mark.start == 1:
            return frozenset(), frozenset()
        named = mark.of("name", "topic", "complete") + tuple(s for s in mark.of("alone") if s.data == "finding")
        groups: set[str] = set()
        kinds: set[str] = set()
        for sense in named:
            keys = [sense.item] if sense.item else self.lexicon.topic_items.get(sense.topic, [])
            if sense.role == "complete":
                keys = [r.item for r in self.lexicon.bundles[int(sense.data)].rows]
            keys = [k for k in keys if self.lexicon.items[k].role == "finding"]
            groups.update(self.lexicon.item_group[k] for k in keys)
            kinds.update(self.lexicon.items[k].sides for k in keys)
            if not keys and not sense.item:
                groups.add(sense.topic)
        return frozenset(groups), frozenset(kinds)

    def _place(self, n: int, last: int, low: int, told: _Told, groups: frozenset[str], kinds: frozenset[str]) -> int:
        """Where the clause of the name of event `n` begins; -1 if that is not sure."""
        at, _, mark = self.events[n]
        assert mark is not None
        corrected = bisect_right(self.corrected, at)
        if corrected and at - self.corrected[corrected - 1] <= _AFTER_CORRECTION:
            return -1
        place = self._back(at, low, groups, not mark.has("mode"))
        if self._counted(place):
            return -1
        side = self.side_ends.get(place)
        sides, leading = told.sides, False
        if side is not None and side.start >= low:
            leads = self._leads(n, last, side, told, groups)
            if leads is None:
                return -1
            if leads:
                place, leading = self._back(side.start, low, groups), True
                sides = [s for s in sides if s[0] < side.start]
        apart = kinds.isdisjoint(told.kinds) and not (kinds | told.kinds) <= _PAIRED_IN_HEAD
        if not told.closed(sides) and not apart and not (self._plural(mark) and not leading):
            return -1
        if self._word_before(place) in _TIED or told.story and self._joined(place, at):
            return -1
        if not any(v < place for v in told.values) or self._may_describe(place, told, groups):
            return -1
        return place

    def _leads(self, n: int, last: int, side: Mark, told: _Told, groups: frozenset[str]) -> bool | None:
        """Whether a side right before a name is said of it, or of what was told before; None if that is not sure."""
        value = side.of("side")[0].value
        before = [s for s in told.sides if s[0] < side.start]
        joined = self._word_before(side.start)
        mark = self.events[n][2]
        if joined == "of" or value not in ("right", "left", *_BOTH):
            return None
        if joined in _TIED or any(i in self.talk_ends for i in range(side.start - 3, side.start + 1)):
            return False
        if joined in ("and", "&") and before and before[-1][1] != value and side.start - before[-1][0] <= 6:
            return False
        if self._behind_its_value(side, told, before):
            return False
        if value in _BOTH:
            alone = side.end - side.start == 1 and mark is not None and mark.plural
            return alone or bool(before) and told.closed(before) or told.kinds == {"none"}
        if not told.closed(before):
            return False if told.closed(told.sides) and told.values[0] < told.sides[0][0] else None
        return True if before or told.kinds == {"none"} or self._other_side_follows(n, last, side, groups) else None

    def _behind_its_value(self, side: Mark, told: _Told, before: list[tuple[int, str]]) -> bool:
        """Whether sides are told behind their values, and this one has its value ("n6 right and n8 left")."""
        values = [v for v in told.values if v < side.start]
        if not before or not values or values[-1] < before[-1][0]:
            return False
        value = side.of("side")[0].value
        if value not in _BOTH and {value, before[-1][1]} != {"right", "left"}:
            return False
        linked = self.tokens.tokens[before[-1][0] + 1 : values[-1]]
        joined = [t.key for t in linked if t.kind != "space" and not t.skipped] in (["and"], ["eye", "and"])
        return values[0] < before[0][0] or joined

    def _plural(self, mark: Mark) -> bool:
        words = self.tokens.tokens[mark.start : mark.end]
        return mark.plural or any(t.text.casefold() == t.key + "s" for t in words)

    def _counted(self, place: int) -> bool:
        """Whether a number right before a name counts what it names ("of seventeen plates", "all 15 plates")."""
        start = self.number_ends.get(place)
        return start is not None and (self._word_before(start) in _TIED or self._word_before(start) == "all")

    def _word_before(self, place: int) -> str:
        i = place - 1
        while i > 0 and (self.tokens[i].kind == "space" or self.tokens[i].skipped):
            i -= 1
        return self.tokens[i].text.casefold() if i >= 0 else ""

    def _other_side_follows(self, n: int, last: int, side: Mark, groups: frozenset[str]) -> bool:
        """Whether the other side is told next, before a test of another group: "right disc pale left disc pink"."""
        other = "left" if side.of("side")[0].value == "right" else "right"
        for _, _, mark in self.events[n + 1 : min(last, n + 9)]:
            if mark is None:
                continue
            named, _ = self._groups(mark)
            if named and named.isdisjoint(groups):
                return False
            if mark.has("side"):
                return bool(mark.of("side")[0].value == other)
        return False

    def _joined(self, place: int, at: int) -> bool:
        return any(t.key == "and" for t in self.tokens.tokens[place:at])

    def _back(self, i: int, low: int, groups: frozenset[str], name: bool = True) -> int:
        """The start of what leads up to token `i`: denials, circumstances of its own, small words."""
        beside = name
        while i > low:
            lead = self.leads.get(i) if beside else None
            around = self.around.get(i)
            token = self.tokens[i - 1]
            if lead is not None and lead.start >= low:
                i = lead.start
            elif around is not None and around.start > low and self._own(around, groups):
                i = around.start - (self._word_before(around.start) in _WITHIN)
                while i > low and self.tokens[i].text.casefold() not in _WITHIN and self.tokens[i - 1].skipped:
                    i -= 1
            elif i in self.nerves:
                i = self.nerves[i]
                i -= self._word_before(i) == "for" and self.tokens[i - 1].text.casefold() == "for"
            elif token.kind == "word" and token.text.upper() in ROMAN or token.kind == "space" or token.skipped:
                i -= 1
            elif token.text.casefold() in (_LEADING if name else _JOINING) and i - 1 not in self.side_starts:
                i -= 1
                beside = False
            else:
                break
        return i

    def _own(self, mark: Mark, groups: frozenset[str]) -> bool:
        """Whether a circumstance belongs to tests of these groups ("in room light the pupils ...")."""
        senses = mark.of("context")
        keys = [s.item for s in senses if s.item]
        keys += [k for s in senses for k in self.lexicon.topic_items.get(s.topic, [])]
        named = {self.lexicon.item_group[k] for k in keys} or {g for s in senses for g in self.takers.get(s.data, ())}
        return not groups.isdisjoint(named)

    def _may_describe(self, place: int, told: _Told, groups: frozenset[str]) -> bool:
        """Whether the word right before a name may be said of it ("... midline normal gag")."""
        value = self.value_ends.get(place)
        if value is None or sum(v < place for v in told.values) < 2:
            return False
        return value.has("generic") or any(self.lexicon.item_group.get(s.item, s.topic) in groups for s in value.senses)


def divide(tokens: Tokens, lexicon: Lexicon, marks: Marks, cues: list[Mark], segments: Segments) -> Segments:
    """The sentences with those that run on cut into the tests they tell."""
    if not any(s.run_on for s in segments.sentences):
        return segments
    cutter = _Cutter(tokens, lexicon, marks, cues)
    cuts = [i for s in segments.sentences if s.run_on for i in cutter.cuts(s.start, s.end)]
    return cut_at(segments, cuts)
