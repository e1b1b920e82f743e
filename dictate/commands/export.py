"""`dictate export`: settled records for other programs.

Exit status: 0; 3 with the list, and nothing exported, while questions are open; 2 for a fault.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, suppress
from dataclasses import replace
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dictate.commands.loading import load_lexicon
from dictate.commands.telling import needing, operator, plainly, say
from dictate.errors import DictateError

if TYPE_CHECKING:
    from dictate.desk.records import Records
    from dictate.exports import Document, OpenQuestions
    from dictate.lexicon import Lexicon

OPEN = 3
"""Exit status while questions are open."""


class Form(StrEnum):
    """What a record is exported as."""

    json = "json"
    csv = "csv"
    fhir = "fhir"
    hl7v2 = "hl7v2"


_UNSETTLED = (Form.json, Form.csv)


def export(
    what: Annotated[
        list[str], typer.Argument(metavar="ID|FILE...", help="Records of the store, or notes; - is standard input.")
    ],
    format: Annotated[Form, typer.Option("--format", "-f", help="json, csv, fhir (R4) or hl7v2 (2.5.1).")] = Form.json,
    out: Annotated[
        str | None, typer.Option("--out", metavar="FILE", help="Write to a file that only you read.")
    ] = None,
    codes: Annotated[
        str | None, typer.Option("--codes", metavar="FILE", help="Local or licensed codes to add (TOML).")
    ] = None,
    unsettled: Annotated[
        bool, typer.Option("--unsettled", help="Export JSON or CSV although questions are open; they go along.")
    ] = False,
    patient: Annotated[
        str | None, typer.Option("--patient", metavar="REFERENCE", help="Whose notes these are, for notes in files.")
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
    """Export settled records: JSON, a CSV table, FHIR R4 documents or HL7 v2.5.1 messages."""
    with plainly():
        if unsettled and format not in _UNSETTLED:
            raise DictateError(f"--unsettled goes with json and csv; {format} is for settled records")
        if out is not None and any(one != "-" and Path(out).resolve() == Path(one).resolve() for one in what):
            raise DictateError(f"{out}: this is a note to be exported; name another file")
        loaded = load_lexicon(lexicon)
        from dictate.exports import OpenQuestions
        from dictate.exports import codes as tables
        from dictate.exports.render import render

        table = tables.load(loaded, codes)
        with ExitStack() as stack:
            documents = list(_documents(what, loaded, store, stack))
        if (patient, name, born) != (None, None, None):
            documents = [_of_patient(one, patient, name, born) for one in documents]
        try:
            with needing("exchange"):
                text = render(format.value, documents, loaded, table, unsettled=unsettled)
        except OpenQuestions as waiting:
            _tell(waiting)
            raise typer.Exit(OPEN) from None
        _write(text, out)


# ---- what is exported -------------------------------------------------------------------------


def _documents(what: Sequence[str], lexicon: Lexicon, store: str | None, stack: ExitStack) -> Iterator[Document]:
    records: Records | None = None
    for one in what:
        if one == "-" or Path(one).exists():
            yield _from_file(one, lexicon)
            continue
        if records is None:
            records = _records(one, lexicon, store, stack)
        yield _from_store(one, records)


def _records(first: str, lexicon: Lexicon, store: str | None, stack: ExitStack) -> Records:
    try:
        with needing("desk"):
            from dictate.desk.live import Live
            from dictate.desk.records import Records
            from dictate.store import open_store
    except DictateError as error:
        raise DictateError(f"{first}: there is no such file; for a record of the store {error}") from None
    return Records(Live(stack.enter_context(open_store(store)), lexicon), operator())


def _from_file(path: str, lexicon: Lexicon) -> Document:
    from dictate import files
    from dictate.exports import Document
    from dictate.pipeline import read

    note = files.read_file(path)
    if not note.usual:
        say(f"{note.name}: not UTF-8, read as {note.encoding_name}")
    if not note.text.strip("\ufeff \t\r\n"):
        raise DictateError(f"{note.name}: the note is empty; nothing was exported")
    at = datetime.now(UTC) if path == "-" else datetime.fromtimestamp(Path(path).stat().st_mtime, UTC)
    return Document(read(note.text, name=note.name, lexicon=lexicon), at, note.text)


def _from_store(record_id: str, records: Records) -> Document:
    """The record as it was signed last, or, if it was not or is being amended, as it stands."""
    from dictate.exports import stored
    from dictate.store import Unknown

    try:
        head = records.store.head(record_id)
    except Unknown as error:
        raise DictateError(f"{record_id}: there is no such file, and {error}") from None
    if head.state == "signed":
        return stored.signed(head.id, records.versions(head.id)[-1])
    standing = records.standing(head.id)
    if standing.settled.lapsed and not standing.settled.record.open:
        raise DictateError(
            f"record {head.id}: answers whose words have changed wait to be given anew: dictate settle {head.id}"
        )
    return stored.draft(head, standing.text, standing.settled)


def _of_patient(document: Document, reference: str | None, name: str | None, born: datetime | None) -> Document:
    if document.id:
        raise DictateError(f"record {document.id} has a patient of its own: set it at the desk, not here")
    return replace(document, reference=reference or "", name=name or "", birth_date=born.date() if born else None)


def _tell(waiting: OpenQuestions) -> None:
    for document in waiting.documents:
        for flag in document.record.flags:
            words = " … ".join(" ".join(one.text.split()) for one in flag.evidence)
            say(f"{document.label}: {flag.question}  “{words}”")
    say("nothing was exported while questions are open; answer them with: dictate settle FILE|ID")


# ---- where it goes -----------------------------------------------------------------------------


def _write(text: str, out: str | None) -> None:
    """To standard output, or to a file for the owner alone, which appears complete or not at all."""
    data = text.encode("utf-8", "backslashreplace")
    if out is None:
        sys.stdout.flush()
        sys.stdout.buffer.write(data)
        sys.stdout.flush()
        return
    place = Path(out)
    if place.is_dir():
        raise DictateError(f"{out}: this is a folder; name a file")
    try:
        handle, part = tempfile.mkstemp(prefix=f".{place.name}.", dir=place.parent)  # mode 0600
    except FileNotFoundError:
        raise DictateError(f"{out}: there is no folder {place.parent}") from None
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(part, place)
    except BaseException:
        with suppress(OSError):
            os.unlink(part)
        raise
