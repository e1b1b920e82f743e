"""`dictate export`: settled records for other programs.

Exit status: 0; 3 with the list, and nothing exported, while questions are open; 2 for a fault.
"""

from __future__ import annotations

from contextlib import ExitStack
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from dictate.commands.documents import OPEN, documents, of_patient, tell_open, write
from dictate.commands.loading import load_lexicon
from dictate.commands.telling import needing, plainly
from dictate.errors import DictateError


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
            found = list(documents(what, loaded, store, stack))
        if (patient, name, born) != (None, None, None):
            found = [of_patient(one, patient, name, born) for one in found]
        try:
            with needing("exchange"):
                text = render(format.value, found, loaded, table, unsettled=unsettled)
        except OpenQuestions as waiting:
            tell_open(waiting, "nothing was exported")
            raise typer.Exit(OPEN) from None
        write(text.encode("utf-8", "backslashreplace"), out)
