"""The draft for a mail program, read by the standard library."""

from __future__ import annotations

from dataclasses import replace
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from pathlib import Path
from typing import cast

import pytest

from dictate.letters.mail import to_eml
from dictate.letters.model import Letter, Party
from dictate.letters.render import MEDIA, render
from letters import samples

PDF = b"%PDF-1.7 made up \x00\xff\r\n"


def parsed(letter: Letter, name_in_subject: bool = False) -> EmailMessage:
    data = to_eml(letter, PDF, name_in_subject=name_in_subject)
    return cast(EmailMessage, message_from_bytes(data, policy=default))


def addressed() -> Letter:
    letter = samples.signed()
    to = replace(letter.recipient, lines=(*letter.recipient.lines, "eyes@holm.example"))
    return replace(letter, recipient=to)


def text(message: EmailMessage) -> str:
    body = message.get_body(("plain",))
    assert body is not None
    return str(body.get_content()).replace("\r\n", "\n")


def test_it_is_a_draft_with_the_letter_attached() -> None:
    message = parsed(addressed())
    assert message["X-Unsent"] == "1"
    assert message["To"].addresses[0].addr_spec == "eyes@holm.example"
    assert message["To"].addresses[0].display_name == "Dr Ødegård-Núñez"
    assert message["From"].addresses[0].addr_spec == "desk@lindmarsh.example"
    (attached,) = message.iter_attachments()
    assert attached.get_content_type() == "application/pdf" and attached.get_filename() == "referral.pdf"
    assert attached.get_content() == PDF
    assert text(message).startswith(
        "Dear Dr Ødegård-Núñez,\n\nPlease find attached: Referral to the eye department, 4 March"
    )
    assert not message.defects


def test_nobody_is_addressed_whose_address_is_not_known() -> None:
    assert parsed(samples.signed())["To"] is None
    unusual = replace(
        samples.signed(), recipient=Party("A", "", ("see a@b", "@", "<x>", "a b@c.example", "ü@c.example"))
    )
    assert parsed(unusual)["To"] is None


def test_the_subject_names_the_patient_only_if_asked_to() -> None:
    letter = samples.signed()
    assert parsed(letter)["Subject"] == "Referral to the eye department"
    assert "Zoë" not in to_eml(letter, PDF).split(b"\r\n\r\n")[0].decode("ascii")
    assert parsed(letter, True)["Subject"] == f"Referral to the eye department, {letter.reference}"


@pytest.mark.parametrize(("urgency", "start"), [("same_day", "Same day: "), ("urgent", "Urgent: "), ("routine", "Ref")])
def test_the_subject_says_what_presses(urgency: str, start: str) -> None:
    assert parsed(replace(samples.signed(), urgency=urgency))["Subject"].startswith(start)  # type: ignore[arg-type]


def test_an_unsigned_draft_says_so_in_subject_text_and_name_of_the_file() -> None:
    message = parsed(samples.referral())
    assert message["Subject"].endswith("(unsigned draft)")
    assert "Not final: unsigned draft." in text(message)
    assert [one.get_filename() for one in message.iter_attachments()] == ["referral-unsigned-draft.pdf"]


def test_line_ends_in_a_name_add_no_header() -> None:
    letter = replace(
        samples.signed(),
        title="Referral\r\nBcc: x@y.example",
        recipient=Party("A\nBcc: x@y.example", "", ("a@b.example",)),
    )
    message = parsed(letter)
    assert message["Bcc"] is None and message["Subject"] == "Referral Bcc: x@y.example"


def test_each_form_is_what_it_says(tmp_path: Path) -> None:
    letter = samples.signed()
    starts = {"pdf": b"%PDF", "docx": b"PK", "eml": b"X-Unsent: 1\r\n"}
    assert set(starts) == set(MEDIA)
    for form in MEDIA:
        assert render(letter, form).startswith(starts[form])
    own = tmp_path / "letter.typ"
    own.write_text("Ours")  # and nothing else
    assert len(render(letter, "pdf", templates=tmp_path)) < len(render(letter, "pdf"))
    assert render(letter, "pdf", templates=tmp_path / "none").startswith(b"%PDF")
