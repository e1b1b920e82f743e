"""What a letter is: plain, frozen, and independent of any file format.

Every sentence that a record gave names the entries it rests on, so that a letter can be walked back to
the note; a sentence of the templates or the settings alone names none.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

Kind = Literal["referral", "patient"]
Urgency = Literal["same_day", "urgent", "soon", "routine", ""]


@dataclass(frozen=True)
class Said:
    """A sentence (or a cell's or a list's words), with the ids of the entries and the keys of the computed values behind it.

    `own`: in the user's own words, written while the letter was edited.
    """

    text: str
    entries: tuple[str, ...] = ()
    derived: tuple[str, ...] = ()
    own: bool = False


@dataclass(frozen=True)
class Finding:
    """A line of the findings' table: the test, right and left; `single` where no side belongs to it.

    `outside`: at least one of its values is abnormal or outside the usual range. `remark` is what was computed from it.
    """

    title: str
    right: Said = field(default_factory=lambda: Said(""))
    left: Said = field(default_factory=lambda: Said(""))
    single: Said = field(default_factory=lambda: Said(""))
    remark: Said = field(default_factory=lambda: Said(""))
    outside: bool = False


@dataclass(frozen=True)
class Section:
    """A part of a letter under its heading: sentences of a paragraph, or the points of a list."""

    key: str
    title: str
    points: tuple[Said, ...] = ()
    listed: bool = False
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class Figure:
    """A sketch for the letter: `svg` is a whole image, `text` says the same."""

    title: str
    svg: str
    text: str


@dataclass(frozen=True)
class Party:
    """Somebody at the head or the foot of a letter; `lines` are address, telephone, registration."""

    name: str = ""
    role: str = ""
    lines: tuple[str, ...] = ()


@dataclass(frozen=True)
class Letter:
    """A letter as drafted.

    `reference` is the line that names the patient; `opening` says why and how soon. `draft` is the mark that every
    page carries while the record is unsigned ("" once it is signed). `made_from` names record and version at the foot.
    """

    kind: Kind
    title: str
    clinic: Party
    clinician: Party
    recipient: Party
    date: str
    reference: str
    greeting: str
    opening: tuple[Said, ...]
    sections: tuple[Section, ...]
    closing: str
    signed: str
    caution: str
    made_from: str
    urgency: Urgency = ""
    figures: tuple[Figure, ...] = ()
    draft: str = ""
    paper: Literal["a4", "us-letter"] = "a4"

    def to_dict(self) -> dict[str, Any]:
        """The form that is kept."""
        return asdict(self)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Letter:
        """The letter that `to_dict` gave, also after JSON has made lists of its tuples."""
        return cls(
            **{
                **data,
                "clinic": _party(data["clinic"]),
                "clinician": _party(data["clinician"]),
                "recipient": _party(data["recipient"]),
                "opening": _all_said(data["opening"]),
                "sections": tuple(_section(one) for one in data["sections"]),
                "figures": tuple(Figure(**one) for one in data["figures"]),
            }
        )


def _party(data: Mapping[str, Any]) -> Party:
    return Party(data["name"], data["role"], tuple(data["lines"]))


def _said(data: Mapping[str, Any]) -> Said:
    return Said(data["text"], tuple(data["entries"]), tuple(data["derived"]), data.get("own", False))


def _all_said(data: Iterable[Mapping[str, Any]]) -> tuple[Said, ...]:
    return tuple(_said(one) for one in data)


def _finding(data: Mapping[str, Any]) -> Finding:
    told = {name: _said(data[name]) for name in ("right", "left", "single", "remark")}
    return Finding(data["title"], **told, outside=data["outside"])


def _section(data: Mapping[str, Any]) -> Section:
    findings = tuple(_finding(one) for one in data["findings"])
    return Section(data["key"], data["title"], _all_said(data["points"]), data["listed"], findings)
