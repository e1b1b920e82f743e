"""Facts of one record that cannot all stand.

The rules are in the norms; this module only asks for the facts that a rule names.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from dictate.derived.clauses import Fact, Finder
from dictate.derived.facts import OTHER
from dictate.norms import Contradiction, Impression, Norms
from dictate.record import Entry

Found = tuple[str, tuple[str, ...]]


def _rule(finder: Finder, rule: Contradiction) -> Iterator[Found]:
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


def _impressions(finder: Finder, name: str, certainties: list[str]) -> list[Fact]:
    rules = finder.norms.conclusion
    return [
        f
        for f in finder.by_key.get((rules.item, False), ())
        if f.number == name and str(f.context.get(rules.certainty)) in certainties
    ]


def _explained(finder: Finder, rule: Impression, sides: set[str | None]) -> bool:
    held = finder.norms.conclusion.held
    return any(f.side is None or f.side in sides for name in rule.explained for f in _impressions(finder, name, held))


def _wrong_side(finder: Finder, rule: Impression) -> Iterator[Found]:
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


def _denied(finder: Finder, rule: Impression) -> Iterator[Found]:
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
    finder = Finder(entries, norms)
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
