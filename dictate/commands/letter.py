"""`dictate letter`: the referral letter or the patient's report of a settled record.

Exit status: 0; 3 with the list, and no letter, while questions are open; 2 for a fault.
"""

from __future__ import annotations

import sys
from contextlib import ExitStack
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from dictate.commands.documents import OPEN, documents, of_patient, tell_open, write
from dictate.commands.loading import load_lexicon
from dictate.commands.telling import needing, plainly, say
from dictate.errors import DictateError

if TYPE_CHECKING:
    from dictate.exports import Document
    from dictate.letters.model import Kind, Letter
    from dictate.letters.settings import Settings
    from dictate.lexicon import Lexicon


class Form(StrEnum):
    """What a letter is written as."""

    text = "text"
    docx = "docx"
    pdf = "pdf"
    eml = "eml"


def letter(
    what: Annotated[
        str, typer.Argument(metavar="ID|FILE", help="A record of the store, or a note; - is standard input.")
    ],
    to: Annotated[
        str, typer.Option("--to", metavar="TEXT", help="To whom; \\n or a semicolon begins a line of the address.")
    ] = "",
    report: Annotated[bool, typer.Option("--patient", help="Write the patient's report, in plain words.")] = False,
    format: Annotated[
        Form, typer.Option("--format", "-f", help="text for pasting, docx, pdf, or eml: a mail draft with the PDF.")
    ] = Form.text,
    out: Annotated[
        str | None, typer.Option("--out", metavar="FILE", help="Write to a file that only you read.")
    ] = None,
    new: Annotated[bool, typer.Option("--new", help="Draft it anew although a final letter is kept.")] = False,
    reference: Annotated[
        str | None, typer.Option("--reference", metavar="REFERENCE", help="The patient's, for a note in a file.")
    ] = None,
    name: Annotated[str | None, typer.Option("--name", metavar="NAME", help="That patient's name.")] = None,
    born: Annotated[
        datetime | None, typer.Option("--born", formats=["%Y-%m-%d"], metavar="DAY", help="Birth date, YYYY-MM-DD.")
    ] = None,
    store: Annotated[
        str | None, typer.Option("--store", metavar="URL", help="Another store: a file, or postgresql://...")
    ] = None,
    lexicon: Annotated[
        str | None,
        typer.Option("--lexicon", metavar="DIR", help="A folder of lexicon files to add to the shipped ones."),
    ] = None,
) -> None:
    """Draft a referral letter, or the patient's report, of a record in which nothing is open. Nothing is sent."""
    with plainly():
        if format is not Form.text and out is None and sys.stdout.isatty():
            raise DictateError(f"{format} is not to be looked at in a terminal: name a file with --out FILE")
        if out is not None and what != "-" and Path(out).resolve() == Path(what).resolve():
            raise DictateError(f"{out}: this is the note itself; name another file")
        loaded = load_lexicon(lexicon)
        from dictate.exports import OpenQuestions

        with ExitStack() as stack:
            (document,) = documents([what], loaded, store, stack)
        if (reference, name, born) != (None, None, None):
            document = of_patient(document, reference, name, born)
        try:
            with needing("letters"):
                from dictate.letters import settings

                mine = settings.load()
                kind: Kind = "patient" if report else "referral"
                kept = None if new or to else _final(document, kind, store)
                drafted = kept or _drafted(document, loaded, mine, kind, to, lexicon)
                data = _rendered(drafted, format.value, mine)
        except OpenQuestions as waiting:
            tell_open(waiting, "no letter was written")
            raise typer.Exit(OPEN) from None
        write(data, out)
        if kept is None:
            _tell_left_over(document)


def _final(document: Document, kind: Kind, store: str | None) -> Letter | None:
    """The letter of this version that was made final last, as it was edited."""
    if not document.id or not document.signed:
        return None
    from dictate.letters.body import from_body
    from dictate.letters.model import Letter
    from dictate.store import open_store

    with open_store(store) as opened:
        of_kind = [one for one in opened.letters(document.id) if (one.kind, one.version) == (kind, document.version)]
    if not of_kind:
        return None
    kept = of_kind[-1]
    say(f"the letter made final by {kept.by or 'its writer'} on {kept.at.astimezone():%Y-%m-%d}; --new drafts another")
    whole = Letter.from_dict(kept.letter)
    return from_body(kept.body, whole) if kept.body else whole


def _drafted(
    document: Document, lexicon: Lexicon, settings: Settings, kind: Kind, to: str, folder: str | None
) -> Letter:
    from dictate.advice.advise import advise
    from dictate.advice.rules import load
    from dictate.letters.content import draft

    document.settled()
    if not document.record.entries:
        raise DictateError(f"{document.label}: nothing of an examination was found in this note; no letter was written")
    lines = "\n".join(part.strip() for part in to.replace("\\n", "\n").replace(";", "\n").splitlines())
    return draft(
        document,
        lexicon,
        settings,
        kind=kind,
        to=lines,
        suggestions=advise(document.record, lexicon, load(lexicon, folder)),
        folder=folder,
    )


def _rendered(drafted: Letter, format: Literal["text", "docx", "pdf", "eml"], settings: Settings) -> bytes:
    if format == "text":
        from dictate.letters.text import to_text

        return to_text(drafted).encode("utf-8", "backslashreplace")
    from dictate.letters.render import render

    return render(drafted, format, templates=settings.templates, name_in_subject=settings.name_in_subject)


def _tell_left_over(document: Document) -> None:
    """What the note says and no row holds is in no letter either: it is shown, so that nothing goes unnoticed."""
    from dictate.letters.content import left_over

    words = [f"“{said}”" for why, said in left_over(document) if why == "unplaced"]
    if words:
        say(f"not in the letter, for these words of the note gave no row: {'; '.join(words)}")
