"""`dictate settle` and `dictate sign`: the questions of a record at the terminal, and the signature.

Exit status: 0 when nothing is open; 3 while questions are open; 2 for a fault; 130 after Ctrl-C.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dictate.commands.keys import Keys, Left, tell
from dictate.commands.loading import load_lexicon
from dictate.commands.telling import needing, operator, plainly, say
from dictate.errors import DictateError

if TYPE_CHECKING:
    from dictate.desk.live import Standing
    from dictate.desk.records import Records
    from dictate.store import RecordHead

OPEN = 3
"""Exit status while questions are open."""
_INTERRUPTED = 130
_LATEST = 30  # records looked at for the same note

StoreOption = Annotated[
    str | None, typer.Option("--store", metavar="URL", help="Another store: a file, or postgresql://...")
]
LexiconOption = Annotated[
    str | None, typer.Option("--lexicon", metavar="DIR", help="A folder of lexicon files to add to the shipped ones.")
]


@contextmanager
def _records(store: str | None, lexicon: str | None) -> Iterator[Records]:
    with plainly():
        with needing("desk"):
            from dictate.desk.live import Live
            from dictate.desk.records import Records
            from dictate.store import open_store
        with open_store(store) as opened:
            yield Records(Live(opened, load_lexicon(lexicon)), operator())


def settle(
    what: Annotated[str, typer.Argument(metavar="FILE|ID", help="A note in plain text, or a record of the store.")],
    new: Annotated[bool, typer.Option("--new", help="Begin another record for a note that has one already.")] = False,
    store: StoreOption = None,
    lexicon: LexiconOption = None,
) -> None:
    """Ask what is doubtful in a note, and keep the answers.

    A number key chooses; 0 not said, e something else, u undo, q leave. Every answer is saved at once.
    """
    with _records(store, lexicon) as records:
        record_id = _begun(records, what, new)
        from dictate.commands.interview import Interview

        try:
            standing = Interview(records, record_id, Keys()).run()
        except (Left, KeyboardInterrupt) as left:
            typer.echo()
            _ended(records.standing(record_id))
            if isinstance(left, KeyboardInterrupt) or left.interrupted:
                raise typer.Exit(_INTERRUPTED) from None
            raise typer.Exit(OPEN) from None
        if standing.waiting:
            _ended(standing)
            raise typer.Exit(OPEN)
        _show(standing, records)
        say(f"nothing is open; sign it with: dictate sign {record_id} --as INITIALS")


def sign(
    record_id: Annotated[str, typer.Argument(metavar="ID", help="The record, as `dictate records list` names it.")],
    initials: Annotated[str, typer.Option("--as", metavar="INITIALS", help="Who signs: initials or a name.")],
    store: StoreOption = None,
    lexicon: LexiconOption = None,
) -> None:
    """Sign a record in which nothing is open; it does not change any more."""
    with _records(store, lexicon) as records:
        from dictate.commands.interview import listed

        standing = records.standing(record_id)
        if standing.waiting and standing.head.state != "signed":
            for line in listed(standing):
                tell(line)
            say(
                f"record {record_id} is not signed: {_count(standing.waiting)} still open; answer with: dictate settle {record_id}"
            )
            raise typer.Exit(OPEN)
        head = records.sign(record_id, initials, standing.head.revision)
        tell(_signed(head))


def _signed(head: RecordHead) -> str:
    at = head.signed_at.astimezone().strftime("%Y-%m-%d %H:%M") if head.signed_at else ""
    return f"record {head.id}, version {head.version}: signed {head.signed_by} {at}".rstrip()


def _count(number: int) -> str:
    return f"{number} question{'s' * (number != 1)}"


def _ended(standing: Standing) -> None:
    open_ = f"{_count(standing.waiting)} still open" if standing.waiting else "nothing is open"
    say(f"every answer is saved, {open_}; go on with: dictate settle {standing.head.id}")


# ---- the record to be settled -----------------------------------------------------------------


def _begun(records: Records, what: str, new: bool) -> str:
    """The id of the record that is meant; one is begun for a note that has none. Raises DictateError."""
    from dictate import files
    from dictate.store import Signed, Unknown

    if what == files.STDIN:
        raise DictateError("settle is answered on standard input: save the note in a file and name the file")
    if not Path(what).exists():
        try:
            head = records.store.head(what)
        except Unknown as error:
            raise DictateError(f"{what}: there is no such file, and {error}") from None
        if head.state == "signed":
            raise Signed(
                f"record {what} is signed by {head.signed_by} and does not change: amend it at the desk (dictate desk)"
            )
        return head.id
    note = files.read_file(what)
    if not note.text.strip("\ufeff \t\r\n"):
        raise DictateError(f"{note.name}: the note is empty; nothing was saved")
    if not note.usual:
        say(f"{note.name}: not UTF-8, read as {note.encoding_name}")
    found = None if new else _same_note(records, note.text)
    head = found or records.begin(note.text)
    say(f"record {head.id}" + (", which has this note already (--new begins another)" if found else " is begun"))
    return head.id


def _same_note(records: Records, text: str) -> RecordHead | None:
    """The latest unsigned record of the same note."""
    for head in records.store.find(limit=_LATEST):
        if head.state != "signed" and records.store.load(head.id).text == text:
            return head
    return None


def _show(standing: Standing, records: Records) -> None:
    from rich.console import Console

    from dictate.table import sheet, show

    typer.echo()
    show(sheet(standing.settled.record, records.lexicon), Console(highlight=False))
