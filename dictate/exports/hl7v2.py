"""A record as an HL7 v2.5.1 message, ORU^R01: results, unsolicited.

One OBX an entry, its words in the NTE after it; computed values follow under a second OBR. The side stands in the code
and the words of OBX-3 (2.5.1 has no field for the site), and OBX-4 ties what was told of both sides. Segments end in
CR; the text is UTF-8. A message names its patient: PID needs a reference and a name.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from dictate import __version__
from dictate.errors import DictateError
from dictate.exports.codes import Codes, Coding
from dictate.exports.document import Document, Status
from dictate.exports.judged import interpretations
from dictate.exports.v2_check import faults
from dictate.exports.wording import computed_title, subject
from dictate.lexicon import Item, Lexicon
from dictate.record import Derived, Entry, Value
from dictate.table import value_text

VERSION = "2.5.1"
NOT_DONE = "not_done"
_LONGEST = 199  # characters of a short string (ST)
_CONTROL = re.compile("[\x00-\x1f\x7f\x85\u2028\u2029\ud800-\udfff]+")
# Table 0085 and table 0123: preliminary, final, corrected. X: not obtained (meanings from memory).
_STATUS: dict[Status, str] = {"preliminary": "P", "final": "F", "amended": "C"}
_NOT_OBTAINED = "X"
# The escape sequences of chapter 2 (HL7 v2.5.1, from memory), the escape character itself first.
_ESCAPES = {"\\": "E", "|": "F", "^": "S", "&": "T", "~": "R"}
_SCORE = re.compile(r"(\d+)/(\d+)", re.ASCII)


class MessageError(DictateError):
    """A record that cannot be put into a message."""


@dataclass
class _Result:
    """One OBX and the notes after it; fields by their number."""

    fields: dict[int, str]
    notes: list[str] = field(default_factory=list)


def message(document: Document, lexicon: Lexicon, codes: Codes) -> str:
    """The message, strictly validated. Raises OpenQuestions, and MessageError where no patient is named."""
    document = document.settled()
    if not document.reference.strip() or not document.name.strip():
        raise MessageError(f"{document.label}: an HL7 v2 message names its patient, by reference and name")
    return _Writer(document, lexicon, codes).message()


def escaped(text: str) -> str:
    """Text with the delimiters as escape sequences; control characters become blanks."""
    return "".join(f"\\{_ESCAPES[c]}\\" if c in _ESCAPES else c for c in _CONTROL.sub(" ", text).strip())


def _joined(*components: str) -> str:
    """Components, each escaped; empty ones at the end are left out."""
    return "^".join(map(escaped, components)).rstrip("^")


def _time(at: datetime) -> str:
    return at.astimezone(UTC).strftime("%Y%m%d%H%M%S+0000")


class _Writer:
    def __init__(self, document: Document, lexicon: Lexicon, codes: Codes) -> None:
        self.document = document
        self.lexicon = lexicon
        self.codes = codes
        self.judged = interpretations(document.record, lexicon)
        self.sets: dict[tuple[object, ...], str] = {}
        self.taken: set[tuple[str, str]] = set()

    def message(self) -> str:
        from hl7apy.consts import VALIDATION_LEVEL
        from hl7apy.core import Message

        strict = VALIDATION_LEVEL.STRICT
        made = Message("ORU_R01", version=VERSION, validation_level=strict)
        self._header(made.msh)
        result = made.add_group("ORU_R01_PATIENT_RESULT")
        self._patient(result.add_group("ORU_R01_PATIENT").pid)
        record = self.document.record
        self._order(result, 1, self._heading(), [self._entry(entry) for entry in record.entries])
        if any(one.entries for one in record.derived):
            based = [one for one in record.derived if one.entries]
            computed = [self._computed(number, one) for number, one in enumerate(based, 1)]
            self._order(result, 2, "computed^Computed from the findings^L", computed)
        made.validate()
        er7 = str(made.to_er7()) + "\r"
        if wrong := faults(er7):
            raise MessageError(
                f"{self.document.label}: the message is not valid, please report this: {'; '.join(wrong)}"
            )
        return er7

    def _heading(self) -> str:
        heading = self.codes.shipped.document.findings
        return self._coded([heading], "findings", "Examination of the eyes and the cranial nerves")

    def _header(self, msh: Any) -> None:
        document = self.document
        put(
            msh,
            {
                3: _joined("dictate"),
                7: _time(document.at),
                9: "ORU^R01^ORU_R01",
                10: document.uuid("message", document.status, document.at.isoformat()).replace("-", "")[:20],
                11: "P",
                12: VERSION,
                18: "UNICODE UTF-8",
            },
        )

    def _patient(self, pid: Any) -> None:
        document = self.document
        born = document.birth_date.strftime("%Y%m%d") if document.birth_date else ""
        name = [part.strip() for part in document.name.split(",")]
        put(
            pid,
            {1: "1", 3: escaped(document.reference), 5: _joined(*name) if len(name) == 2 else escaped(document.name)}
            | ({7: born} if born else {}),
        )

    def _order(self, result: Any, number: int, code: str, results: Sequence[_Result]) -> None:
        document = self.document
        order = result.add_group("ORU_R01_ORDER_OBSERVATION")
        filler = _joined(document.uuid("order", str(number)).replace("-", "")[:20], "dictate")
        put(
            order.obr,
            {1: str(number), 3: filler, 4: code, 22: _time(document.at), 25: _STATUS[document.status]}
            | ({32: escaped(document.signed_by).replace("^", " ")} if document.signed_by else {}),
        )
        if number == 1:
            _notes(order, [f"dictate {__version__}", *([] if document.signed else ["UNSIGNED DRAFT"])])
        for place, one in enumerate(results, 1):
            group = order.add_group("ORU_R01_OBSERVATION")
            put(group.obx, {1: str(place), **one.fields})
            _notes(group, one.notes)

    # ---- one result ----------------------------------------------------------------------

    def _entry(self, entry: Entry) -> _Result:
        item = self.lexicon.items[entry.item]
        code = self._coded(self.codes.of(entry), _local(entry, item), subject(entry, item))
        fields = {3: code, 4: self._set(entry, item, code)}
        fields |= self._value(entry, item)
        if entry.id in self.judged:
            fields[8] = self.judged[entry.id]
        missing = entry.value == NOT_DONE or entry.value is None
        fields[11] = _NOT_OBTAINED if missing else _STATUS[self.document.status]
        if method := entry.context.get(self.codes.shipped.circumstance.method):
            fields[17] = _joined(str(method), str(method).replace("_", " "), "L")
        lines = [line for one in entry.evidence for line in one.text.splitlines() if line.strip()]
        if missing:
            lines.insert(0, value_text(item, entry.value))
        if self.document.origin(entry.id) == "own":
            lines.append("stated by the clinician, not by the note")
        return _Result(fields, lines)

    def _set(self, entry: Entry, item: Item, code: str) -> str:
        """One number for what was told of both sides in the same circumstances; another for what was told twice."""
        told = tuple((key, value) for key, value in entry.context.items() if key in item.context)
        key: tuple[object, ...] = (entry.item, *sorted(told))
        number = self.sets.setdefault(key, str(len(self.sets) + 1))
        if (code, number) in self.taken:
            number = self.sets.setdefault((*key, entry.id), str(len(self.sets) + 1))
        self.taken.add((code, number))
        return number

    def _coded(self, published: Sequence[Coding], local: str, text: str) -> str:
        own = (local, text, "L")
        if not published:
            return _joined(*own)
        first = published[0]
        return _joined(first.code, first.display or text, self.codes.v2(first.system), *own)

    def _value(self, entry: Entry, item: Item) -> dict[int, str]:
        if entry.value is None or entry.value == NOT_DONE:
            return {}
        if not isinstance(entry.value, str):
            return self._number(entry.value, entry.unit)
        answers = self.codes.answers(entry, item)
        if answers or item.kind in ("category", "finding"):
            return {2: "CE", 5: self._coded(answers, entry.value, value_text(item, entry.value))}
        score = _SCORE.fullmatch(entry.value) if item.kind == "score" else None
        if score:
            return {2: "SN", 5: f"^{score[1]}^/^{score[2]}"}
        return _text(entry.value)

    def _number(self, value: Value, unit: str) -> dict[int, str]:
        one = self.codes.unit(unit)
        units = _joined(one.ucum, one.shown, "UCUM") if one.ucum else _joined(one.shown)
        told = {6: units} if units else {}
        if isinstance(value, list):
            return {2: "SN", 5: f"^{_digits(min(value))}^-^{_digits(max(value))}", **told}
        return {2: "NM", 5: _digits(value), **told}

    def _computed(self, number: int, one: Derived) -> _Result:
        local = f"{one.key}:{one.side}" if one.side else one.key
        fields = {3: _joined(local, computed_title(one), "L"), 4: str(number), 11: _STATUS[self.document.status]}
        if isinstance(one.value, str):
            fields |= _text(one.value)
        elif one.value is not None:
            fields |= self._number(one.value, one.unit)
        if one.outside:
            fields[8] = "A"
        return _Result(fields, [one.text, *([f"Rule: {one.source}"] if one.source else [])])


def _local(entry: Entry, item: Item) -> str:
    """The project's own code for a result: item, side and the circumstances that tell it from others."""
    told = [f"{key}={value}" for key, value in entry.context.items() if key in item.context]
    return ":".join((entry.item, *([entry.side] if entry.side else []), *told))


def _text(value: str) -> dict[int, str]:
    text = escaped(value)
    return {2: "ST" if len(text) <= _LONGEST else "TX", 5: text}


def _digits(value: Any) -> str:
    """A number without an exponent: "0.00001", "16"."""
    return str(value) if isinstance(value, int) else format(value, ".10f").rstrip("0").rstrip(".")


def put(segment: Any, fields: dict[int, str]) -> None:
    """Set the fields of a segment, by number."""
    for number, value in sorted(fields.items()):
        setattr(segment, f"{segment.name.lower()}_{number}", value)


def _notes(group: Any, lines: Sequence[str]) -> None:
    for number, line in enumerate(lines, 1):
        put(group.add_segment("NTE"), {1: str(number), 3: escaped(line)})
