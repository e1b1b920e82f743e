"""What the events say about each record, to compare with what lists and pages show."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from dictate.store.chain import Link
from dictate.store.referrals import KEYS
from dictate.store.words import digest

NOBODY = {"reference": "", "name": "", "birth_date": ""}


@dataclass
class Told:
    """A record as its events have it; the times are as stored."""

    created: str
    version: int = 1
    signed_by: str = ""
    signed_at: str | None = None
    signed_note: str = ""
    patient: Mapping[str, str] | None = None
    referrals: dict[int, Mapping[str, Any]] = field(default_factory=dict)


def replayed(links: Iterable[Link], told: dict[str, Told]) -> Iterator[Link]:
    """Pass the events through, and keep in `told` how each record that was not deleted stands after them."""
    for link in links:
        _take(link, told)
        yield link


def _take(link: Link, told: dict[str, Told]) -> None:
    if link.kind == "new":
        told[link.record_id] = Told(link.at)
    elif link.kind == "delete":
        told.pop(link.record_id, None)
    elif link.record_id in told and link.kind in ("patient", "sign", "amend", "referral"):
        one, content = told[link.record_id], _content(link.payload)
        if link.kind == "patient":
            one.patient = {key: str(content.get(key, "")) for key in NOBODY}
        elif link.kind == "referral":
            number = content.get("number")
            one.referrals[number if isinstance(number, int) else 0] = content
        elif link.kind == "sign":
            one.signed_by, one.signed_at = str(content.get("initials", "")), link.at
            one.signed_note = str(content.get("note_sha256", ""))
        else:
            one.version += 1
            one.signed_by, one.signed_at, one.signed_note = "", None, ""


def _content(payload: str | None) -> Mapping[str, Any]:
    try:
        content = json.loads(payload or "{}")
    except ValueError:  # altered; the chain tells it
        content = {}
    return content if isinstance(content, dict) else {}


def differences(told: Mapping[str, Told], rows: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Where the records shown are not what the events say. Rows are of `record` joined with `patient`."""
    shown = {row["id"]: row for row in rows}
    for record_id in sorted(told.keys() - shown.keys()):
        yield f"record {record_id} is missing, and was not deleted"
    for record_id in sorted(shown.keys() - told.keys()):
        yield f"record {record_id} is there without the event that made it"
    for record_id in sorted(told.keys() & shown.keys()):
        what = ", ".join(_different(told[record_id], shown[record_id]))
        if what:
            yield f"record {record_id} does not show what its events say: {what}"


def referral_differences(told: Mapping[str, Told], rows: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Where the referrals shown are not what the events say. Rows are of `referral`, `days` still JSON."""
    shown = {(row["record_id"], row["number"]): row for row in rows}
    said = {(record_id, number): one for record_id, of in told.items() for number, one in of.referrals.items()}
    for record_id, number in sorted(said.keys() - shown.keys()):
        yield f"referral {record_id}-{number} is missing"
    for record_id, number in sorted(shown.keys() - said.keys()):
        yield f"referral {record_id}-{number} is there without the event that made it"
    for key in sorted(said.keys() & shown.keys()):
        row = {**shown[key], "days": _content(shown[key]["days"])}
        what = ", ".join(name for name in KEYS if row[name] != said[key].get(name))
        if what:
            yield f"referral {key[0]}-{key[1]} does not show what its events say: {what}"


def _different(told: Told, row: Mapping[str, Any]) -> Iterator[str]:
    if row["created"] != told.created:
        yield "when it was begun"
    if row["version"] != told.version:
        yield "version"
    if (row["state"] == "signed") != (told.signed_at is not None):
        yield "state"
    if (row["signed_by"], row["signed_at"]) != (told.signed_by, told.signed_at):
        yield "signature"
    if told.signed_note and digest(row["draft"]) != told.signed_note:
        yield "the note that was signed"
    if {key: row[key] for key in NOBODY} != (told.patient or NOBODY):
        yield "patient"
