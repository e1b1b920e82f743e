"""A Bundle that `fhir` wrote -> the same record.

Entries come back with their words; what is computed from them and what is not documented is worked out anew.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable, Mapping
from typing import Any

from dictate import derive
from dictate.errors import DictateError
from dictate.exports.codes import Codes
from dictate.exports.terms import NOT_DONE, Json
from dictate.lexicon import Lexicon
from dictate.record import Entry, Evidence, Record, Value

_SPAN = re.compile(r"(\d+)-(\d+)")


class BundleError(DictateError):
    """A Bundle that does not hold a record of this program."""


def record(bundle: Mapping[str, Any], lexicon: Lexicon, codes: Codes) -> Record:
    """The record of a Bundle. Words that gave no row are not in it. Raises BundleError."""
    try:
        return _Reader(bundle, lexicon, codes).record()
    except (KeyError, IndexError, TypeError, ValueError, StopIteration, AttributeError) as error:
        raise BundleError(f"this Bundle does not hold a record as it is exported here: {error!r}") from None


class _Reader:
    def __init__(self, bundle: Mapping[str, Any], lexicon: Lexicon, codes: Codes) -> None:
        self.lexicon = lexicon
        self.codes = codes
        self.own = codes.shipped.own
        self.resources: list[Json] = [one["resource"] for one in bundle["entry"]]
        self.note = next(one for one in self._all("DocumentReference"))
        self.text = self._note_text()
        self.words = {one["target"][0]["reference"]: self._words(one) for one in self._all("Provenance")}

    def record(self) -> Record:
        sha256, characters = _value(self.note["identifier"], self.own.note).split(":")
        entries = tuple(self._entry(one) for one in self.resources if self._is_entry(one))
        return Record(
            name=self.note["content"][0]["attachment"]["title"],
            characters=int(characters),
            sha256=sha256,
            entries=entries,
            derived=derive.derive(entries, self.lexicon),
            not_documented=derive.not_documented(entries, self.lexicon),
        )

    def _all(self, kind: str) -> Iterable[Json]:
        return (one for one in self.resources if one["resourceType"] == kind)

    def _is_entry(self, one: Json) -> bool:
        identifiers = one.get("identifier")
        return isinstance(identifiers, list) and any(i.get("system") == self.own.entry for i in identifiers)

    def _note_text(self) -> str:
        data = self.note["content"][0]["attachment"].get("data", "")
        return base64.b64decode(data).decode("utf-8", "surrogatepass")

    def _words(self, provenance: Json) -> tuple[Evidence, ...]:
        return tuple(self._evidence(one["what"]) for one in provenance.get("entity", ()))

    def _evidence(self, what: Json) -> Evidence:
        span = _SPAN.fullmatch(what["identifier"]["value"])
        if span is None:
            raise ValueError(what["identifier"]["value"])
        start, end = int(span[1]), int(span[2])
        return Evidence(start, end, self.text[start:end] if self.text else what.get("display", ""))

    # ---- one entry -----------------------------------------------------------------------

    def _entry(self, one: Json) -> Entry:
        key = _code(one["code"], self.own.item)
        item = self.lexicon.items[key]
        request = one["resourceType"] == "ServiceRequest"
        value = self._requested(one) if request else self._value(one)
        context = self._urgency(one) if request else self._context(one)
        site = one.get("bodySite")
        site = site[0] if isinstance(site, list) else site
        return Entry(
            id=_value(one["identifier"], self.own.entry).rpartition("#")[2],
            item=key,
            side=_code(site, self.own.side) if site else None,
            value=value,
            unit=item.unit if item.kind == "quantity" and isinstance(value, int | float | list) else "",
            context=context,
            state="stated",
            evidence=self.words.get(f"urn:uuid:{one['id']}", ()),
        )

    def _value(self, one: Json) -> Value:
        if "dataAbsentReason" in one:
            reason = one["dataAbsentReason"]["coding"][0]["code"]
            return NOT_DONE if reason == "not-performed" else None
        if "valueQuantity" in one:
            number: float | int = one["valueQuantity"]["value"]
            return number
        if "valueRange" in one:
            return [one["valueRange"][bound]["value"] for bound in ("low", "high")]
        if "valueRatio" in one:
            return "/".join(str(one["valueRatio"][part]["value"]) for part in ("numerator", "denominator"))
        if "valueCodeableConcept" in one:
            return _code(one["valueCodeableConcept"], self.own.value)
        return str(one["valueString"])

    def _requested(self, one: Json) -> str:
        if any(coding["system"] == self.own.value for coding in one["code"]["coding"]):
            return _code(one["code"], self.own.value)
        return str(next(detail["text"] for detail in one["orderDetail"] if "coding" not in detail))

    def _urgency(self, one: Json) -> dict[str, str | int]:
        details = [detail for detail in one.get("orderDetail", ()) if "coding" in detail]
        key = self.codes.shipped.circumstance.urgency
        return {key: _code(details[0], self.own.circumstance)} if details else {}

    def _context(self, one: Json) -> dict[str, str | int]:
        out: dict[str, str | int] = {}
        for part in one.get("component", ()):
            out[_code(part["code"], self.own.circumstance)] = self._circumstance(part)
        if method := one.get("method"):
            out[self.codes.shipped.circumstance.method] = _code(method, self.own.circumstance)
        return out

    def _circumstance(self, part: Json) -> str | int:
        if "valueInteger" in part:
            return int(part["valueInteger"])
        if "valueQuantity" in part:
            return int(part["valueQuantity"]["value"])
        if "valueTime" in part:
            return str(part["valueTime"])[:5]
        return _code(part["valueCodeableConcept"], self.own.value)


def _code(concept: Json, system: str) -> str:
    return str(next(one["code"] for one in concept["coding"] if one["system"] == system))


def _value(identifiers: Iterable[Json], system: str) -> str:
    return str(next(one["value"] for one in identifiers if one.get("system") == system))
