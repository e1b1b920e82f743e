"""Entries as phrases: what a finding is called in a letter, where it was, on which side, and whether it is normal."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from dictate.exports.judged import interpretations
from dictate.letters.model import Said
from dictate.letters.templating import listed
from dictate.letters.words import ANY, SUSPECTED, ItemWords, Words
from dictate.lexicon import Item, Lexicon
from dictate.norms import load as load_norms
from dictate.record import Derived, Entry, Record
from dictate.table import circumstances, sheet, value_text

MEASURED = ("quantity", "acuity", "near", "score", "grade", "text")
NOT_DONE = "not_done"
RIGHT, LEFT, BOTH = "right", "left", "both"
ALIKE = "alike"
"""The side of what was found on the right and on the left."""
_NUMBER = re.compile(r"\{([^|{}]*)\|([^|{}]*)\}")  # {one|both}
_NOUN = {"eye": "eye", "ear": "ear", "nostril": "nostril"}
_NO = "no"
_SHARED = ("in", "on", "of", "for")
_ARTICLES = ("a ", "an ")


@dataclass(frozen=True)
class Group:
    """Entries of one item and one value: the circumstances of each side, and their ids."""

    item: Item
    value: object
    sides: Mapping[str, tuple[str, ...]]
    entries: tuple[str, ...]

    @property
    def alike(self) -> bool:
        """Whether right and left were found so under the same circumstances."""
        return RIGHT in self.sides and self.sides.get(RIGHT) == self.sides.get(LEFT)


@dataclass(frozen=True)
class Found:
    """A finding as a phrase, and on which side it is."""

    words: str
    side: str
    entries: tuple[str, ...]

    @property
    def said(self) -> Said:
        """Both together."""
        return Said(" ".join(part for part in (self.words, self.side) if part), self.entries)


def sides(group: Group) -> list[tuple[str, tuple[str, ...]]]:
    """The sides of a group with their circumstances; right and left that are alike as one."""
    if not group.alike:
        return list(group.sides.items())
    rest = [(side, wheres) for side, wheres in group.sides.items() if side not in (RIGHT, LEFT)]
    return [(ALIKE, group.sides[RIGHT]), *rest]


class Telling:
    """The words for the entries of one record."""

    def __init__(self, record: Record, lexicon: Lexicon, words: Words) -> None:
        self.record = record
        self.lexicon = lexicon
        self.words = words
        self.judged = interpretations(record, lexicon)
        self.rows: dict[str, ItemWords] = {}
        self.order = [line.item for _, lines in sheet(record, lexicon).sections for line in lines]

    # ---- which entries ------------------------------------------------------------------------

    def of_role(self, role: str) -> list[Entry]:
        """The entries that are findings, impressions or plans, without tests declared not done."""
        return [e for e in self._known() if self.lexicon.items[e.item].role == role and e.value != NOT_DONE]

    @cached_property
    def findings(self) -> list[Entry]:
        """Findings in the order of the examination."""
        place = {item: n for n, item in reversed(list(enumerate(self.order)))}
        return sorted(self.of_role("finding"), key=lambda e: place[e.item])

    @cached_property
    def not_done(self) -> list[Entry]:
        """Tests declared not done."""
        return [e for e in self._known() if e.value == NOT_DONE]

    @cached_property
    def outside(self) -> list[Derived]:
        """Computed values outside the usual; what is known of whole nerves sums up entries, and is left to them."""
        nerve = load_norms().nerves.key
        return [d for d in self.record.derived if d.outside and not d.key.startswith(nerve)]

    def _known(self) -> Iterable[Entry]:
        return (e for e in self.record.entries if e.item in self.lexicon.items)

    # ---- how they are to be taken ---------------------------------------------------------------

    def row(self, key: str) -> ItemWords:
        """The words of an item."""
        if key not in self.rows:
            self.rows[key] = self.words.of(key)
        return self.rows[key]

    def normal(self, entry: Entry) -> bool:
        """Whether an entry is a normal finding that a phrase can state."""
        judged = self.judged.get(entry.id)
        return judged != "A" and str(entry.value) in self.row(entry.item).normal

    def notable(self, entry: Entry) -> bool:
        """Whether an entry is a finding that the letter names, and not only its table."""
        if self.judged.get(entry.id) == "A":
            return True
        row, value = self.row(entry.item), str(entry.value)
        if self.judged.get(entry.id) == "N" or self.normal(entry) or value in row.minor:
            return False
        return self.lexicon.items[entry.item].kind in ("finding", "category")

    def measured(self, entry: Entry) -> bool:
        """Whether an entry is a measurement, which a letter gives in figures."""
        return self.lexicon.items[entry.item].kind in MEASURED

    # ---- words ----------------------------------------------------------------------------------

    def where(self, entry: Entry, plain: bool = False) -> str:
        """The circumstances of an entry: "in dim light", "on upgaze"."""
        told = []
        for key, value in entry.context.items():
            tables = (self.words.plain_where, self.words.where) if plain else (self.words.where,)
            table = next((t[key] for t in tables if key in t), None)
            words = table.get(str(value), table.get(ANY)) if table else None
            if words is None:
                words = circumstances(self.lexicon.items[entry.item], {key: value})
            told.append(words.replace("{value}", str(value)))
        return " ".join(told)

    def cell(self, entry: Entry, plain: bool = False) -> str:
        """A value as it stands in a table."""
        row, item = self.row(entry.item), self.lexicon.items[entry.item]
        words = (row.plain_cell if plain else {}).get(str(entry.value)) or row.cell.get(str(entry.value))
        return words or value_text(item, entry.value)

    def title(self, item: Item, plain: bool = False) -> str:
        """What a test is called."""
        return self.row(item.key).plain or item.title if plain else item.title

    def name(self, title: str) -> str:
        """A title within a sentence."""
        if title.startswith(tuple(self.words.proper)) or title[:2].isupper():
            return title
        return title[:1].lower() + title[1:]

    def groups(self, entries: Iterable[Entry], plain: bool = False) -> list[Group]:
        """Entries of one item and value together, in their order."""
        found: dict[tuple[str, str], list[Entry]] = {}
        for entry in entries:
            found.setdefault((entry.item, str(entry.value)), []).append(entry)
        out = []
        for (key, _), some in found.items():
            found_on: dict[str, tuple[str, ...]] = {}
            for entry in some:
                side = entry.side or ""
                found_on[side] = (*found_on.get(side, ()), self.where(entry, plain))
            found_on = {side: tuple(dict.fromkeys(wheres)) for side, wheres in found_on.items()}
            out.append(Group(self.lexicon.items[key], some[0].value, found_on, tuple(e.id for e in some)))
        return out

    def found(self, entries: Iterable[Entry]) -> list[Found]:
        """Findings as phrases: "thinning of the disc rim inferiorly", "in the left eye"."""
        out = []
        for group in self.groups(entries):
            phrase = self._phrase(group)
            beside = str(group.value) in self.row(group.item.key).beside
            for side, wheres in sides(group):
                words = " ".join(part for part in (phrase, places(wheres)) if part)
                ids = self.of_side(group, side)
                other = self._other(group, side)
                if other:
                    words, ids = f"{words} ({other.side} {self.cell(other)})", (*ids, other.id)
                out.append(Found(words, on_side(group.item, side, beside), ids))
        return out

    def _other(self, group: Group, side: str) -> Entry | None:
        """The other side's figure, where only one is named."""
        if group.item.kind not in MEASURED or side not in (RIGHT, LEFT):
            return None
        across = [e for e in self.findings if e.item == group.item.key and e.side in (RIGHT, LEFT) and e.side != side]
        beside = [e for e in across if (self.where(e),) == group.sides[side]]
        return beside[0] if len(beside) == 1 and not self.notable(beside[0]) else None

    def _phrase(self, group: Group) -> str:
        row, value = self.row(group.item.key), str(group.value)
        words = row.found.get(value) or row.normal.get(value)
        if words is None and value == SUSPECTED and "present" in row.found:
            return qualified(row.found["present"], "possible")
        if words is None:
            words = row.found.get(ANY) or f"{self.name(group.item.title)} {{value}}"
        return words.replace("{value}", value_text(group.item, group.value))

    def normals(self, entries: Sequence[Entry]) -> list[Said]:
        """Normal findings as phrases, shortened where neighbours share a word: "pupils equal, round and brisk to light"."""
        phrases = []
        for group in self.groups(entries):
            words = self.row(group.item.key).normal[str(group.value)]
            for side, wheres in sides(group):
                told = places(wheres)
                ids = self.of_side(group, side)
                phrases.append(_normal(group.item, words, f" {told}" if told else "", side, ids))
        return [one.said for one in _shortened(phrases)]

    def of_side(self, group: Group, side: str) -> tuple[str, ...]:
        """The ids of a group's entries on a side; all of them where the sides are alike."""
        if side == ALIKE:
            return tuple(i for i in group.entries if self.record.entry(i).side in (RIGHT, LEFT))
        return tuple(i for i in group.entries if (self.record.entry(i).side or "") == side)


def _normal(item: Item, words: str, where: str, side: str, entries: tuple[str, ...]) -> _Normal:
    """A normal finding in the number of its side: "optic discs normal", "right optic disc normal"."""
    if side in (RIGHT, LEFT) and (noun := _NUMBER.search(words)):
        return _Normal(words.replace(noun.group(), f"{side} {noun.group(1)}", 1), where, "", entries)
    mark = "" if side in ("", ALIKE) else f" {on_side(item, side)}"
    return _Normal(_NUMBER.sub(r"\2", words), where, mark, entries)


@dataclass(frozen=True)
class _Normal:
    """A normal finding: its words, where, and the mark of its side."""

    words: str
    where: str
    mark: str
    entries: tuple[str, ...]

    @property
    def said(self) -> Said:
        return Said(f"{self.words}{self.where}{self.mark}", self.entries)

    @property
    def stem(self) -> str:
        """What neighbours must share: "pupils" of "pupils round", "no" of "no diplopia"."""
        head, _, rest = self.words.partition(" ")
        return head if head == _NO else self.words.rpartition(" ")[0] if rest else ""

    def joins(self, other: _Normal) -> bool:
        """Whether the other can follow in the same phrase without being misread."""
        if not self.stem or self.stem != other.stem or self.mark or self.where or other.mark:
            return False
        return self.stem != _NO or not other.where


def _shortened(phrases: Iterable[_Normal]) -> list[_Normal]:
    alike: dict[str, _Normal] = {}
    for one in phrases:
        before = alike.get(one.said.text)
        alike[one.said.text] = replace(before, entries=(*before.entries, *one.entries)) if before else one
    runs: list[list[_Normal]] = []
    for one in alike.values():
        if runs and runs[-1][-1].joins(one):
            runs[-1].append(one)
        else:
            runs.append([one])
    return [_joined(run) for run in runs]


def _joined(run: list[_Normal]) -> _Normal:
    if len(run) == 1:
        return run[0]
    stem = run[0].stem
    rest = listed((f"{one.words[len(stem) + 1 :]}{one.where}" for one in run), "or" if stem == _NO else "and")
    return replace(run[0], words=f"{stem} {rest}", where="", entries=tuple(i for one in run for i in one.entries))


def places(wheres: Iterable[str]) -> str:
    """Circumstances as one reads them, a shared first word once: "on upgaze and downgaze"."""
    every = [one for one in dict.fromkeys(wheres) if one]
    head = every[0].partition(" ")[0] if every else ""
    if head in _SHARED and all(one.startswith(f"{head} ") for one in every):
        every = [every[0], *(one.partition(" ")[2] for one in every[1:])]
    return listed(every)


def qualified(phrase: str, word: str) -> str:
    """ "a disc haemorrhage" with "possible": "a possible disc haemorrhage"."""
    for article in _ARTICLES:
        if phrase.startswith(article):
            start = "an " if word[:1] in "aeiou" else "a "
            return f"{start}{word} {phrase[len(article) :]}"
    return f"{word} {phrase}"


def on_side(item: Item, side: str, beside: bool = False) -> str:
    """The side after a phrase: "in the left eye", "on both sides"."""
    noun = None if beside else _NOUN.get(item.sides)
    if side == ALIKE:
        return f"in both {noun}s" if noun else "on both sides"
    if side == BOTH:
        return f"with both {noun}s together" if noun else "on both sides together"
    if side in (RIGHT, LEFT):
        return f"in the {side} {noun}" if noun else f"on the {side}"
    return ""


def plain_side(item: Item, side: str) -> str:
    """The side before a plain sentence: "left eye", "both eyes", "right side"."""
    noun = _NOUN.get(item.sides, "side")
    if side == ALIKE:
        return f"both {noun}s"
    if side == BOTH:
        return f"both {noun}s together"
    return f"{side} {noun}" if side in (RIGHT, LEFT) else ""
