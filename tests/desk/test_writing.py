"""Letters at the desk over HTTP: drafted, edited, kept, made final, and never from anything open."""

from __future__ import annotations

import email
import email.policy
import io
import re
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest
from starlette.testclient import TestClient

from dictate.desk.records import Records
from dictate.desk.writing import carried, letter_of
from dictate.store import Store

from .conftest import DEMO
from .test_pages import At

NOTE = "Left disc swollen, right flat. Pressure 16 right, 17 left. Plan: MRI. Refer ophthalmology urgently."


@pytest.fixture(autouse=True)
def clinic(tmp_path: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """A clinic of its own."""
    file = tmp_path / "settings.toml"
    file.write_text('[clinic]\nname = "Quillhaven Eye Room"\n[due_days]\nurgent = 9\n', encoding="utf-8")
    monkeypatch.setenv("DICTATE_SETTINGS", str(file))


class Letter(At):
    """A record and its letter, asked over HTTP as the page would."""

    def __init__(self, client: TestClient, records: Records, text: str, kind: str = "referral") -> None:
        super().__init__(client, records, text)
        self.kind = kind

    @property
    def place(self) -> str:
        return f"/records/{self.id}/letter/{self.kind}"

    def page(self) -> str:
        answer = self.client.get(self.place)
        assert answer.status_code == 200, answer.text
        return str(answer.text)

    def body(self) -> str:
        import html

        return html.unescape(re.search(r'<textarea id="body"[^>]*>\n(.*?)</textarea>', self.page(), re.S)[1])  # type: ignore[index]

    def send(self, what: str, status: int = 200, **fields: Any) -> Any:
        kept = self.records.store.letter_draft(self.id, self.kind)  # type: ignore[arg-type]
        told = {"revision": kept.revision if kept else 0, "made_on": self.revision, "to": "", "body": ""}
        answer = self.client.post(f"{self.place}/{what}", data=told | fields)
        assert answer.status_code == status, answer.text
        return answer

    def sign(self) -> None:
        self.records.sign(self.id, "MK", self.revision)


@pytest.fixture
def on(client: TestClient, records: Records) -> Callable[..., Letter]:
    return lambda text, kind="referral": Letter(client, records, text, kind)


# ---- before there can be a letter -------------------------------------------------------------


def test_while_anything_is_open_it_is_listed_with_a_way_back(on: Callable[..., Letter]) -> None:
    one = on(DEMO)
    page = one.page()
    assert "No letter while anything is open" in page and "<textarea" not in page
    assert page.count("<li><b>") == 3 and "“Pressures 17” … “24 by non-contact”" in page
    assert f'href="/records/{one.id}">To the first question' in page
    for what in ("text", "final"):
        answer = one.send(what, 422)
        assert "3 questions still open" in answer.text
    assert one.client.get(f"{one.place}/file/pdf").status_code == 422
    assert one.records.store.letters(one.id) == []


def test_a_note_without_findings_has_no_letter(on: Callable[..., Letter]) -> None:
    one = on("Good morning.")
    assert "nothing to write about" in one.page()
    one.sign()
    assert "nothing to write about" in one.page()


def test_an_unsigned_letter_is_a_draft_and_does_not_become_final(on: Callable[..., Letter]) -> None:
    one = on(NOTE)
    page = one.page()
    assert '<p class="unsigned">unsigned draft</p>' in page
    assert "Sign the record first" in page and 'data-do="finish"' not in page
    answer = one.send("final", 409, body=one.body())
    assert "not signed" in answer.text
    assert one.records.store.letters(one.id) == [] and one.records.store.referrals() == []
    assert "UNSIGNED DRAFT" in one.client.get(f"{one.place}/file/text").text


# ---- writing ----------------------------------------------------------------------------------


def test_an_edit_is_kept_and_marked_as_the_users_own(on: Callable[..., Letter]) -> None:
    one = on(NOTE)
    body = one.body()
    assert "Please see this patient urgently" in body and "[table of findings]" in body
    edited = body.replace("\n\n## ", "\nShe is <b>worried</b> about Zoë.\n\n## ", 1)
    answer = one.send("text", body=edited)
    assert answer.text.count('class="mine"') == 1
    assert "She is &lt;b&gt;worried&lt;/b&gt; about Zoë." in answer.text
    assert one.body() == edited
    one.sign()
    assert one.body() == edited and one.page().count('class="mine"') == 1
    assert "unsigned" not in one.page()


def test_what_is_taken_out_of_the_letter_is_shown(on: Callable[..., Letter]) -> None:
    one = on(NOTE)
    without = "\n".join(line for line in one.body().splitlines() if "MRI" not in line and "brain" not in line)
    text = one.send("text", body=without).text
    assert "Taken out, and found in the record" in text
    assert re.search(r"<del>[^<]*MRI[^<]*</del>", text)


def test_whom_it_goes_to_changes_the_greeting_and_no_edit(on: Callable[..., Letter]) -> None:
    one = on(NOTE)
    edited = one.body().replace("\n\n## ", "\nMy own line.\n\n## ", 1)
    answer = one.send("text", body=edited, to="Dr Ó Súilleabháin\n\n  Eye clinic \n")
    assert "Dear Dr Ó Súilleabháin," in answer.text
    assert one.body() == edited.replace("Dear colleague,", "Dear Dr Ó Súilleabháin,")
    assert one.body().count("My own line.") == 1


def test_two_windows_on_one_letter(on: Callable[..., Letter]) -> None:
    one = on(NOTE)
    body = one.body()
    one.send("text", body=body + "One.\n")
    answer = one.send("text", 409, body=body + "Two.\n", revision=0)
    assert "changed elsewhere" in answer.text
    assert "One." in one.body() and "Two." not in one.body()


def test_no_sentence_outlives_its_finding(on: Callable[..., Letter]) -> None:
    one = on(NOTE)
    edited = one.body().replace("\n\n## ", "\nMy own line.\n\n## ", 1)
    made_on = one.revision
    one.send("text", body=edited)
    one.post("note", text=NOTE.replace("Left disc swollen, right flat", "Right disc swollen, left flat"))
    one.send("text", 409, body=edited, made_on=made_on)  # a window that still shows the old record
    body = one.body()
    assert "in the right eye" in body and "in the left eye" not in body
    assert "My own line." in body
    page = one.page()
    assert "The record has changed since you wrote this" in page and page.count('class="mine"') == 1
    one.send("text", body=body)
    assert "The record has changed" not in one.page()


def test_the_edits_can_be_given_up(on: Callable[..., Letter]) -> None:
    one = on(NOTE)
    body = one.body()
    one.send("text", body="Nothing.\n")
    assert one.send("anew").headers["hx-redirect"] == one.place
    assert one.body() == body


@pytest.mark.parametrize(
    ("edited", "after", "merged"),
    [
        ("a\nb\nc\n", "a\nb\nc\n", "a\nb\nc\n"),
        ("a\nmine\nb\nc\n", "a\nB\nc\n", "a\nmine\nB\nc\n"),
        ("a\nmine\nc\n", "a\nb\nC\n", "a\nmine\nC\n"),
        ("a\nmine\nc\n", "a\nB\nc\n", "a\nB\nmine\nc\n"),
        ("a\nc\n", "a\nb\nc\n", "a\nc\n"),
        ("a\nc\n", "a\nB\nc\n", "a\nB\nc\n"),
        ("a\nb\nc\nmine\n", "new\na\nb\nc\nlast\n", "new\na\nb\nc\nmine\nlast\n"),
        ("", "a\nb\nC\n", "C\n"),
    ],
)
def test_edits_are_put_into_a_letter_that_was_drafted_anew(edited: str, after: str, merged: str) -> None:
    assert carried(edited, "a\nb\nc\n", after) == merged


# ---- final ------------------------------------------------------------------------------------


def test_a_final_letter_is_kept_and_begins_its_referral(on: Callable[..., Letter], store: Store) -> None:
    one = on(NOTE)
    one.post("patient", name="Zoë Ångström", reference="Q-7")
    one.sign()
    edited = one.body().replace("\n\n## ", "\nMy own line.\n\n## ", 1)
    place = one.send("final", body=edited, to="Eye clinic Übersee").headers["hx-redirect"]
    assert place == f"/records/{one.id}/letters/1"
    [kept] = store.letters(one.id)
    assert kept.body == edited and [s.text for s in letter_of(kept).opening if s.own] == ["My own line."]
    [referral] = store.referrals(one.id)
    assert (referral.to, referral.state, referral.urgency) == ("Eye clinic Übersee", "draft", "urgent")
    assert referral.due == date.today() + timedelta(days=9)
    page = one.client.get(place).text
    for words in (
        "does not change any more",
        "✎ My own line.",
        "Follow it through",
        "Quillhaven Eye Room",
        "Zoë Ångström",
    ):
        assert words in page, words
    assert store.letter_draft(one.id, "referral") is None
    assert place in one.client.get(f"/records/{one.id}").text
    assert store.verify() == []


def test_the_day_to_be_seen_by_can_be_set(on: Callable[..., Letter], store: Store) -> None:
    one = on(NOTE)
    one.sign()
    one.send("final", 422, body=one.body(), due="soon")
    one.send("final", body=one.body(), due="2027-01-02")
    assert [one.due for one in store.referrals()] == [date(2027, 1, 2)]


def test_a_referral_letter_to_nobody_is_not_final(on: Callable[..., Letter], store: Store) -> None:
    one = on("Left disc swollen, right flat.")
    one.sign()
    assert "say to whom" in one.send("final", 422, body=one.body()).text
    one.send("final", body=one.body(), to="Neurology")
    assert [one.to for one in store.referrals()] == ["Neurology"]


def test_the_patients_report_begins_no_referral(on: Callable[..., Letter], store: Store) -> None:
    one = on(NOTE, "patient")
    one.sign()
    assert one.send("final", body=one.body()).headers["hx-redirect"].endswith("/letters/1")
    assert [kept.kind for kept in store.letters(one.id)] == ["patient"]
    assert store.referrals() == []


def test_a_final_letter_stays_though_settings_and_record_change(
    on: Callable[..., Letter], store: Store, monkeypatch: pytest.MonkeyPatch, tmp_path: Any
) -> None:
    one = on(NOTE)
    one.sign()
    place = one.send("final", body=one.body()).headers["hx-redirect"]
    before = one.client.get(f"{place}/file/text").text
    monkeypatch.setenv("DICTATE_SETTINGS", str(tmp_path / "none.toml"))
    one.records.amend(one.id)
    one.post("note", text="Pressure 16 right.")
    assert one.client.get(f"{place}/file/text").text == before
    assert "Quillhaven" in before


def test_the_command_writes_the_letter_that_was_made_final(
    on: Callable[..., Letter], store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    from typer.testing import CliRunner

    from dictate.cli import app

    one = on(NOTE)
    one.sign()
    edited = one.body().replace("\n\n## ", "\nMy own line.\n\n## ", 1)
    place = one.send("final", body=edited, to="Eye clinic Übersee").headers["hx-redirect"]
    monkeypatch.setenv("DICTATE_STORE", str(store.where.file))
    result = CliRunner().invoke(app, ["letter", one.id])
    assert result.exit_code == 0, result.output
    assert "My own line." in result.stdout
    assert result.stdout == one.client.get(f"{place}/file/text").text


@pytest.mark.parametrize("form", ["pdf", "docx", "eml", "text"])
def test_files_of_drafts_and_final_letters(on: Callable[..., Letter], form: str) -> None:
    one = on(NOTE)
    one.post("patient", name="Zoë Ångström")
    first = one.client.get(f"{one.place}/file/{form}")
    one.sign()
    place = one.send("final", body=one.body(), to="Eye clinic").headers["hx-redirect"]
    last = one.client.get(f"{place}/file/{form}")
    for answer, marked in ((first, True), (last, False)):
        assert answer.status_code == 200
        assert re.fullmatch(
            rf'attachment; filename="{one.id}-referral-(draft|1)\.\w+"', answer.headers["content-disposition"]
        )
        words = _words(answer.content, form)
        assert "Ångström" in words
        assert ("unsigned draft" in words.lower()) is marked


def _words(data: bytes, form: str) -> str:
    if form == "text":
        return data.decode()
    if form == "pdf":
        from pypdf import PdfReader

        return "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages)
    if form == "docx":
        import zipfile

        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            parts = [packed.read(n).decode() for n in packed.namelist() if n.startswith("word/") and n.endswith(".xml")]
        return " ".join(re.sub(r"<[^>]+>", "", part) for part in parts)
    message = email.message_from_bytes(data, policy=email.policy.default)
    pdf = next(part for part in message.walk() if part.get_content_type() == "application/pdf")
    return _words(pdf.get_payload(decode=True), "pdf")


@pytest.mark.parametrize("place", ["letter/invoice", "letters/7", "letters/7/file/pdf", "letter/referral/file/exe"])
def test_what_there_is_not(on: Callable[..., Letter], place: str) -> None:
    one = on(NOTE)
    answer = one.client.get(f"/records/{one.id}/{place}")
    assert answer.status_code == 422 and "Traceback" not in answer.text
    assert one.client.get(f"/records/nothere1/{place}").status_code in (404, 422)


def test_no_script_of_a_note_runs_in_a_letter(on: Callable[..., Letter]) -> None:
    one = on(NOTE + ' Impression "<script>window.hit=1</script>".')
    one.post("patient", name='<img src=x onerror="hit">')
    one.send("text", body=one.body() + "</textarea><script>window.hit = 1</script>\n", to="<b>Dr</b>")
    page = one.page()
    assert "<script>window" not in page and "<img src=x" not in page and "<b>Dr</b>" not in page
