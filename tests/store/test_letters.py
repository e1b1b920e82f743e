"""Letters kept with a record: one draft of each kind, final ones that do not change."""

from __future__ import annotations

from datetime import date

import pytest
from conftest import Clock

from dictate.store import NotSettled, Overtaken, Store, StoreError, Unknown

LETTER = {"kind": "referral", "opening": [{"text": "Thank you for seeing Zoë Ångström.", "entries": ["e1"]}]}
HARD = "nul \x00, half \ud83d, 🙂"


def signed(store: Store) -> str:
    head = store.new("MK")
    head = store.save_note(head.id, "Pressure 28 left.", head.revision, "MK")
    return store.sign(head.id, "MK", {"entries": []}, head.revision, "MK").id


def test_a_draft_is_kept_and_written_over(store: Store, clock: Clock) -> None:
    record = signed(store)
    assert store.letter_draft(record, "referral") is None
    one = store.save_letter(record, "referral", LETTER, f"Dear colleague, {HARD}", "MK", revision=0)
    assert (one.number, one.final, one.revision, one.version) == (0, False, 1, 1)
    assert store.letter_draft(record, "referral") == one
    assert one.letter == LETTER and one.body == f"Dear colleague, {HARD}"
    two = store.save_letter(record, "referral", LETTER, "Dear Dr Šimůnek,", "AB", revision=1)
    assert (two.revision, two.body, two.by) == (2, "Dear Dr Šimůnek,", "AB")
    assert store.letter_draft(record, "patient") is None
    assert store.letters(record) == []
    store.drop_letter_draft(record, "referral")
    assert store.letter_draft(record, "referral") is None
    assert store.verify() == []


def test_two_windows_on_one_draft(store: Store) -> None:
    record = signed(store)
    store.save_letter(record, "referral", LETTER, "one", "MK", revision=0)
    for final in (False, True):
        with pytest.raises(Overtaken, match="not saved, the other one is"):
            store.save_letter(record, "referral", LETTER, "two", "MK", revision=0, final=final)
    found = store.letter_draft(record, "referral")
    assert found is not None and found.body == "one"


def test_a_final_letter_is_in_the_chain_and_does_not_change(store: Store) -> None:
    record = signed(store)
    store.save_letter(record, "referral", LETTER, "draft", "MK")
    one = store.save_letter(record, "referral", LETTER, f"Dear colleague, {HARD}", "MK", final=True)
    assert (one.number, one.final, one.kind, one.body) == (1, True, "referral", f"Dear colleague, {HARD}")
    assert store.letter_draft(record, "referral") is None
    store.save_letter(record, "referral", {}, "another draft", "MK")
    two = store.save_letter(record, "patient", {}, "for the patient", "MK", final=True)
    assert store.letters(record) == [one, two]
    assert [event.kind for event in store.history(record)][-2:] == ["letter", "letter"]
    assert store.verify() == []


def test_a_letter_and_its_referral_are_saved_together_or_not_at_all(store: Store) -> None:
    record = signed(store)
    with pytest.raises(StoreError, match="somebody it goes to"):
        store.save_letter(record, "referral", LETTER, "x", "MK", final=True, referral=(" ", "soon", date(2026, 3, 30)))
    assert store.letters(record) == [] and store.referrals() == []
    store.save_letter(
        record, "referral", LETTER, "x", "MK", final=True, referral=("Neurology", "soon", date(2026, 3, 30))
    )
    assert [(one.to, one.letter) for one in store.referrals()] == [("Neurology", 1)]
    assert store.verify() == []


def test_a_letter_is_made_final_from_a_signed_record_only(store: Store) -> None:
    record = signed(store)
    head = store.amend(record, "MK")
    store.save_letter(record, "referral", LETTER, "kept", "MK")
    with pytest.raises(NotSettled, match="stays a draft and is saved; sign the record first"):
        store.save_letter(record, "referral", LETTER, "kept", "MK", final=True)
    found = store.letter_draft(record, "referral")
    assert found is not None and found.body == "kept"
    store.sign(record, "MK", {"entries": []}, head.revision, "MK")
    assert store.save_letter(record, "referral", LETTER, "kept", "MK", final=True).version == 2


def test_a_draft_names_the_record_it_was_made_on(store: Store) -> None:
    record = signed(store)
    before = store.head(record).revision
    assert store.save_letter(record, "referral", LETTER, "kept", "MK").made_on == before
    store.amend(record, "MK")
    found = store.letter_draft(record, "referral")
    assert found is not None and found.made_on < store.head(record).revision


def test_no_letter_of_another_kind_or_of_no_record(store: Store) -> None:
    with pytest.raises(StoreError, match="one of referral, patient"):
        store.save_letter(signed(store), "invoice", {}, "", "MK")  # type: ignore[arg-type]
    for ask in (lambda: store.letters("nothere1"), lambda: store.letter_draft("nothere1", "patient")):
        with pytest.raises(Unknown):
            ask()
    with pytest.raises(Unknown):
        store.save_letter("nothere1", "patient", {}, "", "MK", final=True)


def test_letters_go_with_their_record(store: Store) -> None:
    record = signed(store)
    store.save_letter(record, "referral", LETTER, "final", "MK", final=True)
    store.save_letter(record, "patient", LETTER, "draft", "MK")
    store.delete(record, "MK")
    for ask in (lambda: store.letters(record), lambda: store.letter_draft(record, "patient")):
        with pytest.raises(Unknown):
            ask()
    assert store.verify() == []
