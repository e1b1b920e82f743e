"""`dictate letter`: from a note or a record of the store to a file; nothing while a question is open."""

from __future__ import annotations

import os
import stat
import sys
from email import message_from_bytes
from io import BytesIO
from pathlib import Path

import pytest
from exports.making import LEXICON
from typer.testing import CliRunner, Result

from dictate import cli
from dictate.desk.live import Live
from dictate.desk.records import Records
from dictate.exports.stored import signed
from dictate.letters import templating
from dictate.letters.body import to_body
from dictate.letters.content import draft
from dictate.store import open_store
from letters.drafting import Clinic

NOTE = "Left RAPD. Left disc pale. Head tilted to the right. Refer to ophthalmology urgently.\n"


@pytest.fixture(autouse=True)
def _places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DICTATE_STORE", str(tmp_path / "store" / "records.db"))
    monkeypatch.setenv("DICTATE_SETTINGS", str(tmp_path / "settings.toml"))


@pytest.fixture
def note(tmp_path: Path) -> str:
    place = tmp_path / "note.txt"
    place.write_text(NOTE, encoding="utf-8")
    return str(place)


def run(*words: str, status: int = 0) -> Result:
    result = CliRunner().invoke(cli.app, ["letter", *words])
    assert result.exit_code == status, result.output
    assert "Traceback" not in result.output
    return result


def test_a_note_gives_an_unsigned_draft(note: str) -> None:
    told = run(note, "--name", "Žofie Ångström", "--born", "1961-02-03", "--to", "Dr Ødegård; Eye department").stdout
    assert told.startswith("UNSIGNED DRAFT\n")
    assert "Re: Žofie Ångström, born 3 February 1961" in told
    assert "Please see this patient urgently about a relative afferent pupillary defect in the left eye" in told
    assert "Dr Ødegård\nEye department\n" in told


def test_words_without_a_row_are_told_beside_the_letter(note: str) -> None:
    result = run(note)
    assert "Head tilted" in result.stderr and "Head tilted" not in result.stdout


def test_the_patients_report(note: str) -> None:
    told = run(note, "--patient").stdout
    assert "You are to be seen by an eye specialist (ophthalmologist) urgently." in told
    assert "afferent" not in told


@pytest.mark.parametrize("report", [(), ("--patient",)])
def test_every_format(note: str, tmp_path: Path, report: tuple[str, ...]) -> None:
    docx = pytest.importorskip("docx")
    pypdf = pytest.importorskip("pypdf")
    pytest.importorskip("typst")
    out = {form: tmp_path / f"letter.{form}" for form in ("text", "docx", "pdf", "eml")}
    for form, place in out.items():
        run(note, "--format", form, "--out", str(place), *report)
        assert stat.S_IMODE(os.stat(place).st_mode) == 0o600
    pages = pypdf.PdfReader(BytesIO(out["pdf"].read_bytes())).pages
    assert all("unsigned draft" in page.extract_text().lower() for page in pages)
    words = "\n".join(p.text for p in docx.Document(str(out["docx"])).paragraphs)
    assert ("urgently" in words) and out["text"].read_text("utf-8").count("urgently") >= 1
    mail = message_from_bytes(out["eml"].read_bytes())
    assert mail["X-Unsent"] == "1"
    assert [part.get_content_type() for part in mail.walk()].count("application/pdf") == 1


def test_open_questions_are_listed_and_stop_the_letter(tmp_path: Path) -> None:
    place = tmp_path / "open.txt"
    place.write_text("Left RAPD. Pressure sixteen.\n", encoding="utf-8")
    out = tmp_path / "letter.txt"
    result = run(str(place), "--out", str(out), status=3)
    assert "which eye?" in result.stderr and "Pressure sixteen" in result.stderr
    assert "no letter was written" in result.stderr
    assert result.stdout == "" and not out.exists()


def test_a_record_of_the_store_signed_and_unsigned() -> None:
    with open_store() as store:
        records = Records(Live(store, LEXICON), "")
        head = records.begin(NOTE)
        head = records.set_patient(head.id, {"reference": "P-17"}, head.revision).head
        assert "UNSIGNED DRAFT" in run(head.id).stdout
        done = records.sign(head.id, "MK", head.revision)
    told = run(done.id).stdout
    assert "DRAFT" not in told and "reference P-17" in told
    assert f"From the record {done.id}, version 1, signed by MK" in told
    assert "has a patient of its own" in run(done.id, "--name", "Ana", status=2).stderr


def test_the_letter_that_was_made_final_is_the_one_written() -> None:
    with open_store() as store:
        records = Records(Live(store, LEXICON), "")
        head = records.begin(NOTE)
        head = records.sign(head.id, "MK", head.revision)
        whole = draft(signed(head.id, records.versions(head.id)[-1]), LEXICON, Clinic())
        edited = to_body(whole).replace("Dear colleague,", "Dear Zoë,")
        store.save_letter(head.id, "referral", whole.to_dict(), edited, "MK", final=True)
    result = run(head.id)
    assert "Dear Zoë," in result.stdout and "made final by MK" in result.stderr
    assert "Dear colleague," in run(head.id, "--new").stdout
    assert "Dear colleague," in run(head.id, "--to", "Eye department").stdout
    assert "Zoë" not in run(head.id, "--patient").stdout


def test_an_unsettled_record_of_the_store_is_listed() -> None:
    with open_store() as store:
        head = Records(Live(store, LEXICON), "").begin("Pressure sixteen.")
    assert "which eye?" in run(head.id, status=3).stderr


@pytest.mark.parametrize(
    ("text", "words", "reason"),
    [
        ("", (), "the note is empty"),
        ("Good morning to you.\n", (), "nothing of an examination was found"),
        (NOTE, ("--out", "missing/letter.txt"), "there is no folder"),
    ],
)
def test_a_mistake_gives_one_sentence(tmp_path: Path, text: str, words: tuple[str, ...], reason: str) -> None:
    place = tmp_path / "note.txt"
    place.write_text(text, encoding="utf-8")
    result = run(str(place), *words, status=2)
    assert reason in result.stderr and result.stdout == ""


def test_the_note_itself_is_not_written_over(note: str) -> None:
    assert "this is the note itself" in run(note, "--out", note, status=2).stderr
    assert Path(note).read_text(encoding="utf-8") == NOTE


def test_an_unknown_record_and_no_file() -> None:
    assert "there is no such file" in run("nowhere", status=2).stderr


def test_a_wrong_template_is_told(note: str, tmp_path: Path) -> None:
    folder = tmp_path / "templates"
    folder.mkdir()
    (folder / "referral.jinja").write_text("{% macro title( %}", encoding="utf-8")
    (tmp_path / "settings.toml").write_text(f'templates = "{folder}"\n', encoding="utf-8")
    result = run(note, status=2)
    assert "referral.jinja: line 1" in result.stderr


def test_without_its_packages_the_command_says_what_to_install(note: str, monkeypatch: pytest.MonkeyPatch) -> None:
    templating._shipped.cache_clear()
    for name in [one for one in sys.modules if one.partition(".")[0] == "jinja2"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "jinja2", None)
    assert "this needs jinja2" in (told := run(note, status=2).stderr) and "dictate[letters]" in told
