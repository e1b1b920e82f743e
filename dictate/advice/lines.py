"""Suggestions as plain lines to read, for the command line and for failing tests alike."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

from dictate.advice.advise import Sooner, Suggestion
from dictate.advice.rules import Rules
from dictate.explain import headline
from dictate.lexicon import Lexicon
from dictate.record import Record
from dictate.table import value_text

WIDTH = 100
_LABEL = 13


class _Words:
    """The words of the plan: whom to ask, tests, how soon."""

    def __init__(self, record: Record, lexicon: Lexicon, rules: Rules) -> None:
        self.record = record
        self.lexicon = lexicon
        self.plan = rules.plan

    def asked(self, value: str) -> str:
        return value_text(self.lexicon.items[self.plan.referral], value)

    def tests(self, values: Iterable[str]) -> str:
        item = self.lexicon.items[self.plan.test]
        return ", ".join(value_text(item, value) for value in values)

    def soon(self, urgency: str) -> str:
        return self.plan.urgencies[urgency]

    def entry(self, entry_id: str) -> str:
        return headline(self.record.entry(entry_id), self.lexicon)


def _told(label: str, text: str) -> list[str]:
    start = f"   {label:<{_LABEL}}"
    return textwrap.wrap(text, WIDTH, initial_indent=start, subsequent_indent=" " * len(start))


def opening(record: Record, count: int) -> list[str]:
    """What stands before the suggestions: the note's name, and what they cannot rest on yet."""
    lines = [record.name]
    if record.open:
        some = "1 question is" if len(record.flags) == 1 else f"{len(record.flags)} questions are"
        lines += textwrap.wrap(
            f"{some} open: values of this note are not confirmed. What follows uses the stated entries only, "
            "and can change when the questions are settled.",
            WIDTH,
        )
    if not count:
        lines.append("Nothing that is stated calls for a suggestion. That is no clearance.")
    return lines


def told(number: int, one: Suggestion, record: Record, lexicon: Lexicon, rules: Rules) -> list[str]:
    """The lines of one suggestion; `number` counts them in the record."""
    words = _Words(record, lexicon, rules)
    side = f", {one.side}" if one.side else ""
    lines = [f"{number}. {one.title}{side}: {words.soon(one.urgency)}"]
    for n, found in enumerate([words.entry(i) for i in one.entries] + list(one.computed)):
        lines += _told("" if n else "found", found)
    lines += _told("suggestion", one.suggests)
    lines += _told("ask", f"{words.asked(one.ask)}{_planned(one, words)}")
    if one.tests:
        lines += _told("tests", words.tests(one.tests))
    if one.planned_tests:
        lines += _told("planned", words.tests(one.planned_tests))
    lines += _flags(one.red_flags, words)
    if one.excluded:
        lines += _told("but", "excluded in the note: " + "; ".join(words.entry(i) for i in one.excluded))
    if one.caution:
        lines += _told("caution", one.caution)
    sources = dict.fromkeys(s.cite for s in [*one.sources, *(s for f in one.red_flags for s in f.sources)])
    for n, cite in enumerate(sources):
        lines += _told("" if n else "source", cite)
    return lines


def _planned(one: Suggestion, words: _Words) -> str:
    if not one.planned:
        return ""
    plan = "; ".join(words.entry(i) for i in one.plan)
    return f" (planned: {plan}{', which is later than usual' if one.later else ''})"


def _flags(flags: Iterable[Sooner], words: _Words) -> Iterator[str]:
    for flag in flags:
        label = "sooner, as" if flag.met else "sooner if"
        yield from _told(label, f"{flag.say}: {words.soon(flag.urgency)}")
        if flag.met:
            for entry in flag.entries:
                yield from _told("", f"({words.entry(entry)})")
