"""What can be done to a record at the desk; each change gives the record as it then stands."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from typing import Any

from dictate.advice.advise import Suggestion, advise
from dictate.advice.rules import Rules
from dictate.advice.rules import load as load_rules
from dictate.desk import acts
from dictate.desk import offers as offered
from dictate.desk.live import Live, Standing
from dictate.desk.offers import Offer
from dictate.lexicon import Lexicon
from dictate.record import Record
from dictate.settling import Decision, Row, Settled, SettledEntry, add
from dictate.store import NotSettled, RecordHead, State, Store, StoreError, Version

STATES: tuple[State, ...] = ("open", "settled", "signed")


@dataclass(frozen=True)
class Search:
    """What a list of records is narrowed to; `fault` tells a date that cannot be."""

    text: str = ""
    state: str = ""
    since: str = ""
    until: str = ""

    @property
    def any(self) -> bool:
        """Whether anything is asked for."""
        return bool(self.text or self.state or self.since or self.until)


class Records:
    """The records as the desk works on them."""

    def __init__(self, live: Live, operator: str, folder: str | None = None) -> None:
        self.live = live
        self.folder = folder  # of the user's own lexicon files
        self.operator = operator
        self.initials = ""  # of the last signature, to be offered for the next

    @property
    def store(self) -> Store:
        """Where they are kept."""
        return self.live.store

    @property
    def lexicon(self) -> Lexicon:
        """The words and items of the trade."""
        return self.live.lexicon

    def find(self, search: Search, limit: int) -> list[RecordHead]:
        """Records of the search, those changed last first."""
        state = next((s for s in STATES if s == search.state), None)
        return self.store.find(search.text, state, _day(search.since), _day(search.until), limit=limit)

    def begin(self, text: str = "") -> RecordHead:
        """A new record with this note."""
        record = self.live.read(text)
        head = self.store.new(self.operator)
        if text:
            questions = self.live.settled(head, text, (), {record.sha256: text}).waiting
            head = self.store.save_note(head.id, text, head.revision, self.operator, questions=questions)
        return head

    def standing(self, record_id: str) -> Standing:
        """The record as it stands; its state is brought up to date with what is read today."""
        standing = self.live.standing(record_id)
        head = standing.head
        if head.state != "signed" and head.questions != standing.waiting:
            with contextlib.suppress(StoreError):  # a list may be behind; looking must not fail
                head = self.store.set_questions(record_id, standing.waiting, head.revision)
        return replace(standing, head=head)

    def present(self, record_id: str) -> Settled:
        """What the record says: as it was signed last, or as it stands while it is not."""
        if self.store.head(record_id).state == "signed":
            return as_signed(self.versions(record_id)[-1])
        return self.standing(record_id).settled

    @cached_property
    def rules(self) -> Rules:
        """The rules by which findings call for something."""
        return load_rules(self.lexicon, self.folder)

    def suggestions(self, record: Record) -> tuple[Suggestion, ...]:
        """What the record may call for, by the rules."""
        return advise(record, self.lexicon, self.rules)

    def offers(self, record: Record) -> tuple[Offer, ...]:
        """What the record may call for."""
        return offered.offers(record, self.lexicon, self.rules)

    def taken(self, standing: Standing, key: str) -> Decision:
        """The decision that takes what is offered under that key into the plan. Raises Gone."""
        one = offered.find(self.offers(standing.settled.record), key)
        if one is None:
            raise acts.Gone("That is not offered any more: nothing was changed; look at the plan as it is now.")
        return add(standing.settled, one.row, self.operator)

    def write(self, record_id: str, text: str, revision: int) -> Standing:
        """Save the note as typed and read it."""
        loaded = self.store.load(record_id)
        decisions = [Decision.from_dict(one) for one in loaded.decisions]
        standing = self.live.settled(loaded.head, text, decisions, loaded.texts)
        head = self.store.save_note(record_id, text, revision, self.operator, questions=standing.waiting)
        return replace(standing, head=head)

    def decide(self, standing: Standing, decisions: Sequence[Decision], revision: int) -> Standing:
        """Record decisions; answers that they give anew do not wait any more."""
        head = standing.head
        over = [old for one in decisions for old in acts.overtaken(standing, one)]
        for decision in decisions:
            head = self.store.decide(head.id, decision.to_dict(), revision, self.operator)
            revision = head.revision
        for old in dict.fromkeys(over):
            revision = self.store.undo(head.id, revision, self.operator, decision=old).revision
        return self.standing(head.id)

    def undo(self, record_id: str, revision: int, decision: str = "") -> Standing:
        """Take back the last decision, or the one of that id."""
        self.store.undo(record_id, revision, self.operator, decision=decision or None)
        return self.standing(record_id)

    def set_patient(self, record_id: str, fields: Mapping[str, str], revision: int) -> Standing:
        """Set fields of the patient."""
        self.store.set_patient(record_id, fields, revision, self.operator)
        return self.standing(record_id)

    def sign(self, record_id: str, initials: str, revision: int) -> RecordHead:
        """Sign the record as it stands."""
        standing = self.standing(record_id)
        if not standing.text.strip():
            raise StoreError("there is no note yet: nothing was signed; type or paste the note first")
        if standing.waiting:
            raise NotSettled(
                f"{standing.waiting} still to be answered: nothing was signed; answer what is open, then sign"
            )
        head = self.store.sign(record_id, initials, snapshot(standing.settled), revision, self.operator)
        self.initials = head.signed_by
        return head

    def amend(self, record_id: str) -> RecordHead:
        """Open a signed record again as its next version."""
        return self.store.amend(record_id, self.operator)

    def versions(self, record_id: str) -> list[Version]:
        """What was signed."""
        return self.store.versions(record_id)

    def last_decision(self, record_id: str) -> Decision | None:
        """What undo would take back."""
        found = self.store.decisions(record_id)
        return Decision.from_dict(found[-1]) if found else None


def _day(text: str) -> date | None:
    return date.fromisoformat(text) if text else None


def snapshot(settled: Settled) -> dict[str, Any]:
    """What is kept of a record at its signing: as printed, and for each entry that was not just read, whose it is."""
    origins = {
        one.entry.id: {"origin": one.origin, "was": [row.to_dict() for row in one.was]}
        for one in settled.entries
        if one.origin != "read" or one.was
    }
    return {**settled.record.to_dict(), "origins": origins}


def as_signed(version: Version) -> Settled:
    """The record of a signed version."""
    record = Record.from_dict(version.record)
    origins: dict[str, Any] = version.record.get("origins", {})
    entries = []
    for entry in record.entries:
        told = origins.get(entry.id, {})
        was = tuple(Row.from_dict(row) for row in told.get("was", ()))
        entries.append(SettledEntry(entry, told.get("origin", "read"), was))
    return Settled(record, tuple(entries))
