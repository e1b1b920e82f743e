"""`dictate records`: what the store holds, and keeping it safe."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from dictate.commands.telling import needing, operator, plainly, say

if TYPE_CHECKING:
    from dictate.store import Loaded, RecordHead, Store, Version

Render = Callable[["Loaded", "Version | None"], str]
"""A record to text: as it stands, and its latest signed version if it has one."""

_DAY = "%Y-%m-%d"


class Standing(StrEnum):
    """How far a record has come."""

    open = "open"
    settled = "settled"
    signed = "signed"


DayOption = Annotated[datetime | None, typer.Option(formats=[_DAY], metavar="DAY", help="YYYY-MM-DD, included.")]


@contextmanager
def _opened() -> Iterator[Store]:
    with plainly():
        with needing("desk"):
            from dictate.store import open_store
        with open_store() as store:
            yield store


def make(render: Render | None = None) -> typer.Typer:
    """The commands; `render` prints a record for `show`, in place of the plain form here."""
    app = typer.Typer(
        no_args_is_help=True,
        rich_markup_mode=None,
        help="List, show, delete, back up and verify the records in the store.",
    )
    app.command("list")(_list)
    app.command("show")(_shower(render or plain))
    app.command("delete")(_delete)
    app.command("backup")(_backup)
    app.command("restore")(_restore)
    app.command("verify")(_verify)
    return app


def _list(
    text: Annotated[
        list[str] | None,
        typer.Argument(metavar="TEXT...", help="Words of the patient's reference, name or birth date, or an id."),
    ] = None,
    state: Annotated[Standing | None, typer.Option(help="Only records that are open, settled or signed.")] = None,
    since: DayOption = None,
    until: DayOption = None,
) -> None:
    """List records, those changed last first; the days are those on which they were begun."""
    with _opened() as store:
        found = store.find(" ".join(text or ()), state.value if state else None, day_of(since), day_of(until))
    if not found:
        say("no such records" if text or state or since or until else "the store is empty")
    for line in columns([_cells(head) for head in found]):
        typer.echo(line)


def day_of(given: datetime | None) -> date | None:
    """The day of an option, if it was given."""
    return given.date() if given else None


def _cells(head: RecordHead) -> list[str]:
    born = head.patient.birth_date
    return [
        head.id,
        _local(head.created),
        standing(head),
        head.patient.reference or "-",
        head.patient.name or "-",
        born.isoformat() if born else "-",
    ]


def _local(moment: datetime) -> str:
    return moment.astimezone().strftime("%Y-%m-%d %H:%M")


def columns(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Rows as lines, their cells under each other."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def standing(head: RecordHead) -> str:
    """A record's state in words: "3 questions open", "settled", "signed MK 2026-03-02 14:32"."""
    if head.signed_at is not None:
        return f"signed {head.signed_by} {_local(head.signed_at)}"
    if head.state == "open" and head.questions:
        return f"{head.questions} question{'s' * (head.questions != 1)} open"
    return head.state


def plain(loaded: Loaded, version: Version | None) -> str:
    """A record in plain form: what was signed, and what the note says now if it has changed since."""
    head = loaded.head
    patient = ", ".join(part for part in (*_cells(head)[3:],) if part != "-")
    parts = [f"{head.id}  {_local(head.created)}  {standing(head)}  {patient}".rstrip()]
    if version is not None:
        signed = f"version {version.number}, signed {version.initials} {_local(version.at)}"
        parts += [signed, version.note, json.dumps(version.record, ensure_ascii=False, indent=2)]
    if version is None or loaded.text != version.note:
        parts += [f"not signed, decisions {len(loaded.decisions)}", loaded.text]
    return "\n\n".join(parts)


def _shower(render: Render) -> Callable[[str], None]:
    def show(record_id: Annotated[str, typer.Argument(metavar="ID", help="The record, as list names it.")]) -> None:
        """Print a record: its latest signed version, or as it stands."""
        with _opened() as store:
            loaded, versions = store.load(record_id), store.versions(record_id)
            typer.echo(render(loaded, versions[-1] if versions else None))

    return show


def _delete(
    ids: Annotated[list[str], typer.Argument(metavar="ID...", help="The records, as list names them.")],
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
) -> None:
    """Delete records for good: their words are removed from the store, only a mark that they were there is left."""
    with _opened() as store:
        heads = [store.head(one) for one in dict.fromkeys(ids)]
        for line in columns([_cells(head) for head in heads]):
            typer.echo(line)
        if not yes and not typer.confirm(f"Delete {_count(len(heads), 'record')} for good?"):
            say("nothing was deleted")
            raise typer.Exit(1)
        store.delete([head.id for head in heads], operator())
    typer.echo(f"deleted {_count(len(heads), 'record')}; backups made earlier still hold them")


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'s' * (number != 1)}"


def _backup(
    file: Annotated[str, typer.Argument(metavar="FILE", help="The file to write; it must not be there.")],
) -> None:
    """Copy the whole store into a new file and verify the copy."""
    with _opened() as store:
        copied = store.backup(file)
    for fault in copied.faults:
        typer.echo(fault)
    typer.echo(f"{file}: {_count(copied.records, 'record')}, {_count(copied.events, 'event')}")
    if copied.faults:
        say("the copy has the faults of the store, and cannot be restored: keep an earlier backup")
        raise typer.Exit(1)


def _restore(
    file: Annotated[str, typer.Argument(metavar="FILE", help="A backup.")],
    replace: Annotated[bool, typer.Option("--replace", help="Give up what the store holds now.")] = False,
) -> None:
    """Take over a backup, after verifying it, into an empty store; what was deleted here stays deleted."""
    with _opened() as store:
        copied = store.restore(file, replace=replace)
    typer.echo(f"{file}: {_count(copied.records, 'record')}, {_count(copied.events, 'event')} restored")


def _verify() -> None:
    """Prove that nothing recorded was altered, removed or put in another order."""
    with _opened() as store:
        found, head = store.verify(), store.chain_head()
    for fault in found:
        typer.echo(fault)
    if found or head is None:
        say(
            f"{_count(len(found), 'fault')}: change nothing, keep a copy of the store, and restore the last sound backup"
        )
        raise typer.Exit(1)
    typer.echo(f"sound: {_count(head.seq, 'event')}, the last {head.hash}")
