"""Referrals: what became of them, what is overdue, and that the chain tells the same."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta

import pytest
from conftest import Clock

from dictate.store import Overtaken, Store, StoreError, Unknown

TODAY = date(2026, 3, 2)
SOON = TODAY + timedelta(days=28)


def record(store: Store, name: str = "Zoë Ångström") -> str:
    head = store.new("MK")
    return store.set_patient(head.id, {"name": name, "reference": "A-7"}, head.revision, "MK").id


def test_from_draft_to_closed(store: Store, clock: Clock) -> None:
    one = store.open_referral(record(store), "Eye clinic, Übersee", "soon", SOON, "MK", letter=1)
    assert (one.state, one.due, one.number, one.letter, one.patient.name) == ("draft", SOON, 1, 1, "Zoë Ångström")
    assert one.id == f"{one.record_id}-1"
    clock.wait(days=1)
    store.set_referral(one.id, "MK", state="sent")
    clock.wait(days=3)
    store.set_referral(one.id, "MK", state="booked", day=date(2026, 3, 4), appointment=date(2026, 3, 20))
    clock.wait(days=20)
    store.reply(one.id, "Seen by us.\nDisc drusen \x00.", "AB", day=date(2026, 3, 21))
    closed = store.set_referral(one.id, "AB", state="closed")
    assert closed.days == {
        "draft": date(2026, 3, 2),
        "sent": date(2026, 3, 3),
        "booked": date(2026, 3, 4),
        "replied": date(2026, 3, 21),
        "closed": date(2026, 3, 26),
    }
    assert (closed.replies, closed.revision, closed.appointment) == (1, 5, date(2026, 3, 20))
    story = store.referral_story(one.id)
    assert [step.state for step in story] == ["draft", "sent", "booked", "replied", "closed"]
    assert [step.reply for step in story] == ["", "", "", "Seen by us.\nDisc drusen \x00.", ""]
    assert [step.by for step in story] == ["MK", "MK", "MK", "AB", "AB"]
    assert store.referral(one.id) == closed
    assert store.verify() == []


def test_what_is_overdue(store: Store) -> None:
    one = store.open_referral(record(store), "Eye clinic", "soon", SOON, "MK")
    assert one.overdue(SOON) == 0
    assert one.overdue(SOON + timedelta(days=3)) == 3
    booked = store.set_referral(one.id, "MK", state="booked", appointment=SOON + timedelta(days=10))
    assert booked.late
    assert booked.overdue(SOON + timedelta(days=10)) == 0
    assert booked.overdue(SOON + timedelta(days=11)) == 1
    assert not store.set_referral(one.id, "MK", appointment=SOON).late
    back = store.set_referral(one.id, "MK", state="sent")  # the appointment fell through
    assert back.overdue(SOON + timedelta(days=1)) == 1
    assert set(back.days) == {"draft", "sent"}
    assert store.reply(one.id, "Seen.", "MK").overdue(SOON + timedelta(days=99)) == 0


def test_overdue_comes_first_and_closed_last(store: Store) -> None:
    names = ("late", "later", "next", "answered", "done")
    for name, days in zip(names, (-9, -2, 5, -30, -40), strict=True):
        store.open_referral(record(store, name), name, "soon", TODAY + timedelta(days=days), "MK")
    by = {one.to: one.id for one in store.referrals()}
    store.reply(by["answered"], "Seen.", "MK")
    store.set_referral(by["done"], "MK", state="closed")
    assert [one.to for one in store.referrals()] == list(names)
    assert [one.to for one in store.referrals(closed=False)] == list(names[:4])
    assert [one.to for one in store.referrals(store.referral(by["next"]).record_id)] == ["next"]


def test_a_record_may_have_several(store: Store) -> None:
    of = record(store)
    one = store.open_referral(of, "Eye clinic", "soon", SOON, "MK")
    assert store.referral(of) == one
    two = store.open_referral(of, "Neurology", "urgent", TODAY, "MK")
    assert two.number == 2
    store.set_referral(two.id, "MK", state="sent")
    assert store.referral(one.id).state == "draft"
    assert len(store.referral_story(one.id)) == 1
    with pytest.raises(Unknown, match=rf"several referrals: nothing was changed; name one of {of}-1, {of}-2"):
        store.referral(of)


def test_a_reply_to_a_closed_referral_leaves_it_closed(store: Store) -> None:
    one = store.open_referral(record(store), "Eye clinic", "soon", SOON, "MK")
    store.set_referral(one.id, "MK", state="closed")
    late = store.reply(one.id, "A second letter.", "MK")
    assert (late.state, late.replies) == ("closed", 1)
    assert store.referral_story(one.id)[-1].reply == "A second letter."


def test_two_windows_on_one_referral(store: Store) -> None:
    one = store.open_referral(record(store), "Eye clinic", "soon", SOON, "MK")
    store.set_referral(one.id, "MK", state="sent", revision=1)
    with pytest.raises(Overtaken):
        store.set_referral(one.id, "MK", state="closed", revision=1)
    with pytest.raises(Overtaken):
        store.reply(one.id, "Seen.", "MK", revision=1)
    assert store.referral(one.id).state == "sent"


@pytest.mark.parametrize(
    ("act", "told"),
    [
        (lambda s, i: s.set_referral(i, "MK", state="lost"), "one of draft, sent, booked, replied, closed"),
        (lambda s, i: s.set_referral(i, "MK", state="sent", day=date(2026, 3, 9)), "has not come yet"),
        (lambda s, i: s.reply(i, " \n", "MK"), "the reply is empty"),
        (lambda s, i: s.open_referral(i[:-2], " \x00", "soon", SOON, "MK"), "somebody it goes to"),
        (lambda s, i: s.set_referral(i[:-1] + "7", "MK", state="sent"), "no referral .*-7"),
        (lambda s, i: s.set_referral("nothere1-1", "MK", state="sent"), "no record nothere1"),
        (lambda s, i: s.referral("\x00-1"), "no record"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(store: Store, act: Callable[[Store, str], None], told: str) -> None:
    one = store.open_referral(record(store), "Eye clinic", "soon", SOON, "MK")
    with pytest.raises(StoreError, match=rf"{told}.*nothing was changed|{told}"):
        act(store, one.id)
    assert store.referral(one.id) == one
    assert store.verify() == []


def test_referrals_go_with_their_record(store: Store) -> None:
    one = store.open_referral(record(store), "Eye clinic", "soon", SOON, "MK")
    store.reply(one.id, "Seen.", "MK")
    store.delete(one.record_id, "MK")
    assert store.referrals() == []
    with pytest.raises(Unknown, match="was deleted"):
        store.referral_story(one.id)
    assert store.verify() == []


@pytest.mark.parametrize(
    ("done", "told"),
    [
        ("UPDATE referral SET due = '2027-01-01'", "does not show what its events say: due"),
        ("UPDATE referral SET state = 'closed'", "does not show what its events say: state"),
        ("UPDATE referral SET days = '{}'", "does not show what its events say: days"),
        ("DELETE FROM referral", "-1 is missing"),
        ("UPDATE referral SET number = 3", "-3 is there without the event that made it"),
        ("UPDATE event SET payload = '[]' WHERE kind = 'referral'", "was altered"),
    ],
)
def test_whatever_is_done_to_the_file_is_found(store: Store, tamper: Callable[..., None], done: str, told: str) -> None:
    store.open_referral(record(store), "Eye clinic", "soon", SOON, "MK")
    tamper(done)
    assert told in "\n".join(store.verify())
