"""`dictate advise`: what the findings of a note, or of a record of the store, may call for."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dictate.commands.loading import load_lexicon
from dictate.commands.telling import needing, operator, plainly, say
from dictate.errors import DictateError

if TYPE_CHECKING:
    from dictate.advice.rules import Rules
    from dictate.lexicon import Lexicon
    from dictate.record import Record


def advise(
    what: Annotated[
        list[str], typer.Argument(metavar="FILE|ID...", help="Notes, or records of the store; - is standard input.")
    ],
    store: Annotated[
        str | None, typer.Option("--store", metavar="URL", help="Another store: a file, or postgresql://...")
    ] = None,
    lexicon: Annotated[
        str | None,
        typer.Option("--lexicon", metavar="DIR", help="A folder of lexicon files to add to the shipped ones."),
    ] = None,
) -> None:
    """Show what the findings of notes or records may call for: whom to ask, what is still to be done, how soon."""
    failed = False
    with plainly():
        from dictate.advice.lines import WIDTH
        from dictate.advice.rules import load

        loaded = load_lexicon(lexicon)
        rules = load(loaded, lexicon)
        for one in what:
            try:
                lines = _lines(_record(one, loaded, store), loaded, rules)
            except (DictateError, OSError) as error:
                failed = True
                say(str(error))
                continue
            typer.echo("\n".join([*lines, ""]))
        typer.echo(textwrap.fill(rules.caution, WIDTH))
    if failed:
        raise typer.Exit(2)


def _record(one: str, lexicon: Lexicon, store: str | None) -> Record:
    """What a note says, or a record of the store as it was signed or stands. Raises DictateError."""
    from dictate import files
    from dictate.pipeline import read

    if one != "-" and not Path(one).exists() and _may_be_an_id(one):
        return _stored(one, lexicon, store)
    note = files.read_file(one)
    return read(note.text, name=note.name, lexicon=lexicon)


def _stored(record_id: str, lexicon: Lexicon, store: str | None) -> Record:
    try:
        with needing("desk"):
            from dictate.desk.live import Live
            from dictate.desk.records import Records
            from dictate.store import Unknown, open_store
    except DictateError as error:
        raise DictateError(f"{record_id}: there is no such file; for a record of the store {error}") from None
    with open_store(store) as opened:
        try:
            return Records(Live(opened, lexicon), operator()).present(record_id).record
        except Unknown as error:
            raise DictateError(f"{record_id}: there is no such file, and {error}") from None


def _may_be_an_id(name: str) -> bool:
    """Whether a word could be a record's id rather than a file's name."""
    return name.isalnum() and name.isascii()


def _lines(record: Record, lexicon: Lexicon, rules: Rules) -> list[str]:
    """The suggestions of one record as lines."""
    from dictate.advice.advise import advise as suggested
    from dictate.advice.lines import opening, told

    found = suggested(record, lexicon, rules)
    lines = opening(record, len(found))
    for number, one in enumerate(found, 1):
        lines += told(number, one, record, lexicon, rules)
    return lines
