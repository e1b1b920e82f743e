"""The store of records: what was noted, decided and signed, by whom and when.

    store = open_store()
    head = store.new("MK")
    head = store.save_note(head.id, "Pressure 16 right, 17 left.", head.revision, "MK")

Every change names the revision it was made on; where the record has moved on, `Stale` is raised and nothing is changed.
All methods may be called from several threads, and several programs may have a store open. They raise StoreError
with one sentence; `Unknown` for a record that is not there.
"""

from __future__ import annotations

import contextlib
import json
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import UTC, date, datetime, timedelta
from types import TracebackType
from typing import Any, Self

import sqlalchemy as sa

from dictate import __version__
from dictate.store import checking, copying, erase, ledger, letters, paths, referrals, schema, shown
from dictate.store.engine import Place, engine_at, place, reading, writing
from dictate.store.faults import NotSettled, Stale, StoreError, told
from dictate.store.ledger import Ledger
from dictate.store.migrate import migrate
from dictate.store.model import (
    ChainHead,
    Copied,
    Event,
    KeptLetter,
    LetterKind,
    Loaded,
    Patient,
    RecordHead,
    Referral,
    ReferralState,
    State,
    Step,
    Version,
    moment,
    stamp,
)
from dictate.store.words import digest, folded, line, plain

STOOD = timedelta(seconds=30)
"""A draft that stood this long before the next edit is kept in the chain."""

_EARLIEST_BIRTH = 1880


def _now() -> datetime:
    return datetime.now(UTC)


def open_store(url: str | None = None, *, clock: Callable[[], datetime] = _now) -> Store:
    """Open the store, make it if it is not there, and bring it to the present schema.

    `url` is a path or `postgresql://user@host/database`; else DICTATE_STORE names it, else it is a file in the user's
    data folder. `clock` gives the present as an aware time. Raises StoreError.
    """
    where = place(url)
    with told(where.shown):
        if where.file is not None:
            paths.prepare(where.file)
        engine = engine_at(where)
        try:
            migrate(engine, where.shown)
            erase.clear_leftovers(engine)
        except BaseException:
            engine.dispose()
            raise
    return Store(engine, where, clock)


class Store:
    """An open store; `open_store` makes one."""

    def __init__(self, engine: sa.Engine, where: Place, clock: Callable[[], datetime] = _now) -> None:
        self._engine = engine
        self._clock = clock
        # The threads of one program wait in line; the database's own waiting is by trial.
        self._turn = threading.Lock()
        self.where = where

    def close(self) -> None:
        """Give back all connections."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # ---- looking ------------------------------------------------------------------------------

    def head(self, record_id: str) -> RecordHead:
        """How a record stands."""
        with self._reading() as connection:
            return shown.head(shown.row(connection, record_id))

    def load(self, record_id: str) -> Loaded:
        """A record with its note and decisions, all of one moment."""
        with self._reading() as connection:
            row = shown.row(connection, record_id)
            texts = ledger.notes(connection, record_id) | {digest(row["draft"]): row["draft"]}
            return Loaded(shown.head(row), row["draft"], tuple(ledger.standing(connection, record_id)), texts)

    def find(
        self,
        text: str = "",
        state: State | None = None,
        since: date | datetime | None = None,
        until: date | datetime | None = None,
        *,
        limit: int | None = None,
    ) -> list[RecordHead]:
        """Records, those changed last first.

        Every word of `text` must stand in the patient's reference, name or birth date, without regard to case and
        accents, or begin the record's id. `since` and `until` bound when the record was begun: days of local time, both
        included, or aware times, the last excluded.
        """
        with self._reading() as connection:
            return shown.search(connection, text, state, since, until, limit)

    def decisions(self, record_id: str) -> list[dict[str, Any]]:
        """The decisions that hold, in the order they were taken, as they were given."""
        return list(self.load(record_id).decisions)

    def texts(self, record_id: str) -> dict[str, str]:
        """Every version of the note that is kept, by its SHA-256; the present one is among them."""
        return self.load(record_id).texts

    def history(self, record_id: str) -> list[Event]:
        """Everything that was recorded; of a deleted record, what is left of it."""
        with self._reading() as connection:
            return shown.history(connection, record_id)

    def versions(self, record_id: str) -> list[Version]:
        """What was signed, the first signature first."""
        with self._reading() as connection:
            shown.row(connection, record_id)
            texts = ledger.notes(connection, record_id)
            signed = [ledger.told(link) for link in ledger.links(connection, record_id, kinds=("sign",))]
        return [shown.version(event, texts) for event in signed]

    # ---- changing -----------------------------------------------------------------------------

    def new(self, by: str) -> RecordHead:
        """Begin a record, with an empty note."""
        with self._writing() as book:
            record_id = shown.new_id(book.connection)
            who = line(by)
            book.append(record_id, "new", who, {})
            row: dict[str, Any] = {
                "id": record_id,
                "created": book.at,
                "updated": book.at,
                "state": "open",
                "revision": 1,
                "version": 1,
                "questions": None,
                "draft": "",
                "draft_at": book.at,
                "draft_by": who,
                "noted": None,
                "signed_by": "",
                "signed_at": None,
            }
            book.connection.execute(schema.record.insert(), row)
            nobody = {**Patient().to_dict(), "id": record_id, "search": ""}
            book.connection.execute(schema.patient.insert(), nobody)
            return shown.head(shown.row(book.connection, record_id))

    def save_note(
        self, record_id: str, text: str, revision: int, by: str, *, questions: int | None = None
    ) -> RecordHead:
        """Save the note as it is typed. `questions`: how many are open with this text, if it was counted.

        A text that stood for 30 seconds before it was edited stays in the record's history.
        """
        with self._writing() as book:
            row = shown.open_row(book.connection, record_id, revision)
            text = plain(text)
            if text == row["draft"]:
                return self._counted(book, row, questions)
            if row["draft"] and moment(book.at) - moment(row["draft_at"]) >= STOOD:
                book.note(row, row["draft_by"])
            return self._changed(book, row, questions, draft=text, draft_at=book.at, draft_by=line(by))

    def decide(
        self, record_id: str, decision: Mapping[str, Any], revision: int, by: str, *, questions: int | None = None
    ) -> RecordHead:
        """Record a decision: JSON-able, with an `id` of its own in the record.

        If it names a `note_sha256`, that must be the note as saved.
        """
        given = dict(decision)
        with self._writing() as book:
            row = shown.open_row(book.connection, record_id, revision)
            if given.get("note_sha256", digest(row["draft"])) != digest(row["draft"]):
                raise Stale(shown.head(row))
            self._new_decision(book.connection, record_id, given)
            book.note(row, line(by))
            book.append(record_id, "decision", line(by), given)
            return self._changed(book, row, questions)

    def undo(
        self, record_id: str, revision: int, by: str, *, decision: str | None = None, questions: int | None = None
    ) -> RecordHead:
        """Take back the last decision that holds, or the one named by its id."""
        with self._writing() as book:
            row = shown.open_row(book.connection, record_id, revision)
            standing = [str(one["id"]) for one in ledger.standing(book.connection, record_id)]
            if not standing or decision not in (None, *standing):
                raise StoreError(
                    f"record {record_id} has no such decision to undo: nothing was changed; load the record again"
                )
            book.append(record_id, "undo", line(by), {"decision": decision or standing[-1]})
            return self._changed(book, row, questions)

    def set_questions(self, record_id: str, questions: int, revision: int) -> RecordHead:
        """Note how many questions are open, which makes the record open or settled. The revision stays."""
        with self._writing() as book:
            return self._counted(book, shown.open_row(book.connection, record_id, revision), questions)

    def set_patient(self, record_id: str, fields: Mapping[str, str], revision: int, by: str) -> RecordHead:
        """Set any of `reference`, `name` and `birth_date` (YYYY-MM-DD, or empty); the others stay."""
        with self._writing() as book:
            row = shown.open_row(book.connection, record_id, revision)
            before = {key: row[key] for key in Patient().to_dict()}
            unknown = fields.keys() - before.keys()
            if unknown:
                raise StoreError(
                    f"a patient has no {min(unknown)}: nothing was changed; give reference, name, birth_date"
                )
            after = before | {key: line(value) for key, value in fields.items()}
            _check_birth(after["birth_date"], moment(book.at).astimezone().date())
            if after == before:
                return shown.head(row)
            book.append(record_id, "patient", line(by), after)
            search = folded(" ".join(after.values()))
            patient = schema.patient
            book.connection.execute(patient.update().where(patient.c.id == record_id).values(**after, search=search))
            return self._changed(book, row, row["questions"])

    def sign(self, record_id: str, initials: str, snapshot: Mapping[str, Any], revision: int, by: str) -> RecordHead:
        """Sign the record as `snapshot` (a record as printed, JSON-able) has it; it does not change any more.

        Raises NotSettled if the snapshot has flags.
        """
        who = line(initials)
        if not who:
            raise StoreError("a signature needs initials or a name: nothing was signed; type them and sign again")
        if snapshot.get("flags"):
            raise NotSettled(
                f"record {record_id} has open questions ({len(snapshot['flags'])}): it is saved, not signed; answer them first"
            )
        with self._writing() as book:
            row = shown.open_row(book.connection, record_id, revision)
            sha256 = digest(row["draft"])
            if snapshot.get("note", {}).get("sha256", sha256) != sha256:
                raise Stale(shown.head(row))
            book.note(row, line(by))
            content = {
                "initials": who,
                "version": row["version"],
                "note_sha256": sha256,
                "record": dict(snapshot),
                "patient": {key: row[key] for key in Patient().to_dict()},
                "program": __version__,
            }
            book.append(record_id, "sign", line(by), content)
            return self._changed(book, row, 0, state="signed", signed_by=who, signed_at=book.at)

    def amend(self, record_id: str, by: str) -> RecordHead:
        """Open a signed record again as its next version, with its note and decisions. What was signed stays."""
        with self._writing() as book:
            row = shown.row(book.connection, record_id)
            if row["state"] != "signed":
                raise StoreError(
                    f"record {record_id} is not signed: nothing was changed; it can still be edited as it is"
                )
            book.append(record_id, "amend", line(by), {"from_version": row["version"]})
            return self._changed(book, row, None, version=row["version"] + 1, signed_by="", signed_at=None)

    def delete(self, record_ids: str | Iterable[str], by: str) -> None:
        """Remove a record, or several together, for good, signed or not.

        Its events stay without content, and a tombstone says who deleted it and when. Raises Unknown, and deletes nothing, if one
        is not there; Lingering if all are gone but their words still lie in unused parts of the file.
        """
        ids = [record_ids] if isinstance(record_ids, str) else list(dict.fromkeys(record_ids))
        with self._writing() as book:
            for record_id in ids:
                shown.row(book.connection, record_id)
                book.bury(record_id, line(by))
            erase.mark(book.connection)
        with self._turn, told(self.where.shown):
            erase.clear(self._engine)

    # ---- letters and referrals ------------------------------------------------------------------

    def save_letter(
        self,
        record_id: str,
        kind: LetterKind,
        letter: Mapping[str, Any],
        body: str,
        by: str,
        *,
        final: bool = False,
        revision: int | None = None,
        referral: tuple[str, str, date] | None = None,
    ) -> KeptLetter:
        """Keep a letter with its record: as the one draft of its kind, or final, which does not change any more.

        `letter` is JSON-able, `body` the text that was edited. `revision` is that of the draft the change was made on, 0
        where there was none; raises Overtaken if it is another by now. A final letter needs a signed record: raises NotSettled. `referral`, of a
        final letter: to whom, how urgent and by when; both are saved or neither.
        """
        with self._writing() as book:
            keep = letters.finish if final else letters.save
            kept = keep(book, record_id, kind, letter, body, by, revision)
            if final and referral:
                to, urgency, due = referral
                referrals.begin(book, record_id, to, urgency, due, by, letter=kept.number, today=self._today())
            return kept

    def letter_draft(self, record_id: str, kind: LetterKind) -> KeptLetter | None:
        """The letter of that kind that is being written, if one is."""
        with self._reading() as connection:
            return letters.draft(connection, record_id, kind)

    def drop_letter_draft(self, record_id: str, kind: LetterKind) -> None:
        """Throw away the letter that is being written."""
        with self._writing() as book:
            letters.drop(book, record_id, kind)

    def letters(self, record_id: str) -> list[KeptLetter]:
        """The record's final letters, the first one first."""
        with self._reading() as connection:
            return letters.final(connection, record_id)

    def open_referral(
        self, record_id: str, to: str, urgency: str, due: date, by: str, *, letter: int | None = None
    ) -> Referral:
        """Begin a referral, in the state draft. `due`: the day by which the patient is to be seen there."""
        with self._writing() as book:
            return referrals.begin(book, record_id, to, urgency, due, by, letter=letter, today=self._today())

    def set_referral(
        self,
        referral_id: str,
        by: str,
        *,
        state: ReferralState | None = None,
        day: date | None = None,
        appointment: date | None = None,
        due: date | None = None,
        to: str | None = None,
        revision: int | None = None,
    ) -> Referral:
        """Note what became of a referral: a state and the day it came about (today), the appointment, another due day.

        A record's id names its only referral. Raises Unknown, and Overtaken if `revision` is not the referral's any more.
        """
        with self._writing() as book:
            return referrals.change(
                book,
                referral_id,
                by,
                today=self._today(),
                state=state,
                day=day,
                appointment=appointment,
                due=due,
                to=to,
                reply="",
                revision=revision,
            )

    def reply(
        self, referral_id: str, text: str, by: str, *, day: date | None = None, revision: int | None = None
    ) -> Referral:
        """File a reply with a referral, which makes its state `replied`, unless it is closed."""
        if not text.strip():
            raise StoreError("the reply is empty: nothing was changed; paste its text")
        with self._writing() as book:
            closed = referrals.one(book.connection, referral_id).state == "closed"
            return referrals.change(
                book,
                referral_id,
                by,
                today=self._today(),
                state=None if closed else "replied",
                day=day,
                appointment=None,
                due=None,
                to=None,
                reply=text,
                revision=revision,
            )

    def referral(self, referral_id: str) -> Referral:
        """How a referral stands."""
        with self._reading() as connection:
            return referrals.one(connection, referral_id)

    def referrals(self, record_id: str | None = None, *, closed: bool = True) -> list[Referral]:
        """Referrals of a record or of all, those overdue longest first; `closed` ones last or left out."""
        with self._reading() as connection:
            return referrals.every(connection, record_id, closed=closed)

    def referral_story(self, referral_id: str) -> list[Step]:
        """What happened to a referral, with the replies that were filed, first things first."""
        with self._reading() as connection:
            return referrals.story(connection, referral_id)

    # ---- the whole ------------------------------------------------------------------------------

    def chain_head(self) -> ChainHead | None:
        """The end of the chain; None if it was tampered with and is gone."""
        with self._reading() as connection:
            return ledger.chain_head(connection)

    def verify(self) -> list[str]:
        """What is wrong with the store, in sentences: the chain, its guards, the records beside it. Empty if sound."""
        with self._reading() as connection:
            return list(checking.faults(connection))

    def backup(self, path: str) -> Copied:
        """Copy the store as it is at this moment into a new file, and verify the copy.

        The file is an SQLite database for the owner alone. It appears complete or not at all; one that is there already is
        never overwritten. The faults of a store are copied too, and named.
        """
        with self._reading() as connection:
            return copying.backup(connection, path)

    def restore(self, path: str, *, replace: bool = False) -> Copied:
        """Take over a backup, by this or an earlier version of the program, after verifying it.

        Raises NotEmpty if the store holds anything, unless `replace`: then all it holds is given up for the
        backup, but what was deleted here stays deleted. The store is changed as a whole or not at all.
        """
        with told(path):
            kept = copying.Backup(path)
        with kept:
            with self._turn, told(self.where.shown), writing(self._engine) as connection:
                copied = copying.restore(kept, connection, stamp(self._clock()), self.where.shown, replace=replace)
                erase.mark(connection)
            with self._turn, told(self.where.shown):
                erase.clear(self._engine)
        return copied

    # ---- inside -------------------------------------------------------------------------------

    @contextlib.contextmanager
    def _reading(self) -> Iterator[sa.Connection]:
        with told(self.where.shown), reading(self._engine) as connection:
            yield connection

    @contextlib.contextmanager
    def _writing(self) -> Iterator[Ledger]:
        with self._turn, told(self.where.shown), writing(self._engine) as connection:
            yield Ledger(connection, stamp(self._clock()))

    def _today(self) -> date:
        return self._clock().astimezone().date()

    def _new_decision(self, connection: sa.Connection, record_id: str, given: Mapping[str, Any]) -> None:
        if not isinstance(given.get("id"), str) or not given["id"]:
            raise StoreError("a decision needs an id: nothing was changed; please report this")
        for link in ledger.links(connection, record_id, kinds=("decision",)):
            if json.loads(link.payload or "{}").get("id") == given["id"]:
                raise StoreError(
                    f"decision {given['id']} is recorded already: nothing was changed; load the record again"
                )

    def _counted(self, book: Ledger, row: Mapping[str, Any], questions: int | None) -> RecordHead:
        if questions is not None and questions != row["questions"]:
            book.change(row["id"], questions=questions, state="open" if questions else "settled")
        return shown.head(shown.row(book.connection, row["id"]))

    def _changed(self, book: Ledger, row: Mapping[str, Any], questions: int | None, **values: Any) -> RecordHead:
        values = {"state": "settled" if questions == 0 else "open"} | values
        book.change(row["id"], revision=row["revision"] + 1, updated=book.at, questions=questions, **values)
        return shown.head(shown.row(book.connection, row["id"]))


def _check_birth(given: str, today: date) -> None:
    if not given:
        return
    try:
        born = date.fromisoformat(given) if len(given) == 10 else None
    except ValueError:
        born = None
    if born is None or born.year < _EARLIEST_BIRTH or born > today:
        raise StoreError(
            "the birth date is no day that a patient can be born on: it is not saved, the rest is; give it as YYYY-MM-DD"
        )
