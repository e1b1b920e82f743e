"""The desk over HTTP: each change in the parts of the page that it changes, each fault in a plain sentence."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from starlette.testclient import TestClient

from dictate.desk.names import entry_names, flag_names, question_name
from dictate.desk.records import Records
from dictate.store import Full, Store

from .conftest import DEMO

PAIR = "Pressures 17 and 24."


class At:
    """One record, asked over HTTP as its page would."""

    def __init__(self, client: TestClient, records: Records, text: str) -> None:
        self.client, self.records = client, records
        self.id = records.begin(text).id

    @property
    def revision(self) -> int:
        return self.records.store.head(self.id).revision

    @property
    def standing(self) -> Any:
        return self.records.standing(self.id)

    def questions(self) -> list[str]:
        standing = self.standing
        flags = flag_names(standing.settled)
        return [question_name(one, flags) for one in standing.questions]

    def post(self, what: str, **fields: Any) -> Any:
        fields.setdefault("revision", self.revision)
        return self.client.post(f"/records/{self.id}/{what}", data={k.replace("__", "."): v for k, v in fields.items()})

    def rows(self) -> set[tuple[str, str | None, object]]:
        return {(e.item, e.side, e.value) for e in self.standing.settled.record.entries}

    def entry(self, item: str, side: str | None) -> str:
        settled = self.standing.settled
        names = entry_names(settled)
        return next(names[e.id] for e in settled.record.entries if (e.item, e.side) == (item, side))


@pytest.fixture
def at(client: TestClient, records: Records) -> Callable[[str], At]:
    return lambda text: At(client, records, text)


def test_an_empty_desk_teaches(client: TestClient) -> None:
    text = client.get("/").text
    for offer in ("Paste it anywhere", "Open a file", "demo note", "No records yet"):
        assert offer in text


def test_a_new_record_teaches(client: TestClient) -> None:
    place = client.post("/records").headers["hx-redirect"]
    assert "Paste or type the note" in client.get(place).text


def test_a_note_can_be_opened_from_a_file(client: TestClient, store: Store) -> None:
    client.post("/records", files={"file": ("private name.txt", "Pressure 16 right,\r\n17 left.".encode("utf-16"))})
    [head] = store.find()
    assert store.load(head.id).text == "Pressure 16 right,\n17 left."


def test_a_file_that_is_no_note_is_refused_without_its_name(client: TestClient, store: Store) -> None:
    answer = client.post("/records", files={"file": ("private name.pdf", b"%PDF-1.7")})
    assert answer.status_code == 422
    assert "a PDF document" in answer.text and "private" not in answer.text
    assert store.find() == []


def test_a_demo_note_is_there_to_try(client: TestClient, store: Store) -> None:
    client.post("/records", data={"demo": "disc_asymmetry"})
    assert store.load(store.find()[0].id).text == DEMO
    assert client.post("/records", data={"demo": "../nothing"}).status_code == 422


def test_typing_is_saved_and_read(at: Callable[[str], At]) -> None:
    one = at("")
    answer = one.post("note", text="Pressure 16 right, 17 left.\r\n")
    assert answer.status_code == 200
    assert one.records.store.load(one.id).text == "Pressure 16 right, 17 left.\n"
    assert ("pressure.eye", "left", 17) in one.rows()
    for part in ("state", "counts", "marks", "ask", "sheet", "notice"):
        assert f'hx-target="#{part}"' in answer.text
    assert "Quillhaven" not in answer.headers.get("content-type", "")


def test_a_choice_answers_its_question(at: Callable[[str], At]) -> None:
    one = at(PAIR)
    [name] = one.questions()
    answer = one.post("answer", question=name, key="2")
    assert ("pressure.eye", "left", 17) in one.rows()
    assert "settled" in answer.text and "your answer" in answer.text
    assert one.records.store.head(one.id).state == "settled"


def test_not_said_takes_the_values_out(at: Callable[[str], At]) -> None:
    one = at(f"{PAIR} Discs healthy.")
    one.post("answer", question=one.questions()[0], key="0")
    assert not any(item == "pressure.eye" for item, _, _ in one.rows())


def test_something_else_takes_their_place(at: Callable[[str], At]) -> None:
    one = at(PAIR)
    [name] = one.questions()
    form = one.client.get(f"/records/{one.id}/form", params={"question": name}).text
    assert 'name="value.right"' in form and 'name="value.left"' in form and "mmHg" in form
    one.post("answer", question=name, key="e", item="pressure.eye", value__right="18", value__left="19")
    assert one.rows() == {("pressure.eye", "right", 18), ("pressure.eye", "left", 19)}
    assert [e.origin for e in one.standing.settled.entries] == ["own", "own"]


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"item": "pressure.eye", "value__right": "high"}, "no number in mmHg"),
        ({"item": "pressure.eye"}, "the value is missing"),
        ({"item": "nothing.such", "value__right": "1"}, "no item"),
        ({"item": "optic_disc.nothing"}, "no item"),
    ],
)
def test_what_does_not_fit_is_told(at: Callable[[str], At], fields: dict[str, str], told: str) -> None:
    one = at(PAIR)
    answer = one.post("answer", question=one.questions()[0], key="e", **fields)
    assert answer.status_code == 422
    assert told in answer.text
    assert len(one.questions()) == 1


def test_forms_fit_the_kind_of_item(at: Callable[[str], At]) -> None:
    one = at("Discs healthy.")

    def form(item: str) -> str:
        return str(one.client.get(f"/records/{one.id}/form", params={"item": item}).text)

    finding = form("disc.haemorrhage")
    assert '<option value="present"' in finding and '<option value="not_done"' in finding
    assert 'name="value.none"' not in finding
    sizes = form("pupil.size")
    assert "(mm)" in sizes and '<option value="dim"' in sizes
    for key in one.records.lexicon.items:
        assert one.client.get(f"/records/{one.id}/form", params={"item": key}).status_code == 200, key


def test_words_heard_are_one_list_to_be_struck_singly(at: Callable[[str], At], records: Records) -> None:
    note = "Pupil sise right 4 mm, left 4 mm. Van Herrick 3 right, 3 left. Amslur grid normal both eyes."
    one = at(note)
    heard = [q for q in one.standing.questions if q.reason == "heard"]
    assert len(heard) == 1 and len(heard[0].lines) > 1
    before = len(one.rows())
    page = one.client.get(f"/records/{one.id}").text
    assert page.count('name="line-key"') == len(heard[0].lines)
    name = one.questions()[one.standing.questions.index(heard[0])]
    one.post("answer", question=name, **{"line-key": "0 0"})
    assert 0 < len(one.rows()) < before


def test_pairs_are_one_question_and_one_can_be_the_other_way(at: Callable[[str], At]) -> None:
    one = at("Pressures 17 and 24. Cup to disc 0.4 and 0.7.")
    [name] = one.questions()
    page = one.client.get(f"/records/{one.id}").text
    assert "2 pairs without sides" in page
    one.post("answer", question=name, **{"line-key": "1 2"})
    [rest] = one.questions()
    one.post("answer", question=rest, key="1")
    assert {("pressure.eye", "right", 17), ("disc.cup_ratio", "right", 0.7)} <= one.rows()


def test_undo_goes_back_to_the_start(at: Callable[[str], At]) -> None:
    one = at(DEMO)
    at_first = one.rows()
    for _ in range(3):
        one.post("answer", question=one.questions()[0], key="1")
    assert one.questions() == []
    page = one.client.get(f"/records/{one.id}").text
    assert "Undo: " in page
    for _ in range(3):
        assert one.post("undo").status_code == 200
    assert one.rows() == at_first and len(one.questions()) == 3
    assert "Undo: " not in one.client.get(f"/records/{one.id}").text
    assert one.post("undo").status_code >= 400


def test_a_row_is_changed_by_hand_and_the_reading_kept(at: Callable[[str], At]) -> None:
    one = at("Pressure 16 right, 17 left.")
    name = one.entry("pressure.eye", "left")
    form = one.client.get(f"/records/{one.id}/form", params={"entry": name}).text
    assert 'name="value.left" value="17"' in form
    answer = one.post("row", entry=name, item="pressure.eye", value__left="27")
    assert one.rows() == {("pressure.eye", "right", 16), ("pressure.eye", "left", 27)}
    assert "entered by hand" in answer.text and "<del>Eye pressure, left: 17 mmHg</del>" in answer.text
    assert "✎" in answer.text and "yours" in answer.text


def test_a_row_moves_to_the_other_side(at: Callable[[str], At]) -> None:
    one = at("Pressure 16 right.")
    one.post("row", entry=one.entry("pressure.eye", "right"), item="pressure.eye", value__left="16")
    assert one.rows() == {("pressure.eye", "left", 16)}


def test_a_row_changed_with_another_side_beside_it_is_two_rows(at: Callable[[str], At]) -> None:
    one = at("Pressure 16 right.")
    name = one.entry("pressure.eye", "right")
    one.post("row", entry=name, item="pressure.eye", value__right="16", value__left="19")
    assert one.rows() == {("pressure.eye", "right", 16), ("pressure.eye", "left", 19)}


def test_rows_are_added_and_taken_out(at: Callable[[str], At]) -> None:
    one = at("Pressure 16 right.")
    one.post("row", item="disc.cup_ratio", value__right="0.3", value__left="0.4")
    assert {("disc.cup_ratio", "right", 0.3), ("disc.cup_ratio", "left", 0.4)} <= one.rows()
    one.post("row", entry=one.entry("disc.cup_ratio", "left"), act="remove")
    one.post("row", entry=one.entry("pressure.eye", "right"), act="remove")
    assert one.rows() == {("disc.cup_ratio", "right", 0.3)}


def test_an_edit_keeps_answers_whose_words_stand(at: Callable[[str], At]) -> None:
    one = at(PAIR)
    one.post("answer", question=one.questions()[0], key="2")
    one.post("note", text=f"Visual acuity right 6/6, left 6/9. {PAIR}")
    assert one.questions() == []
    assert ("pressure.eye", "left", 17) in one.rows()


def test_an_answer_whose_words_are_gone_is_shown_and_asked_again(at: Callable[[str], At]) -> None:
    one = at(PAIR)
    one.post("answer", question=one.questions()[0], key="2")
    answer = one.post("note", text="Pressures 17 and 25.")
    assert "Answers that apply no more" in answer.text
    assert len(one.questions()) == 1
    assert one.post("sign", initials="MK").status_code == 409
    answer = one.post("answer", question=one.questions()[0], key="1")  # answers it anew
    assert "Answers that apply no more" not in answer.text
    assert one.post("sign", initials="MK").status_code == 200


def test_an_answer_that_applies_no_more_can_be_let_go(at: Callable[[str], At]) -> None:
    one = at(f"{PAIR} Discs healthy.")
    one.post("answer", question=one.questions()[0], key="2")
    answer = one.post("note", text="Discs healthy.")
    [decision] = re.findall(r'name="decision" value="(\w+)"', answer.text)
    assert one.post("sign", initials="MK").status_code == 409
    one.post("undo", decision=decision)
    assert one.post("sign", initials="MK").status_code == 200


def test_a_question_that_is_gone_is_not_answered(at: Callable[[str], At]) -> None:
    one = at(PAIR)
    [name] = one.questions()
    one.post("note", text="Pressures 18 and 24.")
    answer = one.post("answer", question=name, key="1")
    assert answer.status_code == 422 and "not open any more" in answer.text
    assert len(one.questions()) == 1


def test_a_page_that_is_behind_changes_nothing(at: Callable[[str], At]) -> None:
    one = at(PAIR)
    old = one.revision
    one.post("note", text=f"{PAIR} Discs healthy.")
    for what, fields in (("note", {"text": "mine"}), ("answer", {"question": one.questions()[0], "key": "1"})):
        answer = one.post(what, revision=old, **fields)
        assert answer.status_code == 409
        assert "Put my text in its place" in answer.text and f'data-stale="{one.revision}"' in answer.text
    assert one.records.store.load(one.id).text == f"{PAIR} Discs healthy."
    assert len(one.questions()) == 1
    assert one.post("now", revision=old).status_code == 409
    assert one.post("now").status_code == 204


def test_the_patient_is_kept_apart_from_the_note(at: Callable[[str], At]) -> None:
    one = at("")
    one.post("patient", reference="Q-7", name="Ada Example", birth_date="1960-05-04")
    head = one.records.store.head(one.id)
    assert (head.patient.reference, head.patient.name) == ("Q-7", "Ada Example")
    assert one.post("patient", birth_date="3000-01-01").status_code >= 400
    assert one.records.store.load(one.id).text == ""


def test_a_signed_record_stays_as_it_is(at: Callable[[str], At]) -> None:
    one = at("Pressure 16 right, 17 left.")
    answer = one.post("sign", initials="MK")
    assert answer.headers["hx-redirect"] == f"/records/{one.id}"
    page = one.client.get(f"/records/{one.id}").text
    assert "signed MK" in page and "<textarea" not in page and "change or take out" not in page
    for what, fields in (("note", {"text": "x"}), ("undo", {}), ("patient", {"name": "x"})):
        assert one.post(what, **fields).status_code >= 400
    assert one.records.store.load(one.id).text == "Pressure 16 right, 17 left."


def test_what_was_signed_is_shown_as_signed_whatever_is_read_today(
    at: Callable[[str], At], monkeypatch: pytest.MonkeyPatch
) -> None:
    one = at("Pressure 16 right, 17 left.")
    one.post("sign", initials="MK")
    monkeypatch.setattr("dictate.desk.live.read", lambda *_, **__: pytest.fail("a signed record is not read again"))
    assert "16 mmHg" in one.client.get(f"/records/{one.id}/versions/1").text


def test_nothing_is_signed_while_anything_is_open(at: Callable[[str], At]) -> None:
    one = at(PAIR)
    answer = one.post("sign", initials="MK")
    assert answer.status_code == 409 and "1 still to be answered" in answer.text
    empty = at("")
    assert "no note yet" in empty.post("sign", initials="MK").text
    named = at("Discs healthy.")
    assert named.post("sign", initials=" ").status_code >= 400


def test_an_amendment_shows_what_it_changes(at: Callable[[str], At]) -> None:
    one = at("Pressure 16 right, 17 left. Discs healthy.")
    one.post("sign", initials="MK")
    one.client.post(f"/records/{one.id}/amend")
    page = one.client.get(f"/records/{one.id}").text
    assert "Changed since version 1" in page and "Nothing yet." in page
    answer = one.post("note", text="Pressure 16 right, 19 left. Discs healthy.")
    assert "<del>17 mmHg</del> → <ins>19 mmHg</ins>" in answer.text
    assert "<del>17</del><ins>19</ins>" in answer.text
    one.post("sign", initials="AB")
    assert "version 2, signed AB" in one.client.get(f"/records/{one.id}").text
    first = one.client.get(f"/records/{one.id}/versions/1").text
    assert "version 1, signed MK" in first and "17 mmHg" in first and "To the present version" in first
    assert one.client.get(f"/records/{one.id}/versions/3").status_code == 404


def test_answers_hold_in_an_amendment(at: Callable[[str], At]) -> None:
    one = at(PAIR)
    one.post("answer", question=one.questions()[0], key="2")
    one.post("sign", initials="MK")
    one.client.post(f"/records/{one.id}/amend")
    assert one.questions() == []
    assert ("pressure.eye", "left", 17) in one.rows()


def test_the_list_is_searched_by_patient_state_and_day(at: Callable[[str], At]) -> None:
    first, second = at("Discs healthy."), at(PAIR)
    first.post("patient", name="Ada Éxample", reference="Q-7")
    first.post("sign", initials="MK")

    def found(**fields: str) -> list[str]:
        text = first.client.post("/records/search", data=fields).text
        return [one for one in (first.id, second.id) if f"/records/{one}" in text]

    assert found() == [first.id, second.id]
    assert found(text="ada exam") == [first.id]
    assert found(text="q-7") == [first.id]
    assert found(state="signed") == [first.id]
    assert found(state="open") == [second.id]
    assert found(since="2020-01-01") == [first.id, second.id]
    assert found(until="2020-01-01") == []
    assert "No record fits" in first.client.post("/records/search", data={"text": "nobody"}).text
    assert "is no day" in first.client.post("/records/search", data={"since": "soon"}).text


def test_a_record_that_is_not_there_is_told(client: TestClient) -> None:
    assert client.get("/records/abcd2345").status_code == 404
    answer = client.post("/records/abcd2345/note", data={"text": "x", "revision": "1"})
    assert answer.status_code == 404 and 'hx-target="#notice"' in answer.text


@pytest.mark.parametrize("revision", ["", "x", "-1", "1.5"])
def test_a_change_must_say_what_it_changes(at: Callable[[str], At], revision: str) -> None:
    one = at("Discs healthy.")
    assert one.post("note", text="x", revision=revision).status_code == 422


def test_a_full_disk_is_told_and_the_page_keeps_the_note(
    at: Callable[[str], At], monkeypatch: pytest.MonkeyPatch
) -> None:
    one = at("Discs healthy.")

    def full(*_: object, **__: object) -> None:
        raise Full("the disk that holds the records is full: the last change is not saved")

    monkeypatch.setattr("dictate.store.Store.save_note", full)
    answer = one.post("note", text="Discs healthy. Pressure 16 right.")
    assert answer.status_code == 507
    assert "The disk that holds the records is full" in answer.text
    assert 'hx-target="#marks"' not in answer.text and "<textarea" not in answer.text
