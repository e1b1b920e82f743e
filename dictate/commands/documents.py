"""What commands share that write documents: what is meant, what is still open, and where it goes."""

from __future__ import annotations

import os
import sys
import tempfile
from contextlib import ExitStack, suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from dictate.commands.telling import needing, operator, say
from dictate.errors import DictateError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from dictate.desk.records import Records
    from dictate.exports import Document, OpenQuestions
    from dictate.lexicon import Lexicon

OPEN = 3
"""Exit status while questions are open."""


def documents(what: Sequence[str], lexicon: Lexicon, store: str | None, stack: ExitStack) -> Iterator[Document]:
    """Notes in files, "-" for standard input, or records of the store, as documents. Raises DictateError."""
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
        raise DictateError(f"{note.name}: the note is empty; nothing was written")
    at = datetime.now(UTC) if path == "-" else datetime.fromtimestamp(Path(path).stat().st_mtime, UTC)
    return Document(read(note.text, name=note.name, lexicon=lexicon), at, note.text)


def _from_store(record_id: str, records: Records) -> Document:
    """The record as it was signed last, or, if it was not or is being amended, as it stands."""
    from dictate.desk.taking import Waiting, document
    from dictate.store import Unknown

    try:
        return document(records, record_id)
    except Unknown as error:
        raise DictateError(f"{record_id}: there is no such file, and {error}") from None
    except Waiting as error:
        raise DictateError(f"record {record_id}: {error}: dictate settle {record_id}") from None


def of_patient(document: Document, reference: str | None, name: str | None, born: datetime | None) -> Document:
    """A note in a file with its patient. Raises DictateError for a record of the store."""
    if document.id:
        raise DictateError(f"record {document.id} has a patient of its own: set it at the desk, not here")
    return replace(document, reference=reference or "", name=name or "", birth_date=born.date() if born else None)


def tell_open(waiting: OpenQuestions, nothing: str) -> None:
    """The open questions, a line each, and what was not done: "nothing was exported"."""
    for document in waiting.documents:
        for flag in document.record.flags:
            words = " … ".join(" ".join(one.text.split()) for one in flag.evidence)
            say(f"{document.label}: {flag.question}  “{words}”")
    say(f"{nothing} while questions are open; answer them with: dictate settle FILE|ID")


def write(data: bytes, out: str | None) -> None:
    """To standard output, or to a file for the owner alone, which appears complete or not at all."""
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
