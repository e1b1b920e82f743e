"""Referrals and what became of them. Every change is an event that holds the whole of how the referral stands."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date
from typing import Any, cast

import sqlalchemy as sa

from dictate.store import ledger, schema, shown
from dictate.store.faults import Overtaken, StoreError, Unknown
from dictate.store.ledger import Ledger
from dictate.store.model import REFERRAL_STATES, Patient, Referral, ReferralState, Step, moment
from dictate.store.words import line, plain

Row = Mapping[str, Any]
_WHO = (schema.patient.c.reference, schema.patient.c.name, schema.patient.c.birth_date)
_JOINED = schema.referral.join(schema.patient, schema.referral.c.record_id == schema.patient.c.id)
KEYS = ("number", "recipient", "urgency", "state", "due", "appointment", "days", "letter", "replies")
"""What an event says of a referral, as the table has it; `days` is a table of its own there."""


def begin(
    book: Ledger, record_id: str, to: str, urgency: str, due: date, by: str, *, letter: int | None, today: date
) -> Referral:
    """A new referral in the state draft."""
    shown.row(book.connection, record_id)
    whom = line(to)
    if not whom:
        raise StoreError("a referral needs somebody it goes to: nothing was changed; say whom")
    table = schema.referral
    query = sa.select(sa.func.max(table.c.number)).where(table.c.record_id == record_id)
    standing: dict[str, Any] = {
        "number": (book.connection.execute(query).scalar() or 0) + 1,
        "recipient": whom,
        "urgency": line(urgency),
        "state": "draft",
        "due": due.isoformat(),
        "appointment": "",
        "days": {"draft": today.isoformat()},
        "letter": letter,
        "replies": 0,
    }
    book.append(record_id, "referral", line(by), standing)
    row = {**standing, "record_id": record_id, "days": _json(standing["days"]), "revision": 1}
    book.connection.execute(table.insert(), row)
    return one(book.connection, f"{record_id}-{standing['number']}")


def change(
    book: Ledger,
    referral_id: str,
    by: str,
    *,
    today: date,
    state: str | None,
    day: date | None,
    appointment: date | None,
    due: date | None,
    to: str | None,
    reply: str,
    revision: int | None,
) -> Referral:
    """What became of a referral; `Store.set_referral` and `Store.reply` say more."""
    row = _row(book.connection, referral_id)
    if revision is not None and revision != row["revision"]:
        raise Overtaken
    if state is not None and state not in REFERRAL_STATES:
        raise StoreError(f"a referral is one of {', '.join(REFERRAL_STATES)}: nothing was changed; give one of these")
    if day is not None and day > today:
        raise StoreError(f"{day} has not come yet: nothing was changed; give the day on which it happened")
    after = {key: row[key] for key in KEYS} | {"days": json.loads(row["days"])}
    if state is not None:
        after["state"] = state
        after["days"] = _days(after["days"], state, day or today)
    if appointment is not None:
        after["appointment"] = appointment.isoformat()
    if due is not None:
        after["due"] = due.isoformat()
    if to is not None and line(to):
        after["recipient"] = line(to)
    after["replies"] += bool(reply)
    content = {**after, "day": (day or today).isoformat()} | ({"reply": plain(reply)} if reply else {})
    book.append(row["record_id"], "referral", line(by), content)
    table = schema.referral
    shown_so = {**after, "days": _json(after["days"]), "revision": row["revision"] + 1}
    which = (table.c.record_id == row["record_id"], table.c.number == row["number"])
    book.connection.execute(table.update().where(*which).values(**shown_so))
    return one(book.connection, referral_id)


def _days(before: Mapping[str, str], state: ReferralState, day: date) -> dict[str, str]:
    """The days by state; a referral that goes back loses those of the states it has left."""
    reached: tuple[str, ...] = REFERRAL_STATES[: REFERRAL_STATES.index(state)]
    return {key: before[key] for key in reached if key in before} | {state: day.isoformat()}


def one(connection: sa.Connection, referral_id: str) -> Referral:
    """A referral by its id, or by its record's if that has only one. Raises Unknown."""
    return _referral(_row(connection, referral_id))


def every(connection: sa.Connection, record_id: str | None, *, closed: bool) -> list[Referral]:
    """Referrals, those overdue longest first, then those due next, then those answered, then those closed."""
    query = sa.select(schema.referral, *_WHO).select_from(_JOINED)
    if record_id is not None:
        shown.row(connection, record_id)
        query = query.where(schema.referral.c.record_id == record_id)
    if not closed:
        query = query.where(schema.referral.c.state != "closed")
    found = [_referral(row) for row in connection.execute(query).mappings()]
    return sorted(found, key=lambda r: (r.state == "closed", r.state == "replied", r.awaited or r.due, r.id))


def story(connection: sa.Connection, referral_id: str) -> list[Step]:
    """What happened to a referral, first things first."""
    row = _row(connection, referral_id)
    steps = []
    for link in ledger.links(connection, row["record_id"], kinds=("referral",)):
        content = json.loads(link.payload or "{}")
        if content.get("number") == row["number"]:
            steps.append(
                Step(
                    moment(link.at),
                    link.by,
                    content["state"],
                    date.fromisoformat(content.get("day") or content["days"][content["state"]]),
                    date.fromisoformat(content["due"]),
                    _day(content["appointment"]),
                    content.get("reply", ""),
                )
            )
    return steps


def _row(connection: sa.Connection, referral_id: str) -> Row:
    record_id, dash, number = referral_id.partition("-")
    shown.row(connection, record_id)
    query = sa.select(schema.referral, *_WHO).select_from(_JOINED).where(schema.referral.c.record_id == record_id)
    rows = [{str(k): v for k, v in row.items()} for row in connection.execute(query).mappings()]
    if not dash and len(rows) == 1:
        return rows[0]
    if not dash and rows:
        names = ", ".join(f"{record_id}-{n}" for n in sorted(row["number"] for row in rows))
        raise Unknown(f"record {record_id} has several referrals: nothing was changed; name one of {names}")
    for row in rows:
        if str(row["number"]) == number:
            return row
    name = line(referral_id)[:40]
    raise Unknown(f"there is no referral {name}: nothing was changed; dictate referrals list shows what there is")


def _referral(row: Mapping[Any, Any]) -> Referral:
    return Referral(
        record_id=row["record_id"],
        number=row["number"],
        to=row["recipient"],
        urgency=row["urgency"],
        state=cast(ReferralState, row["state"]),
        due=date.fromisoformat(row["due"]),
        appointment=_day(row["appointment"]),
        days={key: date.fromisoformat(day) for key, day in json.loads(row["days"]).items()},
        letter=row["letter"],
        replies=row["replies"],
        revision=row["revision"],
        patient=Patient.from_dict(row),
    )


def _day(text: str) -> date | None:
    return date.fromisoformat(text) if text else None


def _json(days: Mapping[str, str]) -> str:
    return json.dumps(days, sort_keys=True)
