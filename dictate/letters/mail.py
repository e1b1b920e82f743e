"""A letter as a draft for the user's own mail program: a few lines, and the letter attached. Nothing is sent."""

from __future__ import annotations

from email.errors import MessageError
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP

from dictate.letters.model import Letter, Party

PRESSING = {"same_day": "Same day: ", "urgent": "Urgent: "}
FILES = {"referral": "referral", "patient": "eye-examination"}
"""The attachment's name, by the kind of letter; it names nobody."""


def to_eml(letter: Letter, pdf: bytes, *, name_in_subject: bool = False) -> bytes:
    """The draft as an .eml file, with the letter as `pdf` attached.

    It is addressed if a line of the recipient is an e-mail address. The subject has the line that names the patient only
    if `name_in_subject`: subjects travel in the open.
    """
    message = EmailMessage(policy=SMTP)
    message["X-Unsent"] = "1"
    message["Subject"] = _line(_subject(letter, name_in_subject))
    for head, party in (("From", letter.clinic), ("To", letter.recipient)):
        address = _address(party)
        if address is not None:
            message[head] = address
    message.set_content(_text(letter), cte="quoted-printable")
    name = FILES[letter.kind] + ("-unsigned-draft" if letter.draft else "")
    message.add_attachment(pdf, maintype="application", subtype="pdf", filename=f"{name}.pdf")
    return message.as_bytes()


def _subject(letter: Letter, name_in_subject: bool) -> str:
    pressing = PRESSING.get(letter.urgency, "") if letter.kind == "referral" else ""
    named = f", {letter.reference}" if name_in_subject and letter.reference else ""
    draft = f" ({letter.draft})" if letter.draft else ""
    return pressing + letter.title + named + draft


def _text(letter: Letter) -> str:
    signature = (letter.clinician.name, letter.clinician.role, letter.clinic.name, *letter.clinic.lines)
    parts = [
        letter.greeting,
        f"Please find attached: {letter.title}, {letter.date}.",
        f"Not final: {letter.draft}." if letter.draft else "",
        letter.closing,
        "\n".join(one for one in signature if one),
    ]
    return "\n\n".join(one for one in parts if one) + "\n"


def _address(party: Party) -> Address | None:
    """The party's first line that is an e-mail address and nothing else, with the party's name."""
    for line in party.lines:
        try:
            address = Address(addr_spec=line.strip())
        except (ValueError, IndexError, MessageError):
            continue
        if address.domain and line.isascii():
            return Address(_line(party.name), address.username, address.domain)
    return None


def _line(text: str) -> str:
    return " ".join(text.split())
