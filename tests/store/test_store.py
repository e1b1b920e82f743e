"""What a record goes through: written, decided, signed, amended, found."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from conftest import Clock
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import dictate
from dictate.note import Note
from dictate.store import Damaged, NotSettled, Patient, Signed, Stale, Store, StoreError, Unknown, open_store
from dictate.store.words import digest, plain

NOTE = "Pressure 16 right, 17 left. Pupils equal."
SNAPSHOT = {"entries": [{"id": "e1", "item": "pressure.eye", "value": 16}], "flags": []}


def decision(name: str, **more: Any) -> dict[str, Any]:
    return {"id": name, "kind": "choose", "choice": {"side": "right"}, **more}


def written(store: Store, text: str = NOTE) -> tuple[str, int]:
    """A record with a note: its id and revision."""
    head = store.new("MK")
    head = store.save_note(head.id, text, head.revision, "MK")
    return head.id, head.revision


# ---- the note -----------------------------------------------------------------------------


def test_a_new_record_is_empty_and_open(store: Store) -> None:
    head = store.new("MK")
    assert (head.state, head.revision, head.version, head.questions) == ("open", 1, 1, None)
    assert head.patient == Patient()
    assert store.head(head.id) == head
    assert store.load(head.id).text == ""


def test_the_note_is_saved_as_it_is_typed(store: Store) -> None:
    head = store.new("MK")
    for end in range(1, len(NOTE) + 1):
        head = store.save_note(head.id, NOTE[:end], head.revision, "MK")
        assert store.load(head.id).text == NOTE[:end]
    assert head.revision == 1 + len(NOTE)
    assert [e.kind for e in store.history(head.id)] == ["new"]


def test_saving_the_same_text_again_changes_nothing(store: Store) -> None:
    record, revision = written(store)
    assert store.save_note(record, NOTE, revision, "MK").revision == revision


def test_a_text_that_stood_for_a_while_is_kept(store: Store, clock: Clock) -> None:
    record, revision = written(store, "first")
    clock.wait(seconds=29)
    revision = store.save_note(record, "second", revision, "MK").revision
    clock.wait(seconds=31)
    revision = store.save_note(record, "third", revision, "AB").revision
    clock.wait(seconds=31)
    store.save_note(record, "fourth", revision, "MK")
    kept = [(e.payload or {}).get("text") for e in store.history(record) if e.kind == "note"]
    assert kept == ["second", "third"]
    assert [e.by for e in store.history(record) if e.kind == "note"] == ["MK", "AB"]
    assert store.texts(record) == {digest(t): t for t in ("second", "third", "fourth")}


@pytest.mark.parametrize(
    "text", ["nul \x00 here", "half \ud83d a pair", "Ünïcode 🙂 ‘quotes’", "a\r\nb\tc", "", "x" * 500_000]
)
def test_any_text_comes_back_as_it_was(store: Store, text: str) -> None:
    record, revision = written(store, text)
    head = store.decide(record, decision("d1"), revision, "MK")
    store.sign(record, "MK", SNAPSHOT, head.revision, "MK")
    assert store.load(record).text == text
    assert store.versions(record)[0].note == text
    assert store.texts(record) == {digest(text): text}
    assert store.verify() == []


@given(st.text(st.characters(), max_size=30))
def test_split_pairs_are_joined_and_nothing_else_is_altered(text: str) -> None:
    assert plain(text).encode("utf-16", "surrogatepass") == text.encode("utf-16", "surrogatepass")


def test_the_digest_is_that_of_the_record() -> None:
    for text in (NOTE, "half \ud83d a pair"):
        assert digest(text) == Note(text, "n").sha256


# ---- two windows --------------------------------------------------------------------------


def test_whoever_comes_second_is_told_and_overwrites_nothing(store: Store) -> None:
    record, revision = written(store)
    mine = store.save_note(record, "mine", revision, "MK")
    with pytest.raises(Stale) as told:
        store.save_note(record, "theirs", revision, "AB")
    assert told.value.head == mine
    assert store.load(record).text == "mine"


@pytest.mark.parametrize("change", ["decide", "undo", "patient", "sign", "questions"])
def test_every_change_names_the_revision_it_was_made_on(store: Store, change: str) -> None:
    record, revision = written(store)
    store.decide(record, decision("d1"), revision, "MK")
    before = store.history(record)
    with pytest.raises(Stale):
        match change:
            case "decide":
                store.decide(record, decision("d2"), revision, "MK")
            case "undo":
                store.undo(record, revision, "MK")
            case "patient":
                store.set_patient(record, {"name": "N"}, revision, "MK")
            case "sign":
                store.sign(record, "MK", SNAPSHOT, revision, "MK")
            case "questions":
                store.set_questions(record, 0, revision)
    assert store.history(record) == before


def test_a_decision_on_another_text_is_stale(store: Store) -> None:
    record, revision = written(store)
    with pytest.raises(Stale):
        store.decide(record, decision("d1", note_sha256=digest("other")), revision, "MK")
    assert store.decide(record, decision("d1", note_sha256=digest(NOTE)), revision, "MK").revision == revision + 1


# ---- decisions ----------------------------------------------------------------------------


def test_decisions_hold_in_order_until_they_are_undone(store: Store) -> None:
    record, revision = written(store)
    for name in ("d1", "d2", "d3"):
        revision = store.decide(record, decision(name), revision, "MK").revision
    assert [d["id"] for d in store.decisions(record)] == ["d1", "d2", "d3"]
    assert store.decisions(record)[0] == decision("d1")
    revision = store.undo(record, revision, "MK").revision
    assert [d["id"] for d in store.decisions(record)] == ["d1", "d2"]
    revision = store.undo(record, revision, "MK", decision="d1").revision
    assert [d["id"] for d in store.decisions(record)] == ["d2"]
    revision = store.undo(record, revision, "MK").revision
    assert store.decisions(record) == []
    with pytest.raises(StoreError, match="no such decision"):
        store.undo(record, revision, "MK")
    assert [e.kind for e in store.history(record)] == ["new", "note", *["decision"] * 3, *["undo"] * 3]


def test_the_text_that_a_decision_was_taken_on_is_kept(store: Store) -> None:
    record, revision = written(store, "one")
    revision = store.decide(record, decision("d1", note_sha256=digest("one")), revision, "MK").revision
    revision = store.save_note(record, "two", revision, "MK").revision
    store.decide(record, decision("d2", note_sha256=digest("two")), revision, "MK")
    loaded = store.load(record)
    assert [loaded.texts[d["note_sha256"]] for d in loaded.decisions] == ["one", "two"]


def test_a_decision_has_an_id_of_its_own(store: Store) -> None:
    record, revision = written(store)
    revision = store.decide(record, decision("d1"), revision, "MK").revision
    for wrong in (decision("d1"), decision(""), {"kind": "drop"}):
        with pytest.raises(StoreError):
            store.decide(record, wrong, revision, "MK")
    assert len(store.decisions(record)) == 1


def test_open_and_settled_follow_the_count_of_questions(store: Store) -> None:
    record, revision = written(store)
    assert store.set_questions(record, 3, revision).state == "open"
    head = store.decide(record, decision("d1"), revision, "MK", questions=0)
    assert (head.state, head.questions) == ("settled", 0)
    head = store.save_note(record, NOTE + " ", head.revision, "MK")
    assert (head.state, head.questions) == ("open", None)
    head = store.save_note(record, NOTE + " ", head.revision, "MK", questions=0)
    assert head.state == "settled"
    head = store.set_patient(record, {"name": "N"}, head.revision, "MK")
    assert head.state == "settled"
    assert store.undo(record, head.revision, "MK", questions=1).state == "open"


# ---- the patient ----------------------------------------------------------------------------


def test_patient_fields_are_set_singly(store: Store) -> None:
    record, revision = written(store)
    head = store.set_patient(record, {"reference": " A-17 ", "birth_date": "1950-02-28"}, revision, "MK")
    assert head.patient == Patient("A-17", "", date(1950, 2, 28))
    head = store.set_patient(record, {"name": "Ann\nSample\x00"}, head.revision, "MK")
    assert head.patient == Patient("A-17", "Ann Sample", date(1950, 2, 28))
    head = store.set_patient(record, {"birth_date": ""}, head.revision, "MK")
    assert head.patient == Patient("A-17", "Ann Sample")
    assert store.set_patient(record, {"birth_date": ""}, head.revision, "MK") == head
    assert NOTE not in repr([e.payload for e in store.history(record) if e.kind == "patient"])


@pytest.mark.parametrize("day", ["yesterday", "1950-02-30", "19500228", "2950-01-01", "0950-01-01", "1950-2-8"])
def test_no_birth_date_that_cannot_be(store: Store, day: str) -> None:
    record, revision = written(store)
    with pytest.raises(StoreError, match="YYYY-MM-DD"):
        store.set_patient(record, {"name": "N", "birth_date": day}, revision, "MK")
    assert store.head(record).patient == Patient()


def test_no_other_patient_field(store: Store) -> None:
    record, revision = written(store)
    with pytest.raises(StoreError, match="height"):
        store.set_patient(record, {"height": "1"}, revision, "MK")


# ---- signing --------------------------------------------------------------------------------


def test_what_is_signed_does_not_change(store: Store) -> None:
    record, revision = written(store)
    revision = store.decide(record, decision("d1"), revision, "MK").revision
    head = store.sign(record, "MK", SNAPSHOT, revision, "MK")
    assert (head.state, head.signed_by, head.version) == ("signed", "MK", 1)
    assert head.signed_at is not None
    for change in (
        lambda: store.save_note(record, "other", head.revision, "MK"),
        lambda: store.decide(record, decision("d2"), head.revision, "MK"),
        lambda: store.undo(record, head.revision, "MK"),
        lambda: store.set_patient(record, {"name": "N"}, head.revision, "MK"),
        lambda: store.sign(record, "AB", SNAPSHOT, head.revision, "AB"),
        lambda: store.set_questions(record, 1, head.revision),
    ):
        with pytest.raises(Signed):
            change()
    assert store.head(record) == head


def test_nothing_is_signed_with_open_questions_or_without_a_name(store: Store) -> None:
    record, revision = written(store)
    with pytest.raises(NotSettled):
        store.sign(record, "MK", {"flags": [{"id": "f1"}]}, revision, "MK")
    with pytest.raises(StoreError, match="initials"):
        store.sign(record, " \n", SNAPSHOT, revision, "MK")
    with pytest.raises(Stale):
        store.sign(record, "MK", {"note": {"sha256": digest("other")}}, revision, "MK")
    assert store.versions(record) == []


def test_an_amendment_is_a_version_of_its_own(store: Store) -> None:
    record, revision = written(store)
    revision = store.set_patient(record, {"reference": "A-17"}, revision, "MK").revision
    revision = store.decide(record, decision("d1"), revision, "MK").revision
    with pytest.raises(StoreError, match="not signed"):
        store.amend(record, "MK")
    store.sign(record, "MK", SNAPSHOT, revision, "MK")
    head = store.amend(record, "AB")
    assert (head.state, head.version, head.signed_by, head.signed_at) == ("open", 2, "", None)
    assert store.load(record).text == NOTE
    assert [d["id"] for d in store.decisions(record)] == ["d1"]
    revision = store.undo(record, head.revision, "AB").revision
    revision = store.save_note(record, NOTE + " Amended.", revision, "AB").revision
    store.sign(record, "AB", {"entries": []}, revision, "AB")
    first, second = store.versions(record)
    assert (first.number, first.initials, first.note, first.record) == (1, "MK", NOTE, SNAPSHOT)
    assert (second.number, second.initials, second.note) == (2, "AB", NOTE + " Amended.")
    assert first.patient == Patient("A-17")
    assert first.program == dictate.__version__
    assert first.at < second.at
    assert store.verify() == []


def test_a_version_without_its_note_is_not_shown(store: Store, tamper: Callable[..., None]) -> None:
    record, revision = written(store)
    store.sign(record, "MK", SNAPSHOT, revision, "MK")
    tamper("DELETE FROM event WHERE kind = 'note'")
    with pytest.raises(Damaged, match="run dictate records verify"):
        store.versions(record)


# ---- finding --------------------------------------------------------------------------------


def found(store: Store, *args: Any, **options: Any) -> list[str]:
    return [head.patient.name for head in store.find(*args, **options)]


@pytest.fixture
def three(store: Store, clock: Clock) -> list[str]:
    """Three records begun on three days."""
    ids = []
    for reference, name, born in (
        ("A-1", "Ann Sample", "1950-01-02"),
        ("B_2", "Börn Müller", ""),
        ("C%3", "CELIA Sampler", "1999-12-31"),
    ):
        record, revision = written(store)
        store.set_patient(record, {"reference": reference, "name": name, "birth_date": born}, revision, "MK")
        ids.append(record)
        clock.wait(days=1)
    return ids


def test_those_changed_last_come_first(store: Store, three: list[str]) -> None:
    assert found(store) == ["CELIA Sampler", "Börn Müller", "Ann Sample"]
    store.save_note(three[0], "x", store.head(three[0]).revision, "MK")
    assert found(store)[0] == "Ann Sample"
    assert found(store, limit=2) == ["Ann Sample", "CELIA Sampler"]


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("sample", ["CELIA Sampler", "Ann Sample"]),
        ("celia", ["CELIA Sampler"]),
        ("sample ann", ["Ann Sample"]),
        ("MULLER", ["Börn Müller"]),
        ("mu\u0308ller", ["Börn Müller"]),
        ("b_2", ["Börn Müller"]),
        ("_", ["Börn Müller"]),
        ("%", ["CELIA Sampler"]),
        ("1999-12", ["CELIA Sampler"]),
        ("nobody", []),
        ("\x00", ["CELIA Sampler", "Börn Müller", "Ann Sample"]),
        ("'; DROP TABLE event; --", []),
    ],
)
def test_search_in_the_patients_fields(store: Store, three: list[str], text: str, names: list[str]) -> None:
    assert found(store, text) == names


def test_search_by_id(store: Store, three: list[str]) -> None:
    assert found(store, three[1].upper()) == ["Börn Müller"]


def test_search_by_state(store: Store, three: list[str]) -> None:
    store.set_questions(three[0], 0, store.head(three[0]).revision)
    store.sign(three[1], "MK", SNAPSHOT, store.head(three[1]).revision, "MK")
    assert found(store, state="settled") == ["Ann Sample"]
    assert found(store, state="signed") == ["Börn Müller"]
    assert found(store, state="open") == ["CELIA Sampler"]


def test_search_by_date(store: Store, three: list[str]) -> None:
    first, second, _ = (store.head(record).created for record in three)
    day = second.astimezone().date()
    assert found(store, since=day) == ["CELIA Sampler", "Börn Müller"]
    assert found(store, until=day) == ["Börn Müller", "Ann Sample"]
    assert found(store, since=day, until=day) == ["Börn Müller"]
    assert found(store, since=first, until=second) == ["Ann Sample"]
    assert found(store, since=second + timedelta(days=9)) == []


# ---- what is not there --------------------------------------------------------------------


@pytest.mark.parametrize("record", ["", "nothere1", "../../x", "\x00", "\ud800", "A" * 9999])
def test_no_such_record(store: Store, record: str) -> None:
    for ask in (store.head, store.load, store.history, store.versions, store.decisions, store.texts):
        with pytest.raises(Unknown, match="no record"):
            ask(record)
    for change in (store.delete, store.amend):
        with pytest.raises(Unknown):
            change(record, "MK")


def test_times_are_aware_and_in_utc(url: str) -> None:
    with open_store(url) as store:
        head = store.new("MK")
    assert head.created.tzinfo is UTC
    assert abs(head.created - datetime.now(UTC)) < timedelta(minutes=1)


# ---- any course of events -----------------------------------------------------------------

STEPS = st.lists(
    st.sampled_from(["new", "save", "decide", "undo", "patient", "sign", "amend", "delete", "wait"]), max_size=25
)


@settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(steps=STEPS, which=st.lists(st.integers(0, 3), min_size=25, max_size=25))
def test_after_any_course_of_events_the_store_is_sound(
    store: Store, clock: Clock, steps: list[str], which: list[int]
) -> None:
    ids: list[str] = []
    texts: dict[str, str] = {}
    names: dict[str, list[str]] = {}
    for number, (step, pick) in enumerate(zip(steps, which, strict=False)):
        if step == "new" or not ids:
            ids.append(store.new("MK").id)
            texts[ids[-1]], names[ids[-1]] = "", []
            continue
        record = ids[pick % len(ids)]
        head = store.head(record)
        signed = head.state == "signed"
        if step == "wait":
            clock.wait(seconds=40)
        elif step == "delete":
            store.delete(record, "MK")
            ids.remove(record)
        elif step == "amend":
            if signed:
                assert store.amend(record, "MK").version == head.version + 1
        elif signed:
            continue
        elif step == "save":
            texts[record] = f"text {number}"
            store.save_note(record, texts[record], head.revision, "MK")
        elif step == "decide":
            names[record].append(f"d{number}")
            store.decide(record, decision(f"d{number}"), head.revision, "MK")
        elif step == "undo" and names[record]:
            names[record].pop()
            store.undo(record, head.revision, "MK")
        elif step == "patient":
            store.set_patient(record, {"name": f"N {number}"}, head.revision, "MK")
        elif step == "sign":
            store.sign(record, "MK", SNAPSHOT, head.revision, "MK")
    assert store.verify() == []
    for record in ids:
        loaded = store.load(record)
        assert loaded.text == texts[record]
        assert [d["id"] for d in loaded.decisions] == names[record]
