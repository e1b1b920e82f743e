"""Letters of whole notes: every question answered with its first choice, as a clinician in a hurry would."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Literal

from exports.making import LEXICON, document, texts

from dictate.advice.advise import advise
from dictate.exports import Document
from dictate.letters.content import draft
from dictate.letters.model import Finding, Kind, Letter, Party, Said
from dictate.letters.words import load as load_words
from dictate.pipeline import read
from dictate.record import Record
from dictate.settling import Decision, answer, drop, questions, settle

WORDS = load_words(LEXICON)
TEXTS = dict(texts())
KINDS: tuple[Kind, ...] = ("referral", "patient")


_CLINIC = Party("Quillhaven Eye Room", "", ("4 Mill Lane", "Quillhaven"))
_CLINICIAN = Party("M. Kettle", "Optometrist", ("Registration 00-000",))


@dataclass(frozen=True)
class Clinic:
    clinic: Party = _CLINIC
    clinician: Party = _CLINICIAN
    paper: Literal["a4", "us-letter"] = "a4"
    templates: Path | None = None


def settled(text: str, name: str = "note.txt") -> Record:
    record = read(text, name=name, lexicon=LEXICON)
    decisions: list[Decision] = []
    standing = settle(record, text, decisions, {record.sha256: text}, LEXICON)
    while asked := questions(standing, text, LEXICON):
        one = asked[0]
        chosen = answer(standing, one.flags, one.choices[0].sets, "MK") if one.choices else None
        decisions.append(chosen or drop(standing, one.flags, "MK"))
        standing = settle(record, text, decisions, {record.sha256: text}, LEXICON)
    return standing.record


@cache
def record_of(name: str) -> Record:
    return settled(TEXTS[name], name)


def letter_of(record: Record, kind: Kind = "referral", to: str = "", **more: object) -> Letter:
    whole = record if isinstance(record, Document) else document(record, **more)
    return draft(whole, LEXICON, Clinic(), kind=kind, to=to, suggestions=advise(whole.record, LEXICON))


@cache
def drafted(name: str, kind: Kind) -> Letter:
    return letter_of(record_of(name), kind)


def of_text(text: str, kind: Kind = "referral", **more: object) -> Letter:
    return letter_of(settled(text), kind, **more)


def findings(letter: Letter) -> list[Finding]:
    return [one for section in letter.sections for one in section.findings]


def cells(one: Finding) -> list[Said]:
    return [one.right, one.left, one.single]


def everything(letter: Letter) -> list[Said]:
    """Every sentence, cell and remark of a letter."""
    said = [*letter.opening, *(p for s in letter.sections for p in s.points)]
    return said + [c for one in findings(letter) for c in (*cells(one), one.remark)]


def points(letter: Letter, key: str) -> list[str]:
    return [one.text for section in letter.sections if section.key == key for one in section.points]


def opening(letter: Letter) -> str:
    return " ".join(one.text for one in letter.opening)
