"""How a record is told in letters, loaded from lexicon/letters/letters.toml and checked.

A user's lexicon folder may hold letters/letters.toml: its rows are for the user's own items, or take the place of shipped ones.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cached_property
from pathlib import Path
from typing import Any, Literal, TypeVar, cast

from pydantic import BaseModel, ConfigDict, ValidationError

from dictate.errors import LexiconError
from dictate.lexicon import Lexicon, default_folder, own_folder

PLACE = "letters/letters.toml"
ANY = "any"
SUSPECTED = "suspected"
_FINDING = ("present", "absent")
_Model = TypeVar("_Model", bound=BaseModel)


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ItemWords(_Strict):
    """The words for one item; the head of the file says what each key is for."""

    key: str
    normal: dict[str, str] = {}
    found: dict[str, str] = {}
    cell: dict[str, str] = {}
    minor: list[str] = []
    beside: list[str] = []
    apart: bool = False
    plain: str = ""
    what: str = ""
    plain_normal: dict[str, str] = {}
    plain_found: dict[str, str] = {}
    plain_cell: dict[str, str] = {}


class Plan(_Strict):
    """The items and circumstances that hold the clinician's conclusions and plan."""

    test: str
    referral: str
    review: str
    urgency: str
    impression: str
    certainty: str
    excluded: str
    suspected: str
    no_impression: list[str]
    unnamed: str


class Sooner(_Strict):
    """A reason to seek help sooner: always, or where something of these groups was found."""

    say: str
    always: bool = False
    groups: list[str] = []


class Words(_Strict):
    """All words of the file."""

    group: Literal["letters"]
    where: dict[str, dict[str, str]]
    plain_where: dict[str, dict[str, str]]
    plan: Plan
    urgency: dict[str, str]
    plain_urgency: dict[str, str]
    test: dict[str, str]
    plain_test: dict[str, str]
    refer: dict[str, str]
    plain_refer: dict[str, str]
    plain_computed: dict[str, str]
    group_names: dict[str, str]
    proper: list[str] = []
    sooner: list[Sooner]
    item: list[ItemWords]

    def of(self, key: str) -> ItemWords:
        """The words of an item; empty ones for an item that the file does not name."""
        return self._by_key.get(key) or ItemWords(key=key)

    @cached_property
    def _by_key(self) -> dict[str, ItemWords]:
        return {one.key: one for one in reversed(self.item)}  # a user's own come first


class _Own(_Strict):
    """What a user's file can hold."""

    group: Literal["letters"]
    item: list[ItemWords] = []


def _parsed(place: str, data: bytes) -> dict[str, Any]:
    try:
        return tomllib.loads(data.decode("utf-8"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise LexiconError(f"{place}: {error}") from error


def _valid(place: str, model: type[_Model], data: Mapping[str, Any]) -> _Model:
    try:
        return model.model_validate(data)
    except ValidationError as error:
        faults = [f"{place}: {'.'.join(map(str, one['loc']))}: {one['msg']}" for one in error.errors()]
        raise LexiconError("\n".join(faults)) from error


def _faults(place: str, rows: list[ItemWords], lexicon: Lexicon) -> list[str]:
    faults = []
    for row in rows:
        item = lexicon.items.get(row.key)
        if item is None:
            faults.append(f"{place}: item {row.key!r} is in no file of the lexicon")
            continue
        known = {*item.values, ANY, *((*_FINDING, SUSPECTED) if item.kind == "finding" else ())}
        for field in ("normal", "found", "cell", "minor", "beside", "plain_normal", "plain_found", "plain_cell"):
            if item.kind in ("category", "finding"):
                faults += [
                    f"{place}: {row.key}.{field}: {value!r} is no value of it"
                    for value in getattr(row, field)
                    if value not in known
                ]
    return faults


def load(lexicon: Lexicon, folder: str | Path | None = None) -> Words:
    """The shipped words with those of a user's lexicon folder. Raises LexiconError with every fault.

    `folder` defaults to the environment variable DICTATE_LEXICON; `lexicon` is the one loaded with it.
    """
    own = own_folder(folder)
    name = f"{PLACE} {own}"
    known = lexicon.cache.get(name)
    if known is None:
        words = _valid(PLACE, Words, _parsed(PLACE, (default_folder() / "letters" / "letters.toml").read_bytes()))
        faults = _faults(PLACE, words.item, lexicon)
        file = Path(own) / "letters" / "letters.toml" if own else None
        if file is not None and file.is_file():
            added = _valid(str(file), _Own, _parsed(str(file), file.read_bytes()))
            faults += _faults(str(file), added.item, lexicon)
            words = words.model_copy(update={"item": [*added.item, *words.item]})
        if faults:
            raise LexiconError("\n".join(faults))
        known = lexicon.cache[name] = words
    return cast(Words, known)
