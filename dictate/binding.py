"""Stage 6: binding. Which value belongs to which name and which side.

Each value-bearing stretch (an atom) has a few options: the name it answers, and the side it
takes, from before, from behind, from what is in hand, or none. Options have costs; a Viterbi
pass finds the cheapest way to bind all atoms of a sentence together, with a price for sides
and names left over and for changing direction. The cheapest rival way for each atom is kept:
where it is nearly as cheap and gives another row, that is a question for the clinician.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import replace

from dictate import subject, values
from dictate.answers import OPPOSITE, chart_fraction, read_number, targets_under, unit_after
from dictate.costs import COST, MARGIN
from dictate.lexicon import Item
from dictate.marks import Mark
from dictate.offers import Atom, Bound, Head, Option, Scene, Side, Target
from dictate.values import Reading, Value

_LINKS = frozenset({"and", "&", "+", "or", "/", ",", "nor", "with"})
_LIST_LINKS = frozenset({"and", "&", ",", "or", "nor", "+"})
_PREPOSITIONS = frozenset({"on", "in", "of", "over", "from", "for", "to", "at"})


_ASIDE = frozenset({"history", "other", "purpose", "warning"})  # words of another matter in the sentence


class Binder:
    """Binds the atoms of a scene."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.tokens = scene.tokens
        size = len(scene.tokens)
        self.comma = [0] * (size + 1)
        self.link = [0] * (size + 1)
        for i, token in enumerate(scene.tokens.tokens):
            stop = (
                token.kind == "punct"
                and token.key in (",", "(", ")", "-", "|", ":", ";")
                or (token.kind == "space" and len(token.text) >= 3)
            )
            self.comma[i + 1] = self.comma[i] + bool(stop and not (token.key == "-" and token.skipped))
            self.link[i + 1] = self.link[i] + (token.key in ("and", "&", "+", "but", "while", "whereas"))
        self.denial_ends = {c.end for c in scene.cues if any(s.data == "negation" for s in c.of("cue"))}
        self.told = {a.sentence for a in scene.atoms}
        self.mark_at = {m.start: m for m in scene.marks}
        self.numbers = {a.start for a in scene.atoms if a.sort == "number"}
        self.placed = {i for m in scene.contexts for i in range(m.start, m.end)}
        self.word_count: dict[int, int] = {}
        self.one_sided: dict[int, bool] = {}
        self.gaps: list[tuple[list[Side], list[Head]]] = []

    def separators(self, a: int, b: int) -> tuple[int, int]:
        """(commas and the like, conjunctions) between tokens a and b."""
        if b <= a:
            return 0, 0
        return self.comma[b] - self.comma[a], self.link[b] - self.link[a]

    def sentence_atoms(self) -> list[list[Atom]]:
        """The atoms, sentence by sentence, in order."""
        out: list[list[Atom]] = []
        for atom in self.scene.atoms:
            if out and out[-1][0].sentence == atom.sentence:
                out[-1].append(atom)
            else:
                out.append([atom])
        return out

    def run(self) -> list[Bound]:
        """Bind everything, sentence by sentence."""
        bound: list[Bound] = []
        for atoms in self.sentence_atoms():
            bound += self.bind_sentence(atoms)
        return bound

    # -- heads

    def head_options(
        self, atom: Atom, neighbours: list[Atom], n: int
    ) -> list[tuple[float, Head | None, str, list[Target]]]:
        scene = self.scene
        found: list[tuple[float, Head | None, str, list[Target]]] = []
        if atom.mark is not None and atom.sort in ("alone", "complete"):
            for one in atom.mark.of("alone"):
                if one.data == "finding":
                    found.append(
                        (
                            0.0,
                            None,
                            "self",
                            [
                                Target(
                                    one.item,
                                    one.value,
                                    dict(one.context) or self._told_with(atom, one.item),
                                    None,
                                    one.source,
                                    one.side,
                                )
                            ],
                        )
                    )
            for one in atom.mark.of("complete"):
                bundle = scene.lexicon.bundles[int(one.data)]
                found.append(
                    (
                        0.0,
                        None,
                        "self",
                        [Target(r.item, r.value, dict(r.context), None, one.source, r.side or "") for r in bundle.rows],
                    )
                )
            if found:
                return self._of_the_part(atom, found)
        if atom.group is not None:
            found += self._by_form(atom)
        in_sentence = self._heads_in(atom.sentence)
        at = bisect_left(in_sentence, atom.start, key=lambda h: h.start)
        prior = [h for h in in_sentence[max(0, at - 12) : at] if h.end <= atom.start]
        later = [h for h in in_sentence[at : at + 4] if h.start >= atom.end]
        loose = atom.sort == "word" and atom.mark is not None and _loose(atom.mark)
        celled = atom.start in scene.segments.cell_side
        if celled and (prior or later):
            own = [h for h in prior if scene.segments.cell_of[h.start] == atom.cell]
            for rank, head in enumerate(own[::-1] or [*prior[::-1], *later]):
                self._add(found, atom, head, "prev" if head in prior else "next", 0.1 + 0.3 * rank)
            if atom.group is not None and atom.sentence in scene.shown:
                found = [(c, h, w, [self._of_shown(atom, t) for t in ts]) for c, h, w, ts in found]
            if found:
                return found
        measured = self._measured(atom, later[:1]) or self._qualifies(atom, prior, later[:1]) != ""
        for head in reversed(prior[-7:]):
            commas, links = self.separators(head.end, atom.start)
            far = commas or atom.start - head.end > 6
            beside = self._side_soon(atom) or self._side_just(atom)
            if loose and far and not beside and not _own_word(atom, head):
                continue
            skipped = sum(
                1 for h in prior if h.start > head.start and not h.soft and (not h.group or h.group != head.group)
            )
            taken = n - bisect_left(neighbours, head.end, key=lambda a: a.start)
            cost = 0.12 * commas + 0.1 * links + COST["other_name"] * min(skipped, 4) + 0.03 * taken
            cost += COST["measured"] if measured else 0.0
            if taken and self._one_side_only(head, atom, neighbours):
                cost += COST["over_at_side"]
            self._add(found, atom, head, "prev", cost)
        if atom.group is not None and (unit_name := self._unit_name(atom, later)) is not None:
            found.clear()
            self._add(found, atom, unit_name, "next", 0.0)
            return found
        loose_here = loose_word(atom)
        inert = (
            bool(prior)
            and atom.sort == "number"
            and not measured
            and self._inert([h for h in prior if not h.soft][-1:])
        )
        if inert:
            return []
        if self._said_of(atom, prior[-1:]):
            return found[-2:] if found and found[-1][1] is prior[-1] else []
        for rank, head in enumerate(later[:2]):
            if loose_here and (prior or rank or head.start - atom.end > 1):
                break  # "good gag" is told of the gag, "good, the gag" is not
            commas, links = self.separators(atom.end, head.start)
            between = bisect_left(neighbours, head.start, key=lambda a: a.start) - n - 1
            gap = head.start - atom.end
            cost = (
                COST["next_name"]
                + COST["next_name_comma"] * commas
                + 0.8 * links
                + COST["between"] * between
                + 0.6 * rank
                + 0.04 * max(0, gap - 2)
            )
            if atom.group is not None and self._has_own_value(head, neighbours):
                cost += COST["over_at_side"]
            if atom.sort == "word" and self._placed_in(atom, head, prior):
                cost += COST["other_name"]
            self._add(found, atom, head, "next", 0.0 if measured and rank == 0 else cost)
        held = self._held(atom.sentence)
        loose = atom.sort == "word" and atom.mark is not None and _loose(atom.mark)
        strange = self._strange(atom) if held else 0
        if atom.group is not None and chart_fraction(atom.group):
            strange = 0
        if (
            loose
            and not self._heads_in(atom.sentence)
            and self._words_in(atom.sentence) <= 5
            and self._sides_in(atom.sentence)
        ):
            loose = False
        graded = atom.sort == "number" and bool(prior) and not self._between_words(prior[-1].end, atom.start)
        if loose or graded or scene.modes.mode[atom.start] == "impression" or celled and self._row_named(atom):
            held = []
        named_here = any(way == "prev" and h is not None and not h.soft for _, h, way, _ in found)
        for rank, head in enumerate(held):
            away = atom.sentence - head.sentence
            cost = COST["held_name"] + COST["held_per_sentence"] * away + 0.7 * rank + 0.25 * len(prior)
            cost += COST["strange_word"] * min(strange, 5)
            if atom.sort == "number" and named_here:
                cost += COST["named_here"]
            self._add(found, atom, head, "held", cost)
            if self._words_in(atom.sentence) > 2 and not (head.talk and self._tells_no_more(atom)):
                for place, (c, h, way, targets) in enumerate(found):
                    if h is head and way == "held":
                        bare = [
                            replace(t, context={k: v for k, v in t.context.items() if k != "muscle"})
                            if t.reading is None and unmarked(scene.lexicon.items[t.item], t.value)
                            else t
                            for t in targets
                        ]
                        found[place] = (c, h, way, bare)
        return found

    def _one_side_only(self, head: Head, atom: Atom, neighbours: list[Atom]) -> bool:
        """Whether a name with its circumstance was said of a side that is over: "R 6/24 PH 6/12, L ..."."""
        if not any(s.context for s in head.senses if s.role == "name"):
            return False
        sides = self._sides_in(atom.sentence)
        at = bisect_left(sides, head.end, key=lambda s: s.start)
        if at == 0 or at >= len(sides) or sides[at].start >= atom.start:
            return False
        first = bisect_left(neighbours, head.end, key=lambda a: a.start)
        return neighbours[first].start < sides[at].start

    def _of_an_eye(self, atom: Atom) -> bool:
        """Whether a side is told and no test is named before it in its sentence."""
        heads = [h for h in self._heads_in(atom.sentence) if h.end <= atom.start and not h.soft and not h.finding]
        return bool(self._sides_in(atom.sentence)) and not heads

    def _told_with(self, atom: Atom, item: str) -> dict[str, str | int]:
        """The circumstance that a name of this item earlier in the sentence fixes ("BCVA 6/9, hand movements left")."""
        if self.scene.lexicon.items[item].kind != "acuity":
            return {}
        for head in reversed(self._heads_in(atom.sentence)):
            for sense in head.senses:
                if head.end <= atom.start and sense.role == "name" and sense.item == item:
                    return dict(sense.context)
        return {}

    def _has_own_value(self, head: Head, neighbours: list[Atom]) -> bool:
        """Whether a name with its circumstance stands right before a number: "6/12 ph 6/9"."""
        if not any(s.context for s in head.senses if s.role == "name"):
            return False
        at = bisect_left(neighbours, head.end, key=lambda a: a.start)
        return at < len(neighbours) and neighbours[at].sort == "number" and neighbours[at].start - head.end <= 1

    def _of_shown(self, atom: Atom, target: Target) -> Target:
        """A count in a cell, of as many as the name of the row tells ("Plates /17 | 17 | 9")."""
        shown = self.scene.shown[atom.sentence]
        assert atom.group is not None
        count = atom.group.nums[0].value
        score = self.scene.lexicon.items[target.item].kind == "score" and target.value is None
        if not score or len(atom.group.nums) != 1 or not 0 <= count <= shown or target.reading is None:
            return target
        value = f"{int(count)}/{shown}"
        return replace(target, value=value, reading=replace(target.reading, value=value, doubt=""))

    def _row_named(self, atom: Atom) -> bool:
        """Whether the row of a table cell opens with words that no column heads: the name of another test."""
        sentence = self.scene.segments.sentences[atom.sentence]
        return any(
            t.kind == "word" and not t.skipped and t.i not in self.scene.segments.cell_side
            for t in self.tokens.tokens[sentence.start : atom.start]
        )

    def _of_the_part(
        self, atom: Atom, found: list[tuple[float, Head | None, str, list[Target]]]
    ) -> list[tuple[float, Head | None, str, list[Target]]]:
        """A lesion right behind the name of a part ("macula: folds") is an abnormality of that part."""
        lexicon = self.scene.lexicon
        heads = [h for h in self._heads_in(atom.sentence) if h.end <= atom.start and not h.soft and not h.finding]
        if len(found) != 1 or not heads:
            return found
        cost, head, way, targets = found[0]
        gap = [t.key for t in self.tokens.tokens[heads[-1].end : atom.start] if t.kind == "punct" and not t.skipped]
        celled = atom.start in self.scene.segments.cell_side
        far = not celled and (atom.start - heads[-1].end > 6 or any(k != ":" for k in gap))
        if len(targets) != 1 or targets[0].value != "abnormal" or far:
            return found
        named = {s.item or lexicon.topics[s.topic].default for s in heads[-1].senses if s.item or s.topic}
        parts = [
            k
            for k in sorted(named - {""})
            if lexicon.item_group.get(k) == lexicon.item_group.get(targets[0].item)
            and lexicon.items[k].generic.get("abnormal") == "abnormal"
        ]
        general = lexicon.items[targets[0].item].lead and not any(lexicon.items[k].lead for k in parts)
        if len(parts) != 1 or parts[0] == targets[0].item or not general:
            return found
        return [(cost, head, way, [replace(targets[0], item=parts[0])])]

    def _unit_name(self, atom: Atom, later: list[Head]) -> Head | None:
        """A name that opens with the number's own unit ("1 mm larger")."""
        i = atom.end
        while i < len(self.tokens) and (self.tokens[i].kind == "space" or self.tokens[i].skipped):
            i += 1
        opens = later and later[0].start == i and self.tokens[i].key in _LENGTHS and later[0].end > i + 1
        return later[0] if opens else None

    def _by_form(self, atom: Atom) -> list[tuple[float, Head | None, str, list[Target]]]:
        """Numbers whose form alone tells the test: "N5", "0.2 logMAR", and a Snellen fraction."""
        assert atom.group is not None
        out: list[tuple[float, Head | None, str, list[Target]]] = []
        prefixed = values.near_by_form(self.tokens, atom.group)

        for item in self.scene.lexicon.items.values():
            if item.kind not in ("acuity", "near") or (item.kind == "near") != prefixed:
                continue
            readings = [
                r for r in read_number(self.scene, atom.group, item) if r.value is not None and r.doubt != "heard"
            ]
            if not readings:
                continue
            if (
                item.kind == "acuity"
                and any(n.value == 5 for n in atom.group.nums[1:2])
                and atom.group.nums[0].value != 6
            ):
                continue
            sure = prefixed or any("logMAR" in str(r.value) for r in readings)
            slashed = "/" in atom.group.signs
            if not sure and not slashed and not chart_fraction(atom.group):
                continue
            cost = 0.6 if sure else (2.4 if slashed else 3.0)
            clear = sure or slashed and chart_fraction(atom.group) and self._of_an_eye(atom)
            targets = []
            for r in readings:
                doubt = r.doubt if clear else (r.doubt or "item")
                reading = Reading(r.value, r.start, r.end, doubt, r.light, r.choices)
                targets.append(Target(item.key, r.value, {}, reading, f"the form of the number ({item.kind})"))
            out.append((cost, None, "self", targets))
        return out

    def _heads_in(self, sentence: int) -> list[Head]:
        cache = self.__dict__.setdefault("_by_sentence", None)
        if cache is None:
            cache = {}
            for head in self.scene.heads:
                cache.setdefault(head.sentence, []).append(head)
            self.__dict__["_by_sentence"] = cache
        found: list[Head] = cache.get(sentence, [])
        return found

    def _in_hand(self, head: Head) -> set[str]:
        """The topics of the name before this one (and its list): the test that is going on."""
        first = min((h.start for h in head.group), default=head.start)
        for at in range(head.sentence, max(-1, head.sentence - 4), -1):
            earlier = [h for h in self._heads_in(at) if h.end <= first and len({s.topic for s in h.senses}) == 1]
            if earlier:
                return {s.topic for s in earlier[-1].senses}
        return set()

    def _inert(self, heads: list[Head]) -> bool:
        """Whether the nearest name is of a subject the dictionary lacks ("blood pressure")."""
        topics = {s.topic for h in heads for s in h.senses if s.role == "topic"}
        lexicon = self.scene.lexicon
        return (
            bool(topics)
            and all(not lexicon.topics[t].default and not lexicon.topics[t].numbers for t in topics)
            and not any(s.role != "topic" for h in heads for s in h.senses)
        )

    def _said_of(self, atom: Atom, nearest: list[Head]) -> bool:
        """Whether a general word stands right behind a name that can have no such value ("acuity was normal")."""
        if not nearest or atom.mark is None or nearest[0].soft or not atom.mark.has("generic"):
            return False
        head = nearest[0]
        return (
            not head.finding
            and not any(targets_under(self.scene, atom, s) for h in head.group or (head,) for s in h.senses)
            and not self._between_words(head.end, atom.start)
        )

    def _score_alone(self, targets: list[Target]) -> bool:
        return any(t.value is None and self.scene.lexicon.items[t.item].kind == "score" for t in targets)

    def _grades_next(self, atom: Atom, head: Head) -> bool:
        """ "Two plus cells": a grade right before a finding of another test than the one in hand."""
        if atom.group is None:
            return False
        i = atom.end
        while i < len(self.tokens) and (self.tokens[i].skipped or self.tokens[i].key in ("+", "plus", "of")):
            i += 1
        mark = self.mark_at.get(i)
        told = mark.of("alone", "word") if mark is not None else ()
        return bool(told) and not {s.topic for s in told} & {s.topic for s in head.senses}

    def _counts_things(self, atom: Atom, head: Head) -> bool:
        """A spoken number before a word the lexicon lacks ("two thumbs"), not right after the name."""
        if atom.group is None or any(n.digits for n in atom.group.nums) or 0 <= atom.start - head.end <= 3:
            return False
        i = atom.end
        while i < len(self.tokens) and (self.tokens[i].kind == "space" or self.tokens[i].skipped):
            i += 1
        return (
            i < len(self.tokens)
            and self.tokens[i].kind == "word"
            and i not in self.scene.known
            and self.tokens[i].key not in _PLAIN_WORDS
            and i not in self.scene.units
        )

    def _measured(self, atom: Atom, later: list[Head]) -> bool:
        """Whether a number measures what is named behind it ("3 mm of left ptosis")."""
        if atom.group is None or not later:
            return False
        _, end = unit_after(self.scene, atom.group)
        gap = [t for t in self.tokens.tokens[end : later[0].start] if t.kind != "space" and not t.skipped]
        if not gap and self._equated(end, later[0].start):
            return True
        if gap and gap[0].key == ")":
            gap = gap[1:]
        if not gap or gap[0].key not in ("of", "using", "us", "by", "via"):
            return False
        sides = {i for s in self._sides_in(atom.sentence) for i in range(s.start, s.end)}
        return all(t.i in sides for t in gap[1:])

    def _placed_in(self, atom: Atom, head: Head, prior: list[Head]) -> bool:
        """ "Vessels normal in both fundi": a name behind "in" is where it was found, if one stands before."""
        named = [h for h in prior if not h.soft][-1:]
        if not named or any(self.separators(named[0].end, atom.start)) or atom.start - named[0].end > 6:
            return False
        gap = [t.key for t in self.tokens.tokens[atom.end : head.start] if t.kind != "space" and not t.skipped]
        return gap[:1] == ["in"] and len(gap) <= 2

    def _equated(self, a: int, b: int) -> bool:
        """ "0.8 is the cup disc ratio": nothing but "is" between a number and a name."""
        return any(t.key in _EQUATING or t.text.casefold() in _EQUATING for t in self.tokens.tokens[a:b])

    def _belongs(self, atom: Atom, head: Head) -> bool:
        """Whether "of" ties a value, or a list of values, to the name behind it."""
        return self._measured(atom, [head]) or self._qualifies(atom, [], [head]) == "of"

    def _told_of_pair(self, atom: Atom, head: Head | None) -> bool:
        """Whether the name is in the plural, or a method that measured what is ("chambers shallow (1) by ...")."""
        if head is not None and head.plural and self._several(head):
            return False
        if head is None or head.plural or head.start < atom.end or atom.sort != "number":
            return bool(head and head.plural)
        before = [h for h in self._heads_in(atom.sentence) if h.end <= atom.start and not h.soft]
        return bool(before) and before[-1].plural and self._measured(atom, [head])

    def _several(self, head: Head) -> bool:
        """Whether a name stands for several things in one eye ("vessels"), so that its plural is no pair."""
        return all(s.item and self.scene.lexicon.items[s.item].many for s in head.senses)

    def _qualifies(self, atom: Atom, prior: list[Head], later: list[Head]) -> str:
        """How a value belongs to the name behind it, alone or as one of a list.

        "adjective" for "showed a small, pale disc", "of" for "no cell or flare of either chamber", "" if it does not.
        """
        if atom.sort != "word" or not later or later[0].soft or self.scene.segments.sentences[atom.sentence].run_on:
            return ""
        tokens, goal = self.tokens, later[0].start
        ends = {a.start: a.end for a in self.scene_atoms(atom.sentence)}
        i, how, listed = atom.end, "adjective", False
        sides = {k: s.end for s in self._sides_in(atom.sentence) for k in (s.start,)}
        while i < goal:
            token = tokens[i]
            if token.kind == "space":
                i += 1
            elif how == "of" and (token.skipped or i in sides):
                i = sides.get(i, i + 1)
            elif token.key in _LIST_LINKS and how != "of":
                listed = True
                i += 1
            elif (token.key == "of" or token.key in ("in", "at", "on") and not prior) and how != "of" and not listed:
                how = "of"
                i += 1
            elif i in ends and listed and how != "of" and ends[i] <= goal:
                listed = False
                i = ends[i]
            else:
                return ""
        if i != goal or listed and tokens[atom.end].key == ",":
            return ""
        if listed or how == "of":
            return how if how == "of" else ""
        return how if self._opens_list(atom, prior, ends) else ""

    def scene_atoms(self, sentence: int) -> list[Atom]:
        """The values of one sentence, in order."""
        cache: dict[int, list[Atom]] = self.__dict__.setdefault("_atoms_by", {})
        if not cache:
            for atom in self.scene.atoms:
                cache.setdefault(atom.sentence, []).append(atom)
        return cache.get(sentence, [])

    def _opens_list(self, atom: Atom, prior: list[Head], ends: dict[int, int]) -> bool:
        """Whether other words part a value from the name before it ("fundoscopy showed pale ...")."""
        names = [h for h in prior if not h.soft]
        if not names:
            return True
        inside = {k for a, b in ends.items() for k in range(a, b)}
        inside |= {k for s in self._sides_in(atom.sentence) for k in range(s.start, s.end)}
        return any(
            t.kind == "word" and not t.skipped and t.i not in inside and t.key not in _LIST_LINKS
            for t in self.tokens.tokens[names[-1].end : atom.start]
        )

    def _strange(self, atom: Atom) -> int:
        """How many words of the atom's sentence the lexicon knows nothing of."""
        cache: dict[int, int] = self.__dict__.setdefault("_strange_by", {})
        if atom.sentence not in cache:
            scene = self.scene
            sentence = scene.segments.sentences[atom.sentence]
            if sentence.run_on:
                cache[atom.sentence] = 0
            else:
                cache[atom.sentence] = sum(
                    1
                    for i in range(sentence.start, sentence.end)
                    if self.tokens[i].kind == "word"
                    and not self.tokens[i].skipped
                    and i not in scene.known
                    and self.tokens[i].key not in _PLAIN_WORDS
                    and scene.modes.mode[i] not in _ASIDE
                )
        return cache[atom.sentence]

    def _held(self, sentence: int) -> list[Head]:
        """The last names of earlier sentences, nearest first."""
        out: list[Head] = []
        at = sentence - 1
        while at >= 0 and sentence - at <= 6 and len(out) < 3:
            for head in reversed(self._heads_in(at)):
                out.append(head)
                if len(out) >= 3:
                    break
            at -= 1
        return out

    def _add(
        self, found: list[tuple[float, Head | None, str, list[Target]]], atom: Atom, head: Head, way: str, cost: float
    ) -> None:
        if self._counts_things(atom, head):
            cost += 1.2
        if way == "held" and self._grades_next(atom, head):
            cost += 2.5
        if head.soft and atom.mark is not None and _loose(atom.mark):
            return
        general = atom.sort == "direction" or atom.mark is not None and atom.mark.has("generic")
        if head.soft and general and len({s.topic for s in head.senses}) > 1:
            return  # a hint at several tests does not say which of them is normal
        if any(s.role == "measures" for s in head.senses) and not self._right_behind(head, atom, way):
            return
        best: tuple[float, list[Target]] | None = None
        members = head.group or (head,)
        joined: list[Target] = []
        for member in members:
            options: list[tuple[float, list[Target]]] = []
            in_hand = self._in_hand(member) if len({s.topic for s in member.senses}) > 1 else set()
            if not in_hand & {s.topic for s in member.senses}:
                in_hand = set()
            for sense in member.senses:
                if sense.role == "alone" and (sense.data != "finding" or self._far(atom, head, way)):
                    continue
                away = 0.9 if in_hand and sense.topic not in in_hand else 0.0
                if not in_hand and sense.data == "circumstance":
                    away = 0.4
                told = targets_under(self.scene, atom, sense)
                if sense.role == "alone" and not subject.holds_name(self.scene, head):
                    told = [(c + 0.25 * (atom.sort == "word" and t[0].item != sense.item), t) for c, t in told]
                options += [(c + away, t) for c, t in told]
            if not options:
                continue
            options.sort(key=lambda o: o[0])
            if len(members) == 1:
                for extra, targets in options[:2]:
                    if self._score_alone(targets):
                        if way == "held":
                            continue
                        extra += 0.8
                    found.append((cost + extra, head, way, targets))
                return
            if best is None or options[0][0] > best[0]:
                best = options[0]
            joined += [
                t
                for t in options[0][1]
                if not any(t.item == u.item and t.context == u.context and t.value == u.value for u in joined)
            ]
        if best is not None:
            found.append((cost + best[0], head, way, joined))

    def _right_behind(self, head: Head, atom: Atom, way: str) -> bool:
        """Whether nothing but a comma, a side or the light stands between a head and a number behind it."""
        if way != "prev" or atom.sort != "number":
            return False
        told = {i for m in self.scene.marks if m.has("side", "context") for i in range(m.start, m.end)}
        gap = [t for t in self.tokens.tokens[head.end : atom.start] if t.kind != "space" and not t.skipped]
        return len(gap) <= 4 and all(t.i in told or t.key in (",", "at", ":", "(") for t in gap)

    def _far(self, atom: Atom, head: Head, way: str) -> bool:
        """Whether a general word stands too far from a finding to qualify it ("ptosis absent")."""
        if atom.sort == "number" or atom.mark is None or not atom.mark.has("generic"):
            return False
        own = {s.topic for s in atom.mark.of("word")} & {s.topic for s in head.senses}
        if way == "next" and own and self._qualifies(atom, [], [head]):
            return False
        if way == "held":
            return bool(self._heads_in(atom.sentence)) or self._words_in(atom.sentence) > 5
        a, b = (head.end, atom.start) if way == "prev" else (atom.end, head.start)
        gap = [t.key for t in self.tokens.tokens[a:b] if t.kind != "space" and not t.skipped]
        if (
            way == "prev"
            and len(gap) <= 8
            and len(self._sides_in(atom.sentence)) > 1
            and any(s.data in ("absent", "present", "reduced", "unseen") for s in atom.mark.of("generic"))
        ):
            return any(g in ("but", ".", ";") for g in gap)
        return len(gap) > 3 or any(g in (",", "and", "but", ".", ";", "with") for g in gap)

    def _tells_no_more(self, atom: Atom) -> bool:
        """Whether a sentence holds a value and its side alone ("good on both sides")."""
        sentence = self.scene.segments.sentences[atom.sentence]
        sides = self._sides_in(atom.sentence)
        told = {i for s in sides for i in range(s.start, s.end)} | set(range(atom.start, atom.end))
        return not any(
            t.kind == "word" and not t.skipped and t.i not in told and t.key not in _PREPOSITIONS | {"and", "again"}
            for t in self.tokens.tokens[sentence.start : sentence.end]
        )

    def _words_in(self, sentence: int) -> int:
        if sentence not in self.word_count:
            one = self.scene.segments.sentences[sentence]
            self.word_count[sentence] = sum(
                1
                for t in self.tokens.tokens[one.start : one.end]
                if t.kind == "word" and not t.skipped and self.scene.modes.mode[t.i] not in _ASIDE
            )
        return self.word_count[sentence]

    # -- sides

    def side_options(
        self, atom: Atom, head: Head | None, targets: list[Target], neighbours: list[Atom], n: int
    ) -> list[tuple[float, Side | None, str]]:
        scene = self.scene
        items = [scene.lexicon.items[t.item] for t in targets]
        if targets and all(t.side not in ("", OPPOSITE) for t in targets):
            return [(0.0, None, "none")]
        if not any(item.sided for item in items):
            if atom.sort == "direction" or any(t.reading is None and t.value == "" for t in targets):
                if self.denial_ends & {atom.start, atom.start - 1, atom.start - 2}:
                    return [(0.1, None, "none")]
                near = self._side_choices(atom, head, neighbours, n, none_cost=2.9)
                if any(way == "next" for _, _, way in near):
                    near = [(cost + (0.7 if way == "prev" else 0.0), side, way) for cost, side, way in near]
                return [
                    c
                    for c in near
                    if c[1] is None
                    or c[2] == "fixed"
                    or c[2] != "held"
                    and -4 <= c[1].start - atom.end <= 6
                    and c[1].end - atom.start >= -8
                ]
            return [(0.0, None, "none")]
        if head is not None and head.start >= atom.end and self._belongs(atom, head):
            between = [s for s in self._sides_in(atom.sentence) if atom.end <= s.start and s.end <= head.start]
            if between:
                return [(0.0, between[-1], "next")]
        plain_value = all(unmarked(scene.lexicon.items[t.item], t.value) for t in targets) or atom.sort == "complete"
        if plain_value and atom.start in self.denial_ends and all(item.kind == "category" for item in items):
            plain_value = False  # "does not adduct": what is denied of a normal movement is a finding
        plural = self._told_of_pair(atom, head) or plain_value and head is None and subject.names_pair(scene, atom)
        plural = plural and not self._part_of_one(head)
        pair = atom.sort == "number" and len(targets) == 2 and targets[0].item == targets[1].item
        if pair:
            none_cost = 0.5
        elif all(item.side_optional for item in items):
            none_cost = COST["no_side_optional"]
        elif plain_value:
            none_cost = COST["no_side_plural"] if plural else COST["no_side"]
        elif plural:
            none_cost = COST["no_side"]
        else:
            none_cost = COST["no_side_measure"]
        return self._side_choices(
            atom,
            head,
            neighbours,
            n,
            none_cost,
            pair,
            {item.topic for item in items},
            told=not plain_value and not all(item.side_optional for item in items),
            plural=plural,
            targets=targets,
        )

    def _side_choices(
        self,
        atom: Atom,
        head: Head | None,
        neighbours: list[Atom],
        n: int,
        none_cost: float,
        pair: bool = False,
        topics: set[str] | None = None,
        told: bool = False,
        plural: bool = False,
        targets: list[Target] | None = None,
    ) -> list[tuple[float, Side | None, str]]:
        scene = self.scene
        virtual = scene.segments.cell_side.get(atom.start)
        out: list[tuple[float, Side | None, str]] = [(none_cost, None, "none")]
        if virtual:
            value, start, end = virtual
            return [(0.0, Side(start, end, value, atom.sentence, True, False, virtual=True), "fixed")]  # type: ignore[arg-type]
        sides = self._sides_in(atom.sentence)
        at = bisect_left(sides, atom.start, key=lambda s: s.start)
        if at < len(sides) and sides[at].end <= atom.end:
            return [(0.0, sides[at], "prev")]
        prior = [s for s in sides[max(0, at - 3) : at] if s.end <= atom.start]
        later = [s for s in sides[at : at + 2] if s.start >= atom.end]
        everything = self._heads_in(atom.sentence)
        low = min([atom.start, *[s.start for s in prior[-2:]]])
        high = max([atom.end, *[s.end for s in later[:1]]])
        heads = everything[
            bisect_left(everything, low, key=lambda h: h.start) : bisect_right(everything, high, key=lambda h: h.start)
        ]
        lone = self._one_side(atom.sentence)
        for rank, side in enumerate(reversed(prior[-2:])):
            commas, links = self.separators(side.end, atom.start)
            foreign = sum(
                1
                for h in heads
                if side.end <= h.start
                and h.end <= atom.start
                and not h.soft
                and h is not head
                and not (head and h in head.group)
            )
            if head and head.sentence == atom.sentence and head.start < side.start and head.plural and foreign == 0:
                pass
            cost = (
                COST["comma"] * 0.5 * commas
                + COST["conjunction"] * links
                + COST["other_name"] * min(foreign, 3)
                + 0.9 * rank
            )
            if not side.block:
                cost += 0.06 * max(0, atom.start - side.end - 6)
            if lone and told and rank == 0:
                cost = min(cost, 0.5 + 0.08 * (commas + links + foreign))
            if lone and rank == 0 and head and not head.plural and not head.soft and side.value in ("right", "left"):
                cost = min(cost, 0.85 + 0.04 * (commas + links + foreign))
            if (
                head
                and head.plural
                and head.start > side.end
                and not self._several(head)
                and not self._part_of(head, side, heads)
            ):
                cost += 1.2
            if side.block and rank == 0:
                cost = min(cost, 0.5 + 0.1 * foreign)
            elif (
                side.prepositional
                and scene.segments.chunk_of[side.start] == scene.segments.chunk_of[atom.start]
                and not self._clause_first(side)
            ):
                cost += COST["prepositional"]
            elif not side.block and not side.prepositional and later and self._right_at(atom, later[0]):
                cost += COST["side_right_behind"]
            out.append((cost, side, "prev"))
        for side in later[:1]:
            commas, links = self.separators(atom.end, side.start)
            foreign = sum(
                1
                for h in heads
                if atom.end <= h.start
                and h.end <= side.start
                and not h.soft
                and h is not head
                and not (head and h in head.group)
            )
            between = bisect_left(neighbours, side.start, key=lambda a: a.start) - n - 1
            cost = (
                COST["next_side"]
                + COST["next_side_comma"] * commas
                + COST["next_side_and"] * links
                + 3.0 * foreign
                + COST["between"] * between
            )
            if any(t.key in ("but", "though", "although") for t in self.tokens.tokens[atom.end : side.start]):
                cost += 1.5
            if self._opens_clause(side):
                cost += COST["next_side_clause"]
            if side.start == atom.end and self._clause_begins(atom):
                cost -= COST["next_side"]
            if side.value == "both" and self._names_next(atom.sentence, side):
                cost += 0.8
            if side.start - atom.end > 6:
                cost += 0.1 * (side.start - atom.end - 6)
            if scene.segments.cell_of[side.start] != scene.segments.cell_of[atom.start]:
                cost += 1.0
            if (
                len(sides) == 1
                and not (foreign and self._number_behind(side))
                and not (everything and foreign_after(everything[-4:], side))
                and (told or side.value == "both")
            ):
                cost = min(cost, 0.7 + 0.12 * (commas + links + foreign + between))
            out.append((cost, side, "next"))
        if not prior:
            held = self._held_side(atom.sentence, head, topics or set())
            if held is not None and not self._of_eyes(targets or []) and subject.says_eye(scene, held):
                held = None
            if held is not None:
                cost = COST["held_side"]
                if held.block:
                    cost -= 0.5
                if plural:
                    cost += 0.3 if held.block else 1.5
                out.append((cost, held, "held"))
        return out

    def _of_eyes(self, targets: list[Target]) -> bool:
        """Whether a value is of the eyes, or of nothing that has sides."""
        return all(self.scene.lexicon.items[t.item].sides in ("eye", "none") for t in targets)

    def _right_at(self, atom: Atom, side: Side) -> bool:
        """Whether nothing but a preposition parts a value from the side behind it ("weak on the right")."""
        return side.prepositional and [
            t.key in ("on", "in", "over")
            for t in self.tokens.tokens[atom.end : side.start]
            if t.kind != "space" and not t.skipped
        ] == [True]

    def _part_of_one(self, head: Head | None) -> bool:
        """ "Right disc swollen. Margins blurred.": parts of the one thing that the sentence before named with its side."""
        if head is None or not all(s.item for s in head.senses):
            return False
        topics = {s.topic for s in head.senses}
        for at in range(head.sentence - 1, max(-1, head.sentence - 3), -1):
            earlier = [h for h in self._heads_in(at) if not h.soft]
            if earlier or self._sides_in(at):
                sides = {s.value for s in self._sides_in(at)}
                named = [h for h in earlier if not h.plural and topics & {s.topic for s in h.senses if not s.item}]
                return bool(named) and len(sides) == 1 and sides <= {"right", "left"}
        return False

    def _opens_clause(self, side: Side) -> bool:
        """ "... three millimetres the left closes fully": the side is the subject of a new clause."""
        before, after = side.start - 1, side.end
        while before > 0 and self.tokens[before].kind == "space":
            before -= 1
        while after < len(self.tokens) and self.tokens[after].kind == "space":
            after += 1
        if side.prepositional or before < 0 or self.tokens[before].key != "the" or after >= len(self.tokens):
            return False
        token = self.tokens[after]
        return token.kind == "word" and token.key not in _LINKS and token.key not in _PREPOSITIONS

    def _part_of(self, head: Head, side: Side, heads: list[Head]) -> bool:
        """ "The right disc was pale, with blurred margins": parts of the one thing named with the side."""
        topics = {s.topic for s in head.senses}
        return any(
            side.end <= h.start
            and h.end <= head.start
            and not h.plural
            and not h.soft
            and topics & {s.topic for s in h.senses}
            for h in heads
        )

    def _number_behind(self, side: Side) -> bool:
        """ "... puffer right sixteen": the side has a number of its own."""
        i = side.end
        while i < len(self.tokens) and self.tokens[i].skipped:
            i += 1
        return i in self.numbers

    def _clause_begins(self, atom: Atom) -> bool:
        """ "..., and a normal left eye": the atom opens its clause and qualifies the side behind it."""
        i = atom.start - 1
        while i >= 0 and self.tokens[i].skipped and self.tokens[i].kind == "word":
            i -= 1
        return i >= 0 and self.tokens[i].key in (",", "and", "but", "+", "&")

    def _names_next(self, sentence: int, side: Side) -> bool:
        """ "... both maculae normal": a plural name right behind a side takes it along."""
        heads = self._heads_in(sentence)
        at = bisect_left(heads, side.end, key=lambda h: h.start)
        return at < len(heads) and heads[at].start - side.end <= 1 and heads[at].plural

    def _side_soon(self, atom: Atom) -> bool:
        sides = self._sides_in(atom.sentence)
        at = bisect_left(sides, atom.end, key=lambda s: s.start)
        return at < len(sides) and sides[at].start - atom.end <= 5

    def _side_just(self, atom: Atom) -> bool:
        """ "R drusen, L OK": whether nothing but circumstances stands between a side and the atom."""
        sides = self._sides_in(atom.sentence)
        at = bisect_left(sides, atom.start, key=lambda s: s.start)
        if not at or sides[at - 1].end > atom.start:
            return False
        return not any(
            t.kind in ("word", "number") and not t.skipped and t.i not in self.placed
            for t in self.tokens.tokens[sides[at - 1].end : atom.start]
        )

    def _one_side(self, sentence: int) -> bool:
        """Whether a sentence speaks of one side only."""
        if sentence not in self.one_sided:
            self.one_sided[sentence] = len({s.value for s in self._sides_in(sentence)}) == 1
        return self.one_sided[sentence]

    def _clause_first(self, side: Side) -> bool:
        i = side.start - 1
        while (
            i >= 0
            and self.tokens[i].kind != "break"
            and (
                self.tokens[i].kind in ("space",)
                or self.tokens[i].skipped
                or self.tokens[i].key in _PREPOSITIONS
                or self.tokens[i].key in ("and", "but", "now", "then")
            )
        ):
            i -= 1
        return i < 0 or self.tokens[i].kind in ("punct", "break")

    def _sides_in(self, sentence: int) -> list[Side]:
        cache = self.__dict__.get("_sides_by")
        if cache is None:
            cache = {}
            for side in self.scene.sides:
                cache.setdefault(side.sentence, []).append(side)
            self.__dict__["_sides_by"] = cache
        found: list[Side] = cache.get(sentence, [])
        return found

    def _held_side(self, sentence: int, head: Head | None, topics: set[str]) -> Side | None:
        """The side in hand from earlier sentences: one that was alone there, or a block."""
        at = sentence - 1
        steps = 0
        only = ""
        while at >= 0 and steps < 16:
            sides = self._sides_in(at)
            blocks = [s for s in sides if s.block]
            values_here = {s.value for s in sides}
            if only and sides and (values_here != {only} and not blocks):
                return None
            if (
                len(values_here) == 1
                and not blocks
                and sides[-1].value in ("right", "left")
                and not (steps <= 1 and topics & self._topics_in(at))
            ):
                only = str(sides[-1].value)
                at -= 1
                steps += 1
                continue
            if sides:
                if blocks and (self._line_over(at, sentence) or self._pair_told(at)):
                    return None
                if blocks and blocks[-1].value in ("right", "left") and sides[-1].value in (blocks[-1].value, "both"):
                    return blocks[-1] if only in ("", blocks[-1].value) else None
                if only:
                    return None
                single = {s.value for s in sides}
                if (
                    len(single) == 1
                    and sides[-1].value in ("right", "left")
                    and steps <= 1
                    and topics & self._topics_in(at)
                ):
                    return sides[-1]
                return None
            if (
                self.scene.segments.sentences[at].paragraph_start
                and steps
                and not self.scene.segments.sentences[at + 1].line_start
            ):
                pass
            at -= 1
            steps += 1
        return None

    def _pair_told(self, at: int) -> bool:
        """Whether a sentence tells of one side what the one before told of the other, and nothing more."""
        here, before = self._sides_in(at), self._sides_in(at - 1) if at else []
        values_here, values_before = {s.value for s in here}, {s.value for s in before}
        if {*values_here, *values_before} != {"right", "left"} or len(values_here) != 1 or len(values_before) != 1:
            return False
        if self.tokens[self._word_at(here[-1].end)].key == ":" or len(self.scene_atoms(at)) > 2:
            return False
        named = [h for n in (at - 1, at) for h in self._heads_in(n) if not h.soft]
        first = [h for h in named if h.sentence == at - 1]
        return bool(first) and len({s.topic for h in named for s in h.senses[:1]}) == 1

    def _line_over(self, at: int, sentence: int) -> bool:
        """Whether the line in which a side was turned to has ended (a heading's line does not)."""
        sentences = self.scene.segments.sentences
        breaks = [n for n in range(at + 1, sentence + 1) if sentences[n].line_start]
        if not breaks or all(self._indent(n) > self._indent(at) for n in breaks):
            return False
        return any(n in self.told for n in range(at, breaks[0])) or any(sentences[n].paragraph_start for n in breaks)

    def _indent(self, sentence: int) -> int:
        """How far the line of a sentence is set in."""
        sentences = self.scene.segments.sentences
        while sentence > 0 and not sentences[sentence].line_start:
            sentence -= 1
        start = sentences[sentence].start
        before = self.tokens[start - 1].text if start else ""
        before = before if "\n" in before else ""
        first = self.tokens[start]
        return (len(before) - before.rfind("\n") - 1 if before else 0) + (
            len(first.text) if first.kind == "space" else 0
        )

    def _topics_in(self, sentence: int) -> set[str]:
        for at in range(sentence, max(-1, sentence - 3), -1):
            found = {s.topic for h in self._heads_in(at) if not h.soft for s in h.senses if s.topic}
            if found:
                return found
        return set()

    # -- the chain

    def bind_sentence(self, atoms: list[Atom]) -> list[Bound]:
        """The cheapest way to bind all atoms of one sentence, with rivals."""
        offered = [self._options(atoms, n) for n in range(len(atoms))]
        takers = [n for n, options in enumerate(offered) if len(options) > 1]
        idle = [Bound(atom, offered[n][0]) for n, atom in enumerate(atoms) if len(offered[n]) == 1]
        if not takers:
            return idle
        bound = self._chain([atoms[n] for n in takers], [offered[n] for n in takers])
        return sorted([*bound, *idle], key=lambda b: (b.atom.start, b.atom.end))

    def _options(self, atoms: list[Atom], n: int) -> list[Option]:
        """The ways to bind one atom, cheapest first; the last is to leave it."""
        atom = atoms[n]
        options: list[Option] = []
        for cost, head, way, targets in self.head_options(atom, atoms, n):
            for side_cost, side, side_way in self.side_options(atom, head, targets, atoms, n):
                options.append(Option(cost + side_cost, targets, head, way, side, side_way))
        options.sort(key=lambda o: o.cost)
        left = COST["unbound"] if atom.sort == "alone" else 3.7 if atom.sort == "number" else 3.2
        return [*options[:8], Option(left, [], None, "none", None, "none")]

    def _chain(self, atoms: list[Atom], columns: list[list[Option]]) -> list[Bound]:
        """The cheapest chain through the options of atoms that each have some."""
        self.gaps = self._gaps(atoms)
        edges = self._edges(atoms, columns)
        forward: list[list[float]] = []
        back: list[list[int]] = []
        for n, options in enumerate(columns):
            costs, links = [], []
            for k, option in enumerate(options):
                if n == 0:
                    costs.append(option.cost + self._edge(0, None, atoms[0], None, option))
                    links.append(-1)
                    continue
                best, arg = float("inf"), 0
                for m, (before, row) in enumerate(zip(forward[n - 1], edges[n], strict=True)):
                    total = before + row[k]
                    if total < best:
                        best, arg = total, m
                costs.append(best + option.cost)
                links.append(arg)
            forward.append(costs)
            back.append(links)
        backward = self._backward(columns, edges)
        chosen = [0] * len(atoms)
        last = len(atoms) - 1
        chosen[last] = min(range(len(columns[last])), key=lambda m: forward[last][m] + backward[last][m])
        for n in range(last, 0, -1):
            chosen[n - 1] = back[n][chosen[n]]
        out: list[Bound] = []
        for n, atom in enumerate(atoms):
            best_option = columns[n][chosen[n]]
            best_total = forward[n][chosen[n]] + backward[n][chosen[n]]
            rival, rival_total = None, float("inf")
            chosen_rows = best_option.rows()
            for m, option in enumerate(columns[n]):
                total = forward[n][m] + backward[n][m]
                if option.targets and total < rival_total and option.rows() != chosen_rows:
                    rival, rival_total = option, total
            if rival_total - best_total > MARGIN:
                rival = None
            out.append(Bound(atom, best_option, rival))
        return [*out, *self._shared_values(out)]

    def _shared_values(self, found: list[Bound]) -> list[Bound]:
        """ "Weakness of the right shrug and of left head turning": a value told once, before names
        that each have a side of their own."""
        out: list[Bound] = []
        for n, one in enumerate(found):
            head = one.option.head
            if one.option.head_way != "next" or head is None or one.atom.sort != "word" or not one.option.targets:
                continue
            if any(unmarked(self.scene.lexicon.items[t.item], t.value) for t in one.option.targets):
                continue
            if any(end <= one.atom.start for end in self.denial_ends if end >= found[0].atom.start - 6):
                continue
            limit = found[n + 1].atom.start if n + 1 < len(found) else len(self.tokens)
            last = head
            for other in self._heads_in(one.atom.sentence):
                if other.start < last.end or other.soft or other.finding or other.start >= limit:
                    continue
                if other in head.group or not self._listed_on(last, other):
                    break
                atom = replace(one.atom, start=other.start, end=other.end)
                ways: list[tuple[float, Head | None, str, list[Target]]] = []
                self._add(ways, one.atom, other, "next", 0.0)
                if not ways:
                    break
                sides = [
                    s for s in self._sides_in(one.atom.sentence) if last.end <= s.start and s.start - other.end <= 4
                ]
                side = sides[-1] if sides else None
                own = any(t.side for t in ways[0][3])
                if side is None and not own:
                    break
                option = Option(0.0, ways[0][3], other, "next", None if own else side, "none" if own else "prev")
                out.append(Bound(atom, option))
                last = other
        return out

    def _listed_on(self, first: Head, second: Head) -> bool:
        """Whether nothing but "and", a side and small words stands between two names."""
        sides = {i for s in self._sides_in(first.sentence) for i in range(s.start, s.end)}
        words = [
            t.key
            for t in self.tokens.tokens[first.end : second.start]
            if t.kind != "space" and not t.skipped and t.i not in sides
        ]
        return bool({"and", "&", "+"} & set(words)) and all(
            w in ("and", "&", "+", "when", "while", "whil", "also") or w in _PREPOSITIONS or w in _PRONOUNS
            for w in words
        )

    def _edges(self, atoms: list[Atom], columns: list[list[Option]]) -> list[list[list[float]]]:
        """What each option of an atom costs after each option of the one before it."""
        out: list[list[list[float]]] = [[]]
        for n in range(1, len(atoms)):
            a, b = atoms[n - 1], atoms[n]
            out.append([[self._edge(n, a, b, first, second) for second in columns[n]] for first in columns[n - 1]])
        return out

    def _backward(self, columns: list[list[Option]], edges: list[list[list[float]]]) -> list[list[float]]:
        last = len(columns) - 1
        backward: list[list[float]] = [[] for _ in columns]
        backward[last] = [self._tail(o) for o in columns[last]]
        for n in range(last - 1, -1, -1):
            ahead = [later.cost + rest for later, rest in zip(columns[n + 1], backward[n + 1], strict=True)]
            backward[n] = [min(map(sum, zip(row, ahead, strict=True))) for row in edges[n + 1]]
        return backward

    def _tail(self, option: Option) -> float:
        """What sides and names cost that stand behind the last atom and were not used."""
        sides, heads = self.gaps[-1]
        cost = COST["skipped_side"] * sum(1 for side in sides if option.side is not side)
        if not option.targets:
            cost *= 0.25
        return cost + COST["skipped_name"] * sum(1 for head in heads if option.head is not head)

    def _gaps(self, atoms: list[Atom]) -> list[tuple[list[Side], list[Head]]]:
        """The sides and names before each atom, after the one before it; last, those behind all."""
        out: list[tuple[list[Side], list[Head]]] = [([], []) for _ in range(len(atoms) + 1)]
        starts = [a.start for a in atoms]
        ends = [-1, *(a.end for a in atoms)]
        for side in self._sides_in(atoms[0].sentence):
            n = bisect_right(starts, side.start)
            if side.start >= ends[n]:
                out[n][0].append(side)
        for head in self._heads_in(atoms[0].sentence):
            n = bisect_right(starts, head.start)
            if head.start >= ends[n] and not head.finding and not head.soft:
                out[n][1].append(head)
        return out

    def _edge(self, n: int, a: Atom | None, b: Atom, first: Option | None, second: Option) -> float:
        """What it costs to bind one atom after another; `n` is the place of the second."""
        cost = 0.0
        sides, heads = self.gaps[n]
        passed = [s for s in sides if second.side is not s and (first is None or first.side is not s)]
        for side in passed[-_SIDES_MISSED:]:
            if side.block and second.side is None:
                cost += COST["skipped_side"] * 0.6
                continue
            cost += COST["skipped_side"]
        if first is not None and not first.targets or not second.targets:
            cost *= 0.25
        for head in heads:
            if second.head is head or (first is not None and first.head is head):
                continue
            if second.head is not None and head in second.head.group:
                continue
            cost += COST["skipped_name"]
        if first is None or not first.targets or not second.targets:
            return cost
        if a is not None and a.sort == b.sort == "number" and first.head is not second.head and self._linked(a, b):
            cost += 0.8
        if (
            first.side is not None
            and second.side is first.side
            and first.side_way == "next"
            and second.side_way == "prev"
        ):
            own = (
                first.head is second.head or a is not None and second.head is not None and second.head.start == a.start
            )
            told_there = self.tokens[self._after(first.side.end)].text == "where"
            if not told_there and (first.head is None or first.head.start != b.start):
                closed = first.side.prepositional and self.tokens[self._word_at(first.side.end)].key in (",", "with")
                cost += COST["shared_turn"] * (1.0 if own else 0.5 if closed else 2.5)
        elif {first.side_way, second.side_way} == {"prev", "next"} and first.head is second.head:
            cost += COST["turn"]
        if (
            first.head is not None
            and second.head is first.head
            and first.head_way == "next"
            and second.head_way == "prev"
        ):
            cost += COST["turn"]
        elif {first.head_way, second.head_way} == {"prev", "next"}:
            cost += COST["turn"] * 0.5
        if first.side is not None and second.side is first.side and first.side_way == second.side_way == "prev":
            same = {t.item for t in first.targets} & {t.item for t in second.targets}
            if (
                same
                and first.side.value in ("right", "left")
                and a is not None
                and a.sort == b.sort == "number"
                and not self._repeats(a, b)
                and first.targets[0].context == second.targets[0].context
            ):
                cost += 1.0
        return cost

    def _between_words(self, a: int, b: int) -> bool:
        """Whether any word or sign that counts stands between two tokens."""
        return any(t.kind != "space" and not t.skipped for t in self.tokens.tokens[a:b])

    def _after(self, i: int) -> int:
        """The first word or sign at or after a token; the last token if there is none."""
        while i < len(self.tokens) - 1 and (self.tokens[i].kind == "space" or self.tokens[i].key == ","):
            i += 1
        return min(i, len(self.tokens) - 1)

    def _word_at(self, i: int) -> int:
        """The first word or sign at or after a token, commas too; the last token if there is none."""
        while i < len(self.tokens) - 1 and self.tokens[i].kind == "space":
            i += 1
        return min(i, len(self.tokens) - 1)

    def _linked(self, a: Atom, b: Atom) -> bool:
        words = [t.key for t in self.tokens.tokens[a.end : b.start] if t.kind != "space" and not t.skipped]
        return words in (["and"], ["&"], ["/"])

    def _repeats(self, a: Atom, b: Atom) -> bool:
        words = [t.key for t in self.tokens.tokens[a.end : b.start] if t.kind not in ("space",)]
        return any(w in ("and", ",") for w in words)


def foreign_after(heads: list[Head], side: Side) -> bool:
    """Whether a test is named after a side, so that the side does not close the sentence."""
    return any(h.start >= side.end and not h.soft for h in heads)


_PRONOUNS = frozenset({"he", "she", "they", "his", "her", "their", "it"})
_SIDES_MISSED = 2  # more sides than these before one value belong to what the dictionary lacks
_EQUATING = frozenset({"is", "was", "were", "are"})
_LENGTHS = frozenset({"mm", "millimeter", "mil", "cm", "centimeter"})

# Words that tell nothing of what a sentence is about.
_PLAIN_WORDS = frozenset(
    """and or but so with without to of in on at for from by as than then there here it he she they i we this that
    these those which who when while if also too again still both all some any one not no nor now well do doe did
    ha had have can could will would shall should may might must get got see saw look find found go went come came
    up down out over under about after before because through into onto him me them us you""".split()
)


def loose_word(atom: Atom) -> bool:
    """Whether an atom is everyday praise that may not qualify a name behind it ("okay, smell")."""
    return (
        atom.sort == "word"
        and atom.mark is not None
        and _loose(atom.mark)
        and any(s.data in ("normal", "present") for s in atom.mark.of("generic"))
    )


def _own_word(atom: Atom, head: Head) -> bool:
    """Whether an everyday word is a word of the very test named, on a side of its own ("R full, L nasal loss")."""
    topics = {s.topic for s in head.senses if s.topic}
    return atom.mark is not None and any(s.topic in topics for s in atom.mark.of("word"))


def _loose(mark: Mark) -> bool:
    """A generic word that is also everyday praise or filler ("good", "fine", "well", "same")."""
    return any(s.source.endswith(".loose") for s in mark.of("generic"))


def unmarked(item: Item, value: Value) -> bool:
    """Whether a value is a normal or absent statement, which without a side means both."""
    if isinstance(value, (int, float, list)) or value is None:
        return False
    if item.kind == "finding":
        return value == "absent"
    normal = {v for k, v in item.generic.items() if k in ("normal", "full", "equal")}
    return value in normal or value in ("normal", "full", "not_done") or (not normal and value == "present")
