"""The command line. Everything heavy is imported inside the commands, so that `--help` is quick.

Exit status: 0, also while questions are open; 2 when a note or the lexicon cannot be read
(the reason in one sentence on standard error, the other notes still printed); 1 when
`lexicon check` finds faults.
"""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Iterator, Sequence
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dictate.commands import advise, desk, export, letter, records, referrals, settings, settle
from dictate.commands.loading import load_lexicon as _load
from dictate.commands.telling import plainly as _plainly
from dictate.commands.telling import say as _say
from dictate.errors import DictateError

if TYPE_CHECKING:
    from dictate.files import NoteFile
    from dictate.lexicon import Item, Lexicon
    from dictate.record import Record

MANY = 4
"""From this number of notes on, a terminal shows a progress bar."""

app = typer.Typer(
    name="dictate",
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Read a dictated or pasted examination of eyes and cranial nerves into a structured record.",
)
lexicon_app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None, help="Check the lexicon, or show what can be said."
)
app.add_typer(lexicon_app, name="lexicon")
app.add_typer(records.make(), name="records")
app.add_typer(referrals.app, name="referrals")
app.add_typer(settings.make(), name="settings")
app.command("desk")(desk.desk)
app.command("settle")(settle.settle)
app.command("sign")(settle.sign)
app.command("advise")(advise.advise)
app.command("export")(export.export)
app.command("letter")(letter.letter)


class Format(StrEnum):
    """How a record is printed."""

    table = "table"
    json = "json"
    csv = "csv"


FormatOption = Annotated[
    Format, typer.Option("--format", "-f", help="table, json (one object a line) or csv (one row an entry).")
]
LexiconOption = Annotated[
    str | None, typer.Option("--lexicon", metavar="DIR", help="A folder of lexicon files to add to the shipped ones.")
]


# ---- reading, in this process or in several -----------------------------------------------

_worker_lexicon: Lexicon | None = None


def _start_worker(folder: str | None) -> None:
    global _worker_lexicon
    _worker_lexicon = _load(folder)


def _read_in_worker(path: str) -> tuple[NoteFile | None, Record | None, str]:
    assert _worker_lexicon is not None
    return _read_one(path, _worker_lexicon)


def _read_one(path: str, lexicon: Lexicon) -> tuple[NoteFile | None, Record | None, str]:
    """A note and its record, or neither and the reason in one sentence."""
    from dictate import files
    from dictate.pipeline import read as read_text

    try:
        note = files.read_file(path)
        return note, read_text(note.text, name=note.name, lexicon=lexicon), ""
    except DictateError as error:
        return None, None, str(error)
    except Exception as error:  # a fault of ours must not keep the other notes from being read
        if os.environ.get("DICTATE_DEBUG"):
            raise
        kind = type(error).__name__
        return None, None, f"{path}: the reading failed on this note ({kind}), a fault of the program; please report it"


def _read_all(
    paths: Sequence[str], lexicon: Lexicon, folder: str | None, jobs: int
) -> Iterator[tuple[NoteFile | None, Record | None, str]]:
    """Every note in the order given."""
    if jobs <= 1 or len(paths) < 2:
        for path in paths:
            yield _read_one(path, lexicon)
        return
    from concurrent.futures import ProcessPoolExecutor

    with ProcessPoolExecutor(min(jobs, len(paths)), initializer=_start_worker, initargs=(folder,)) as pool:
        yield from pool.map(_read_in_worker, paths)


def _with_progress(results: Iterator[Any], count: int) -> Iterator[Any]:
    """A progress bar on standard error, where a person waits and the records go elsewhere."""
    if count < MANY or not sys.stderr.isatty() or sys.stdout.isatty():
        yield from results
        return
    from rich.console import Console
    from rich.progress import track

    yield from track(results, description="Reading", total=count, console=Console(stderr=True), transient=True)


# ---- printing ----------------------------------------------------------------------------


class _Printer:
    """Prints one record after another in one format."""

    def __init__(self, format: Format, lexicon: Lexicon) -> None:
        self.format = format
        self.lexicon = lexicon
        self.started = False
        if format is not Format.table and hasattr(sys.stdout, "reconfigure"):
            sys.stdout.reconfigure(encoding="utf-8")
        self.console: Any = None

    def put(self, note: NoteFile, record: Record) -> None:
        if self.format is Format.json:
            import json

            printed = record.to_dict()
            if not note.usual:
                printed["note"]["encoding"] = note.encoding_name
            sys.stdout.write(json.dumps(printed, ensure_ascii=False) + "\n")
            sys.stdout.flush()
        elif self.format is Format.csv:
            self._csv(record)
        else:
            self._table(record)
        self.started = True

    def _csv(self, record: Record) -> None:
        import csv

        from dictate.table import csv_columns, csv_rows

        writer = csv.writer(sys.stdout, lineterminator="\n")
        if not self.started:
            writer.writerow(csv_columns())
        writer.writerows(csv_rows(record, self.lexicon))
        sys.stdout.flush()

    def _table(self, record: Record) -> None:
        from rich.console import Console

        from dictate.table import sheet, show

        if self.console is None:
            self.console = Console(highlight=False)
        if self.started:
            self.console.print()
        show(sheet(record, self.lexicon), self.console)


# ---- commands -----------------------------------------------------------------------------


def _version(wanted: bool) -> None:
    if wanted:
        import dictate

        typer.echo(f"dictate {dictate.__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Read a dictated or pasted examination of eyes and cranial nerves into a structured record."""


@app.command()
def read(
    files: Annotated[list[str], typer.Argument(metavar="FILE...", help="Notes in plain text; - is standard input.")],
    format: FormatOption = Format.table,
    jobs: Annotated[int, typer.Option("--jobs", "-j", min=1, help="Processes that read at the same time.")] = 1,
    lexicon: LexiconOption = None,
) -> None:
    """Read notes and print their records, in the order given."""
    if "-" in files and sys.stdin.isatty():
        _say("type or paste the note, then press Ctrl-D on an empty line")
    with _plainly():
        loaded = _load(lexicon)
        printer = _Printer(format, loaded)
        failed = False
        for note, record, reason in _with_progress(_read_all(files, loaded, lexicon, jobs), len(files)):
            if note is None or record is None:
                failed = True
                _say(reason)
                continue
            if not note.usual:
                _say(f"{note.name}: not UTF-8, read as {note.encoding_name}")
            if not note.text.strip("\ufeff \t\r\n"):
                _say(f"{note.name}: the note is empty")
            printer.put(note, record)
    if failed:
        raise typer.Exit(2)


@app.command()
def explain(
    file: Annotated[str, typer.Argument(metavar="FILE", help="The note; - is standard input.")],
    entry: Annotated[
        str | None,
        typer.Argument(metavar="ENTRY", help="e5, a question (f1), or words of a test's name; all if left out."),
    ] = None,
    lexicon: LexiconOption = None,
) -> None:
    """Show where an entry comes from: the note's words, the term, and each rule that decided."""
    with _plainly():
        from dictate import files
        from dictate.explain import explain as explained
        from dictate.explain import find
        from dictate.pipeline import read as read_text

        loaded = _load(lexicon)
        note = files.read_file(file)
        record = read_text(note.text, name=note.name, lexicon=loaded)
        chosen = list(record.entries) if entry is None else find(record, entry, loaded)
        if not chosen:
            typer.echo(f"{note.name}: the record has no entries")
        for number, one in enumerate(chosen):
            typer.echo("\n" * bool(number) + "\n".join(explained(one, record, note.text, loaded)))


@app.command()
def demo(
    name: Annotated[str | None, typer.Argument(metavar="NAME", help="A demo note; the first if left out.")] = None,
    format: FormatOption = Format.table,
) -> None:
    """Read a bundled demo note: an invented patient of an invented clinic."""
    with _plainly():
        from dictate import demo as notes
        from dictate.pipeline import read as read_text

        note = notes.note(name or notes.FIRST)
        loaded = _load(None)
        record = read_text(note.text, name=note.name, lexicon=loaded)
        if format is Format.table:
            typer.echo(note.text.rstrip() + "\n\n" + "-" * 72 + "\n")
        _Printer(format, loaded).put(note, record)
        if format is Format.table:
            typer.echo(f"\nDemo notes: {', '.join(notes.names())}. Your own note: dictate read FILE")


@lexicon_app.command()
def check(
    folder: Annotated[str | None, typer.Argument(metavar="DIR", help="A folder of your own lexicon files.")] = None,
) -> None:
    """Check the shipped lexicon and, if given, a folder of files that adds to it."""
    with _plainly(status=1):
        from dictate.advice.rules import load as load_rules
        from dictate.norms import load as load_norms

        loaded = _load(folder)
        norms = load_norms()
        rules = load_rules(loaded, folder)
        phrases = len(loaded.phrases) + len(loaded.cues) + len(loaded.misheard)
        where = f"the shipped lexicon with {folder}" if folder else "the shipped lexicon"
        typer.echo(
            f"{where}: no faults; {len(loaded.items)} items, {phrases} phrases, {len(norms.source)} sources of norms, "
            f"{len(rules.advice)} rows of suggestions"
        )


@lexicon_app.command()
def show(
    item: Annotated[str, typer.Argument(metavar="ITEM", help="An item's key (pupil.size) or words of its title.")],
    lexicon: LexiconOption = None,
) -> None:
    """Print what can be said for an item: its names, values and wordings."""
    with _plainly():
        loaded = _load(lexicon)
        for number, one in enumerate(_items(item, loaded)):
            typer.echo("\n" * bool(number) + "\n".join(_shown(one, loaded)))


def _items(wanted: str, lexicon: Lexicon) -> list[Item]:
    low = wanted.casefold().strip()
    exact = [i for i in lexicon.items.values() if low in (i.key, i.title.casefold())]
    found = exact or [i for i in lexicon.items.values() if low and (low in i.key or low in i.title.casefold())]
    if found:
        return found
    from rapidfuzz import process

    near = [str(key) for key, _, _ in process.extract(low, list(lexicon.items), limit=3)]
    raise DictateError(f"{wanted}: no such item; the nearest are {', '.join(near)}")


def _shown(item: Item, lexicon: Lexicon) -> list[str]:
    """Everything a lexicon file says of an item, as lines."""
    unit = f" in {item.unit}" if item.unit and item.unit != "1" else ""
    lines = [f"{item.key}: {item.title} ({item.kind}{unit}), in {lexicon.item_group[item.key]}.toml"]

    def told(label: str, words: Sequence[object], between: str = ", ") -> None:
        if words:
            lines.append(f"  {label:<12} {between.join(str(w) for w in words)}")

    told("nerves", item.nerve)
    sides = f"right and left {item.sides}" if item.sided else "none"
    optional = ", may be left out" if item.side_optional else ""
    told("sides", [sides + optional + (", or both together" if item.both_eyes else "")])
    told("values", item.values)
    if item.plausible:
        told("plausible", item.plausible, " to ")
    if item.possible:
        told("possible", item.possible, " to ")
    told("source", [item.source] if item.source else [])
    told("context", [*item.context, *(f"{c} (reported only)" for c in item.soft_context)])
    told("names", item.names, "; ")
    topic = lexicon.topics.get(item.topic)
    if topic is not None:
        told("topic", topic.names, "; ")
    for label, table in (("said of it", item.words), ("said alone", item.alone)):
        for value, says in table.items():
            told(label, [f"{value} = {'; '.join(says)}"])
    for part in item.with_:
        fixed = ", ".join(f"{k} {v}" for k, v in part.context.items())
        told(f"with {fixed}", part.names, "; ")
        for table in (part.words, part.alone):
            for value, says in table.items():
                told(f"with {fixed}", [f"{value} = {'; '.join(says)}"])
    if item.generic:
        told("generic", [f"{said} = {value}" for said, value in item.generic.items()])
    if item.negated:
        told("negated", [f"not {said} = {value}" for said, value in item.negated.items()])
    own = {phrase for phrase, senses in lexicon.phrases.items() if any(s.item == item.key for s in senses)}
    told("misheard", [" ".join(heard) for heard, meant in lexicon.misheard.items() if meant in own], "; ")
    return lines


def main() -> None:
    """The console script."""
    gc.disable()  # until the lexicon is loaded: nothing made before is garbage
    try:
        app()
    except SystemExit as done:
        if sys.gettrace() is not None or sys.getprofile() is not None or not isinstance(done.code, int | None):
            raise
        _leave(done.code or 0)


def _leave(status: int) -> None:
    """End at once: clearing the lexicon away takes a fifth of the whole time, and nobody waits for it."""
    try:
        sys.stdout.flush()
        sys.stderr.flush()
    except OSError:  # the reader has gone away
        status = status or 1
    os._exit(status)
