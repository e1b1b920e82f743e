"""The rules that lead from findings to suggestions, loaded from referral.toml and checked.

`load(lexicon)` gives the shipped rules; a user's lexicon folder may hold a referral.toml of its own
that adds signs, sources and rows and leaves shipped rows out. A wrong file is refused with its
name, the key and the reason; all faults come in one report.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, cast, get_args

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from dictate.advice.side import filled
from dictate.errors import LexiconError
from dictate.lexicon import REFERRAL, Item, Lexicon, default_folder, own_folder
from dictate.norms import Clause, Norms, Relation, Source, named
from dictate.norms import load as load_norms

Ways = list[Annotated[list[str], Field(min_length=1)]]
"""Ways in which something holds: any of the lists, every sign of it. "sign@other" is one of the other side."""

_FINDING = ("present", "absent", "suspected")


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Plan(_Strict):
    """Where a record holds the clinician's plan, and how soon a referral can be; soonest first."""

    referral: str
    test: str
    urgency: str
    urgencies: dict[str, str]


class RedFlag(_Strict):
    """What makes a referral sooner; without `when` it is for the clinician to ask or look for."""

    say: str
    when: Ways = []
    urgency: str
    ask: str = ""
    or_ask: list[str] = []
    source: list[str]


class Advice(_Strict):
    """One row: findings, what they may suggest, whom to ask, what is still to be done and how soon."""

    key: Annotated[str, StringConstraints(pattern=r"^[a-z0-9_]+$")]
    title: str
    when: Annotated[Ways, Field(min_length=1)]
    unless: Ways = []
    also: list[str] = []
    concludes: list[str] = []
    suggests: Annotated[str, StringConstraints(pattern=r"^may ")]
    ask: str
    or_ask: list[str] = []
    tests: list[str]
    again: list[str] = []
    urgency: str
    red_flag: list[RedFlag] = []
    replaces: list[str] = []
    caution: str = ""
    letter: str
    source: Annotated[list[str], Field(min_length=1)]


class File(_Strict):
    """A referral.toml as it is written."""

    group: Literal["referral"]
    caution: str = ""
    plan: Plan | None = None
    source: dict[str, Source] = {}
    done: dict[str, list[Clause]] = {}
    sign: dict[str, Annotated[list[Clause], Field(min_length=1)]] = {}
    advice: list[Advice] = []
    leave_out: list[str] = []


@dataclass(frozen=True)
class Sign:
    """One sign that a row asks for: any of its clauses, on a side that stands so to the row's."""

    name: str
    relation: Relation
    clauses: tuple[Clause, ...]


@dataclass(frozen=True)
class Rules:
    """All rows in the order of the files, with what they name."""

    plan: Plan
    caution: str
    source: dict[str, Source]
    done: dict[str, list[Clause]]
    signs: dict[str, list[Clause]]
    advice: tuple[Advice, ...]

    def sign(self, said: str) -> Sign:
        """The sign that a row names: "swollen_disc", "swollen_disc@other"."""
        name, relation = parted(said)
        return Sign(name, relation, tuple(self.signs[name]))

    def row(self, key: str) -> Advice:
        """The row of that key; KeyError if there is none."""
        for row in self.advice:
            if row.key == key:
                return row
        raise KeyError(key)


def parted(said: str) -> tuple[str, Relation]:
    """The name of a sign or a row, and the side asked for: the same unless said otherwise."""
    name, _, relation = said.partition("@")
    return name, cast(Relation, relation or "same")


def _parsed(place: str, data: bytes, faults: list[str]) -> File | None:
    try:
        return File.model_validate(tomllib.loads(data.decode("utf-8")))
    except UnicodeDecodeError:
        faults.append(f"{place}: not UTF-8")
    except tomllib.TOMLDecodeError as error:
        faults.append(f"{place}: {error}")
    except ValidationError as error:
        for one in error.errors():
            faults.append(f"{place}: {'.'.join(str(part) for part in one['loc'])}: {one['msg']}")
    return None


class _Checking:
    """Finds what a file names and nothing describes."""

    def __init__(self, lexicon: Lexicon, norms: Norms, place: str, faults: list[str]) -> None:
        self.lexicon = lexicon
        self.derived = named(norms, "key")
        self.place = place
        self.faults = faults

    def fault(self, where: str, reason: str) -> None:
        self.faults.append(f"{self.place}: {where}: {reason}")

    def among(self, where: str, values: Iterable[str], known: Iterable[str]) -> None:
        every = list(known)
        for value in values:
            if value not in every:
                self.fault(where, f"{value!r} is none of {', '.join(every)}")

    def listed(self, where: str, names: Iterable[str], known: Iterable[str], what: str) -> None:
        for name in sorted(set(names) - set(known)):
            self.fault(where, f"{what} {name!r} is not listed")

    def clause(self, where: str, clause: Clause) -> None:
        if bool(clause.item) == bool(clause.derived):
            self.fault(where, "names an item or a computed value, one of the two")
        elif clause.derived and clause.derived not in self.derived:
            self.fault(where, f"nothing computes {clause.derived!r}")
        elif clause.item and clause.item not in self.lexicon.items:
            self.fault(where, f"item {clause.item!r} is in no file of the lexicon")
        elif clause.item:
            item = self.lexicon.items[clause.item]
            if item.kind in ("category", "finding"):
                self.among(where, [*clause.values, *clause.not_values], item.values or _FINDING)
            told = {*item.context, *item.soft_context, *(["certainty"] if item.certainty else [])}
            self.among(where, [*clause.context, *clause.other_than, *clause.without], sorted(told))

    def sentence(self, where: str, sentence: str) -> None:
        for side in ("right", "both", None):
            try:
                said = filled(sentence, side)
            except (KeyError, ValueError, IndexError, AttributeError):
                self.fault(where, "braces hold {side:noun} or {other:noun} only")
                return
        if "  " in said or re.search(r"[{}]", said):
            self.fault(where, "a blank too many, or a brace")


def _values(item: Item | None) -> list[str]:
    return list(item.values) if item else []


def _check(rules: Rules, file: File, check: _Checking) -> None:
    """Everything that a file names must be described by it, or by one before it."""
    plan, items = rules.plan, check.lexicon.items
    tests, asked = _values(items.get(plan.test)), _values(items.get(plan.referral))
    check.among("done", file.done, tests)
    for name, clauses in [*file.done.items(), *file.sign.items()]:
        for clause in clauses:
            check.clause(name, clause)
    for row in file.advice:
        where = f"advice.{row.key}"
        named_signs = [s for ways in (row.when, row.unless) for way in ways for s in way] + row.also
        check.among(f"{where}.ask", [row.ask, *row.or_ask], asked)
        check.among(f"{where}.tests", [*row.tests, *row.again], tests)
        check.among(f"{where}.urgency", [row.urgency], plan.urgencies)
        check.listed(f"{where}.source", row.source, rules.source, "source")
        check.listed(f"{where}.replaces", (parted(k)[0] for k in row.replaces), (r.key for r in rules.advice), "row")
        _check_conclusions(row, where, check)
        for flag in row.red_flag:
            named_signs += [s for way in flag.when for s in way]
            check.among(f"{where}.red_flag.ask", [a for a in (flag.ask, *flag.or_ask) if a], asked)
            check.among(f"{where}.red_flag.urgency", [flag.urgency], plan.urgencies)
            check.listed(f"{where}.red_flag.source", flag.source, rules.source, "source")
            check.sentence(f"{where}.red_flag.say", flag.say)
        for key in ("title", "suggests", "caution", "letter"):
            check.sentence(f"{where}.{key}", getattr(row, key))
        check.listed(where, (parted(s)[0] for s in named_signs), rules.signs, "sign")
        check.among(where, (parted(s)[1] for s in named_signs + row.replaces), get_args(Relation))


def _check_conclusions(row: Advice, where: str, check: _Checking) -> None:
    conclusion = check.lexicon.items.get(load_norms().conclusion.item)
    check.among(f"{where}.concludes", row.concludes, _values(conclusion))


def _repeated(where: str, names: Iterable[str], known: Iterable[str], place: str) -> Iterator[str]:
    for name in sorted(set(names) & set(known)):
        yield f"{place}: {where}{name}: is already in another file"


def _joined(files: list[tuple[str, File]], norms: Norms, lexicon: Lexicon) -> Rules:
    faults: list[str] = []
    first = files[0][1]
    if first.plan is None or not first.caution:
        raise LexiconError(f"{files[0][0]}: plan and caution are missing")
    rules = Rules(first.plan, first.caution, dict(norms.source), {}, {}, ())
    for place, file in files:
        left_out, keys = set(file.leave_out), [r.key for r in rules.advice]
        faults += [f"{place}: leave_out: row {k!r} is not listed" for k in sorted(left_out - set(keys))]
        kept = tuple(r for r in rules.advice if r.key not in left_out)
        faults += _repeated("source.", file.source, rules.source, place)
        faults += _repeated("sign.", file.sign, rules.signs, place)
        own = [r.key for r in file.advice]
        faults += _repeated("advice.", own, (r.key for r in kept), place)
        faults += [f"{place}: advice.{k}: is there twice" for k in sorted({k for k in own if own.count(k) > 1})]
        rules = Rules(
            file.plan or rules.plan,
            file.caution or rules.caution,
            {**rules.source, **file.source},
            {**rules.done, **file.done},
            {**rules.signs, **file.sign},
            (*kept, *file.advice),
        )
        _check(rules, file, _Checking(lexicon, norms, place, faults))
    if faults:
        raise LexiconError("\n".join(faults))
    return rules


def load_folders(folders: Iterable[tuple[str, Any]], lexicon: Lexicon) -> Rules:
    """The rules of several folders that hold a referral.toml, in order. Raises LexiconError with every fault."""
    faults: list[str] = []
    files: list[tuple[str, File]] = []
    for place, folder in folders:
        file = _parsed(place, (folder / REFERRAL).read_bytes(), faults)
        if file is not None:
            files.append((place, file))
    if faults:
        raise LexiconError("\n".join(faults))
    return _joined(files, load_norms(), lexicon)


def load(lexicon: Lexicon, folder: str | Path | None = None) -> Rules:
    """The shipped rules with those of a user's lexicon folder. Raises LexiconError.

    `lexicon` is the one loaded with the same folder, so that rows may speak of the user's own
    items; `folder` defaults to the environment variable DICTATE_LEXICON.
    """
    own = own_folder(folder)
    known = lexicon.cache.get(f"{REFERRAL} {own}")
    if known is None:
        folders: list[tuple[str, Any]] = [(REFERRAL, default_folder())]
        if own and (Path(own) / REFERRAL).is_file():
            folders.append((str(Path(own) / REFERRAL), Path(own)))
        known = lexicon.cache[f"{REFERRAL} {own}"] = load_folders(folders, lexicon)
    return cast(Rules, known)
