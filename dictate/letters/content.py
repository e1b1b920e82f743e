"""A settled record as a letter: `draft` says what stands in it; how it looks is the renderers' affair.

Every sentence comes from a template of `templates/` (or the user's own) and names the entries it rests on.
Nothing is put in that the record does not hold: suggestions only decide which findings are named first.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Protocol

from dictate.exports.document import Document
from dictate.letters import findings as table
from dictate.letters.model import Figure, Finding, Kind, Letter, Party, Said, Section, Urgency
from dictate.letters.phrases import ALIKE, LEFT, RIGHT, Found, Group, Telling, on_side, plain_side, qualified, sides
from dictate.letters.templating import Sentences, capital
from dictate.letters.words import ANY, SUSPECTED, Words, load
from dictate.lexicon import Lexicon
from dictate.record import Entry
from dictate.sketches import sketches
from dictate.table import value_text

if TYPE_CHECKING:
    from dictate.advice.advise import Suggestion

NOT_RECORDED = "not_documented"
"""The key that stands for the record's list of tests of which it says nothing."""
NAMED = 6
"""Findings named in the opening; the table holds them all."""
_MONTHS = "January February March April May June July August September October November December".split()
_URGENCIES: tuple[Urgency, ...] = ("same_day", "urgent", "soon", "routine")
_WITHIN = re.compile(
    r"\bwithin\s+(?:the\s+|a\s+)?(?:next\s+)?[\w-]+(?:\s+(?:to|or)\s+[\w-]+)?\s+(?:hour|day|week|month)s?\b", re.I
)
_TITLED = re.compile(r"(?:Dr|Prof|Professor|Mr|Mrs|Ms|Miss|Mx|Sir|Dame)\b\.?", re.I)
_EXACT = re.compile(r"\d")


class Clinic(Protocol):
    """What a letter takes from the user's settings."""

    @property
    def clinic(self) -> Party: ...
    @property
    def clinician(self) -> Party: ...
    @property
    def paper(self) -> Literal["a4", "us-letter"]: ...
    @property
    def templates(self) -> Path | None: ...


def draft(
    document: Document,
    lexicon: Lexicon,
    settings: Clinic,
    *,
    kind: Kind = "referral",
    to: str = "",
    suggestions: Sequence[Suggestion] = (),
    folder: str | None = None,
) -> Letter:
    """A letter of a settled record.

    `to` is the recipient, name and address on lines; the plan's referral names one where it is empty. `suggestions`
    decide which findings are named first and put nothing in. `folder` is the user's lexicon folder. Raises OpenQuestions
    while anything is open, TemplateFault for a user's template, LexiconError.
    """
    document.settled()
    words = load(lexicon, folder)
    sentences = Sentences(kind, settings.templates)
    made = (_Referral if kind == "referral" else _Patient)(document, lexicon, words, sentences, suggestions, to)
    signed_at = document.signed_at.astimezone() if document.signed_at else None
    stamp = f"{_day(signed_at)}, {signed_at:%H:%M}" if signed_at else ""
    return Letter(
        kind=kind,
        title=sentences.say("title"),
        clinic=settings.clinic,
        clinician=settings.clinician,
        recipient=made.recipient,
        date=_day(document.at.astimezone()),
        reference=sentences.say(
            "reference", document.name, _day(document.birth_date) if document.birth_date else "", document.reference
        ),
        greeting=made.greeting,
        opening=made.opening(),
        sections=tuple(one for one in made.sections() if one.points or one.findings),
        closing=sentences.say("closing"),
        signed=sentences.say("signed", document.signed_by, stamp) if signed_at else "",
        caution=sentences.say("caution"),
        made_from=sentences.say("made_from", document.label, document.version, document.signed_by, stamp),
        urgency=made.urgency,
        figures=made.figures(),
        draft="" if document.signed else sentences.say("draft"),
        paper=settings.paper,
    )


def left_over(document: Document) -> tuple[tuple[str, str], ...]:
    """What the note says and no letter takes up: (why, words), in the note's order.

    Why is "unplaced", or the reason for which the reading left it out ("history", "warning", "quoted" ...).
    """
    record = document.record
    found = [("unplaced", one) for one in record.unplaced] + list(record.silent)
    return tuple((why, " ".join(one.text.split())) for why, one in sorted(found, key=lambda pair: pair[1].start))


class _Made:
    """What letters of both kinds share."""

    def __init__(
        self,
        document: Document,
        lexicon: Lexicon,
        words: Words,
        sentences: Sentences,
        suggestions: Sequence[Suggestion],
        to: str,
    ) -> None:
        self.document = document
        self.lexicon = lexicon
        self.words = words
        self.plan = words.plan
        self.sentences = sentences
        self.telling = Telling(document.record, lexicon, words)
        self.suggestions = suggestions
        self.to = [line.strip() for line in to.splitlines() if line.strip()]

    # ---- the record's parts -----------------------------------------------------------------

    @cached_property
    def notable(self) -> list[Entry]:
        """Findings to be named: first those that call for this recipient, those of other suggestions, then the rest; signs before figures."""
        whom = self.referral.value if self.referral else None
        suggested = sorted(self.suggestions, key=lambda one: one.ask != whom)
        place = {i: n for n, one in reversed(list(enumerate(suggested))) for i in one.entries}
        named = [e for e in self.telling.findings if self.telling.notable(e)]
        rank = len(suggested)
        return sorted(self._fuller(named), key=lambda e: (place.get(e.id, rank), self.telling.measured(e)))

    def _fuller(self, entries: list[Entry]) -> list[Entry]:
        """Without findings whose size stands among them: it says both."""
        sizes = {(self.lexicon.items[e.item].implies, e.side) for e in entries}
        return [e for e in entries if (e.item, e.side) not in sizes]

    @cached_property
    def referral(self) -> Entry | None:
        """The referral that this letter is for: the one that `to` names, else the soonest of the plan."""
        planned = [e for e in self.telling.of_role("plan") if e.item == self.plan.referral]
        to = " ".join(self.to).lower()
        named = [e for e in planned if to and self._called(e) in to]
        rank = {urgency: n for n, urgency in enumerate(_URGENCIES)}
        return min(named or planned, key=lambda e: rank.get(self._urgency(e), len(rank)), default=None)

    def _called(self, entry: Entry) -> str:
        return str(entry.value).replace("_", " ")[:9]

    def _urgency(self, entry: Entry | None) -> Urgency:
        said = str(entry.context.get(self.plan.urgency, "")) if entry else ""
        return next((one for one in _URGENCIES if one == said), "")

    @property
    def urgency(self) -> Urgency:
        """How soon, by the clinician's plan."""
        return self._urgency(self.referral)

    def soon(self, entry: Entry | None, words: dict[str, str]) -> str:
        """How soon in words: as the note has it ("within two weeks"), or else its kind ("urgently")."""
        urgency = self._urgency(entry)
        if entry is None or not urgency:
            return ""
        said = next((m.group() for one in entry.evidence if (m := _WITHIN.search(one.text))), "")
        return " ".join(said.lower().split()) or words.get(urgency, urgency.replace("_", " "))

    def _unnamed(self, entry: Entry) -> str:
        """The note's words for a service that has no name of its own here."""
        return _quoted(entry) if entry.value == self.plan.unnamed else ""

    def concluded(self, *, excluded: bool = False) -> list[Entry]:
        """Impressions that are held, or those that are excluded."""
        return [
            e
            for e in self.telling.of_role("impression")
            if e.value not in self.plan.no_impression
            and (e.context.get(self.plan.certainty) == self.plan.excluded) is excluded
        ]

    @cached_property
    def overall(self) -> list[Entry]:
        """Impressions that say nothing is wrong."""
        return [e for e in self.telling.of_role("impression") if e.value in self.plan.no_impression]

    @property
    def date(self) -> str:
        """The day of the examination, as far as the record knows it."""
        return _day(self.document.at.astimezone())

    def say(self, sentence: str, *values: Any, of: Iterable[str] = (), derived: Iterable[str] = ()) -> tuple[Said, ...]:
        """A sentence of the templates, or none where it says nothing."""
        text = self.sentences.say(sentence, *values)
        return (Said(text, tuple(dict.fromkeys(of)), tuple(dict.fromkeys(derived))),) if text else ()

    def section(
        self, key: str, points: Iterable[Said] = (), *, listed: bool = False, findings: tuple[Finding, ...] = ()
    ) -> Section:
        """A part of the letter with the templates' heading."""
        return Section(key, self.sentences.say(f"heading_{key}"), tuple(points), listed, findings)

    def figures(self) -> tuple[Figure, ...]:
        """No sketch, unless the kind of letter has some."""
        return ()

    @property
    def recipient(self) -> Party:
        """To whom."""
        return Party(self.to[0], "", tuple(self.to[1:])) if self.to else Party()

    @property
    def greeting(self) -> str:
        raise NotImplementedError

    def opening(self) -> tuple[Said, ...]:
        raise NotImplementedError

    def sections(self) -> list[Section]:
        raise NotImplementedError


class _Referral(_Made):
    """A letter to a colleague."""

    @property
    def recipient(self) -> Party:
        if self.to or self.referral is None:
            return super().recipient
        return Party(capital(self._unnamed(self.referral) or self._whom(self.referral)))

    @property
    def greeting(self) -> str:
        titled = self.to and _TITLED.match(self.to[0])
        return self.sentences.say("greeting", self.to[0].split(",")[0] if titled else "")

    # ---- the opening ------------------------------------------------------------------------

    def opening(self) -> tuple[Said, ...]:
        concluded = self._conclusions(self.concluded())
        named = self.telling.found(self.notable)
        reasons = concluded
        if not concluded and self.referral is not None:
            reasons, named = [one.said for one in named[:2]], named[2:]
        of = _ids(reasons)
        about = [one.text for one in reasons]
        named = [one for one in named if one.said.text not in about]
        told: tuple[Said, ...]
        if self.referral is not None:
            soon = self.soon(self.referral, self.words.urgency)
            told = self.say("please", soon, about, self.date, of=[self.referral.id, *of])
        else:
            told = self.say("seen", about, self.date, of=of)
        shown = named[:NAMED]
        told += self.say("main", _by_side(shown), len(named) > NAMED, of=_ids(shown))
        if not self.notable and not self.concluded():
            told += self.say("nothing_found") if self.telling.findings else ()
        excluded = self._conclusions(self.concluded(excluded=True))
        if excluded:
            told += self.say("excluded", [one.text for one in excluded], of=_ids(excluded))
        for one in self._conclusions(self.overall):
            told += self.say("overall", one.text, of=one.entries)
        return told

    def _conclusions(self, entries: list[Entry]) -> list[Said]:
        """Impressions as phrases: "a suspected third nerve palsy on the left"."""
        out = []
        for suspected in (False, True):
            some = [e for e in entries if (e.context.get(self.plan.certainty) == self.plan.suspected) is suspected]
            for one in self.telling.groups(some):
                row, value = self.telling.row(one.item.key), str(one.value)
                phrase = row.found.get(value) or row.normal.get(value) or value_text(one.item, value)
                if suspected:
                    phrase = qualified(phrase, SUSPECTED)
                side = on_side(one.item, _only(one), value in row.beside)
                out.append(Said(" ".join(part for part in (phrase, side) if part), one.entries))
        order = {e.id: n for n, e in enumerate(entries)}
        return sorted(out, key=lambda said: order[said.entries[0]])

    # ---- the parts --------------------------------------------------------------------------

    def sections(self) -> list[Section]:
        shown = table.shown(self.telling)
        lines = table.lines(self.telling, shown, self.telling.outside)
        items = {e.item for e in shown}
        rest = [e for e in self.telling.findings if e.item not in items]
        normals = self.telling.normals(rest)
        normal = self.say("normal", [one.text for one in normals], of=_ids(normals)) if normals else ()
        return [
            self.section("findings", findings=lines),
            self.section("normal", normal),
            self.section("not_tested", self._not_tested()),
            self.section("asked", self._tests(), listed=True),
            self.section("plan", self._plan(), listed=True),
        ]

    def _not_tested(self) -> tuple[Said, ...]:
        told: tuple[Said, ...] = ()
        if self.telling.not_done:
            names = []
            for group in self.telling.groups(self.telling.not_done):
                side = on_side(group.item, _only(group))
                names.append(" ".join(p for p in (self.telling.name(group.item.title), side) if p))
            told += self.say("not_done", names, of=(e.id for e in self.telling.not_done))
        missing = self._not_recorded()
        if missing and self.telling.findings:
            told += self.say("not_recorded", missing, derived=[NOT_RECORDED])
        return told

    def _not_recorded(self) -> list[str]:
        """Tests of which nothing is recorded; a whole group of them by its name."""
        of_title = {item.title: self.lexicon.item_group[key] for key, item in self.lexicon.items.items()}
        touched = {self.lexicon.item_group[e.item] for e in [*self.telling.findings, *self.telling.not_done]}
        out: list[str] = []
        for title in self.document.record.not_documented:
            group = of_title.get(title, "")
            whole = group and group not in touched
            name = self.lexicon.group_titles.get(group, title) if whole else title
            out.append((whole and self.words.group_names.get(group)) or self.telling.name(name))
        return list(dict.fromkeys(out))

    def _tests(self) -> tuple[Said, ...]:
        planned = [e for e in self.telling.of_role("plan") if e.item == self.plan.test]
        told: tuple[Said, ...] = ()
        for group in self.telling.groups(planned):
            name = self.words.test.get(str(group.value)) or value_text(group.item, group.value)
            side = on_side(group.item, _only(group))
            told += self.say("test", " ".join(p for p in (name, side) if p), of=group.entries)
        return told

    def _whom(self, entry: Entry) -> str:
        value = str(entry.value)
        return self.words.refer.get(value) or value_text(self.lexicon.items[entry.item], value)

    def _plan(self) -> tuple[Said, ...]:
        told: tuple[Said, ...] = ()
        for entry in self.telling.of_role("plan"):
            if entry.item == self.plan.referral:
                words = _quoted(entry)
                soon = self.soon(entry, self.words.urgency)
                quote = words if _EXACT.search(words) else self._unnamed(entry)
                told += self.say("refer", self._whom(entry), soon, quote, of=[entry.id])
        for entry in self.telling.of_role("plan"):
            if entry.item == self.plan.review:
                told += self.say("review", str(entry.value), of=[entry.id])
            elif entry.item not in (self.plan.referral, self.plan.test):
                item = self.lexicon.items[entry.item]
                told += self.say("test", f"{item.title}: {value_text(item, entry.value)}", of=[entry.id])
        return told

    def figures(self) -> tuple[Figure, ...]:
        """The sketches that show something outside the usual."""
        told = {e.id for e in self.telling.findings if self.telling.notable(e)}
        return tuple(
            Figure(one.title, one.svg, one.text)
            for one in sketches(self.document.record.entries)
            if told & set(one.entries)
        )


class _Patient(_Made):
    """The patient's report."""

    @property
    def recipient(self) -> Party:
        return super().recipient if self.to else Party(self.document.name)

    @property
    def greeting(self) -> str:
        return self.sentences.say("greeting", self.to[0] if self.to else self.document.name)

    def opening(self) -> tuple[Said, ...]:
        told: tuple[Said, ...] = self.say("examined", self.date)
        if self.referral is not None:
            soon = self.soon(self.referral, self.words.plain_urgency)
            told += self.say("referred", self._whom(self.referral), soon, self.date, of=[self.referral.id])
        if not self.notable and not self.concluded() and self.telling.findings:
            told += self.say("nothing_found")
        return told

    def sections(self) -> list[Section]:
        shown = [e for e in table.shown(self.telling) if self.telling.measured(e)]
        rest = [e for e in self.telling.findings if self.telling.normal(e)]
        normal = self._normal(rest)
        not_done = self.telling.not_done
        names = [self.telling.name(self.telling.title(self.lexicon.items[e.item], plain=True)) for e in not_done]
        return [
            self.section("stands_out", [*self._stands_out(), *self._thoughts()], listed=True),
            self.section("figures", findings=table.lines(self.telling, shown, plain=True)),
            self.section("normal", self.say("normal", normal, of=(e.id for e in rest)) if normal else ()),
            self.section(
                "not_tested",
                self.say("not_done", list(dict.fromkeys(names)), of=(e.id for e in not_done)) if names else (),
            ),
            self.section("next", self._next(), listed=True),
            self.section("sooner", self._sooner(), listed=True),
        ]

    def _stands_out(self) -> tuple[Said, ...]:
        told: tuple[Said, ...] = ()
        seen = [e for e in self.telling.findings if not self.telling.normal(e) and not self.telling.measured(e)]
        ids = {e.id for e in [*self.notable, *seen]}
        named = self._fuller([e for e in self.telling.findings if e.id in ids])
        order = {e.id: n for n, e in enumerate(self.notable)}
        named.sort(key=lambda e: order.get(e.id, len(order)))
        for group in self.telling.groups(named, plain=True):
            words = self._plain(group)
            for side, wheres in sides(group):
                where = ", ".join(one for one in wheres if one)
                of = [*self.telling.of_side(group, side), *self._implied(group, side)]
                told += self.say("finding", plain_side(group.item, side), words, where, of=of)
        for key, words in self.words.plain_computed.items():
            joint = [one for one in self.telling.outside if one.key.startswith(key)]
            if joint:
                of = [i for one in joint for i in one.entries]
                told += self.say("computed", words, of=of, derived=[one.key for one in joint])
        return told

    def _implied(self, group: Group, side: str) -> list[str]:
        """The findings that a size on this side says as well."""
        on = (RIGHT, LEFT) if side == ALIKE else (side,)
        implies = group.item.implies
        return [e.id for e in self.telling.findings if implies and e.item == implies and (e.side or "") in on]

    def _plain(self, group: Group) -> str:
        row, value = self.telling.row(group.item.key), str(group.value)
        words = row.plain_found.get(value) or row.plain_normal.get(value) or row.plain_found.get(ANY)
        if words is None:
            words = f"{self.telling.name(self.telling.title(group.item, plain=True))}: {{value}}"
        return words.replace("{value}", value_text(group.item, group.value))

    def _thoughts(self) -> tuple[Said, ...]:
        told: tuple[Said, ...] = ()
        held = self.concluded()
        for suspected in (True, False):
            some = [e for e in held if (e.context.get(self.plan.certainty) == self.plan.suspected) is suspected]
            if some:
                phrases, ids = self._conditions(some)
                told += self.say("thinks", phrases, suspected, of=ids)
        if excluded := self.concluded(excluded=True):
            phrases, ids = self._conditions(excluded)
            told += self.say("excluded", phrases, of=ids)
        for group in self.telling.groups(self.overall, plain=True):
            side = plain_side(group.item, _only(group))
            told += self.say("overall", self._plain(group), side, of=group.entries)
        return told

    def _conditions(self, entries: list[Entry]) -> tuple[list[str], list[str]]:
        phrases = []
        for group in self.telling.groups(entries):
            row, value = self.telling.row(group.item.key), str(group.value)
            side = on_side(group.item, _only(group), value in row.beside)
            words = row.plain_found.get(value) or value_text(group.item, value)
            name, comma, rest = words.partition(",")
            phrases.append(" ".join(p for p in (name, side) if p) + comma + rest)
        return phrases, [e.id for e in entries]

    def _normal(self, entries: list[Entry]) -> list[str]:
        out: dict[str, None] = {}
        for group in self.telling.groups(entries, plain=True):
            words = self.telling.row(group.item.key).plain_normal.get(str(group.value))
            words = words or self.telling.name(self.telling.title(group.item, plain=True))
            for side, wheres in sides(group):
                mark = "" if side in ("", ALIKE) else plain_side(group.item, side)
                told = ", ".join(p for p in (*wheres, mark) if p)
                out[f"{words} ({told})" if told else words] = None
        return list(out)

    def _whom(self, entry: Entry) -> str:
        value = str(entry.value)
        whom = self.words.plain_refer.get(value) or value_text(self.lexicon.items[entry.item], value)
        words = self._unnamed(entry)
        return f"{whom} (“{words}”)" if words else whom

    def _next(self) -> tuple[Said, ...]:
        told: tuple[Said, ...] = ()
        planned = self.telling.of_role("plan")
        for entry in planned:
            if entry.item == self.plan.referral:
                told += self.say(
                    "refer", self._whom(entry), self.soon(entry, self.words.plain_urgency), "", of=[entry.id]
                )
        for group in self.telling.groups(e for e in planned if e.item == self.plan.test):
            name = self.words.plain_test.get(str(group.value)) or value_text(group.item, group.value)
            side = on_side(group.item, _only(group))
            told += self.say("test", f"{name} ({side})" if side else name, of=group.entries)
        for entry in planned:
            if entry.item == self.plan.review:
                told += self.say("review", str(entry.value), of=[entry.id])
        return told or self.say("no_plan")

    def _sooner(self) -> tuple[Said, ...]:
        named = [e for e in self.telling.findings if self.telling.notable(e)]
        told: tuple[Said, ...] = ()
        for one in self.words.sooner:
            of = [e.id for e in named if self.lexicon.item_group[e.item] in one.groups]
            if of or one.always:
                told += self.say("sign", one.say, of=of)
        return told


def _quoted(entry: Entry) -> str:
    return " ".join(" ".join(one.text for one in entry.evidence).split())


def _only(group: Group) -> str:
    """The side of a group for a phrase: ALIKE for right and left."""
    if RIGHT in group.sides and LEFT in group.sides:
        return ALIKE
    return next(iter(group.sides))


def _by_side(found: Iterable[Found]) -> list[tuple[str, list[str]]]:
    """Phrases of the same side together: ("in the left eye", ["a disc haemorrhage", ...])."""
    out: dict[str, list[str]] = {}
    for one in found:
        out.setdefault(one.side, []).append(one.words)
    return list(out.items())


def _ids(said: Iterable[Said | Found]) -> list[str]:
    return [i for one in said for i in one.entries]


def _day(day: date | datetime | None) -> str:
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}" if day else ""
