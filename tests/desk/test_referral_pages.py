"""The page of referrals over HTTP: overdue first, what became of each, replies."""

from __future__ import annotations

import re
from datetime import date, timedelta

import pytest
from starlette.testclient import TestClient

from dictate.store import Referral, Store

TODAY = date.today()
HARD = "Seen.\n<script>window.hit = 1</script> Zoë & drusen"


def day(apart: int) -> date:
    return TODAY + timedelta(days=apart)


@pytest.fixture
def three(store: Store) -> dict[str, Referral]:
    """Due later, overdue by three days, overdue by nine."""
    made = {}
    for name, apart in (("later", 20), ("three", -3), ("nine", -9)):
        head = store.new("MK")
        store.set_patient(head.id, {"name": f"Zoë {name}", "reference": "A-1"}, head.revision, "MK")
        made[name] = store.open_referral(head.id, f"Clinic {name}", "soon", day(apart), "MK")
    return made


def order(text: str) -> list[str]:
    return re.findall(r"<h2>Clinic (\w+)</h2>", text)


def test_an_empty_page_teaches(client: TestClient) -> None:
    assert "No referral is waited for" in client.get("/referrals").text
    assert 'href="/referrals">Referrals<' in client.get("/").text


def test_overdue_ones_come_first_and_are_counted_on_the_list(client: TestClient, three: dict[str, Referral]) -> None:
    page = client.get("/referrals").text
    assert order(page) == ["nine", "three", "later"]
    assert "overdue 9 days" in page and "2 overdue, 3 in all" in page
    assert "Referrals (2 overdue)" in client.get("/").text


def test_from_sent_to_closed(client: TestClient, store: Store, three: dict[str, Referral]) -> None:
    one = three["nine"].id

    def post(what: str, **fields: object) -> str:
        answer = client.post(f"/referrals/{one}/{what}", data={"revision": store.referral(one).revision} | fields)
        assert answer.status_code == 200, answer.text
        assert 'hx-target="#followed"' in answer.text
        return answer.text

    post("set", state="sent")
    text = post("set", state="booked", appointment=day(4))
    assert "the day to be seen by" in text and order(text) == ["three", "nine", "later"]
    text = post("reply", text=HARD.replace("\n", "\r\n"), day=TODAY)
    assert store.referral_story(one)[-1].reply == HARD
    assert "<script>window.hit" not in text and "&lt;script&gt;" in text
    assert order(post("set", state="closed")) == ["three", "later"]
    assert order(client.get("/referrals?closed=1").text) == ["three", "later", "nine"]
    assert [step.by for step in store.referral_story(one)][1:] == ["tester"] * 4


@pytest.mark.parametrize(
    ("what", "fields", "status", "told"),
    [
        ("set", {"state": "lost"}, 422, "no state of a referral"),
        ("set", {"state": "sent", "day": "soon"}, 422, "Soon is no day"),
        ("set", {"state": "sent", "day": "2999-01-01"}, 507, "has not come yet"),
        ("set", {"state": "sent", "revision": "7"}, 409, "changed elsewhere"),
        ("set", {"state": "sent", "revision": "x"}, 422, "did not say what it has changed"),
        ("reply", {"text": " \n"}, 507, "reply is empty"),
    ],
)
def test_faults_are_told_in_the_page(
    client: TestClient,
    store: Store,
    three: dict[str, Referral],
    what: str,
    fields: dict[str, str],
    status: int,
    told: str,
) -> None:
    one = three["later"]
    answer = client.post(f"/referrals/{one.id}/{what}", data={"revision": "1"} | fields)
    assert (answer.status_code, 'hx-target="#notice"' in answer.text) == (status, True)
    assert told in answer.text
    assert store.referral(one.id) == one


def test_no_such_referral(client: TestClient, three: dict[str, Referral]) -> None:
    answer = client.post("/referrals/nothere1-1/set", data={"revision": "1", "state": "sent"})
    assert answer.status_code == 404
