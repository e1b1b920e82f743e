"""`dictate referrals`: what became of each referral, what is overdue, and the replies."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from dictate.commands.records import columns, day_of
from dictate.commands.telling import needing, operator, plainly, say
from dictate.errors import DictateError

if TYPE_CHECKING:
    from dictate.store import Referral, Step, Store

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="List referrals, those overdue first, note what became of them, and file replies.",
)


class State(StrEnum):
    """How far a referral has come."""

    draft = "draft"
    sent = "sent"
    booked = "booked"
    replied = "replied"
    closed = "closed"


class Urgency(StrEnum):
    """How soon the patient is to be seen."""

    same_day = "same_day"
    urgent = "urgent"
    soon = "soon"
    routine = "routine"


IdArgument = Annotated[
    str, typer.Argument(metavar="ID", help="The referral, as list names it; a record's id if it has only one.")
]
StoreOption = Annotated[
    str | None, typer.Option("--store", metavar="URL", help="Another store: a file, or postgresql://...")
]
HappenedOption = Annotated[
    datetime | None,
    typer.Option("--day", formats=["%Y-%m-%d"], metavar="DAY", help="When it happened, YYYY-MM-DD; today if left out."),
]


@contextmanager
def _opened(url: str | None) -> Iterator[Store]:
    with plainly():
        with needing("desk"):
            from dictate.store import open_store
        with open_store(url) as store:
            yield store


@app.command("list")
def _list(
    overdue: Annotated[bool, typer.Option("--overdue", help="Only those that are overdue.")] = False,
    every: Annotated[bool, typer.Option("--all", help="Those that are closed as well.")] = False,
    store: StoreOption = None,
) -> None:
    """List referrals that are not closed, those overdue longest first."""
    today = _today()
    with _opened(store) as opened:
        found = opened.referrals(closed=every)
    if overdue:
        found = [one for one in found if one.overdue(today)]
    if not found:
        say("no referral is overdue" if overdue else "there are no referrals")
    for line in columns([_cells(one, today) for one in found]):
        typer.echo(line)


@app.command("show")
def _show(referral: IdArgument, store: StoreOption = None) -> None:
    """Print what happened to a referral, with the replies."""
    today = _today()
    with _opened(store) as opened:
        one, story = opened.referral(referral), opened.referral_story(referral)
    for line in columns([_cells(one, today)]):
        typer.echo(line)
    typer.echo(f"to be seen by {one.due}" + (f", appointment {one.appointment}" if one.appointment else ""))
    if one.letter:
        typer.echo(f"with letter {one.letter} of record {one.record_id}")
    for line in _told(story):
        typer.echo(line)


@app.command("open")
def _open(
    record: Annotated[str, typer.Argument(metavar="RECORD", help="The record, as `dictate records list` names it.")],
    to: Annotated[str, typer.Option("--to", metavar="TEXT", help="To whom.")],
    urgency: Annotated[Urgency, typer.Option("--urgency", help="How soon the patient is to be seen.")],
    due: Annotated[
        datetime | None,
        typer.Option("--due", formats=["%Y-%m-%d"], metavar="DAY", help="By when; by your settings if left out."),
    ] = None,
    store: StoreOption = None,
) -> None:
    """Begin a referral by hand, as for a letter that was written elsewhere; the desk begins one with each letter."""
    with _opened(store) as opened:
        by = day_of(due) or _due(urgency)
        one = opened.open_referral(record, to, urgency.value, by, operator())
    _after(one)


@app.command("set")
def _set(
    referral: IdArgument,
    state: Annotated[State, typer.Argument(metavar="STATE", help="draft, sent, booked, replied or closed.")],
    day: HappenedOption = None,
    appointment: Annotated[
        datetime | None,
        typer.Option("--appointment", formats=["%Y-%m-%d"], metavar="DAY", help="The day that was booked."),
    ] = None,
    due: Annotated[
        datetime | None,
        typer.Option("--due", formats=["%Y-%m-%d"], metavar="DAY", help="Another day to be seen by."),
    ] = None,
    to: Annotated[str | None, typer.Option("--to", metavar="TEXT", help="Somebody else it goes to.")] = None,
    store: StoreOption = None,
) -> None:
    """Note what became of a referral."""
    with _opened(store) as opened:
        one = opened.set_referral(
            referral,
            operator(),
            state=state.value,
            day=day_of(day),
            appointment=day_of(appointment),
            due=day_of(due),
            to=to,
        )
    _after(one)


@app.command("reply")
def _reply(
    referral: IdArgument,
    file: Annotated[str, typer.Argument(metavar="FILE", help="The reply in plain text; - is standard input.")],
    day: HappenedOption = None,
    store: StoreOption = None,
) -> None:
    """File a reply with a referral, which is then one that has been answered."""
    from dictate import files

    with _opened(store) as opened:
        opened.referral(referral)  # an id that is wrong is told before somebody pastes a letter
        note = files.read_file(file)
        if not note.text.strip("\ufeff \t\r\n"):
            raise DictateError(f"{note.name}: the reply is empty; nothing was filed")
        one = opened.reply(referral, note.text.removeprefix("\ufeff"), operator(), day=day_of(day))
    _after(one)


def _after(one: Referral) -> None:
    for line in columns([_cells(one, _today())]):
        typer.echo(line)
    if one.late:
        say(f"the appointment is after the day to be seen by, {one.due}")


def _cells(one: Referral, today: date) -> list[str]:
    return [one.id, one.word, when(one, today), one.to, one.patient.reference or "-", one.patient.name or "-"]


def when(one: Referral, today: date) -> str:
    """How urgent it is to look: "overdue 3 days", "due 2026-03-30", "appointment 2026-03-20"."""
    if days := one.overdue(today):
        return f"overdue {days} day{'s' * (days != 1)}"
    if one.state == "booked" and one.appointment:
        return f"appointment {one.appointment}{', late' * one.late}"
    return f"due {one.due}" if one.awaited else f"since {one.days[one.state]}"


def _told(story: list[Step]) -> Iterator[str]:
    for step in story:
        by = f"  by {step.by}" if step.by else ""
        booked = f", appointment {step.appointment}" if step.state == "booked" and step.appointment else ""
        yield f"{step.day}  {step.word}{booked}{by}"
        yield from (f"    {line}".rstrip() for line in step.reply.splitlines())


def _due(urgency: Urgency) -> date:
    from dictate.letters import settings

    return _today() + timedelta(days=settings.load().due_days[urgency.value])


def _today() -> date:
    return datetime.now().astimezone().date()
