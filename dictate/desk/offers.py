"""What the findings may call for, as the page shows it: offered for the plan, never put there by itself."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from dictate.advice.advise import Sooner, Suggestion, advise
from dictate.advice.rules import Rules
from dictate.desk.view import row_text
from dictate.lexicon import Lexicon
from dictate.record import Record
from dictate.settling import Row
from dictate.table import value_text


@dataclass(frozen=True)
class Taken:
    """Something that can be taken into the plan; `key` names it, `words` say what it is."""

    key: str
    words: str
    row: Row


@dataclass(frozen=True)
class Flagged:
    """What makes it sooner: what was found, or what is still to be asked and looked for."""

    say: str
    soon: str
    found: tuple[str, ...]


@dataclass(frozen=True)
class Offer:
    """One suggestion in words. `planned` tells how the plan holds it; `takes` is what the plan lacks of it."""

    key: str
    title: str
    side: str
    soon: str
    found: tuple[str, ...]
    suggests: str
    ask: str
    planned: str
    planned_tests: tuple[str, ...]
    takes: tuple[Taken, ...]
    sooner: tuple[Flagged, ...]
    to_ask: tuple[Flagged, ...]
    excluded: tuple[str, ...]
    caution: str
    sources: tuple[str, ...]


def offers(record: Record, lexicon: Lexicon, rules: Rules) -> tuple[Offer, ...]:
    """The suggestions on a record, the most urgent first; each thing is offered for the plan once."""
    told = _Telling(record, lexicon, rules)
    return tuple(told.offer(one) for one in advise(record, lexicon, rules))


def find(offered: Iterable[Offer], key: str) -> Taken | None:
    """What is offered under that key."""
    return next((one for offer in offered for one in offer.takes if one.key == key), None)


class _Telling:
    """Puts suggestions into words; what was offered once is not offered again further down."""

    def __init__(self, record: Record, lexicon: Lexicon, rules: Rules) -> None:
        self.record = record
        self.lexicon = lexicon
        self.plan = rules.plan
        self.offered: set[str] = set()

    def offer(self, one: Suggestion) -> Offer:
        plan = self.lexicon.items[self.plan.test]
        return Offer(
            key=f"{one.key}-{one.side or 'none'}",
            title=one.title,
            side=one.side or "",
            soon=self._soon(one.urgency),
            found=(*self._entries(one.entries), *one.computed),
            suggests=one.suggests,
            ask=value_text(self.lexicon.items[self.plan.referral], one.ask),
            planned=self._planned(one),
            planned_tests=tuple(value_text(plan, test) for test in one.planned_tests),
            takes=tuple(self._takes(one)),
            sooner=tuple(self._flag(flag) for flag in one.red_flags if flag.met),
            to_ask=tuple(self._flag(flag) for flag in one.red_flags if not flag.met),
            excluded=self._entries(one.excluded),
            caution=one.caution,
            sources=tuple(
                dict.fromkeys(s.cite for s in (*one.sources, *(s for flag in one.red_flags for s in flag.sources)))
            ),
        )

    def _takes(self, one: Suggestion) -> Iterator[Taken]:
        rows = [] if one.planned else [Row(self.plan.referral, None, one.ask, {self.plan.urgency: one.urgency})]
        for row in [*rows, *(Row(self.plan.test, None, test) for test in one.tests)]:
            key = f"{row.item}={row.value}"
            if key not in self.offered:
                self.offered.add(key)
                item = self.lexicon.items[row.item]
                words = value_text(item, row.value)
                yield Taken(key, words if row.item == self.plan.test else f"{item.title}: {words}", row)

    def _planned(self, one: Suggestion) -> str:
        if not one.planned:
            return ""
        return "; ".join(self._entries(one.plan)) + (", which is later than usual" if one.later else "")

    def _flag(self, flag: Sooner) -> Flagged:
        return Flagged(flag.say, self._soon(flag.urgency), self._entries(flag.entries))

    def _entries(self, ids: Iterable[str]) -> tuple[str, ...]:
        return tuple(row_text(Row.of(self.record.entry(one)), self.lexicon) for one in ids)

    def _soon(self, urgency: str) -> str:
        return self.plan.urgencies[urgency]
