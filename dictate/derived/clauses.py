"""The clause language: which facts of a record a rule asks for, and how they stand to each other.

A fact is an entry or a value computed from entries; a `Clause` (see `dictate.norms`) says what a
fact must be. Contradictions and suggestions both ask in this language.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from dictate.derived.compute import compute
from dictate.derived.facts import OTHER, Computed, Context, fits, shown, span
from dictate.derived.judging import Judging, turned
from dictate.norms import Clause, Norms, Relation
from dictate.record import Entry, Value


@dataclass(frozen=True)
class Fact:
    """An entry or a computed value, as the rules see it.

    `sure` is its side's certainty; `text` is the sentence of a computed value, "" for an entry.
    """

    key: str
    derived: bool
    side: str | None
    number: Value
    context: Context
    ids: tuple[str, ...]
    sure: bool = True
    entry: Entry | None = field(default=None, compare=False)
    text: str = field(default="", compare=False)

    @property
    def value(self) -> str:
        """The value as read in a sentence."""
        return shown(self.number)


def _fact(entry: Entry) -> Fact:
    return Fact(entry.item, False, entry.side, entry.value, entry.context, (entry.id,), entry.state == "stated", entry)


def _computed_fact(computed: Computed) -> Fact:
    derived = computed.derived
    return Fact(computed.base, True, derived.side, derived.value, computed.context, derived.entries, text=derived.text)


class Finder:
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
        """The side a fact speaks of: its own, the one its value points to, or the clause's."""
        if clause.stands_for:
            return clause.stands_for
        pointing = str(fact.number) if str(fact.number) in OTHER else fact.side
        if clause.toward == "other":
            return OTHER.get(pointing or "")
        return pointing if clause.toward else fact.side

    def fitting(self, clause: Clause) -> Iterator[Fact]:
        """The facts that a clause asks for, whatever else the record holds."""
        for fact in self.by_key.get((clause.derived or clause.item, bool(clause.derived)), ()):
            if self._fits(fact, clause):
                yield fact

    def _fits(self, fact: Fact, clause: Clause) -> bool:
        if clause.of and (fact.side or "none") != clause.of:
            return False
        if not fits(fact.context, clause.context) or any(key in fact.context for key in clause.without):
            return False
        if any(str(fact.context.get(key, "")) in values for key, values in clause.other_than.items()):
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
        if clause.side == "same":
            for one, of in ((side, fact), (anchor_side, anchor)):
                if one is None and not of.sure:
                    return False
        return related(side, anchor_side, clause.side) and _numbers_stand(fact, clause, anchor)

    def matching(
        self, clause: Clause, anchor: Fact | None = None, anchor_side: str | None = None, alike: Iterable[str] = ()
    ) -> Iterator[Fact]:
        """The facts that a clause asks for, beside an anchor if there is one."""
        for fact in self.fitting(clause):
            if anchor is not None and (
                fact is anchor or not _alike(fact, anchor, alike) or not self._stands(fact, clause, anchor, anchor_side)
            ):
                continue
            yield fact

    def ids(self, facts: Iterable[Fact]) -> tuple[str, ...]:
        """The entries behind some facts, in the record's order."""
        return tuple(sorted({i for f in facts for i in f.ids}, key=lambda i: self.order[i]))


def related(side: str | None, anchor_side: str | None, relation: Relation) -> bool:
    """Whether a side stands to another as asked; sides that are not told deny nothing but "other"."""
    if relation == "other":
        return side in OTHER and anchor_side == OTHER[side or ""]
    return relation == "any" or not (side in OTHER and anchor_side in OTHER and side != anchor_side)


def _in_bounds(fact: Fact, clause: Clause) -> bool:
    bounds = (clause.at_least, clause.above, clause.at_most, clause.below)
    if all(bound is None for bound in bounds):
        return True
    pair = span(fact.number)
    if pair is None:
        return False
    return (
        (clause.at_least is None or pair[0] >= clause.at_least)
        and (clause.above is None or pair[0] > clause.above)
        and (clause.at_most is None or pair[1] <= clause.at_most)
        and (clause.below is None or pair[1] < clause.below)
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
