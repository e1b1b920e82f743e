"""`dictate advise`: what the findings of a note may call for."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Annotated

import typer

from dictate.commands.loading import load_lexicon
from dictate.commands.telling import plainly, say
from dictate.errors import DictateError

if TYPE_CHECKING:
    from dictate.advice.rules import Rules
    from dictate.lexicon import Lexicon


def advise(
    files: Annotated[list[str], typer.Argument(metavar="FILE...", help="Notes in plain text; - is standard input.")],
    lexicon: Annotated[
        str | None,
        typer.Option("--lexicon", metavar="DIR", help="A folder of lexicon files to add to the shipped ones."),
    ] = None,
) -> None:
    """Show what the findings of notes may call for: whom to ask, what is still to be done, how soon."""
    failed = False
    with plainly():
        from dictate.advice.lines import WIDTH
        from dictate.advice.rules import load

        loaded = load_lexicon(lexicon)
        rules = load(loaded, lexicon)
        for path in files:
            try:
                lines = _lines(path, loaded, rules)
            except (DictateError, OSError) as error:
                failed = True
                say(str(error))
                continue
            typer.echo("\n".join([*lines, ""]))
        typer.echo(textwrap.fill(rules.caution, WIDTH))
    if failed:
        raise typer.Exit(2)


def _lines(path: str, lexicon: Lexicon, rules: Rules) -> list[str]:
    """The suggestions of one note as lines. Raises NoteError."""
    from dictate import files
    from dictate.advice.advise import advise as suggested
    from dictate.advice.lines import opening, told
    from dictate.pipeline import read

    note = files.read_file(path)
    record = read(note.text, name=note.name, lexicon=lexicon)
    found = suggested(record, lexicon, rules)
    lines = opening(record, len(found))
    for number, one in enumerate(found, 1):
        lines += told(number, one, record, lexicon, rules)
    return lines
