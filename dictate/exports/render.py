"""Documents as the text of a file, in any of the forms.

    text = render("fhir", [document], lexicon, codes)

FHIR and HL7 v2 raise ModuleNotFoundError where the extra `exchange` is not installed.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Literal

from dictate.exports.codes import Codes
from dictate.exports.document import Document, OpenQuestions
from dictate.lexicon import Lexicon

Form = Literal["json", "csv", "fhir", "hl7v2"]

MEDIA: dict[Form, tuple[str, str]] = {
    "json": ("application/json", ".json"),
    "csv": ("text/csv; charset=utf-8; header=present", ".csv"),
    "fhir": ("application/fhir+json", ".fhir.json"),
    "hl7v2": ("x-application/hl7-v2+er7; charset=utf-8", ".hl7"),
}
"""Media type and end of the file's name, by form."""


def render(
    form: Form, documents: Sequence[Document], lexicon: Lexicon, codes: Codes, *, unsettled: bool = False
) -> str:
    """The text of a file: an object or a Bundle a line, one table, or one message after another.

    Raises OpenQuestions with every document in which something is open; `unsettled` lets them out as JSON and CSV.
    """
    waiting = [one for one in documents if one.record.open]
    if waiting and not (unsettled and form in ("json", "csv")):
        raise OpenQuestions(*waiting)
    if form == "json":
        from dictate.exports.as_json import as_json

        return _lines([as_json(one) for one in documents])
    if form == "csv":
        from dictate.exports.as_csv import as_csv

        return as_csv(documents, lexicon)
    if form == "fhir":
        from dictate.exports.fhir import bundle

        return _lines([bundle(one, lexicon, codes) for one in documents])
    from dictate.exports.hl7v2 import message

    return "".join(message(one, lexicon, codes) for one in documents)


def _lines(objects: Sequence[object]) -> str:
    return "".join(json.dumps(one, ensure_ascii=False) + "\n" for one in objects)
