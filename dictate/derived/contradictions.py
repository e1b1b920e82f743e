"""Facts of one record that cannot all stand.

A fact is an entry or a value computed from entries. The rules are in the norms; this module
only finds the facts that a rule asks for.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from dictate.derived.compute import compute
from dictate.derived.facts import OTHER, Computed, Context, fits, shown, span
from dictate.derived.judging import Judging, turned
from dictate.norms import Clause, Contradiction, Impression, Norms
from dictate.record import Entry, Value

Found = tuple[str, tuple[str, ...]]


@dataclass(frozen=True)
class Fact:
    """An entry or a computed value, as the rules see it. `sure` is its side's certainty."""

    key: str
    derived: bool
    side: str | None
    number: Value
    context: Context
    ids: tuple[str, ...]
    sure: bool = True
    entry: Entry | None = field(default=None, compare=False)

    @property
    def value(self) -> str:
        """The value as read in a sentence."""
        return shown(self.number)


def _fact(entry: Entry) -> Fact:
    return Fact(entry.item, False, entry.side, entry.value, entry.context, (entry.id,), entry.state == "stated", entry)


def _computed_fact(computed: Computed) -> Fact:
    derived = computed.derived
    return Fact(computed.base, True, derived.side, derived.value, computed.context, derived.entries)


class _Finder:
    """The facts of one record and the rules' questions about them."""

    def __init__(self, entries: list[Entry], norms: Norms) -> None:
        computed = compute(entries, norms)
        self.norms = norms
        self.judging = Judging(entries, computed, norms)
        self.facts = [_fact(e) for e in entries] + [_computed_fact(c) for c in computed]
        self.by_key: dict[tuple[str, bool], list[Fact]] = {}
        for fact in self.facts:
            self.by_key.setdefault((fact.key, fact.derived), []).append(fact)
        self.order = {e.id: n for n, e in enumerate(entries)}

    def side(self, fact: Fact, clause: Clause) -> str | None:
        """The side a fact speaks of: its own, or the one its value points to."""
        pointing = str(fact.number) if str(fact.number) in OTHER else fact.side
        if clause.toward == "other":
            return OTHER.get(pointing or "")
        return pointing if clause.toward else fact.side

    def _fits(self, fact: Fact, clause: Clause) -> bool:
        if not fits(fact.context, clause.context) or any(key in fact.context for key in clause.without):
            return False
        value = str(fact.number)
        if (clause.values and value not in clause.values) or value in clause.not_values:
            return False
        if clause.turn and not (fact.entry and turned(fact.entry, clause.turn, self.norms)):
            return False
        if clause.abnormal and not (fact.entry and self.judging.verdict(fact.entry) == "abnormal"):
            return False
        return _in_bounds(fact, clause)

    def _stands(self, fact: Fact, clause: Clause, anchor: Fact, anchor_side: str | None) -> bool:
        side = self.side(fact, clause)
        if clause.side == "other":
            return side in OTHER and anchor_side == OTHER[side or ""]
        if clause.side == "same":
            for one, of in ((side, fact), (anchor_side, anchor)):
                if one is None and not of.sure:
                    return False
            if side in OTHER and anchor_side in OTHER and side != anchor_side:
                return False
        return _numbers_stand(fact, clause, anchor)

    def matching(
        self, clause: Clause, anchor: Fact | None = None, anchor_side: str | None = None, alike: Iterable[str] = ()
    ) -> Iterator[Fact]:
        """The facts that a clause asks for, beside an anchor if there is one."""
        for fact in self.by_key.get((clause.derived or clause.item, bool(clause.derived)), ()):
            if not self._fits(fact, clause):
                continue
            if anchor is not None and (
                fact is anchor or not _alike(fact, anchor, alike) or not self._stands(fact, clause, anchor, anchor_side)
            ):
                continue
            yield fact

    def ids(self, facts: Iterable[Fact]) -> tuple[str, ...]:
        """The entries behind some facts, in the record's order."""
        return tuple(sorted({i for f in facts for i in f.ids}, key=lambda i: self.order[i]))


def _in_bounds(fact: Fact, clause: Clause) -> bool:
    if clause.at_least is None and clause.above is None and clause.at_most is None:
        return True
    pair = span(fact.number)
    if pair is None:
        return False
    return (
        (clause.at_least is None or pair[0] >= clause.at_least)
        and (clause.above is None or pair[0] > clause.above)
        and (clause.at_most is None or pair[1] <= clause.at_most)
    )


def _numbers_stand(fact: Fact, clause: Clause, anchor: Fact) -> bool:
    if not clause.below_anchor and clause.off_anchor is None and clause.near_anchor is None:
        return True
    here, there = span(fact.number), span(anchor.number)
    if here is None or there is None:
        return False
    if clause.below_anchor:
        return here[1] < there[0]
    turn = -1 if fact.side in OTHER and anchor.side in OTHER and fact.side != anchor.side else 1
    low, high = sorted(turn * n for n in here)
    gap = max(0.0, low - there[1], there[0] - high)
    if clause.off_anchor is not None:
        return gap >= clause.off_anchor
    return gap < (clause.near_anchor or 0)


def _alike(fact: Fact, anchor: Fact, keys: Iterable[str]) -> bool:
    here, there = fact.context, anchor.context
    return all(str(here[k]) == str(there[k]) for k in keys if k in here and k in there)


def _rule(finder: _Finder, rule: Contradiction) -> Iterator[Found]:
    first, *others = rule.clause
    for anchor in finder.matching(first):
        side = finder.side(anchor, first)
        choices = [list(finder.matching(c, anchor, side, rule.alike)) for c in others]
        if any(next(finder.matching(u, anchor, side, rule.alike), None) for u in rule.unless):
            continue
        for chosen in itertools.product(*choices):
            facts = (anchor, *chosen)
            kept = [f for f, c in zip(facts, rule.clause, strict=True) if not c.quiet]
            yield rule.say.format(*facts), finder.ids(kept)


def _impressions(finder: _Finder, name: str, certainties: list[str]) -> list[Fact]:
    rules = finder.norms.conclusion
    return [
        f
        for f in finder.by_key.get((rules.item, False), ())
        if f.number == name and str(f.context.get(rules.certainty)) in certainties
    ]


def _explained(finder: _Finder, rule: Impression, sides: set[str | None]) -> bool:
    held = finder.norms.conclusion.held
    return any(f.side is None or f.side in sides for name in rule.explained for f in _impressions(finder, name, held))


def _wrong_side(finder: _Finder, rule: Impression) -> Iterator[Found]:
    words = finder.norms.conclusion
    held = [f for f in _impressions(finder, rule.name, words.held) if f.side in OTHER]
    if {f.side for f in held} == set(OTHER):
        return
    for fact, clause in itertools.product(held, rule.same_side):
        by_side: dict[str | None, list[Fact]] = {}
        for evidence in finder.matching(clause):
            by_side.setdefault(finder.side(evidence, clause), []).append(evidence)
        other = OTHER[fact.side or ""]
        if other in by_side and fact.side not in by_side and not _explained(finder, rule, {fact.side, other}):
            say = words.wrong_side.format(said=rule.said, side=fact.side, word=clause.word, other=other)
            yield say, finder.ids([fact, *by_side[other]])


def _denied(finder: _Finder, rule: Impression) -> Iterator[Found]:
    words = finder.norms.conclusion
    for certainties, clauses, form in (
        (words.stated, rule.against, words.against),
        (words.excluded, rule.denies_exclusion, words.denied),
    ):
        for fact, clause in itertools.product(_impressions(finder, rule.name, certainties), clauses):
            found = list(finder.matching(clause, fact, fact.side))
            if found and not _explained(finder, rule, {f.side for f in found}):
                on_side = words.on_side.format(side=fact.side) if fact.side else ""
                yield form.format(said=rule.said, on_side=on_side, word=clause.word), finder.ids([fact, *found])


def contradictions(entries: list[Entry], norms: Norms) -> list[Found]:
    """The question and the entry ids of every contradiction; each set of entries once."""
    finder = _Finder(entries, norms)
    found: list[Found] = []
    for rule in norms.contradiction:
        found += _rule(finder, rule)
    for impression in norms.impression:
        found += _wrong_side(finder, impression)
        found += _denied(finder, impression)
    once: dict[tuple[str, ...], str] = {}
    for say, ids in found:
        once.setdefault(ids, say)
    return [(say, ids) for ids, say in once.items()]
