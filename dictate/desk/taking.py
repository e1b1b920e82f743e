"""Taking a record along: its exports as files, and as plain text for pasting."""

from __future__ import annotations

from io import StringIO

from dictate.desk.records import Records
from dictate.errors import DictateError
from dictate.exports import Document, stored
from dictate.exports.codes import load as load_codes
from dictate.exports.render import MEDIA, Form, render
from dictate.table import sheet, show

FORMS: dict[Form, str] = {"json": "JSON", "csv": "CSV", "fhir": "FHIR R4", "hl7v2": "HL7 v2.5.1"}
"""What a record can be exported as, and how a page calls it."""
_WIDTH = 92


class Waiting(DictateError):  # noqa: N818
    """A record in which nothing is asked any more, but answers wait to be given anew."""


class Needs(DictateError):  # noqa: N818
    """An export whose packages are not installed."""


def document(records: Records, record_id: str) -> Document:
    """The record as it was signed last, or, if it was not or is being amended, as it stands. Raises Waiting."""
    head = records.store.head(record_id)
    if head.state == "signed":
        return stored.signed(head.id, records.versions(head.id)[-1])
    standing = records.standing(head.id)
    if standing.settled.lapsed and not standing.settled.record.open:
        raise Waiting("answers whose words have changed wait to be given anew")
    return stored.draft(head, standing.text, standing.settled)


def exported(records: Records, record_id: str, form: Form) -> tuple[bytes, str, str]:
    """The file: its bytes, media type and name, which names no patient. Raises OpenQuestions, Needs."""
    whole = document(records, record_id).settled()
    try:
        text = render(form, [whole], records.lexicon, load_codes(records.lexicon))
    except ModuleNotFoundError as error:
        raise Needs(f"this needs {error.name}, which is not installed: pip install 'dictate[exchange]'") from None
    media, ending = MEDIA[form]
    return text.encode("utf-8", "backslashreplace"), media, f"{record_id}{ending}"


def as_text(records: Records, record_id: str) -> str:
    """The record as plain text, with what is still open."""
    from rich.console import Console

    out = StringIO()
    record = records.present(record_id).record
    show(sheet(record, records.lexicon), Console(file=out, width=_WIDTH, color_system=None, legacy_windows=False))
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines()) + "\n"
