"""Stage 7: bound values -> observations: polarity, circumstances, one row a side."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

from dictate import negation, partners, unread
from dictate.answers import OPPOSITE
from dictate.binding import unmarked
from dictate.elided import Elided, elided
from dictate.lexicon import Generic, Item, Lexicon, Sense
from dictate.marks import Mark
from dictate.offers import Atom, Bound, Head, Option, Scene, Side, Target
from dictate.values import Value, score_of
from dictate.wording import is_plural

_EYE_TURN = {
    ("abduction", "right"): "right",
    ("abduction", "left"): "left",
    ("adduction", "right"): "left",
    ("adduction", "left"): "right",
}
# Hours on the disc, as the examiner sees it, by the eye's side: nasal lies at three in a right eye, at nine in a left.
_CLOCK = {
    ("clock_1_2", "right"): "superonasal",
    ("clock_1_2", "left"): "superotemporal",
    ("clock_3", "right"): "nasal",
    ("clock_3", "left"): "temporal",
    ("clock_4_5", "right"): "inferonasal",
    ("clock_4_5", "left"): "inferotemporal",
    ("clock_7_8", "right"): "inferotemporal",
    ("clock_7_8", "left"): "inferonasal",
    ("clock_9", "right"): "temporal",
    ("clock_9", "left"): "nasal",
    ("clock_10_11", "right"): "superotemporal",
    ("clock_10_11", "left"): "superonasal",
}
_LOCAL = ("gaze", "sector", "region", "branch", "muscle", "stimulus")
_PLACED = ("sector", "region", "branch")
_PLACES = ("place", "spot", "area", "sector", "quadrant", "region", "position", "part", "division", "branch", "clock")
_TAKEN_BACK = 20  # tokens between a statement and the words that take it back
_SAME_BACK = 10  # sentences in which the other side's findings are looked for
_BY_MEANS = frozenset({"with", "through", "by", "on", "c", "w", "the", "a", "("})
_HELD = ("light", "correction", "viewing", "fork", "sample")
_OVER_TALK = ("fork", "light")
_BARE_DENIALS = frozenset({"none", "nothing", "nil", "not"})
_LEADS_TO_SIDE = frozenset("on in at to of for with from seen found noted there look".split())
_OPENERS = frozenset({"and", "but", "with", "though", "whil"})
_SIDEWAYS = frozenset({"right", "left"})
_EXCEPTED = 3  # tokens between a value and the exception told of it
_TALK_BETWEEN = 8  # sentences with no finding that a circumstance still reaches over


@dataclass(eq=False)
class Observation:
    """A row in the making."""

    item: str
    side: str | None
    value: Value
    context: dict[str, str | int]
    spans: list[tuple[int, int]]
    doubts: list[tuple[str, str]] = field(default_factory=list)  # (reason, detail)
    why: list[str] = field(default_factory=list)
    order: int = 0
    choices: list[dict[str, object]] = field(default_factory=list)
    later: bool = False
    addendum: bool = False
    wrong_side: bool = False  # told where an earlier side is called wrong
    many: bool = False  # an item that may hold several values at once (plans, conclusions)
    group: int = -1  # rows of one value told for several sides
    denied: bool = False  # the opposite of what was said, by a negation
    size_of: str = ""  # the finding that a number measures

    def identity(self) -> tuple[object, ...]:
        """What makes two rows tell the same thing, the value aside."""
        kept = {k: v for k, v in self.context.items() if k not in ("method", "time")}
        if self.many:
            kept.pop("certainty", None)
            kept.pop("urgency", None)
            return (self.item, self.side, str(self.value), tuple(sorted(kept.items())))
        return (self.item, self.side, tuple(sorted(kept.items())))

    def doubt(self, reason: str, detail: str = "") -> None:
        """Put the row to the clinician for this reason."""
        if not any(r == reason for r, _ in self.doubts):
            self.doubts.append((reason, detail))


class Emitter:
    """Turns the bound atoms of a scene into observations."""

    def __init__(self, scene: Scene, bound: list[Bound]) -> None:
        self.scene = scene
        self.tokens = scene.tokens
        self.bound = bound
        self.used_heads: set[int] = set()
        self.rows: list[Observation] = []
        self.pairs: dict[int, tuple[int, str, Bound]] = {}
        self.counted = [i for i in scene.lexicon.items.values() if i.circumstance]
        self.owners: dict[tuple[int, str], Bound | None] = {}
        self.side_of_finding: dict[int, str] = {}
        self.negated_until = -1
        self.cue_by_sentence: dict[int, list[Mark]] = {}
        self.cue_kinds: dict[tuple[int, str], list[Mark]] = {}
        for cue in scene.cues:
            self.cue_by_sentence.setdefault(scene.segments.sentence_of[cue.start], []).append(cue)
        self.context_by_sentence: dict[int, list[Mark]] = {}
        for context in scene.contexts:
            self.context_by_sentence.setdefault(scene.segments.sentence_of[context.start], []).append(context)
        self.sides_by_sentence: dict[int, list[Side]] = {}
        for side in scene.sides:
            self.sides_by_sentence.setdefault(side.sentence, []).append(side)
        self.heads_by_sentence: dict[int, list[Head]] = {}
        for head in scene.heads:
            self.heads_by_sentence.setdefault(head.sentence, []).append(head)
        self.bound_by_sentence: dict[int, list[Bound]] = {}
        for one in bound:
            self.bound_by_sentence.setdefault(one.atom.sentence, []).append(one)
        self.elided = elided(scene, self.bound_by_sentence, self.context_by_sentence)
        self.given_on = {one.mark.start for one in self.elided if one.mark is not None}
        self.negation = negation.negated(scene, bound)
        for before, after in pairwise(bound):
            if partners.LISTED in after.option.notes and before.atom.start in self.negation:
                self.negation.setdefault(after.atom.start, self.negation[before.atom.start])
        self.idle = unread.idle(bound, scene.lexicon)
        self.leant_on: list[tuple[str, str | int, Mark]] = []  # misheard circumstances of the value in hand

    def _cues(self, sentence: int, kind: str) -> list[Mark]:
        if (sentence, kind) not in self.cue_kinds:
            self.cue_kinds[sentence, kind] = [
                c for c in self.cue_by_sentence.get(sentence, []) if any(s.data == kind for s in c.of("cue"))
            ]
        return self.cue_kinds[sentence, kind]

    def _suspected(self, atom: Atom) -> Mark | None:
        sentence = atom.sentence
        for cue in [*self._cues(sentence, "unsure"), *self._cues(sentence, "suspected")]:
            if cue.start == atom.start and cue.end == atom.end:
                return cue
        for cue in self._cues(sentence, "suspected"):
            if cue.end <= atom.start and self._same_clause(cue.end, atom.start) and atom.start - cue.end <= 9:
                return cue
        for cue in self._cues(sentence, "suspected_after"):
            if cue.start >= atom.end and self._same_clause(atom.end, cue.start) and cue.start - atom.end <= 3:
                return cue
        return None

    def _hardly(self, one: Bound, item: Item, value: Value) -> Mark | None:
        """ "Heard poorly", "hardly lifts": a word right beside a good value that takes most of it back."""
        if "reduced" not in item.generic or not unmarked(item, value) or value == item.generic["reduced"]:
            return None
        for cue in self._cues(one.atom.sentence, "hardly"):
            a, b = (one.atom.end, cue.start) if cue.start >= one.atom.end else (cue.end, one.atom.start)
            if one.atom.start <= cue.start and cue.end <= one.atom.end:
                continue
            gap = [t.key for t in self.tokens.tokens[a:b] if t.kind != "space" and not t.skipped]
            if not gap or gap == ["only"]:
                return cue
        return None

    def _same_clause(self, a: int, b: int) -> bool:
        for token in self.tokens.tokens[a:b]:
            if token.kind == "punct" and token.key in (",", ":", "(", ")", "|", ";") and not token.skipped:
                return False
            if token.key in ("but", "while", "whereas"):
                return False
        return True

    # -- circumstances

    def _context(self, one: Bound, target: Target, item: Item) -> list[dict[str, str | int]]:
        """The circumstances of a value; several dicts where several are told ("V1, V2 and V3")."""
        fixed: dict[str, str | int] = {
            k: v for k, v in target.context.items() if k in item.context or k in item.soft_context
        }
        head = one.option.head
        if (
            "gaze" in fixed
            and target.value == item.generic.get("normal")
            and head is not None
            and any(t.key == "," for t in self.tokens.tokens[head.end : one.atom.start])
        ):
            del fixed["gaze"]
        out = [fixed]
        if "gaze" in fixed:
            out += [{**fixed, "gaze": value} for value in self._in_line(one, "gaze") if value != fixed["gaze"]]
        if "viewing" in fixed and head is not None and self._told_anew(one, head, "viewing"):
            del fixed["viewing"]
        for key in [*item.context, *item.soft_context]:
            if key in fixed and head is not None:
                listed = self._listed_with(head, key)
                out = [{**base, key: value} for base in out for value in listed] or out
                continue
            if key in fixed or key in ("certainty", "urgency", "nerve", "time"):
                continue
            found = self._held(one, key) if key in _HELD or key == "method" else self._local(one, key, item)
            if found:
                out = [{**base, key: value} for base in out for value in found]
            elif key in item.default_context:
                out = [{**base, key: item.default_context[key]} for base in out]
        return out

    def _in_line(self, one: Bound, key: str) -> list[str | int]:
        """Circumstances listed with the one that a name holds ("adduction, elevation and depression are poor")."""
        head = one.option.head
        start, end = (head.start, head.end) if head is not None else (one.atom.start, one.atom.end)
        if self.scene.segments.sentence_of[start] != one.atom.sentence:
            return []
        sentence = self.bound_by_sentence.get(one.atom.sentence, [])
        own = Mark(start, end, ())
        marks = [
            m
            for m in self.context_by_sentence.get(one.atom.sentence, [])
            if self._values_of(m, key)
            and not start <= m.start < end
            and self._owner(m, key, sentence) in (one, None)
            and not any(b.option.head is not None and b.option.head.start == m.start for b in sentence)
        ]
        listed = [m for m in self._chained([own], marks) if m is not own]
        return list(dict.fromkeys(v for m in listed for v in self._values_of(m, key)))

    def _told_anew(self, one: Bound, head: Head, key: str) -> bool:
        """Whether another circumstance was told after the name that fixes one: "distance: 4 eso, near: 6 exo"."""
        return any(
            head.end <= m.start and m.end <= one.atom.start and self._values_of(m, key)
            for m in self.context_by_sentence.get(one.atom.sentence, [])
        )

    def _values_of(self, mark: Mark, key: str) -> list[str | int]:
        return [v for s in mark.of("context") for k, v in s.context if k == key]

    def _taken(self, marks: list[Mark], key: str) -> list[str | int]:
        """The circumstances that marks say, each once; what was misheard is remembered for the row."""
        said = [(v, m) for m in marks for v in self._values_of(m, key)]
        self.leant_on += [(key, v, m) for v, m in said if m.read_as and m.heard]
        return list(dict.fromkeys(v for v, _ in said))

    def _local(self, one: Bound, key: str, item: Item) -> list[str | int]:
        atom = one.atom
        sentence = self.bound_by_sentence.get(atom.sentence, [])
        candidates = [m for m in self.context_by_sentence.get(atom.sentence, []) if self._values_of(m, key)]
        if not candidates:
            return self._again_there(one, key) if key in _PLACED else []
        picked: list[Mark] = []
        for mark in candidates:
            if (
                atom.start <= mark.start
                and mark.end <= atom.end
                and atom.mark is not None
                and mark.start == atom.start
                and mark.end == atom.end
            ):
                continue
            owner = self._owner(mark, key, sentence)
            if owner is not None and owner.atom is atom:
                picked.append(mark)
        picked = self._chained(picked, candidates)
        picked = picked if key in _PLACED else self._nouns_out(picked)
        if not picked and (both := self._to_both(atom, key)):
            return both
        head = one.option.head
        if not picked and key in _PLACED and head is not None and head.soft and head.sentence == atom.sentence:
            own = [m for m in candidates if m.start == head.start]
            picked = self._chained(own, candidates)
        if not picked and key in _PLACED:
            return self._again_there(one, key)
        if key in ("gaze", "region") and any(
            t.value == item.generic.get("normal") for t in one.option.targets if t.item == item.key
        ):
            picked = [
                m
                for m in picked
                if "all" not in self._values_of(m, key)
                and (0 <= m.start - atom.end <= 1 or 0 <= atom.start - m.end <= 2)
            ]
            picked = self._chained(picked, [m for m in candidates if self._owner(m, key, sentence) is one])
        values = self._taken(picked, key)
        if key == "branch":
            values = self._branch_range(picked, values)
        return values

    def _nouns_out(self, picked: list[Mark]) -> list[Mark]:
        """ "To direct light": a circumstance right behind another one of its kind only names the thing."""
        ends = {m.end for m in picked}
        return [m for m in picked if m.start not in ends]

    def _to_both(self, atom: Atom, key: str) -> list[str | int]:
        """ "..., left is brisk to both": the circumstances told of the other side in this sentence."""
        after = [t.key for t in self.tokens.tokens[atom.end : atom.end + 6] if t.kind != "space" and not t.skipped]
        if after[:1] not in (["to"], ["on"], ["with"], ["in"], ["at"]) or after[1:2] not in (["both"], ["each"]):
            return []
        earlier = [
            m
            for m in self.context_by_sentence.get(atom.sentence, [])
            if m.end <= atom.start and self._values_of(m, key)
        ]
        return self._taken(self._nouns_out(earlier), key)

    def _listed_with(self, head: Head, key: str) -> list[str | int]:
        """The circumstances of a list one of which names the test ("direct and consensual intact")."""
        candidates = [m for m in self.context_by_sentence.get(head.sentence, []) if self._values_of(m, key)]
        own = [m for m in candidates if m.start == head.start]
        marks = sorted(self._chained(own, candidates), key=lambda m: m.start)
        return list(dict.fromkeys(v for m in marks for v in self._values_of(m, key)))

    def _again_there(self, one: Bound, key: str) -> list[str | int]:
        """ "Notch in the same place", "normal there on the left": the circumstance told last."""
        atom = one.atom
        if not self._points_back(atom):
            return []
        for at in (atom.sentence, atom.sentence - 1):
            earlier = [
                m for m in self.context_by_sentence.get(at, []) if m.end <= atom.start and self._values_of(m, key)
            ]
            if earlier:
                return self._values_of(earlier[-1], key)[:1]
        return []

    def _side_before(self, atom: Atom) -> str:
        """The side that "wasted there" points back to: the last one of the sentence."""
        before = [s for s in self.sides_by_sentence.get(atom.sentence, ()) if s.end <= atom.start]
        return str(before[-1].value) if before and before[-1].value in ("right", "left") else ""

    def _points_back(self, atom: Atom) -> bool:
        near = self.tokens.tokens[atom.end : atom.end + 10]
        words = [t.text.casefold() for t in near if t.kind in ("word", "punct", "number")]
        words = [w for w in words if w not in ("in", "at", "the", "too", "just", "right")]
        if words[:1] == ["there"]:
            return words[1:2] not in ([k] for k in ("is", "are", "was", "were", "'", "’", "has", "have"))
        return words[:1] == ["same"] and words[1:2] in ([k] for k in _PLACES)

    def _chained(self, picked: list[Mark], candidates: list[Mark]) -> list[Mark]:
        """Circumstances in a list ("V1, V2 and V3") go where the first of them goes."""
        out = list(picked)
        for mark in [*candidates, *reversed(candidates)]:
            if mark in out:
                continue
            for other in out:
                gap = [t.key for t in self.tokens.tokens[other.end : mark.start] if t.kind != "space" and not t.skipped]
                if mark.end <= other.start:
                    gap = [
                        t.key for t in self.tokens.tokens[mark.end : other.start] if t.kind != "space" and not t.skipped
                    ]
                joined = not gap and self.tokens[mark.start].key in ("and", "or") and mark.start >= other.end
                if joined or gap and len(gap) <= 2 and all(g in (",", "and", "&", "/", "+", "or") for g in gap):
                    out.append(mark)
                    break
        return out

    def _branch_range(self, marks: list[Mark], values: list[str | int]) -> list[str | int]:
        if len(marks) == 2 and values == ["V1", "V3"]:
            gap = [t.key for t in self.tokens.tokens[marks[0].end : marks[1].start] if t.kind != "space"]
            if gap and gap[0] in ("-", "to", "through"):
                return ["V1", "V2", "V3"]
        if len(marks) == 1 and values == ["V1"]:
            end = marks[0].end
            following = [t.key for t in self.tokens.tokens[end : end + 4] if t.kind != "space"]
            if following[:1] and following[0] in ("-", "to") and following[1:2] == ["3"]:
                return ["V1", "V2", "V3"]
            if following[:1] in ([","], ["/"]) and following[1:2] == ["2"]:
                more = [t.key for t in self.tokens.tokens[end : end + 8] if t.kind == "number"]
                found: list[str | int] = ["V1", *(f"V{k}" for k in more if k in ("2", "3"))]
                return found
        return values

    def _owner(self, mark: Mark, key: str, sentence: list[Bound]) -> Bound | None:
        """The value a circumstance belongs to: the nearest whose item takes it."""
        if mark.start in self.given_on:
            return None
        if (mark.start, key) not in self.owners:
            self.owners[mark.start, key] = self._find_owner(mark, key, sentence)
        return self.owners[mark.start, key]

    def _side_between(self, sentence: int, a: int, b: int) -> bool:
        return any(a <= s.start and s.end <= b for s in self.sides_by_sentence.get(sentence, ()))

    def _led_by(self, mark: Mark, key: str, sentence: list[Bound]) -> Mark | None:
        """The circumstance that this one is joined to by "and" ("V1 and V3 on both sides")."""
        earlier = [m for m in self.context_by_sentence.get(sentence[0].atom.sentence, []) if m.end <= mark.start]
        if not earlier or not self._values_of(earlier[-1], key):
            return None
        gap = [t.key for t in self.tokens.tokens[earlier[-1].end : mark.start] if t.kind != "space" and not t.skipped]
        follows = any(0 <= o.atom.start - mark.end <= 1 for o in sentence)
        return earlier[-1] if gap in (["and"], ["&"], ["+"]) and not follows else None

    def _adjective_of_other(self, mark: Mark, key: str, sentence: list[Bound]) -> bool:
        """ "pale with a superior retinal scar": the sector belongs to a finding that is told without sectors."""
        after = mark.end
        while after < len(self.tokens) and self.tokens[after].kind == "space":
            after += 1
        items = self.scene.lexicon.items
        return any(
            b.atom.start == after
            and b.atom.sort == "alone"
            and b.option.targets
            and all(key not in items[t.item].context for t in b.option.targets)
            for b in sentence
        )

    def _find_owner(self, mark: Mark, key: str, sentence: list[Bound]) -> Bound | None:
        lead = self._led_by(mark, key, sentence) if sentence and key not in _HELD else None
        if lead is not None:
            return self._owner(lead, key, sentence)
        best: Bound | None = None
        lowest = 1e9
        if key in ("sector", "region") and self._adjective_of_other(mark, key, sentence):
            return None
        for one in sentence:
            takes = any(
                key in self.scene.lexicon.items[t.item].context or key in self.scene.lexicon.items[t.item].soft_context
                for t in one.option.targets
            )
            if not takes:
                continue
            atom = one.atom
            if mark.start >= atom.end:
                a, b, behind = atom.end, mark.start, True
            else:
                a, b, behind = mark.end, atom.start, False
            gap = self.tokens.tokens[a:b] if a < b else ()
            stops = sum(1 for t in gap if t.kind == "punct" and t.key in (",", ":", "|", "(", ")") and not t.skipped)
            links = sum(1 for t in gap if t.key in ("and", "but"))
            between = sum(
                1 for o in sentence if o is not one and a <= o.atom.start and o.atom.end <= b and o.option.targets
            )
            names = sum(
                1
                for h in self.heads_by_sentence.get(atom.sentence, ())
                if a <= h.start and h.end <= b and not h.soft and h is not one.option.head
            )
            cost = 1.0 * stops + 0.8 * links + 1.6 * between + 0.05 * len(gap) + (0.1 if behind else 0.0) + 0.5 * names
            if not behind and key in ("sector", "region", "gaze") and self._side_between(atom.sentence, a, b):
                cost += 0.6
            if atom.start in self.negation:
                cost += 2.0 * stops
            if not behind and [t.key for t in gap if t.kind != "space" and not t.skipped][:2] == [",", "which"]:
                cost -= 1.5  # "... upgaze, which is restricted"
            if not behind and one.option.head is not None and one.option.head.start <= mark.start:
                cost -= 0.3 * min(stops, 2)
            if cost < lowest:
                best, lowest = one, cost
        return best if lowest < 3.0 or key in _HELD else None

    def _held(self, one: Bound, key: str) -> list[str | int]:
        """A circumstance that holds until it is changed: said before in this sentence, else
        behind it, else the last one said of this topic."""
        atom = one.atom
        marks = [m for m in self.context_by_sentence.get(atom.sentence, []) if self._values_of(m, key)]
        sentence = self.bound_by_sentence.get(atom.sentence, [])
        owned = [m for m in marks if self._owner(m, key, sentence) is one]
        if owned:
            if key in ("fork", "sample", "viewing"):
                return self._taken(owned, key)
            pinholes = [m for m in owned if "pinhole" in self._values_of(m, key)]
            if pinholes and len(owned) > 1 and owned[-1].start - owned[0].end <= 5:
                return [v for v in self._taken(pinholes[:1], key) if v == "pinhole"]
            owned.sort(key=lambda m: atom.start - m.end if m.end <= atom.start else m.start - atom.end + 1)
            return self._taken(owned[:1], key)[:1]
        shared = []
        if key == "viewing":
            shared = self._of_its_finding(one, key, sentence) or self._of_partner(one, key, marks, sentence)
        if shared:
            return shared
        before = [m for m in marks if m.start < atom.start]
        while before and "pinhole" in self._values_of(before[-1], key) and self._pinhole_over(before[-1], atom):
            before.pop()
        if before:
            if (
                len(before) > 1
                and "pinhole" in self._values_of(before[-2], key)
                and before[-1].start - before[-2].end <= 5
            ):
                before.pop()
            return self._taken(before[-1:], key)[:1]
        named = self._named_before(one, key, sentence) if key == "correction" else []
        if named:
            return named
        if any(t.value in ("CF", "HM", "LP", "NLP") for t in one.option.targets):
            return self._carried(one, key)
        behind = [m for m in marks if m.start >= atom.end and "pinhole" not in self._values_of(m, key)]
        if behind and key not in ("viewing",):
            return self._taken(behind[:1], key)[:1]
        if key in ("viewing",):
            return []
        return self._named_behind(one, key) or self._carried(one, key)

    def _named_behind(self, one: Bound, key: str) -> list[str | int]:
        """ "17 and 24 by non-contact": a method named behind the last value of a pair is that of both."""
        item = self.scene.lexicon.items[one.option.targets[0].item]
        if key not in item.soft_context:
            return []
        for head in self.heads_by_sentence.get(one.atom.sentence, ()):
            if head.start < one.atom.end:
                continue
            told = [dict(s.context)[key] for s in head.senses if s.item == item.key and key in dict(s.context)]
            return told[:1]
        return []

    def _named_before(self, one: Bound, key: str, sentence: list[Bound]) -> list[str | int]:
        """ "Corrected acuity was 6/9 right and CF left": the circumstance in the name of the value before."""
        item = one.option.targets[0].item
        earlier = [b for b in sentence if b.atom.end <= one.atom.start and b.option.targets]
        if not earlier or earlier[-1].option.targets[0].item != item or one.option.head is not None:
            return []
        told = earlier[-1].option.targets[0].context.get(key)
        return [told] if told and told != "pinhole" else []

    def _of_its_finding(self, one: Bound, key: str, sentence: list[Bound]) -> list[str | int]:
        """ "4 dioptres of exophoria for near": the size shares the circumstance of what it measures."""
        head = one.option.head
        if head is None or one.atom.sort != "number" or head.start < one.atom.end:
            return []
        own = [b for b in sentence if b.atom.start == head.start and b is not one]
        return [v for b in own[:1] for v in self._held(b, key)]

    def _of_partner(self, one: Bound, key: str, marks: list[Mark], sentence: list[Bound]) -> list[str | int]:
        """The circumstance of the size or kind told beside this value: "6 exophoria near" is one finding."""
        topics = partners.topics(self.scene, one)
        for mark in marks:
            owner = self._owner(mark, key, sentence)
            if owner is None or owner is one or not partners.beside(self.scene, owner, one):
                continue
            if topics & partners.topics(self.scene, owner):
                return self._values_of(mark, key)
        return []

    def _pinhole_over(self, mark: Mark, atom: Atom) -> bool:
        """A pinhole value is over at the next side, unless the pinhole came before all sides or heads a side."""
        sides = [s for s in self.scene.sides if s.sentence == atom.sentence]
        follows = min((s.start for s in sides if s.start >= mark.end), default=atom.start)
        bound = self.bound_by_sentence.get(atom.sentence, ())
        headed = not any(mark.end <= one.atom.start < follows for one in bound)
        behind = max((one.atom.end for one in bound if one.atom.end <= mark.start), default=-1)
        if behind >= 0 and {t.key for t in self.tokens.tokens[behind : mark.start] if t.kind != "space"} <= _BY_MEANS:
            headed = False
        return not headed and any(s.end <= mark.start for s in sides) and follows < atom.start

    def _carried(self, one: Bound, key: str) -> list[str | int]:
        topic_items = {self.scene.lexicon.items[t.item].topic for t in one.option.targets}
        at = one.atom.sentence - 1
        steps = passed = 0
        limit = {"correction": 6, "light": 2, "fork": 2, "method": 2, "sample": 1}.get(key, 1)
        while at >= 0 and steps < limit:
            marks = [
                m
                for m in self.context_by_sentence.get(at, [])
                if self._values_of(m, key) and self.scene.modes.mode[m.start] not in ("history", "other", "plan")
            ]
            marks = [m for m in marks if "pinhole" not in self._values_of(m, key)]
            if marks:
                return self._taken(marks[-1:], key)[:1]
            bounds = self.bound_by_sentence.get(at, [])
            topics = {self.scene.lexicon.items[t.item].topic for b in bounds for t in b.option.targets}
            if topics and not topics & topic_items and key != "correction":
                return []
            at -= 1
            if not any(b.option.targets for b in bounds) and key in _OVER_TALK and passed < _TALK_BETWEEN:
                passed += 1  # talk with the patient changes nothing
                continue
            steps += 1
        return []

    # -- rows

    def _elsewhere(self) -> list[tuple[Mark, str, int]]:
        """ "..., none on left gaze", "but not in primary": a denial for another circumstance."""
        out: list[tuple[Mark, str, int]] = []
        absent = {m.end: m for m in self.scene.marks if any(s.data == "absent" for s in m.of("generic"))}
        absent |= {c.end: c for c in self.scene.cues if any(s.data == "negation" for s in c.of("cue"))}
        for _sentence, contexts in self.context_by_sentence.items():
            for mark in list(contexts):
                key = next((k for k in ("gaze",) if self._values_of(mark, k)), "")
                if not key:
                    continue
                i = mark.start
                while i > 0 and (
                    self.tokens[i - 1].kind == "space"
                    or self.tokens[i - 1].skipped
                    or self.tokens[i - 1].key in ("on", "in", "to", "at", "when", "he", "she", "for")
                ):
                    i -= 1
                if i not in absent:
                    continue
                out.append((mark, key, absent[i].start))
                contexts.remove(mark)
        return out

    def _deny_elsewhere(self, found: list[tuple[Mark, str, int]]) -> None:
        by_sentence = self._rows_by_sentence() if found else {}
        for mark, key, start in found:
            sentence = self.scene.segments.sentence_of[mark.start]
            earlier = [
                r
                for n in (sentence - 1, sentence)
                for r in by_sentence.get(n, ())
                if r.order < start
                and key in self.scene.lexicon.items[r.item].context
                and self.scene.lexicon.items[r.item].kind == "finding"
            ]
            if not earlier:
                continue
            last = max(earlier, key=lambda r: r.order)
            for value in self._values_of(mark, key):
                why = [f"{self.tokens.words(start, mark.end)!r} denies it there"]
                self.rows.append(
                    Observation(last.item, last.side, "absent", {key: value}, [(start, mark.end)], [], why, start)
                )

    def _none_there(self) -> None:
        """ "A haemorrhage on the right disc and none on the left": the finding told last is denied of
        the other side, or of the gaze to that side."""
        spoken = {b.atom.start for b in self.bound if b.option.targets}
        for cue in self.scene.cues:
            if self.tokens[cue.start].key not in _BARE_DENIALS or cue.start in spoken:
                continue
            if cue.end - cue.start > 1 or self.scene.modes.mode[cue.start] != "finding":
                continue
            sentence = self.scene.segments.sentence_of[cue.start]
            side = next((s for s in self.sides_by_sentence.get(sentence, ()) if s.start >= cue.end), None)
            if side is None or side.value not in ("right", "left") or not self._of_nothing_else(cue, side, sentence):
                continue
            row = self._found_before(cue, sentence)
            if row is None:
                continue
            item = self.scene.lexicon.items[row.item]
            context: dict[str, str | int] = {}
            told: str | None = None
            if item.sided and row.side not in (side.value, None):
                told = str(side.value)
            elif not item.sided and row.context.get("gaze") in _SIDEWAYS - {side.value}:
                context = {"gaze": str(side.value)}
            else:
                continue
            if any(r.item == row.item and r.side == told and r.context == context for r in self.rows):
                continue
            why = [f"{self.tokens.words(cue.start, side.end)!r} denies there what was told before"]
            self.rows.append(
                Observation(row.item, told, "absent", context, [(cue.start, side.end)], [], why, cue.start)
            )

    def _of_nothing_else(self, cue: Mark, side: Side, sentence: int) -> bool:
        """Whether a bare denial opens its clause, and its clause is but a side."""
        run_on = self.scene.segments.sentences[sentence].run_on
        between = [t for t in self.tokens.tokens[cue.end : side.start] if t.kind != "space" and not t.skipped]
        if any(t.key not in _LEADS_TO_SIDE for t in between):
            return False
        before = self._next_sign(cue.start - 1, -1)
        after = self._next_sign(side.end, 1)
        first = self.scene.segments.sentences[sentence].start
        opens = before < first or self.tokens[before].kind in ("punct", "break") or self.tokens[before].key in _OPENERS
        closes = after >= len(self.tokens) or self.tokens[after].kind in ("punct", "break")
        return run_on or opens and (closes or self.tokens[after].key in _OPENERS)

    def _next_sign(self, i: int, step: int) -> int:
        while 0 <= i < len(self.tokens) and (self.tokens[i].kind == "space" or self.tokens[i].skipped):
            i += step
        return i

    def _found_before(self, cue: Mark, sentence: int) -> Observation | None:
        """The finding told right before a bare denial, with no other test taken in hand since."""
        reach = 1 if self._next_sign(cue.start - 1, -1) < self.scene.segments.sentences[sentence].start else 0
        earlier = [
            r
            for r in self.rows
            if r.order < cue.start and sentence - reach <= self.scene.segments.sentence_of[r.order] <= sentence
        ]
        if not earlier:
            return None
        last = max(earlier, key=lambda r: r.order)
        item = self.scene.lexicon.items[last.item]
        if item.kind != "finding" or last.value not in ("present", "suspected"):
            return None
        end = max(e for _, e in last.spans)
        since = [
            h
            for n in range(sentence - reach, sentence + 1)
            for h in self.heads_by_sentence.get(n, ())
            if end <= h.start < cue.start and not any(s.topic == item.topic for s in h.senses)
        ]
        return last if all("gaze" in item.context and h.soft for h in since) or not since else None

    def emit(self) -> list[Observation]:
        """All observations, in the order told."""
        elsewhere = self._elsewhere()
        denied = {start for _, _, start in elsewhere}
        self.negation = {k: c for k, c in self.negation.items() if c.start not in denied}
        self.pairs = self._pairs()
        qualified = {
            b.option.head.start
            for b in self.bound
            if b.option.head is not None
            and b.atom.mark is not None
            and b.option.targets
            and b.atom.mark.has("generic")
            and b.atom.start not in denied
            and not self._contrasted(b)
            and any(s.role == "alone" and s.item == b.option.targets[0].item for s in b.option.head.senses)
        }
        qualified |= {
            b.option.head.start
            for b in self.bound
            if b.option.head is not None
            and b.option.targets
            and b.option.head.start in self.scene.labels
            and b.atom.start != b.option.head.start
        }
        for number, one in enumerate(self.bound):
            if one.atom.start in denied:
                continue
            if self._complained(one):
                continue
            if one.option.targets and not (one.atom.sort in ("alone", "word") and one.atom.start in qualified):
                self._emit_one(number, one)
        self._give_on()
        self._manner()
        self._sided_by_size()
        self._untaken()
        self._correction_behind()
        self._deny_elsewhere(elsewhere)
        self._none_there()
        self._same_again()
        self._but_for()
        self._except()
        self._rest_is_said()
        self._give_way()
        self._rest_is_single()
        return self.rows

    def _give_on(self) -> None:
        """Tell of the other side what was left out there ("but not the left", "and below on the left")."""
        numbers = {id(one): number for number, one in enumerate(self.bound)}
        for told in self.elided:
            rows = [r for r in self.rows if r.group == numbers[id(told.giver)]]
            if told.mark is not None:
                places = self._values_of(told.mark, told.key)
                self.rows += [self._given(told, r, r.value, {told.key: v}) for r in rows[:1] for v in places]
            elif told.giver.atom.start not in self.negation:
                self.rows += [row for r in rows for row in self._denied_there(told, r)]

    def _denied_there(self, told: Elided, row: Observation) -> list[Observation]:
        """The opposite of a row, of the side that it is denied of, if it has one."""
        target = next(t for t in told.giver.option.targets if t.item == row.item)
        value = _negate(self.scene.lexicon.items[row.item], target, told.giver.atom)
        if value in (_NOTHING, row.value):
            return []
        if row.context.get("gaze") in ("right", "left"):
            turn = _EYE_TURN.get((str(target.context.get("gaze")), str(told.side.value)))
            return [self._given(told, row, value, {"gaze": turn})] if turn is not None else []
        return [self._given(told, row, value, {})]

    def _given(self, told: Elided, row: Observation, value: Value, more: dict[str, str | int]) -> Observation:
        """A row as told of the other side, with what differs there."""
        side = str(told.side.value)
        context = {**row.context, **more}
        _settle_hour(context, side)
        spans = [*row.spans, (told.start, told.end)]
        why = [*row.why, f"{self.tokens.words(told.start, told.end)!r} tells of the {side}"]
        return replace(row, side=side, value=value, context=context, spans=spans, why=why, doubts=list(row.doubts))

    def _rest_is_single(self) -> None:
        """ "Double on looking left, single everywhere else": the rest is no statement of its own."""
        for rows in self._rows_by_sentence().values():
            placed = {(r.item, r.side) for r in rows if r.context and r.value == "present"}
            for row in rows:
                start, end = row.spans[0][0], max(e for _, e in row.spans)
                after = {t.key for t in self.tokens.tokens[start : end + 3]}
                everywhere = bool(after & _EVERYWHERE) and bool(after & {"els", "else"})
                told = everywhere or (row.item, row.side) in placed and bool(after & _ELSEWHERE)
                if row.value == "absent" and not row.context and told:
                    self.rows = [r for r in self.rows if r is not row]

    def _rest_is_said(self) -> None:
        """ "Fails to abduct, the rest of its movements full": what is left over is no statement of the whole."""
        marked = [r for r in self.rows if not unmarked(self.scene.lexicon.items[r.item], r.value)]
        places: dict[str, list[int]] = {}
        for row in marked:
            places.setdefault(row.item, []).append(row.order)
        gone: set[int] = set()
        for row in self.rows:
            if row.context or not unmarked(self.scene.lexicon.items[row.item], row.value):
                continue
            earlier = [p for p in places.get(row.item, ()) if 0 < row.order - p <= _REST_REACH]
            if earlier:
                words = [t for t in self.tokens.tokens[max(earlier) : row.order] if t.kind == "word"]
                others = any(a.key == "other" and is_plural(b.text) for a, b in pairwise(words))
                gone |= {id(row)} if others or _REST & {t.key for t in words} else set()
        if gone:
            self.rows = [r for r in self.rows if id(r) not in gone]

    def _give_way(self) -> None:
        """ "Not absent but reduced", "far from normal, was absent": what is said outright of the
        same thing in the same sentence stands for what the denial leaves open."""
        for rows in self._rows_by_sentence().values():
            kinds = {r.item for r in rows if r.denied and self.scene.lexicon.items[r.item].kind in _GRADED}
            for item in kinds:
                told = [r for r in rows if r.item == item and not r.denied]
                given = [
                    r for r in rows if r.item == item and r.denied and any(_same_but_value(r, other) for other in told)
                ]
                groups = {r.group for r in given if self.bound[r.group].option.side is None}
                self.rows = [r for r in self.rows if r not in given and not (r.denied and r.group in groups)]

    def _manner(self) -> None:
        """ "Weakness when turning it against resistance": how it was tested is no value beside another."""
        for rows in self._rows_by_sentence().values():
            manners = [r for r in rows if self.tokens[r.order].key == "against"]
            gone = [
                r
                for r in manners
                if any(
                    o.item == r.item
                    and o.side in (r.side, None)
                    and o.value != r.value
                    and o.order not in {m.order for m in manners}
                    for o in rows
                )
            ]
            if gone:
                self.rows = [r for r in self.rows if not any(r is g for g in gone)]

    def _sided_by_size(self) -> None:
        """ "Exotropia left, 14 dioptres": the side between a finding and its size is of both."""
        for one in self.bound:
            head, side = one.option.head, one.option.side
            if head is None or not head.finding or side is None or side.value not in ("right", "left"):
                continue
            if one.atom.sort != "number" or not head.end <= side.start < one.atom.start:
                continue
            for row in self.rows:
                if row.order == head.start and row.side is None and self.scene.lexicon.items[row.item].side_optional:
                    row.side = str(side.value)
                    row.why.append(f"side from {self.tokens.words(side.start, side.end)!r}, told before its size")

    def _complained(self, one: Bound) -> bool:
        """Whether a symptom is told before anything was examined, in a note that then turns to the examination."""
        items = self.scene.lexicon.items
        return (
            bool(one.option.targets)
            and all(items[t.item].symptom for t in one.option.targets)
            and any(place > one.atom.start for place in self.scene.modes.examined[:1])
            and not self.rows
        )

    def _rows_by_sentence(self) -> dict[int, list[Observation]]:
        out: dict[int, list[Observation]] = {}
        for row in self.rows:
            out.setdefault(self.scene.segments.sentence_of[row.spans[0][0]], []).append(row)
        return out

    def _excepted(self, one: Bound) -> bool:
        """ "no ptosis other than on the left": the side or circumstance behind the exception has it."""
        for cue in self._cues(one.atom.sentence, "exception"):
            if not 0 <= cue.start - one.atom.end <= 4:
                continue
            later = [
                b for b in self.bound_by_sentence[one.atom.sentence] if b.atom.start >= cue.end and b.option.targets
            ]
            side = one.option.side
            told = (
                side is not None
                and side.start >= cue.end
                or any(0 <= m.start - cue.end <= 3 for m in self.context_by_sentence.get(one.atom.sentence, ()))
            )
            return told and not later
        return False

    def _same_again(self) -> None:
        """Copy what was last said of the other side ("and the same on the left")."""
        by_sentence = self._rows_by_sentence()
        for mark, side, heads in self.scene.same:
            other = "left" if side == "right" else "right"
            sentence = self.scene.segments.sentence_of[mark.start]
            earlier = [
                r
                for n in range(sentence - (_SAME_BACK if heads else 2), sentence + 1)
                for r in by_sentence.get(n, ())
                if r.order < mark.start and r.side == other and (not heads or self._named_by(r, heads))
            ]
            if not earlier:
                continue
            if heads:
                self._take_over(mark, side, [r for r in earlier if r.value != "not_done"])
                continue
            last = max(earlier, key=lambda r: r.order)
            place = self.scene.segments.sentence_of[last.spans[0][0]]
            prefix = last.item.split(".")[0]
            endless = self.scene.segments.sentences[sentence].run_on
            if any(s.data == "reversed" for s in mark.of("cue")):
                self._take_over(mark, side, [r for r in _turned(self.scene.lexicon, earlier) if r.order == last.order])
                continue
            block = [
                r
                for r in earlier
                if self.scene.segments.sentence_of[r.spans[0][0]] == place
                and (
                    r.item.split(".")[0] == prefix
                    or place == sentence
                    and not endless
                    or place < sentence
                    and self._of_one_side(place, other)
                )
            ]
            self._take_over(mark, side, block)

    def _of_one_side(self, sentence: int, side: str) -> bool:
        """Whether a sentence opens with a side and tells of no other."""
        sides = self.sides_by_sentence.get(sentence, [])
        if not sides or {s.value for s in sides} != {side}:
            return False
        first = self.scene.segments.sentences[sentence].start
        return not any(t.kind == "word" and not t.skipped for t in self.tokens.tokens[first : sides[0].start])

    def _take_over(self, mark: Mark, side: str, rows: list[Observation]) -> None:
        """Rows of one side told of the other as well, but for what is named as an exception behind."""
        sentence = self.scene.segments.sentence_of[mark.start]
        for cue in self._cues(sentence, "exception"):
            excepted = tuple(h for h in self.heads_by_sentence.get(sentence, ()) if h.start >= cue.end > mark.end)
            rows = [r for r in rows if not self._named_by(r, excepted)]
        for row in rows:
            why = [*row.why, f"{self.tokens.words(mark.start, mark.end)!r} says the same of the {side}"]
            self.rows.append(
                replace(
                    row,
                    side=side,
                    spans=[(mark.start, mark.end)],
                    doubts=list(row.doubts),
                    why=why,
                    order=mark.start,
                    group=-1,
                )
            )

    def _named_by(self, row: Observation, heads: tuple[Head, ...]) -> bool:
        """Whether a row is of a test that one of the names may stand for."""
        item = self.scene.lexicon.items[row.item]
        return any(s.item == row.item or s.role == "topic" and s.topic == item.topic for h in heads for s in h.senses)

    def _except(self) -> None:
        """ "full apart from upgaze, limited in both": the general statement gives way."""
        by_sentence = self._rows_by_sentence()
        gone: set[int] = set()
        for sentence in self.bound_by_sentence:
            cues = self._cues(sentence, "exception")
            if not cues:
                continue
            here = by_sentence.get(sentence, [])
            before = [r for r in here if r.order < cues[0].start]
            after = [r for r in here if r.order >= cues[0].end]
            gone |= _given_way(before, after)
        for cue in self.scene.retractions:
            sentence = self.scene.segments.sentence_of[cue.start]
            here = by_sentence.get(sentence, [])
            before = [r for r in [*by_sentence.get(sentence - 1, []), *here] if 0 <= cue.start - r.order <= _TAKEN_BACK]
            after = [r for r in here if r.order >= cue.end]
            gone |= _given_way([r for r in before if _told_in_general(r, after)], after)
        for cue in self.scene.amending:
            sentence = self.scene.segments.sentence_of[cue.start]
            here = [r for n in (sentence - 1, sentence, sentence + 1) for r in by_sentence.get(n, [])]
            after = [r for r in here if r.order >= cue.end and r.side]
            gone |= _given_way([r for r in here if r.order < cue.start and r.side], after)
        if gone:
            self.rows = [r for r in self.rows if id(r) not in gone]

    def _but_for(self) -> None:
        """ "Corneal reflexes present apart from the left": the side or place behind an exception, with no
        value of its own, has not what is told before it. What it has instead is asked, unless there is
        but one other value."""
        for sentence, found in self.bound_by_sentence.items():
            for cue in self._cues(sentence, "exception"):
                before = [b for b in found if b.option.targets and 0 <= cue.start - b.atom.end <= _EXCEPTED]
                after = [b for b in found if b.atom.start >= cue.end and b.option.targets]
                if before and not after:
                    self._turn_exception(before[-1], cue, sentence)

    def _turn_exception(self, one: Bound, cue: Mark, sentence: int) -> None:
        rows = [r for r in self.rows if r.order == one.atom.start and r.value != "not_done"]
        side = next((s for s in self.sides_by_sentence.get(sentence, ()) if s.start >= cue.end), None)
        if not rows or one.atom.sort == "number" or side is not None and side.value not in ("right", "left"):
            return
        row = rows[0]
        item = self.scene.lexicon.items[row.item]
        if any(r.item != row.item or r.value != row.value for r in rows):
            return
        if item.kind == "finding" or not unmarked(item, row.value) or not item.sided:
            return
        there: dict[str, str | int] = {}
        for mark in self.context_by_sentence.get(sentence, ()):
            if mark.start >= cue.end:
                there |= {k: v for s in mark.of("context") for k, v in s.context if k in item.context}
        if side is None and not there:
            return
        rest = {k: v for k, v in row.context.items() if k not in there}
        others = [v for v in item.values if v != row.value]
        told = str(side.value) if side is not None else None
        if there.get("gaze") in ("abduction", "adduction"):
            turn = _EYE_TURN.get((str(there.pop("gaze")), told or ""))
            there |= {"gaze": turn} if turn else {}
        end = max([m.end for m in self.context_by_sentence.get(sentence, ()) if m.start >= cue.end], default=cue.end)
        end = max(end, side.end) if side is not None else end
        why = [*row.why, f"said as the exception after {self.tokens.words(cue.start, cue.end)!r}"]
        value: Value = others[0] if len(others) == 1 else None
        odd = Observation(row.item, told, value, {**rest, **there}, [(one.atom.start, end)], [], why, cue.end)
        if value is None:
            odd.doubt("value")
        if told is None:
            odd.doubt("side")
        self.rows = [r for r in self.rows if r.order != one.atom.start]
        for whole in ["right", "left"] if told is None else ["right" if told == "left" else "left"]:
            if told is not None:
                self.rows.append(replace(row, side=whole, context=dict(rest), doubts=[], why=list(row.why)))
        self.rows.append(odd)

    def _contrasted(self, one: Bound) -> bool:
        """ "ptosis on the right, none on the left": the general word speaks of the other side."""
        head = one.option.head
        if head is None or head.end > one.atom.start:
            return False
        if all(not self.scene.lexicon.items[t.item].sided for t in one.option.targets):
            return False
        if any(t.key in (",", "and", "but", ";") for t in self.tokens.tokens[head.end : one.atom.start]):
            return True
        own = next((b for b in self.bound_by_sentence.get(head.sentence, ()) if b.atom.start == head.start), None)
        sides = [b.option.side for b in (own, one) if b is not None and b.option.side is not None]
        return len(sides) == 2 and {s.value for s in sides} == {"right", "left"}

    def _correction_behind(self) -> None:
        """ "That's all without glasses.": a sentence that tells the circumstance of what came before."""
        by_sentence = self._rows_by_sentence()
        for sentence, contexts in self.context_by_sentence.items():
            values = [v for m in contexts for v in self._values_of(m, "correction")]
            bounds = self.scene.segments.sentences[sentence]
            words = {t.key for t in self.tokens.tokens[bounds.start : bounds.end] if t.kind == "word"}
            if (
                len(values) != 1
                or by_sentence.get(sentence)
                or not words & {"that", "all", "those", "these", "both"}
                or len(words) > 8
            ):
                continue
            for n in range(sentence - 5, sentence):
                for row in by_sentence.get(n, ()):
                    if (
                        "correction" in self.scene.lexicon.items[row.item].context
                        and "correction" not in row.context
                        and row.value != "not_done"
                    ):
                        row.context["correction"] = values[0]

    def _untaken(self) -> None:
        """Numbers that are circumstances and that no value took: a row of their own."""
        sentence_of = self.scene.segments.sentence_of
        used: dict[object, set[int]] = {}
        for row in self.rows:
            for item in self.counted:
                if item.circumstance in row.context:
                    used.setdefault(row.context[item.circumstance], set()).add(sentence_of[row.spans[0][0]])
        by_start = {m.start: m for m in self.scene.contexts}
        for key, group in self.scene.told.values():
            item = self.scene.lexicon.items[key]
            for i in range(group.start, group.end):
                mark = by_start.get(i)
                if mark is None or mark.of("context")[0].data != item.circumstance:
                    continue
                value = mark.of("context")[0].context[0][1]
                here = sentence_of[mark.start]
                if used.get(value, set()) & set(range(here - 1, here + 10)):
                    continue
                why = [f"{self.tokens.words(mark.start, mark.end)!r} is told with no result"]
                self.rows.append(
                    Observation(
                        key,
                        None,
                        float(value) if isinstance(value, float) else value,
                        {},
                        [(mark.start, mark.end)],
                        [],
                        why,
                        mark.start,
                    )
                )

    def _pairs(self) -> dict[int, tuple[int, str, Bound]]:
        """Two numbers told together for two sides: atom start -> (place, order said or "")."""
        out: dict[int, tuple[int, str, Bound]] = {}
        numbers = [b for b in self.bound if b.atom.sort == "number" and len(b.option.targets) == 1]
        run: list[Bound] = []

        def close() -> None:
            if len(run) == 2:
                order = run[1].option.side.value if run[1].option.side is not None else ""
                for place, one in enumerate(run):
                    out[one.atom.start] = (
                        place,
                        str(order) if order in ("right_left", "left_right") else "",
                        run[1 - place],
                    )
            run.clear()

        for one in numbers:
            item = self.scene.lexicon.items[one.option.targets[0].item]
            if run:
                last = run[-1]
                gap = [
                    t.key
                    for t in self.tokens.tokens[last.atom.end : one.atom.start]
                    if t.kind != "space" and not t.skipped
                ]
                same = (
                    last.option.targets[0].item == item.key
                    and (last.option.side is one.option.side or last.option.side is None and _ordered(one))
                    and last.atom.sentence == one.atom.sentence
                )
                if (
                    not same
                    or not 1 <= len(gap) <= 2
                    or any(g not in ("and", ",", "&", "/", "+", "then", ";", "mm", "millimeter") for g in gap)
                ):
                    close()
            side = one.option.side
            if (
                item.sided
                and not isinstance(one.option.targets[0].value, list)
                and (side is None or side.value in ("right_left", "left_right", "both"))
            ):
                run.append(one)
            else:
                close()
        close()
        return out

    def _told_under(self, sentence: int, item: Item) -> Item:
        """The item of the method that a sentence names ("perimetry showed ..."), where it takes such findings."""
        lexicon = self.scene.lexicon
        heads = [s for h in self.heads_by_sentence.get(sentence, ()) for s in h.senses]
        if any(s.role == "name" and s.item == item.key for s in heads):
            return item
        taking = [t for s in heads if (t := lexicon.topics.get(s.topic)) is not None and item.key in t.takes]
        return lexicon.items[taking[0].default] if taking else item

    def _emit_one(self, number: int, one: Bound) -> None:
        option, atom = one.option, one.atom
        cue = self.negation.get(atom.start)
        answer = self.scene.answered.get(atom.start)
        if answer is not None:
            cue = None if answer[0] else answer[1]
        side = option.side
        if (
            cue is None
            and side is not None
            and self.tokens[side.start].key == "neither"
            and (side.start >= atom.end or option.side_way == "prev" and self._same_clause(side.end, atom.start))
        ):
            cue = Mark(side.start, side.end, (Sense("cue", "sides.toml#both", data="negation"),))
        suspected = self._suspected(atom)
        pair = (
            atom.sort == "number"
            and len(option.targets) == 2
            and option.targets[0].item == option.targets[1].item
            and not option.targets[0].reading.light
            if option.targets and option.targets[0].reading
            else False
        )
        for place, told in enumerate(option.targets):
            target = self._of_total(told, atom)
            item = self._told_under(atom.sentence, self.scene.lexicon.items[target.item])
            value = target.value
            why = self._why(one, target)
            if cue is not None and atom.sort != "number":
                value = _negate(item, target, atom)
                if value == _NOTHING and target.value:
                    continue
                why.append(f"negated by {self.tokens.words(cue.start, cue.end)!r} ({cue.of('cue')[0].source})")
            elif suspected is not None and item.kind == "finding" and value == "present":
                value = "suspected"
                why.append(
                    f"in doubt by {self.tokens.words(suspected.start, suspected.end)!r} ({suspected.of('cue')[0].source})"
                )
            elif (hardly := self._hardly(one, item, value)) is not None:
                value = item.generic["reduced"]
                why.append(f"only {self.tokens.words(hardly.start, hardly.end)!r} ({hardly.of('cue')[0].source})")
            if value == "absent" and item.kind == "finding" and self._excepted(one):
                value = "present"
                why.append("said as the exception")
            if item.kind == "acuity" and value in ("CF", "HM") and atom.start in self.scene.distances:
                value = f"{value} {self.scene.distances[atom.start]}"
            self.leant_on = []
            for context in self._context(one, target, item):
                if value in ("absent", item.generic.get("normal")) and (
                    context.get("gaze") == "all" or "gaze" in context and self._everywhere_behind(atom)
                ):
                    del context["gaze"]
                self._sided(number, one, target, item, value, context, why, cue, pair, place)

    def _everywhere_behind(self, atom: Atom) -> bool:
        """ "Look up, look down, no restriction in any direction": what is told holds of every gaze."""
        marks = self.context_by_sentence.get(atom.sentence, [])
        return any(0 <= m.start - atom.end <= 3 and "all" in self._values_of(m, "gaze") for m in marks)

    def _of_total(self, target: Target, atom: Atom) -> Target:
        """A count told without its total takes the total told shortly before of the same test."""
        reading = target.reading
        if reading is None or target.value is not None or self.scene.lexicon.items[target.item].kind != "score":
            return target
        near = [
            total
            for start, (sentence, total) in self.scene.totals.items()
            if start < atom.start and atom.sentence - sentence <= 2
        ]
        for at in range(max(0, atom.sentence - 2), atom.sentence + 1):
            for one in self.bound_by_sentence.get(at, ()):
                near += [
                    int(str(t.value).split("/")[1])
                    for t in one.option.targets
                    if t.item == target.item and "/" in str(t.value)
                ]
        number = next((n.value for n in atom.group.nums if n.start == reading.start), None) if atom.group else None
        if number is None or len(set(near)) != 1:
            return target
        value = score_of(self.tokens, reading, number, near[0])
        if not value:
            return target
        return replace(target, value=value, reading=replace(reading, value=value, doubt=""))

    def _why(self, one: Bound, target: Target) -> list[str]:
        option = one.option
        why = [
            f"{self.tokens.words(one.atom.start, one.atom.end)!r} says {target.value!r} of {target.item} ({target.source})"
        ]
        if option.head is not None:
            why.append(
                f"answers {self.tokens.words(option.head.start, option.head.end)!r} ({option.head.senses[0].source}, {option.head_way})"
            )
        if option.side is not None:
            why.append(
                f"side {option.side.value} from {self.tokens.words(option.side.start, option.side.end)!r} ({option.side_way})"
            )
        else:
            why.append("no side said")
        return why

    def _spans(self, one: Bound, target: Target, cue: Mark | None) -> list[tuple[int, int]]:
        atom, option = one.atom, one.option
        start, end = atom.start, atom.end
        if target.reading is not None:
            start, end = target.reading.start, target.reading.end
        if cue is not None and cue.end <= start and start - cue.end < 8:
            start = min(start, cue.start)
        spans = [(start, end)]
        parts: list[tuple[int, int]] = []
        if option.head is not None and option.head.sentence == atom.sentence:
            parts.append((option.head.start, option.head.end))
        if option.side is not None and not option.side.virtual and option.side.sentence == atom.sentence:
            parts.append((option.side.start, option.side.end))
        for a, b in sorted(parts):
            low, high = min(start, a), max(end, b)
            if high - low <= 9:
                start, end = low, high
                spans[0] = (start, end)
            else:
                spans.append((a, b))
        return spans

    def _sided(
        self,
        number: int,
        one: Bound,
        target: Target,
        item: Item,
        value: Value,
        context: dict[str, str | int],
        why: list[str],
        cue: Mark | None,
        pair: bool,
        place: int,
    ) -> None:
        option = one.option
        spans = self._spans(one, target, cue)
        heard = self._heard(one, context)
        if cue is not None and cue.heard:
            heard.append((cue.start, cue.end))
        sides: list[str | None]
        doubts: list[tuple[str, str]] = []
        said = str(option.side.value) if option.side is not None else ""
        if target.side == OPPOSITE:
            said = {"right": "left", "left": "right"}.get(said, said)
        elif target.side:
            said = target.side
        elif not said and item.sided and self._points_back(one.atom):
            said = self._side_before(one.atom)
        if (
            not said
            and one.atom.sort == "number"
            and option.head is not None
            and option.head.start in self.side_of_finding
        ):
            said = self.side_of_finding[option.head.start]
        reading = target.reading
        if one.atom.sort == "direction" or (one.atom.mark is not None and target.value == "" and item.direction):
            value, direction_doubt = self._direction(item, one, cue)
            if direction_doubt:
                doubts.append((direction_doubt, ""))
            said = ""
        if not item.sided:
            sides = [None]
        elif one.atom.start in self.pairs and not target.side:
            place, told, partner = self.pairs[one.atom.start]
            first, second = ("left", "right") if told == "left_right" else ("right", "left")
            sides = [first if place == 0 else second]
            if not told and partner.option.targets[0].value != target.value:
                doubts.append(("order", ""))
        elif pair:
            order = {"right_left": ("right", "left"), "left_right": ("left", "right")}.get(said)
            if order is None and said in ("right", "left"):
                sides = [said]
            else:
                first, second = order or ("right", "left")
                sides = [first if place == 0 else second]
                if order is None and option.targets[0].value != option.targets[1].value:
                    doubts.append(("order", ""))
        elif said in ("right", "left"):
            sides = [said]
        elif said == "both_open":
            sides = ["both"] if item.both_eyes else ["right", "left"]
        elif said in ("both", "right_left", "left_right"):
            if item.side_optional and (
                one.atom.mark is not None and any(s.data == "equal" for s in one.atom.mark.of("generic"))
            ):
                sides = [None]
            else:
                sides = ["right", "left"]
        elif item.side_optional or value == "not_done":
            sides = [None]
        else:
            plural = bool(option.head and option.head.plural) and not item.many
            if option.head_way == "held" and one.atom.sort == "word" and self._one_of(one.atom):
                plural = False
            unknown = said == "unclear" or self.scene.unknown_eye and item.sides == "eye"
            usual = item.kind == "finding" and value == item.generic.get("normal")
            if (unmarked(item, value) or usual or plural) and not unknown:
                sides = ["right", "left"]
            else:
                sides = [None]
                doubts.append(("side", ""))
        if reading is not None and reading.doubt:
            doubts.append((reading.doubt, ""))
        if item.kind == "quantity" and self._bounded(one):
            doubts.append(("value", ""))
        if heard:
            doubts.append(("heard", ", ".join(self.tokens.words(a, b) for a, b in heard)))
            spans += [place for place in heard if not any(a <= place[0] and place[1] <= b for a, b in spans)]
        if reading is not None and reading.light and "light" in item.context:
            context = {**context, "light": reading.light}
        self._odd_circumstance(item, context, doubts)
        if "nerve" in item.context and "nerve" not in context:
            return
        if item.role == "impression":
            context.setdefault("certainty", "stated")
        if item.kind == "text" and item.role == "finding" and not set(item.context) <= set(context):
            return
        if one.atom.sort == "alone" and len(sides) == 1 and sides[0] in ("right", "left"):
            self.side_of_finding[one.atom.start] = str(sides[0])
        for side in sides:
            turned = dict(context)
            gaze = turned.get("gaze")
            if gaze in ("abduction", "adduction"):
                turn = _EYE_TURN.get((str(gaze), side or ""))
                if turn is None:
                    turned.pop("gaze")
                else:
                    turned["gaze"] = turn
            _settle_hour(turned, side)
            row = Observation(
                item.key, side, value, turned, list(spans), list(doubts), list(why), one.atom.start, group=number
            )
            row.denied = cue is not None and one.atom.sort != "number"
            row.size_of = self._size_of(one, item)
            if reading is not None and reading.choices:
                row.choices = [{"value": c} for c in reading.choices]
            if one.rival is not None and not row.doubts and not self.pairs.get(one.atom.start, (0, "", one))[1]:
                self._rival(row, one)
            self.rows.append(row)

    def _one_of(self, atom: Atom) -> bool:
        """ "There is a haemorrhage": one of it, whatever was named before."""
        i = atom.start - 1
        while i >= 0 and self.tokens[i].kind == "space":
            i -= 1
        return i >= 0 and self.tokens[i].text.casefold() in ("a", "an", "one")

    def _size_of(self, one: Bound, item: Item) -> str:
        """The finding that a number measures ("35 dioptres of esotropia")."""
        if one.atom.sort != "number" or one.option.head is None:
            return ""
        found = [s.value for s in one.option.head.senses if s.role == "alone" and s.item and s.item != item.key]
        return str(found[0]) if found else ""

    def _odd_circumstance(self, item: Item, context: dict[str, str | int], doubts: list[tuple[str, str]]) -> None:
        for other in self.counted:
            value = context.get(other.circumstance)
            if value is not None and other.allowed and value not in other.allowed:
                doubts.append(("range", ""))

    def _rival(self, row: Observation, one: Bound) -> None:
        rival = one.rival
        assert rival is not None
        item = self.scene.lexicon.items[row.item]
        lenient = item.side_optional or unmarked(item, row.value)
        if one.option.side is not None and one.option.side.value == "both" and rival.side is None:
            lenient = lenient or bool(rival.head and rival.head.plural)
        if [t.item for t in rival.targets] != [t.item for t in one.option.targets]:
            row.doubt("item", rival.targets[0].item)
        elif lenient and (
            rival.side is None
            or one.option.side is None
            or rival.side.value == "both"
            or one.option.side.value == "both"
        ):
            return
        else:
            row.doubt("side", "")
        row.why.append("another reading fits nearly as well")

    def _direction(self, item: Item, one: Bound, cue: Mark | None) -> tuple[Value, str]:
        if cue is not None:
            return (item.direction.none if item.direction else None), ""
        side = one.option.side
        if side is not None and side.value in ("right", "left"):
            return side.value, ""
        if side is not None and side.value == "both" and item.direction and one.option.side_way == "next":
            return item.direction.none, ""
        return None, "value"

    def _bounded(self, one: Bound) -> bool:
        """ "over 50": a bound is said and no number."""
        return any(
            0 <= one.atom.start - cue.end <= 1
            and not any(t.kind == "punct" for t in self.tokens.tokens[cue.end : one.atom.start])
            for cue in self._cues(one.atom.sentence, "above")
        )

    def _heard(self, one: Bound, context: dict[str, str | int]) -> list[tuple[int, int]]:
        """The misheard stretches that a row rests on: value, name, side and circumstances, in order of place.

        A name in another sentence counts for a bare number; other words mostly say by themselves what they are of.
        """
        atom, option = one.atom, one.option
        places = [(m.start, m.end) for key, value, m in self.leant_on if context.get(key) == value]
        if atom.mark is not None and atom.mark.heard:
            places.append((atom.start, atom.end))
        head = option.head
        if head is not None and head.heard and (head.sentence == atom.sentence or atom.sort == "number"):
            places.append((head.start, head.end))
        if option.side is not None and option.side.heard:
            places.append((option.side.start, option.side.end))
        if not places and (unread_name := unread.subject(self.scene, one, self.idle)) is not None:
            places.append(unread_name)
        return sorted(dict.fromkeys(places))


_OPPOSITES: tuple[tuple[Generic, Generic], ...] = (
    ("positive", "negative"),
    ("normal", "reduced"),
    ("normal", "abnormal"),
    ("present", "absent"),
)


def _turned(lexicon: Lexicon, rows: list[Observation]) -> list[Observation]:
    """Rows with the opposite value, those left out that have no opposite."""
    out = []
    for row in rows:
        generic = lexicon.items[row.item].generic
        for pair in _OPPOSITES:
            same = lexicon.items[row.item].kind == "finding"
            values = [generic.get(k) or (k if same else "") for k in pair]
            if row.value in values and "" not in values and values[0] != values[1]:
                out.append(replace(row, value=values[1 - values.index(str(row.value))]))
                break
    return out


def _settle_hour(context: dict[str, str | int], side: str | None) -> None:
    """Turn an hour of the clock into a sector of the eye; without a side it stands for none."""
    if str(context.get("sector", "")).startswith("clock_"):
        sector = _CLOCK.get((str(context.pop("sector")), side or ""))
        if sector is not None:
            context["sector"] = sector


def _told_in_general(row: Observation, after: list[Observation]) -> bool:
    """Whether a row tells without the detail that one of the later rows has."""
    return any(r.item == row.item and row.context.items() < r.context.items() for r in after)


def _given_way(before: list[Observation], after: list[Observation]) -> set[int]:
    """The rows that a later statement of the same test and side stands against."""
    return {
        id(row)
        for row in before
        if any(r.item == row.item and r.side in (row.side, None) and r.value != row.value for r in after)
    }


def _ordered(one: Bound) -> bool:
    """Whether a value takes a side that tells both and their order ("right and left")."""
    return one.option.side is not None and one.option.side.value in ("right_left", "left_right")


_REST_REACH = 24  # tokens between what is wrong and "the rest full"
_REST = frozenset({"rest", "remain", "remainder", "remaind", "otherwise", "otherwiz", "els", "else"})
_EVERYWHERE = frozenset({"everywhere", "everywher"})
_ELSEWHERE = frozenset({"everywhere", "everywher", "elsewhere", "elsewher", "else", "els", "otherwise", "otherwiz"})
_GRADED = ("category", "grade")


def _same_but_value(denied: Observation, told: Observation) -> bool:
    """Whether a value said outright takes the place of a denied one told before it."""
    return (
        told.order > denied.order
        and (told.value != denied.value or denied.side is None and told.side is not None)
        and (denied.side is None or told.side in (None, denied.side))
        and all(told.context.get(k, v) == v for k, v in denied.context.items())
    )


_NOTHING = "\x00"  # a denied value with no opposite ("no drusen") says nothing of the item


def _negate(item: Item, target: Target, atom: Atom) -> Value:
    value = target.value
    if isinstance(value, str) and value in item.negated:
        return item.negated[value]
    if item.kind == "finding":
        return {"present": "absent", "absent": "present", "suspected": "absent"}.get(str(value), value)
    if atom.mark is not None:
        for sense in atom.mark.of("generic"):
            opposite = {
                "normal": "abnormal",
                "abnormal": "normal",
                "present": "absent",
                "absent": "present",
                "reduced": "normal",
                "full": "reduced",
                "equal": "abnormal",
                "positive": "negative",
                "negative": "positive",
                "unseen": "present",
            }[sense.data]
            if opposite in item.generic:
                return item.generic[opposite]
    if value and value == item.generic.get("normal") and "abnormal" in item.generic:
        return item.generic["abnormal"]
    return _NOTHING if item.kind == "category" else value


def unused_heads(scene: Scene, bound: list[Bound]) -> list[Head]:
    """Names that no value answers."""
    used: set[int] = set()
    for one in bound:
        if one.option.head is not None and one.option.targets:
            used.add(id(one.option.head))
            used.update(id(h) for h in one.option.head.group)
    return [h for h in scene.heads if id(h) not in used and not h.finding]


__all__ = ["Emitter", "Observation", "Option", "Sense", "Side", "unused_heads"]
