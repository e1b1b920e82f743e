"""Codes of published systems for entries, loaded from codes.toml and a file of the user's, and checked.

A user's file holds [[code]] (what an item, a side and circumstances are called elsewhere) and [[answer]] (what a value
is called). A wrong file is refused with its name, the key and the reason; all faults come in one report.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from dictate.errors import DictateError
from dictate.lexicon import Item, Lexicon
from dictate.record import Entry

LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"

_File = TypeVar("_File", bound=BaseModel)
_URI = re.compile(r"[a-z][a-z0-9+.-]*:\S+")
_CODE = re.compile(r"[^\s]+( [^\s]+)*")
_LOINC_CODE = re.compile(r"(\d+)-(\d)", re.ASCII)
_LOINC_OTHER = re.compile(r"(LA|LP|LL|LG)\d+-\d", re.ASCII)  # answers, parts, lists, groups


class CodesError(DictateError):
    """A file of codes that cannot be used; the message lists every fault with its place."""


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Coding(_Strict):
    """A code of a system, and what that system calls it."""

    system: str
    code: str
    display: str = ""


class Code(Coding):
    """What an item is called elsewhere, on a side and in circumstances if they are given."""

    item: str
    side: Literal["right", "left", "both"] | None = None
    context: dict[str, str | int] = {}
    source: str = ""

    def fits(self, entry: Entry) -> bool:
        """Whether the entry is of this item and side, and its circumstances are said."""
        return (
            self.item == entry.item
            and self.side in (None, entry.side)
            and all(entry.context.get(key) == value for key, value in self.context.items())
        )


class Answer(Coding):
    """What a value of an item is called elsewhere."""

    item: str
    value: str
    source: str = ""

    def fits(self, entry: Entry, kind: str) -> bool:
        """Whether the entry has this value; an acuity may add its distance ("CF 1 m")."""
        if self.item != entry.item or not isinstance(entry.value, str):
            return False
        return entry.value == self.value or kind == "acuity" and entry.value.startswith(f"{self.value} ")


class Unit(_Strict):
    """A unit of the record: its UCUM code, if there is one, and how people write it."""

    ucum: str = ""
    shown: str


class UserFile(_Strict):
    """What a user's file may hold."""

    code: list[Code] = []
    answer: list[Answer] = []


class _Own(_Strict):
    item: str
    value: str
    side: str
    circumstance: str
    computed: str
    entry: str
    note: str
    span: str
    patient: str


class _Circumstances(_Strict):
    method: str
    time: str
    urgency: str
    frequency: str


class _Headings(_Strict):
    type: Coding
    findings: Coding
    impression: Coding
    plan: Coding


class ShippedFile(UserFile):
    """What codes.toml holds."""

    own: _Own
    v2: dict[str, str]
    unit: dict[str, Unit]
    circumstance: _Circumstances
    priority: dict[str, str]
    document: _Headings
    group: dict[str, Coding]


@dataclass(frozen=True)
class Codes:
    """The tables of codes, the user's after the shipped ones."""

    shipped: ShippedFile
    user: UserFile = field(default_factory=UserFile)

    def of(self, entry: Entry) -> list[Coding]:
        """The codes for what the entry is of; empty where no published code was verified."""
        return [one for one in (*self.shipped.code, *self.user.code) if one.fits(entry)]

    def answers(self, entry: Entry, item: Item) -> list[Coding]:
        """The codes for the value of an entry."""
        return [one for one in (*self.shipped.answer, *self.user.answer) if one.fits(entry, item.kind)]

    def unit(self, unit: str) -> Unit:
        """The unit as UCUM has it; one that is not in the table is written as it is, without a code."""
        return self.shipped.unit.get(unit) or Unit(shown=unit)

    def v2(self, system: str) -> str:
        """The short name of a code system in HL7 v2: "LN"."""
        return self.shipped.v2.get(system, "L")


def load(lexicon: Lexicon, path: str | None = None) -> Codes:
    """The shipped codes, with a file of the user's. Raises CodesError."""
    faults: list[str] = []
    data = (resources.files("dictate.exports") / "codes.toml").read_bytes()
    shipped = _parsed("codes.toml", data, ShippedFile, faults)
    user: UserFile | None = UserFile()
    if path is not None:
        try:
            user = _parsed(path, Path(path).read_bytes(), UserFile, faults)
        except OSError as error:
            raise CodesError(f"{path}: {(error.strerror or 'cannot be read').lower()}") from None
        if user is not None:
            faults += [f"{path}: {fault}" for fault in _faults(user, lexicon)]
    if faults or shipped is None or user is None:
        raise CodesError("\n".join(faults))
    return Codes(shipped, user)


def loinc_valid(code: str) -> bool:
    """Whether a LOINC code's last digit is its check digit (mod 10, as the LOINC Users' Guide describes it; from memory).

    Of codes for answers, parts, lists and groups only the form is looked at.
    """
    if _LOINC_OTHER.fullmatch(code):
        return True
    found = _LOINC_CODE.fullmatch(code)
    if found is None:
        return False
    total = 0
    for place, digit in enumerate(reversed(found[1])):
        double = int(digit) * 2 if place % 2 == 0 else int(digit)
        total += double // 10 + double % 10
    return (10 - total % 10) % 10 == int(found[2])


def _parsed(name: str, data: bytes, model: type[_File], faults: list[str]) -> _File | None:
    try:
        return model.model_validate(tomllib.loads(data.decode("utf-8")))
    except UnicodeDecodeError:
        faults.append(f"{name}: not UTF-8")
    except tomllib.TOMLDecodeError as error:
        faults.append(f"{name}: {error}")
    except ValidationError as error:
        for one in error.errors():
            place = ".".join(str(part) for part in one["loc"])
            faults.append(f"{name}: {place}: {one['msg']}")
    return None


def _faults(user: UserFile, lexicon: Lexicon) -> Iterator[str]:
    seen: dict[Any, int] = {}
    for number, one in enumerate(user.code):
        place = f"code.{number}"
        yield from (f"{place}.{fault}" for fault in (*_wrong_coding(one), *_wrong_subject(one, lexicon)))
        first = seen.setdefault((one.item, one.side, tuple(sorted(one.context.items())), one.system), number)
        if first != number:
            yield f"{place}: code.{first} is for the same item, side, circumstances and system"
    answered: dict[Any, int] = {}
    for number, answer in enumerate(user.answer):
        place = f"answer.{number}"
        yield from (f"{place}.{fault}" for fault in (*_wrong_coding(answer), *_wrong_value(answer, lexicon)))
        first = answered.setdefault((answer.item, answer.value, answer.system), number)
        if first != number:
            yield f"{place}: answer.{first} is for the same item, value and system"


def _wrong_coding(one: Coding) -> Iterator[str]:
    if not _URI.fullmatch(one.system):
        yield f"system: {one.system!r} is no absolute address of a code system"
    if not _CODE.fullmatch(one.code):
        yield f"code: {one.code!r} is empty or has blanks at its ends or next to each other"
    elif one.system == LOINC and not loinc_valid(one.code):
        yield f"code: {one.code!r} is no LOINC code, its check digit is wrong"


def _wrong_subject(one: Code, lexicon: Lexicon) -> Iterator[str]:
    item = lexicon.items.get(one.item)
    if item is None:
        yield f"item: there is no item {one.item!r}"
        return
    if one.side is not None and not item.sided:
        yield f"side: {one.item} has no sides"
    if one.side == "both" and not item.both_eyes:
        yield f"side: {one.item} is told for right and left, not for both together"
    for key in _unknown(one.context, (*item.context, *item.soft_context)):
        yield f"context: {one.item} has no circumstance {key!r}"


def _wrong_value(one: Answer, lexicon: Lexicon) -> Iterator[str]:
    item = lexicon.items.get(one.item)
    if item is None:
        yield f"item: there is no item {one.item!r}"
        return
    known = {"finding": ["present", "absent", "suspected"], "category": item.values}.get(item.kind)
    if known is not None and one.value not in known:
        yield f"value: {one.value!r} is none of {', '.join(known)}"


def _unknown(given: Iterable[str], known: Iterable[str]) -> list[str]:
    allowed = set(known)
    return [key for key in given if key not in allowed]
