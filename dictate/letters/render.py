"""A letter as the bytes of a file.

    data = render(letter, "pdf")

The text for pasting needs no package; the others raise ModuleNotFoundError where the extra `letters` is not installed.
"""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from dictate.letters.model import Letter

Form = Literal["docx", "pdf", "eml"]

MEDIA: dict[Form, tuple[str, str]] = {
    "docx": ("application/vnd.openxmlformats-officedocument.wordprocessingml.document", ".docx"),
    "pdf": ("application/pdf", ".pdf"),
    "eml": ("message/rfc822", ".eml"),
}
"""Media type and end of the file's name, by form."""


def render(letter: Letter, form: Form, *, templates: Path | None = None, name_in_subject: bool = False) -> bytes:
    """The bytes of a file.

    `templates` is a folder whose `letter.typ` and `letter.docx`, where they are there, take the place of the shipped ones.
    Raises TemplateError if one of them cannot be used.
    """
    if form == "docx":
        from dictate.letters.word import to_docx

        return to_docx(letter, _own(templates, "letter.docx"))
    from dictate.letters.pdf import to_pdf

    pdf = to_pdf(letter, _own(templates, "letter.typ"))
    if form == "pdf":
        return pdf
    from dictate.letters.mail import to_eml

    return to_eml(letter, pdf, name_in_subject=name_in_subject)


def _own(templates: Path | None, name: str) -> Path | None:
    return templates / name if templates is not None and (templates / name).is_file() else None
