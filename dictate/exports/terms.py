"""The systems, codes and words of FHIR R4 that the Bundle uses, and how its plain parts are written."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from html import escape
from typing import Any

from dictate.exports.codes import Coding

Json = dict[str, Any]

CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
PARTICIPANT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
IDENTIFIER = "urn:ietf:rfc:3986"
INTERPRETED = {"N": "Normal", "A": "Abnormal"}
NOT_DONE = "not_done"

_NOT_ALLOWED = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff\ufffe\uffff]")


def plain(text: str) -> str:
    """The text as a FHIR string can hold it: no control characters but tabs and line ends, no half characters."""
    return _NOT_ALLOWED.sub(" ", text)


def instant(at: datetime) -> str:
    """A time to the millisecond, in UTC."""
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def coding(one: Coding) -> Json:
    """A code with its system and what that system calls it."""
    out = {"system": one.system, "code": one.code}
    return out | {"display": one.display} if one.display else out


def concept(text: str, *codings: Json) -> Json:
    """Codes with the words that they stand for."""
    out: Json = {"coding": list(codings)} if codings else {}
    return out | {"text": plain(text)}


def own(system: str, code: str) -> Json:
    """A code of the project's own, with blanks as FHIR codes have them: one, and none at the ends."""
    return {"system": system, "code": " ".join(plain(code).split())}


def narrative(title: str, lines: Sequence[str]) -> Json:
    """The words that a person reads where the codes are not shown."""
    items = "".join(f"<li>{escape(plain(line))}</li>" for line in lines)
    body = f"<ul>{items}</ul>" if items else ""
    return {
        "status": "generated",
        "div": f'<div xmlns="http://www.w3.org/1999/xhtml"><p>{escape(plain(title))}</p>{body}</div>',
    }


def reference(uuid: str, display: str = "") -> Json:
    """A reference within the Bundle."""
    out = {"reference": f"urn:uuid:{uuid}"}
    return out | {"display": plain(display)} if display else out
