"""Suggestions: what the stated findings of a record may call for, and what the plan already holds.

`advise(record, lexicon)` is pure: it reads the stated entries, asks the rules of referral.toml
which rows apply on which side, and takes off what was done today or is planned. It puts nothing
into the record; the clinician's own plan comes first.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from dictate.advice.rules import Advice, RedFlag, Rules, Sign, load, parted
from dictate.advice.side import BOTH, filled
from dictate.derived.clauses import Fact, Finder, related
from dictate.derived.facts import stated, told
from dictate.lexicon import Lexicon
from dictate.norms import Norms
from dictate.norms import load as load_norms
from dictate.record import Entry, Record

Side = str | None


@dataclass(frozen=True)
class Cited:
    """A source as printed, and how far it was checked: read, memory, practice or arithmetic."""

    cite: str
    basis: str


@dataclass(frozen=True)
class Sooner:
    """What makes it sooner: met by the record (with its entries), or left to ask and look for."""

    say: str
    urgency: str
    met: bool
    entries: tuple[str, ...]
    sources: tuple[Cited, ...]


@dataclass(frozen=True)
class Suggestion:
    """What some findings may call for; `side` is "right", "left", "both" or None.

    `entries` are the ids it rests on, `computed` the sentences of computed values among them;
    `tests` those not done today and not planned; `usual` the urgency without red flags.
    `planned`: the clinician's plan already refers there (`plan` holds its entries), `later`: at a
    later time than usual. `excluded`: entries that exclude what is suggested.
    """

    key: str
    title: str
    side: Side
    entries: tuple[str, ...]
    computed: tuple[str, ...]
    suggests: str
    ask: str
    tests: tuple[str, ...]
    urgency: str
    usual: str
    red_flags: tuple[Sooner, ...]
    sources: tuple[Cited, ...]
    caution: str
    defers: str
    letter: str
    planned: bool = False
    later: bool = False
    plan: tuple[str, ...] = ()
    planned_tests: tuple[str, ...] = ()
    excluded: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The printed form, ready for json.dumps."""
        return asdict(self)


@dataclass
class _Met:
    """A red flag that the record shows: on which side, and by which facts."""

    side: Side
    facts: list[Fact]

    def joined(self, other: _Met) -> _Met:
        """The same flag on another side too."""
        side = self.side if self.side == other.side else BOTH
        return _Met(side, [*self.facts, *(f for f in other.facts if f not in self.facts)])


@dataclass
class _Found:
    """A row that applies on one side, with the facts that call for it."""

    row: Advice
    side: Side
    facts: list[Fact] = field(default_factory=list)
    met: dict[int, _Met] = field(default_factory=dict)
    tests: list[str] = field(default_factory=list)

    def add(self, facts: Iterable[Fact]) -> None:
        self.facts += [f for f in facts if f not in self.facts]


class _Asking:
    """The rows' questions about one record."""

    def __init__(self, entries: Iterable[Entry], rules: Rules, norms: Norms) -> None:
        every = list(entries)
        self.rules = rules
        self.norms = norms
        self.entries = stated(every, norms)
        self.finder = Finder(self.entries, norms)
        self.tested = Finder(told(every, norms), norms)  # a test was done, even if its value is asked about

    def _showing(self, sign: Sign) -> Iterator[tuple[Fact, Side]]:
        for clause in sign.clauses:
            for fact in self.finder.fitting(clause):
                yield fact, self.finder.side(fact, clause)

    def beside(self, said: str, side: Side, anchor: Fact | None = None) -> list[Fact]:
        """The facts that show a sign on a side, other than the anchor."""
        sign = self.rules.sign(said)
        return [f for f, own in self._showing(sign) if f is not anchor and related(own, side, sign.relation)]

    def way(self, signs: Iterable[str], side: Side) -> list[Fact]:
        """The facts of a way in which something holds on a side; none if one sign of it is missing."""
        shown = [self.beside(sign, side) for sign in signs]
        return [f for facts in shown for f in facts] if all(shown) else []

    def _applies(self, row: Advice) -> Iterator[tuple[Side, list[Fact]]]:
        for first, *others in row.when:
            for anchor, side in self._showing(self.rules.sign(first)):
                shown = [self.beside(sign, side, anchor) for sign in others]
                if all(shown) and not any(self.way(way, side) for way in row.unless):
                    yield side, [anchor, *(f for facts in shown for f in facts)]

    def found(self, row: Advice) -> list[_Found]:
        """The row on each side on which it applies."""
        by_side: dict[Side, _Found] = {}
        for side, facts in self._applies(row):
            by_side.setdefault(side, _Found(row, side)).add(facts)
        unsided = by_side.pop(None, None) if len(by_side) > 1 else None
        for one in by_side.values():
            one.add(unsided.facts if unsided else ())
            one.add(f for sign in row.also for f in self.beside(sign, one.side))
            for number, flag in enumerate(row.red_flag):
                if facts := [f for way in flag.when for f in self.way(way, one.side)]:
                    one.met[number] = _Met(one.side, facts)
            one.tests = [t for t in row.tests if not self._done(t, one.side)] + row.again
        return list(by_side.values())

    def _done(self, test: str, side: Side) -> bool:
        return any(
            related(self.tested.side(f, c), side, "same")
            for c in self.rules.done.get(test, ())
            for f in self.tested.fitting(c)
        )

    def excluding(self, found: _Found) -> list[Fact]:
        """The impressions that exclude what a row suggests."""
        words = self.norms.conclusion
        return [
            f
            for f in self.finder.by_key.get((words.item, False), ())
            if f.number in found.row.concludes
            and str(f.context.get(words.certainty)) in words.excluded
            and related(f.side, found.side, "same")
        ]

    def planned(self, item: str) -> list[Entry]:
        """The entries of the plan that hold an item."""
        return [e for e in self.entries if e.item == item]


def _merged(found: list[_Found]) -> list[_Found]:
    """Right and left of one row as one: both."""
    sides = {one.side for one in found}
    if len(sides) < 2:
        return found
    whole = _Found(found[0].row, BOTH)
    for one in found:
        whole.add(one.facts)
        whole.tests += [t for t in one.tests if t not in whole.tests]
        for number, met in one.met.items():
            whole.met[number] = whole.met[number].joined(met) if number in whole.met else met
    whole.tests.sort(key=[*whole.row.tests, *whole.row.again].index)
    return [whole]


def _covered(found: list[_Found]) -> list[_Found]:
    """Without the rows that a fuller one of the same side replaces; it takes over what they rest on."""
    kept = []
    for one in found:
        fuller = [other for other in found if _replaces(other, one)]
        for other in fuller:
            other.add(one.facts)
        if not fuller:
            kept.append(one)
    return kept


def _replaces(fuller: _Found, one: _Found) -> bool:
    named = map(parted, fuller.row.replaces)
    return any(name == one.row.key and related(one.side, fuller.side, relation) for name, relation in named)


class _Telling:
    """Turns rows that apply into suggestions."""

    def __init__(self, asking: _Asking) -> None:
        self.asking = asking
        self.rules = asking.rules
        self.rank = {urgency: n for n, urgency in enumerate(self.rules.plan.urgencies)}

    def suggestion(self, found: _Found) -> Suggestion:
        row = found.row
        met = sorted((row.red_flag[n] for n in found.met), key=lambda flag: self.rank[flag.urgency])
        soonest = met[0] if met and self.rank[met[0].urgency] < self.rank[row.urgency] else None
        urgency = soonest.urgency if soonest else row.urgency
        asker: Advice | RedFlag = next((flag for flag in met if flag.ask), row)
        planned_tests = {str(e.value) for e in self.asking.planned(self.rules.plan.test)}
        ids = self.asking.finder.ids
        one = Suggestion(
            key=row.key,
            title=_said(row.title, found.side),
            side=found.side,
            entries=ids(found.facts),
            computed=tuple(dict.fromkeys(f.text for f in found.facts if f.text)),
            suggests=_said(row.suggests, found.side),
            ask=asker.ask,
            tests=tuple(t for t in found.tests if t not in planned_tests),
            planned_tests=tuple(t for t in found.tests if t in planned_tests),
            urgency=urgency,
            usual=row.urgency,
            red_flags=tuple(self._flags(found, urgency)),
            sources=self.cited(row.source),
            caution=_said(row.caution, found.side),
            defers=self.rules.caution,
            letter=_said(row.letter, found.side),
            excluded=ids(self.asking.excluding(found)),
        )
        return self._planned(one, {asker.ask, *asker.or_ask})

    def cited(self, keys: Iterable[str]) -> tuple[Cited, ...]:
        """Sources by their keys, as printed."""
        words = self.asking.norms.basis
        every = [self.rules.source[key] for key in dict.fromkeys(keys)]
        return tuple(Cited(s.cite + words[s.basis], s.basis) for s in every)

    def _flags(self, found: _Found, urgency: str) -> Iterator[Sooner]:
        """The red flags met, then those that would still make it sooner."""
        for number, flag in enumerate(found.row.red_flag):
            if met := found.met.get(number):
                ids = self.asking.finder.ids(met.facts)
                yield Sooner(_said(flag.say, met.side), flag.urgency, True, ids, self.cited(flag.source))
        for number, flag in enumerate(found.row.red_flag):
            if number not in found.met and self.rank[flag.urgency] < self.rank[urgency]:
                yield Sooner(_said(flag.say, found.side), flag.urgency, False, (), self.cited(flag.source))

    def _planned(self, one: Suggestion, takers: set[str]) -> Suggestion:
        plan = self.rules.plan
        held = [e for e in self.asking.planned(plan.referral) if str(e.value) in takers]
        if not held:
            return one
        said = [str(e.context[plan.urgency]) for e in held if plan.urgency in e.context]
        later = bool(said) and min(self.rank[u] for u in said) > self.rank[one.urgency]
        return replace(one, planned=True, later=later, plan=tuple(e.id for e in held))


def _said(sentence: str, side: Side) -> str:
    return filled(sentence, side)


def advise(record: Record, lexicon: Lexicon, rules: Rules | None = None) -> tuple[Suggestion, ...]:
    """The suggestions that the stated entries of a record call for, the most urgent first.

    Entries about which a question is open, tests declared not done and values that are not stated
    call for nothing. `rules` defaults to those shipped and those of DICTATE_LEXICON. The same
    record gives the same suggestions; the record is not changed. Raises LexiconError.
    """
    rules = rules or load(lexicon)
    norms = load_norms()
    asking = _Asking(record.entries, rules, norms)
    by_row: dict[str, list[_Found]] = {}
    for one in _covered([one for row in rules.advice for one in asking.found(row)]):
        by_row.setdefault(one.row.key, []).append(one)
    telling = _Telling(asking)
    told_of = [telling.suggestion(one) for found in by_row.values() for one in _merged(found)]
    return tuple(sorted(told_of, key=lambda one: telling.rank[one.urgency]))
