"""`dictate desk`: the page on this computer where notes are read, settled and signed."""

from __future__ import annotations

from typing import Annotated

import typer

from dictate.commands.loading import load_lexicon
from dictate.commands.telling import needing, operator, plainly, say


def desk(
    port: Annotated[
        int | None, typer.Option(min=1, max=65535, help="The port to listen on; a usual one if left out.")
    ] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Print the address and open no browser.")] = False,
    store: Annotated[
        str | None, typer.Option("--store", metavar="URL", help="Another store: a file, or postgresql://...")
    ] = None,
    lexicon: Annotated[
        str | None,
        typer.Option("--lexicon", metavar="DIR", help="A folder of lexicon files to add to the shipped ones."),
    ] = None,
) -> None:
    """Open the desk in the browser; Ctrl-C ends it.

    The desk can be reached from this computer only, by the one browser that opens its address first.
    """
    with plainly():
        with needing("desk"):
            from dictate.desk.serve import serve
            from dictate.store import open_store
        loaded = load_lexicon(lexicon)
        with open_store(store) as opened:
            serve(opened, loaded, port=port, browser=not no_browser, operator=operator(), folder=lexicon, tell=_tell)
        say("the desk is closed; everything is saved")


def _tell(address: str) -> None:
    typer.echo(f"The desk is open, for one browser on this computer:\n  {address}\nCtrl-C closes it.")
