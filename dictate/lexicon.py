"""The lexicon: every trade word the reading knows, loaded from TOML files and checked.

`load()` reads the files shipped with the package and, when given, a user's own folder whose
files add to them. A wrong file is refused with its name, the key and the reason; all faults
come in one report.
"""

from __future__ import annotations

import itertools
import os
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import cache, lru_cache
from importlib import resources
from math import prod
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from dictate.errors import LexiconError
from dictate.text import pieces

Generic = Literal[
    "normal", "abnormal", "present", "absent", "reduced", "full", "equal", "positive", "negative", "unseen"
]
Kind = Literal["quantity", "acuity", "near", "score", "finding", "category", "grade", "text"]
Sides = Literal["eye", "ear", "face", "nostril", "limb", "none"]
Context = dict[str, str | int]
REFERRAL = "referral.toml"
"""A file of rules on findings (`dictate.advice.rules`); it holds no wordings and is left aside here."""


_MOST_VARIANTS = 4096  # plain phrases that one lexicon phrase may stand for


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class With(_Strict):
    """Names or wordings of an item that also fix its circumstances."""

    context: Context
    names: list[str] = []
    words: dict[str, list[str]] = {}
    alone: dict[str, list[str]] = {}
    side: str | None = None


class Direction(_Strict):
    """Words that take a side as their value ("deviates to the right")."""

    none: str
    words: list[str] = []


class Item(_Strict):
    """One item of the exam dictionary with its wordings."""

    key: str
    topic: str = ""
    title: str
    nerve: list[str] = []
    kind: Kind
    unit: str = ""
    values: list[str] = []
    sides: Sides
    side_optional: bool = False
    both_eyes: bool = False
    context: list[str] = []
    soft_context: list[str] = []
    lead: bool = False
    role: Literal["finding", "impression", "plan"] = "finding"
    plausible: tuple[float, float] | None = None
    possible: tuple[float, float] | None = None
    source: str = ""
    names: list[str] = []
    words: dict[str, list[str]] = {}
    alone: dict[str, list[str]] = {}
    generic: dict[Generic, str] = {}
    negated: dict[str, str] = {}
    with_: list[With] = Field(default=[], alias="with")
    direction: Direction | None = None
    certainty: list[str] = []
    scale: Literal["", "mrc", "plus", "0-4", "1-6", "percent"] = ""
    allowed: list[float] = []
    not_done: list[str] = []
    default_context: Context = {}
    circumstance: str = ""
    implies: str = ""
    vague: list[str] = []
    one_side: bool = False
    many: bool = False  # there are several of it on each side, so its plural is no pair
    exclusive: list[list[str]] = []
    symptom: bool = False

    @property
    def sided(self) -> bool:
        """Whether the item is told for right and left apart."""
        return self.sides != "none"


class Addition(_Strict):
    """More wordings for an item that another file describes."""

    key: str
    names: list[str] = []
    words: dict[str, list[str]] = {}
    alone: dict[str, list[str]] = {}
    with_: list[With] = Field(default=[], alias="with")


class Topic(_Strict):
    """A subject that stays in hand while its findings are told."""

    key: str
    names: list[str] = []
    default: str = ""
    soft: list[str] = []
    numbers: list[str] = []
    numbers_need_unit: bool = False
    not_done: list[str] = []
    difference: str = ""
    unequal: str = ""
    nerves: list[str] = []
    takes: list[str] = []  # items whose findings, told under this name, are its `default`


class CompleteRow(_Strict):
    """One row that a bundle phrase stands for."""

    item: str
    value: str
    side: str | None = None
    context: Context = {}


class Complete(_Strict):
    """A phrase that stands for several rows at once (PERRLA)."""

    say: list[str]
    rows: list[CompleteRow]


class Cue(_Strict):
    """A word that changes how its neighbours are read: negation, doubt, an end of reach."""

    type: str
    say: list[str]


class Mode(_Strict):
    """A word that makes a stretch something else than a finding of today."""

    mode: str
    reach: Literal["clause", "sentence", "told", "section", "onward"]
    also: list[str] = []  # words one of which must follow in the sentence for the cue to count
    say: list[str]


class Visit(_Strict):
    """Words that tell one visit from another, or that the note is a published case."""

    kind: Literal["before", "after", "now", "course", "case", "treated", "examined"]
    say: list[str]


class ContextWord(_Strict):
    """Words for one circumstance (light, correction, gaze ...)."""

    key: str
    value: str | int
    say: list[str]
    topic: str = ""
    item: str = ""


class GroupFile(_Strict):
    """One lexicon file; every part is optional."""

    group: str
    title: str = ""
    topic: list[Topic] = []
    item: list[Item] = []
    add: list[Addition] = []
    complete: list[Complete] = []
    misheard: dict[str, str] = {}
    cue: list[Cue] = []
    mode: list[Mode] = []
    visit: list[Visit] = []
    context: list[ContextWord] = []
    generic: dict[Generic, list[str]] = {}
    loose: dict[Generic, list[str]] = {}
    side: dict[str, list[str]] = {}
    not_sides: list[str] = []
    often_no_sides: list[str] = []
    unit: dict[str, list[str]] = {}
    correction: dict[str, list[str]] = {}
    abbreviation: list[str] = []


@dataclass(frozen=True, slots=True)
class Sense:
    """One meaning of a phrase. `role` says what it offers, `source` where it is written."""

    role: str
    source: str
    item: str = ""
    topic: str = ""
    value: str = ""
    context: tuple[tuple[str, str | int], ...] = ()
    data: str = ""
    cased: str = ""
    side: str = ""
    also: frozenset[str] = frozenset()


@dataclass
class Lexicon:
    """All wordings, compiled: `phrases` maps a tuple of word keys to its senses."""

    items: dict[str, Item] = field(default_factory=dict)
    topics: dict[str, Topic] = field(default_factory=dict)
    item_group: dict[str, str] = field(default_factory=dict)
    group_titles: dict[str, str] = field(default_factory=dict)
    phrases: dict[tuple[str, ...], list[Sense]] = field(default_factory=dict)
    cues: dict[tuple[str, ...], list[Sense]] = field(default_factory=dict)
    bundles: list[Complete] = field(default_factory=list)
    misheard: dict[tuple[str, ...], tuple[str, ...]] = field(default_factory=dict)
    abbreviations: frozenset[str] = frozenset()
    topic_items: dict[str, list[str]] = field(default_factory=dict)
    cache: dict[str, Any] = field(default_factory=dict)

    def item(self, key: str) -> Item:
        """The item of that key; KeyError if there is none."""
        return self.items[key]

    def vocabulary(self) -> frozenset[str]:
        """Every word of a phrase or a cue, by its key."""
        known = self.cache.get("vocabulary")
        if known is None:
            known = self.cache["vocabulary"] = frozenset(
                word for table in (self.phrases, self.cues) for phrase in table for word in phrase
            )
        words: frozenset[str] = known
        return words


def count_variants(phrase: str) -> int:
    """How many plain phrases a lexicon phrase stands for, at most."""
    counts = (
        sum(1 + ("_" in one[1:]) for one in word.rstrip("?").split("|")) + (len(word) > 1 and word.endswith("?"))
        for word in phrase.split()
        if word not in ("?", "|")
    )
    return prod(counts)


def variants(phrase: str) -> Iterator[str]:
    """All plain phrases that a lexicon phrase stands for.

    "disc|disk swelling?" gives "disc swelling", "disc", "disk swelling", "disk";
    "pseudo_exfoliation" gives it joined and spaced.
    """
    if not any(sign in phrase for sign in "|?_"):
        if words := phrase.split():
            yield " ".join(words)
        return
    options: list[list[str]] = []
    for word in phrase.split():
        alternatives = word.rstrip("?").split("|") if word not in ("?", "|") else [word]
        if len(word) > 1 and word.endswith("?"):
            alternatives = [*alternatives, ""]
        spread: list[str] = []
        for one in alternatives:
            if "_" in one and len(one) > 1:
                spread += [one.replace("_", ""), one.replace("_", " ")]
            else:
                spread.append(one)
        options.append(spread)
    for combination in itertools.product(*options):
        text = " ".join(p for p in combination if p)
        if text:
            yield text


def phrase_keys(phrase: str) -> tuple[str, ...]:
    """The word keys of a plain phrase, by the very rules the note's words go through."""
    return tuple(_phrase_keys(phrase))


@cache
def _phrase_keys(phrase: str) -> tuple[str, ...]:
    every = pieces(phrase)
    kept = tuple(k for k, skipped in every if not skipped)
    return kept or tuple(k for k, _ in every)


def default_folder() -> Any:
    """The shipped lexicon folder, in a wheel or in a source tree."""
    inside = resources.files("dictate") / "lexicon"
    if inside.is_dir():
        return inside
    return Path(__file__).resolve().parent.parent / "lexicon"


def own_folder(folder: str | Path | None = None) -> str | None:
    """The folder that adds to the shipped lexicon: the one named, or the environment's."""
    chosen = folder or os.environ.get("DICTATE_LEXICON") or None
    return str(chosen) if chosen else None


def _files(folder: Any) -> list[tuple[str, bytes]]:
    return sorted((p.name, p.read_bytes()) for p in folder.iterdir() if p.name.endswith(".toml") and p.name != REFERRAL)


def _parse(name: str, data: bytes, faults: list[str]) -> GroupFile | None:
    try:
        return GroupFile.model_validate(tomllib.loads(data.decode("utf-8")))
    except UnicodeDecodeError:
        faults.append(f"{name}: not UTF-8")
    except tomllib.TOMLDecodeError as error:
        faults.append(f"{name}: {error}")
    except ValidationError as error:
        for one in error.errors():
            place = ".".join(str(part) for part in one["loc"])
            faults.append(f"{name}: {place}: {one['msg']}")
    return None


def _run_together(keys: tuple[str, ...]) -> tuple[str, ...]:
    """ "won t" as it is written without its apostrophe: "wont"."""
    out: list[str] = []
    for key in keys:
        if key == "t" and out and out[-1].endswith("n"):
            out[-1] += "t"
        else:
            out.append(key)
    return tuple(out)


class _Compiler:
    def __init__(self) -> None:
        self.lexicon = Lexicon()
        self.faults: list[str] = []
        self.alone_owner: dict[tuple[str, tuple[str, ...]], str] = {}
        self.abbreviations: set[str] = set()
        self.context_values: dict[str, set[str | int]] = {}

    def add(self, phrases: Iterable[str], sense: Sense) -> None:
        for phrase in phrases:
            cased = ""
            body = phrase
            if not phrase.strip():
                self.faults.append(f"{sense.source}: an empty phrase")
            if phrase.startswith("^") and len(phrase) > 1:
                body = phrase[1:]
                cased = body
            if self._too_many(sense.source, body):
                continue
            for plain in variants(body):
                whole = sense.role in ("cue", "mode", "correction", "visit")
                keys = tuple(k for k, _ in pieces(plain)) if whole else phrase_keys(plain)
                if not keys:
                    self.faults.append(f"{sense.source}: {phrase!r} holds no word")
                    continue
                one = sense
                if cased:
                    one = Sense(
                        sense.role,
                        sense.source,
                        sense.item,
                        sense.topic,
                        sense.value,
                        sense.context,
                        sense.data,
                        plain,
                        sense.side,
                        sense.also,
                    )
                table = self.lexicon.cues if whole else self.lexicon.phrases
                for form in {keys, _run_together(keys)} if whole else {keys}:
                    known = table.setdefault(form, [])
                    if one not in known:
                        known.append(one)
                if not whole and len(keys) == 1 and keys[0].isalpha() and 2 <= len(keys[0]) <= 6:
                    self.abbreviations.add(keys[0])

    def _too_many(self, where: str, phrase: str) -> bool:
        """Whether a phrase stands for more phrases than anybody meant; a fault of the file."""
        number = count_variants(phrase)
        if number > _MOST_VARIANTS:
            self.faults.append(f"{where}: {phrase!r} stands for {number} phrases, more than {_MOST_VARIANTS}")
        return number > _MOST_VARIANTS

    def item(self, name: str, item: Item) -> None:
        where = f"{name}#{item.key}"
        if item.key in self.lexicon.items:
            self.faults.append(f"{where}: the item is already in another file")
            return
        self.lexicon.items[item.key] = item
        self._wordings(where, item, item)
        if item.direction:
            self.add(item.direction.words, Sense("direction", f"{where}.direction", item.key, item.topic))
        for value in [*item.generic.values(), *item.negated.values()]:
            self._check_value(where, item, value)

    def _wordings(self, where: str, item: Item, told: Item | Addition) -> None:
        self.add(told.names, Sense("name", f"{where}.names", item.key, item.topic))
        self._values(where, item, told.words, told.alone, (), None)
        for number, part in enumerate(told.with_):
            place = f"{where}.with[{number}]"
            fixed = tuple(sorted(part.context.items()))
            sense = Sense("name", f"{place}.names", item.key, item.topic, context=fixed, side=part.side or "")
            self.add(part.names, sense)
            self._values(place, item, part.words, part.alone, fixed, part.side)

    def _values(
        self,
        where: str,
        item: Item,
        words: dict[str, list[str]],
        alone: dict[str, list[str]],
        context: tuple[tuple[str, str | int], ...],
        side: str | None,
    ) -> None:
        for role, table in (("word", words), ("alone", alone)):
            for value, says in table.items():
                self._check_value(where, item, value)
                source = f"{where}.{role}.{value}"
                self.add(
                    says,
                    Sense(role, source, item.key, item.topic, value, context, item.role, side=side or ""),
                )

    def _check_value(self, where: str, item: Item, value: str) -> None:
        allowed: Iterable[str] | None = None
        if item.kind == "finding":
            allowed = ("present", "absent", "suspected")
        elif item.kind == "category":
            allowed = item.values
        if allowed is not None and value not in allowed and value != "not_done":
            self.faults.append(f"{where}: value {value!r} is none of {', '.join(allowed)}")

    def file(self, name: str, group: GroupFile) -> None:
        lexicon = self.lexicon
        if group.title:
            lexicon.group_titles[group.group] = group.title
        for topic in group.topic:
            lexicon.topics[topic.key] = topic
            self.add(topic.names, Sense("topic", f"{name}#topic.{topic.key}", topic=topic.key))
            self.add(topic.soft, Sense("hint", f"{name}#topic.{topic.key}.soft", topic=topic.key))
        for item in group.item:
            self.item(name, item)
            lexicon.item_group[item.key] = group.group
            lexicon.topic_items.setdefault(item.topic, []).append(item.key)
        for more in group.add:
            known = lexicon.items.get(more.key)
            if known is None:
                self.faults.append(f"{name}#add.{more.key}: no file before this one describes that item")
            else:
                self._wordings(f"{name}#add.{more.key}", known, more)
        for bundle in group.complete:
            self.add(bundle.say, Sense("complete", f"{name}#complete", data=str(len(lexicon.bundles))))
            lexicon.bundles.append(bundle)
        for heard, read in group.misheard.items():
            if self._too_many(f"{name}#misheard", heard):
                continue
            for plain in variants(heard):
                lexicon.misheard[phrase_keys(plain)] = phrase_keys(read)
        for cue in group.cue:
            self.add(cue.say, Sense("cue", f"{name}#{cue.type}", data=cue.type))
        for visit in group.visit:
            self.add(visit.say, Sense("visit", f"{name}#visit.{visit.kind}", data=visit.kind))
        for mode in group.mode:
            self.add(
                mode.say,
                Sense(
                    "mode",
                    f"{name}#{mode.mode}.{mode.reach}",
                    value=mode.mode,
                    data=mode.reach,
                    also=frozenset(k for w in mode.also for k, _ in pieces(w)),
                ),
            )
        for word in group.context:
            self.context_values.setdefault(word.key, set()).add(word.value)
            self.add(
                word.say,
                Sense(
                    "context",
                    f"{name}#{word.key}.{word.value}",
                    item=word.item,
                    topic=word.topic,
                    context=((word.key, word.value),),
                    data=word.key,
                ),
            )
        for generic, says in group.generic.items():
            self.add(says, Sense("generic", f"{name}#{generic}", data=generic))
        for generic, says in group.loose.items():
            self.add(says, Sense("generic", f"{name}#{generic}.loose", data=generic))
        for side, says in group.side.items():
            self.add(says, Sense("side", f"{name}#{side}", value=side))
        self.add(group.not_sides, Sense("mask", f"{name}#not_sides"))
        self.add(group.often_no_sides, Sense("mask", f"{name}#often_no_sides", data="often"))
        for unit, says in group.unit.items():
            self.add(says, Sense("unit", f"{name}#{unit}", value=unit))
        for kind, says in group.correction.items():
            self.add(says, Sense("correction", f"{name}#{kind}", data=kind))
        self.abbreviations.update(group.abbreviation)

    def finish(self) -> Lexicon:
        lexicon = self.lexicon
        for key, item in lexicon.items.items():
            if item.topic and item.topic not in lexicon.topics:
                self.faults.append(f"{key}: topic {item.topic!r} is in no file")
        for topic in lexicon.topics.values():
            for key in [topic.default, *topic.numbers]:
                if key and key not in lexicon.items:
                    self.faults.append(f"topic {topic.key}: item {key!r} is in no file")
        for bundle in lexicon.bundles:
            for row in bundle.rows:
                if row.item not in lexicon.items:
                    self.faults.append(f"complete {bundle.say}: item {row.item!r} is in no file")
        for phrase, senses in lexicon.phrases.items():
            owners = {s.item for s in senses if s.role == "alone" and s.data == "finding"}
            if len(owners) > 1:
                self.faults.append(f"{' '.join(phrase)!r} is complete by itself for {' and '.join(sorted(owners))}")
        for heard, read in list(lexicon.misheard.items()):
            if read not in lexicon.phrases:
                self.faults.append(f"misheard {' '.join(heard)!r}: {' '.join(read)!r} is no phrase of the lexicon")
        lexicon.abbreviations = frozenset(self.abbreviations)
        if self.faults:
            raise LexiconError("\n".join(self.faults))
        return lexicon


def load_folders(folders: Iterable[Any]) -> Lexicon:
    """Read and compile the lexicon of several folders, in order. Raises LexiconError."""
    compiler = _Compiler()
    for folder in folders:
        for name, data in _files(folder):
            group = _parse(name, data, compiler.faults)
            if group is not None:
                compiler.file(name, group)
    return compiler.finish()


@lru_cache(maxsize=8)
def _load(user_folder: str | None) -> Lexicon:
    folders: list[Any] = [default_folder()]
    if user_folder:
        path = Path(user_folder)
        if not path.is_dir():
            raise LexiconError(f"{user_folder}: no such folder of lexicon files")
        folders.append(path)
    return load_folders(folders)


def load(user_folder: str | Path | None = None) -> Lexicon:
    """The shipped lexicon, with a user's folder of lexicon files added to it.

    `user_folder` defaults to the environment variable DICTATE_LEXICON. Raises LexiconError.
    """
    return _load(own_folder(user_folder))
