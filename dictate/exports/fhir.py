"""A record as an HL7 FHIR R4 document: a Bundle that begins with a Composition.

Every finding is an Observation with its side as body site, every computed value one that names what it is derived
from, every test or referral of the plan a ServiceRequest, and the note's words are in Provenance. A test that was declared
not done has a reason for its missing value; one that nobody mentioned is not there at all. `back` reads it again.
"""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass, field
from typing import Any

from dictate import __version__
from dictate.exports import terms
from dictate.exports.codes import UCUM, Codes, Coding
from dictate.exports.document import Document
from dictate.exports.judged import Interpretation, interpretations
from dictate.exports.terms import NOT_DONE, Json, concept, instant, narrative, own, plain, reference
from dictate.exports.wording import computed_title, place, sentence, subject
from dictate.lexicon import Item, Lexicon
from dictate.record import Derived, Entry, Value
from dictate.table import value_text

TITLE = "Examination of the eyes and the cranial nerves"
_REQUESTED = ("category", "finding", "grade", "text")
_ORIGIN = {
    "read": "read from the note",
    "chosen": "chosen by the clinician in answer to a question about the note",
    "own": "stated by the clinician, not by the note",
}
_UNSIGNED = "the examining clinician (not signed)"


def bundle(document: Document, lexicon: Lexicon, codes: Codes) -> Json:
    """The document Bundle, checked against the R4 models, ready for json.dumps. Raises OpenQuestions."""
    return _checked(_Writer(document.settled(), lexicon, codes).bundle())


def _checked(made: Json) -> Json:
    """The same as the R4 models write it: required elements are there, none is unknown or of a wrong type."""
    from fhirclient.models.bundle import Bundle

    out: Json = Bundle(made).as_json()
    return out


@dataclass
class _Section:
    """A part of the Composition: its words, and the resources that hold the same."""

    title: str
    code: Coding | None = None
    lines: list[str] = field(default_factory=list)
    entries: list[Json] = field(default_factory=list)
    parts: list[_Section] = field(default_factory=list)

    def to_json(self) -> Json:
        out: Json = {"title": plain(self.title), "text": narrative(self.title, self.lines)}
        if self.code is not None:
            out["code"] = concept(self.title, terms.coding(self.code))
        if self.entries:
            out["entry"] = self.entries
        if self.parts:
            out["section"] = [part.to_json() for part in self.parts]
        return out


class _Writer:
    def __init__(self, document: Document, lexicon: Lexicon, codes: Codes) -> None:
        self.document = document
        self.record = document.record
        self.lexicon = lexicon
        self.codes = codes
        self.own = codes.shipped.own
        self.judged: dict[str, Interpretation] = interpretations(document.record, lexicon)
        self.ids = {entry.id: self._id("entry", entry.id) for entry in self.record.entries}
        self.requested = {e.id for e in self.record.entries if self._is_request(e)}

    def bundle(self) -> Json:
        """The Composition first, then all that it refers to, then where it comes from."""
        entries = [self._of_entry(entry) for entry in self.record.entries]
        computed = [self._computed(n, one) for n, one in enumerate(self.record.derived) if self._rests(one)]
        observed = [one for one in (*entries, *computed) if one["resourceType"] == "Observation"]
        resources = [
            self._composition(computed),
            self._patient(),
            *([self._practitioner()] if self.document.signed else []),
            self._report(observed),
            *entries,
            *computed,
            self._note(),
            *(self._provenance(entry) for entry in self.record.entries),
        ]
        return {
            "resourceType": "Bundle",
            "id": self._id("bundle", self.document.status, instant(self.document.at)),
            "type": "document",
            "identifier": self._version_identifier(self.document),
            "timestamp": instant(self.document.at),
            "entry": [{"fullUrl": f"urn:uuid:{one['id']}", "resource": one} for one in resources],
        }

    # ---- identity ------------------------------------------------------------------------

    def _id(self, *parts: str) -> str:
        return self.document.uuid(*parts)

    def _version_identifier(self, document: Document) -> Json:
        drafted = () if document.signed else (document.at.isoformat(),)
        return {"system": terms.IDENTIFIER, "value": f"urn:uuid:{document.uuid('document', document.status, *drafted)}"}

    def _subject(self) -> Json:
        return reference(self._id("patient"))

    def _author(self) -> Json:
        if not self.document.signed:
            return {"type": "Practitioner", "display": _UNSIGNED}
        return reference(self._id("practitioner"), self.document.signed_by)

    def _patient(self) -> Json:
        out: Json = {"resourceType": "Patient", "id": self._id("patient")}
        if plain(self.document.reference).strip():
            out["identifier"] = [{"system": self.own.patient, "value": plain(self.document.reference)}]
        if plain(self.document.name).strip():
            out["name"] = [{"text": plain(self.document.name)}]
        if self.document.birth_date:
            out["birthDate"] = self.document.birth_date.isoformat()
        return out

    def _practitioner(self) -> Json:
        name = [{"text": plain(self.document.signed_by)}] if plain(self.document.signed_by).strip() else []
        return {"resourceType": "Practitioner", "id": self._id("practitioner")} | ({"name": name} if name else {})

    # ---- entries -------------------------------------------------------------------------

    def _is_request(self, entry: Entry) -> bool:
        item = self.lexicon.items[entry.item]
        return (
            item.role == "plan"
            and item.kind in _REQUESTED
            and isinstance(entry.value, str)
            and entry.value != NOT_DONE
            and set(entry.context) <= {self.codes.shipped.circumstance.urgency}
        )

    def _of_entry(self, entry: Entry) -> Json:
        item = self.lexicon.items[entry.item]
        return self._request(entry, item) if entry.id in self.requested else self._observation(entry, item)

    def _identifier(self, entry: Entry) -> list[Json]:
        return [{"system": self.own.entry, "value": f"{plain(self.document.key)}#{entry.id}"}]

    def _code(self, entry: Entry, item: Item) -> Json:
        codings = [terms.coding(one) for one in self.codes.of(entry)]
        return concept(subject(entry, item), *codings, own(self.own.item, entry.item) | {"display": plain(item.title)})

    def _body_site(self, entry: Entry, item: Item) -> Json:
        side = str(entry.side)
        return concept(place(side, item.sides), own(self.own.side, side))

    def _observation(self, entry: Entry, item: Item) -> Json:
        out: Json = {
            "resourceType": "Observation",
            "id": self.ids[entry.id],
            "identifier": self._identifier(entry),
            "status": self.document.status,
            "category": [concept("Exam", {"system": terms.CATEGORY, "code": "exam", "display": "Exam"})],
            "code": self._code(entry, item),
            "subject": self._subject(),
            "issued": instant(self.document.at),
            **self._value_of(entry, item),
        }
        if self.document.signed:
            out["performer"] = [self._author()]
        if entry.side:
            out["bodySite"] = self._body_site(entry, item)
        if entry.id in self.judged:
            out["interpretation"] = [_interpretation(self.judged[entry.id])]
        return out | self._circumstances(entry)

    def _value_of(self, entry: Entry, item: Item) -> Json:
        if entry.value == NOT_DONE:
            return {"dataAbsentReason": _absent("not-performed", "not done")}
        if entry.value is None:
            return {"dataAbsentReason": _absent("unknown", "not clear")}
        if not isinstance(entry.value, str):
            return self._quantity(entry.value, entry.unit)
        answers = [terms.coding(one) for one in self.codes.answers(entry, item)]
        if item.kind in ("category", "finding") or answers:
            codings = (*answers, own(self.own.value, entry.value))
            return {"valueCodeableConcept": concept(value_text(item, entry.value), *codings)}
        score = entry.value.split("/")
        if item.kind == "score" and len(score) == 2 and all(part.isascii() and part.isdecimal() for part in score):
            return {"valueRatio": _ratio(int(score[0]), int(score[1]))}
        return {"valueString": plain(entry.value)}

    def _quantity(self, value: Any, unit: str) -> Json:
        one = self.codes.unit(unit)
        told = {"unit": one.shown} if one.shown else {}
        if one.ucum:
            told |= {"system": UCUM, "code": one.ucum}
        if isinstance(value, list):
            low, high = min(value), max(value)
            return {"valueRange": {"low": {"value": low, **told}, "high": {"value": high, **told}}}
        return {"valueQuantity": {"value": value, **told}}

    def _circumstances(self, entry: Entry) -> Json:
        out: Json = {}
        keys = self.codes.shipped.circumstance
        parts: list[Json] = []
        for key, value in entry.context.items():
            if key == keys.method:
                out["method"] = concept(str(value).replace("_", " "), own(self.own.circumstance, str(value)))
                continue
            code = concept(key, own(self.own.circumstance, key))
            parts.append({"code": code, **self._circumstance(key, value)})
        return out | ({"component": parts} if parts else {})

    def _circumstance(self, key: str, value: str | int) -> Json:
        keys = self.codes.shipped.circumstance
        if isinstance(value, int):
            return self._quantity(value, "Hz") if key == keys.frequency else {"valueInteger": value}
        if key == keys.time and len(value) == 5:
            return {"valueTime": f"{value}:00"}
        return {"valueCodeableConcept": concept(value.replace("_", " "), own(self.own.value, value))}

    def _request(self, entry: Entry, item: Item) -> Json:
        value = str(entry.value)
        code = self._code(entry, item) | {"text": plain(sentence(entry, item))}
        if item.kind == "category":
            code["coding"] = [*code["coding"], own(self.own.value, value)]
        out: Json = {
            "resourceType": "ServiceRequest",
            "id": self.ids[entry.id],
            "identifier": self._identifier(entry),
            "status": "active" if self.document.signed else "draft",
            "intent": "plan",
            "code": code,
            "subject": self._subject(),
            "authoredOn": instant(self.document.at),
            "requester": self._author(),
        }
        details = [] if item.kind == "category" else [concept(value)]
        urgency = entry.context.get(self.codes.shipped.circumstance.urgency)
        if urgency is not None:
            details.append(concept(f"urgency: {urgency}".replace("_", " "), own(self.own.circumstance, str(urgency))))
            if priority := self.codes.shipped.priority.get(str(urgency)):
                out["priority"] = priority
        if details:
            out["orderDetail"] = details
        if entry.side:
            out["bodySite"] = [self._body_site(entry, item)]
        return out

    # ---- computed values -----------------------------------------------------------------

    def _rests(self, one: Derived) -> bool:
        return any(entry in self.ids and entry not in self.requested for entry in one.entries)

    def _computed(self, number: int, one: Derived) -> Json:
        based = [reference(self.ids[e]) for e in one.entries if e in self.ids and e not in self.requested]
        out: Json = {
            "resourceType": "Observation",
            "id": self._id("computed", str(number), one.key, one.side or ""),
            "status": self.document.status,
            "code": concept(computed_title(one), own(self.own.computed, one.key)),
            "subject": self._subject(),
            "issued": instant(self.document.at),
            "derivedFrom": based,
            "method": concept("computed"),
            "note": [{"text": plain(text)} for text in (one.text, f"Rule: {one.source}" if one.source else "") if text],
            **self._computed_value(one.value, one.unit),
        }
        if one.side:
            sides = {self.lexicon.items[e.item].sides for e in self.record.entries if e.id in one.entries and e.side}
            where = place(one.side, sides.pop()) if len(sides) == 1 else place(one.side, "")
            out["bodySite"] = concept(where, own(self.own.side, one.side))
        if one.outside:
            out["interpretation"] = [_interpretation("A")]
        return out

    def _computed_value(self, value: Value, unit: str) -> Json:
        if value is None:
            return {"dataAbsentReason": _absent("unknown", "not clear")}
        return {"valueString": plain(value)} if isinstance(value, str) else self._quantity(value, unit)

    # ---- the whole -----------------------------------------------------------------------

    def _report(self, observed: list[Json]) -> Json:
        headings = self.codes.shipped.document
        out: Json = {
            "resourceType": "DiagnosticReport",
            "id": self._id("report"),
            "status": self.document.status,
            "code": concept(TITLE, terms.coding(headings.findings)),
            "subject": self._subject(),
            "issued": instant(self.document.at),
        }
        if self.document.signed:
            out["performer"] = [self._author()]
        if observed:
            out["result"] = [reference(one["id"]) for one in observed]
        return out

    def _composition(self, computed: list[Json]) -> Json:
        document = self.document
        out: Json = {
            "resourceType": "Composition",
            "id": self._id("composition"),
            "identifier": self._version_identifier(document),
            "status": document.status,
            "type": concept(TITLE, terms.coding(self.codes.shipped.document.type)),
            "subject": self._subject(),
            "date": instant(document.at),
            "author": [self._author()],
            "title": TITLE if document.signed else f"{TITLE}: unsigned draft",
            "section": [section.to_json() for section in self._sections(computed)],
        }
        if document.signed_at is not None:
            out["attester"] = [{"mode": "professional", "time": instant(document.signed_at), "party": self._author()}]
        if document.status == "amended":
            before = Document(self.record, document.at, id=document.id, version=document.version - 1)
            status = "final" if before.version == 1 else "amended"
            target = {"system": terms.IDENTIFIER, "value": f"urn:uuid:{before.uuid('document', status)}"}
            out["relatesTo"] = [{"code": "replaces", "targetIdentifier": target}]
        return out

    def _sections(self, computed: list[Json]) -> list[_Section]:
        headings = self.codes.shipped.document
        findings = _Section("Findings", headings.findings, entries=[reference(self._id("report"))])
        groups: dict[str, _Section] = {}
        impression = _Section("Impression", headings.impression)
        plan = _Section("Plan", headings.plan)
        for entry in self.record.entries:
            item = self.lexicon.items[entry.item]
            where = {"impression": impression, "plan": plan}.get(item.role)
            if where is None:
                group = self.lexicon.item_group[entry.item]
                title = self.lexicon.group_titles.get(group, group)
                where = groups.setdefault(group, _Section(title, self.codes.shipped.group.get(group)))
            where.lines.append(sentence(entry, item))
            where.entries.append(reference(self.ids[entry.id]))
        findings.parts = list(groups.values())
        texts = [one["note"][0]["text"] if "note" in one else one["code"]["text"] for one in computed]
        rest = [
            impression,
            plan,
            _Section("Computed", lines=texts, entries=[reference(one["id"]) for one in computed]),
            _Section("Not documented", lines=list(self.record.not_documented)),
            _Section("Also said", lines=[" ".join(one.text.split()) for one in self.record.unplaced]),
            _Section("The note", entries=[reference(self._id("note"))]),
        ]
        return [findings, *(one for one in rest if one.lines or one.entries)]

    # ---- where it comes from -------------------------------------------------------------

    def _note(self) -> Json:
        text = self.document.text.encode("utf-8", "surrogatepass")
        attachment: Json = {"contentType": "text/plain; charset=utf-8", "title": plain(self.record.name) or "note"}
        if text:
            attachment["data"] = base64.b64encode(text).decode("ascii")
            attachment["size"] = len(text)
            attachment["hash"] = base64.b64encode(hashlib.sha1(text, usedforsecurity=False).digest()).decode("ascii")
        return {
            "resourceType": "DocumentReference",
            "id": self._id("note"),
            "identifier": [{"system": self.own.note, "value": f"{self.record.sha256}:{self.record.characters}"}],
            "status": "current",
            "docStatus": self.document.status,
            "type": concept("Note of the examination, as it was dictated or typed"),
            "subject": self._subject(),
            "date": instant(self.document.at),
            "content": [{"attachment": attachment}],
        }

    def _provenance(self, entry: Entry) -> Json:
        program = {"type": "Device", "display": f"dictate {__version__}"}
        out: Json = {
            "resourceType": "Provenance",
            "id": self._id("provenance", entry.id),
            "target": [reference(self.ids[entry.id])],
            "recorded": instant(self.document.at),
            "activity": concept(_ORIGIN[self.document.origin(entry.id)]),
            "agent": [_agent("author", self._author()), _agent("assembler", program)],
        }
        words = [
            {
                "role": "source",
                "what": {
                    **reference(self._id("note"), " ".join(one.text.split())),
                    "identifier": {"system": self.own.span, "value": f"{one.start}-{one.end}"},
                },
            }
            for one in entry.evidence
        ]
        return out | ({"entity": words} if words else {})


def _agent(kind: str, who: Json) -> Json:
    return {"type": concept(kind, {"system": terms.PARTICIPANT, "code": kind}), "who": who}


def _interpretation(code: Interpretation) -> Json:
    display = terms.INTERPRETED[code]
    return concept(display, {"system": terms.INTERPRETATION, "code": code, "display": display})


def _absent(code: str, text: str) -> Json:
    return concept(text, {"system": terms.ABSENT, "code": code})


def _ratio(correct: int, shown: int) -> Json:
    one = {"system": UCUM, "code": "1"}
    return {"numerator": {"value": correct, **one}, "denominator": {"value": shown, **one}}
