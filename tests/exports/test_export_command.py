"""`dictate export`: from files and from the store, in every form, and while questions are open."""

from __future__ import annotations

import csv
import io
import json
import stat
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from dictate import cli
from dictate.desk.live import Live
from dictate.desk.records import Records
from dictate.exports import back
from dictate.exports.render import MEDIA
from dictate.exports.v2_check import faults
from dictate.settling import Row, add, answer
from dictate.store import open_store

from .making import CODES, LEXICON

SETTLED = "Right pupil 4 mm, left pupil 5 mm in dim light. Rinne positive right.\n"
OPEN = "Pressure sixteen.\n"
WHO = ["--patient", "P-1", "--name", "Zoë Ćosić", "--born", "1961-02-03"]


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a settled note, an open one, and a store of its own."""
    monkeypatch.setenv("DICTATE_STORE", str(tmp_path / "records.db"))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "good.txt").write_text(SETTLED, encoding="utf-8")
    (tmp_path / "open.txt").write_text(OPEN, encoding="utf-8")
    return tmp_path


def run(*arguments: str, input: str | None = None) -> tuple[int, str, str]:
    """Exit status, standard output as it is, and standard error."""
    done = CliRunner().invoke(cli.app, ["export", *arguments], input=input)
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, done.stdout_bytes.decode("utf-8"), done.stderr


@pytest.fixture
def signed(place: Path) -> str:
    """The id of a record that was signed, amended and signed again."""
    with open_store() as store:
        records = Records(Live(store, LEXICON), "tester")
        head = records.begin(SETTLED)
        head = store.set_patient(head.id, {"reference": "P-9", "name": "Nour"}, head.revision, "tester")
        records.sign(head.id, "MK", head.revision)
        head = records.amend(head.id)
        standing = records.write(head.id, SETTLED + "Ptosis left.\n", head.revision)
        records.sign(head.id, "JR", standing.head.revision)
        return head.id


def test_a_note_in_every_form(place: Path) -> None:
    status, out, _ = run("good.txt")
    assert status == 0 and json.loads(out)["note"]["name"] == "good.txt"
    status, out, _ = run("good.txt", "--format", "csv")
    assert status == 0 and len(list(csv.DictReader(io.StringIO(out, newline="")))) == 3
    status, out, _ = run("good.txt", "--format", "fhir", *WHO)
    record = back.record(json.loads(out), LEXICON, CODES)
    assert [e.item for e in record.entries] == ["pupil.size", "pupil.size", "hearing.rinne"]
    status, out, _ = run("good.txt", "--format", "hl7v2", *WHO)
    assert status == 0 and faults(out) == [] and "Zoë Ćosić" in out
    assert set(MEDIA) == {"json", "csv", "fhir", "hl7v2"}


def test_standard_input_and_several_notes(place: Path) -> None:
    status, out, _ = run("-", "good.txt", input="Ptosis left.\n")
    assert status == 0
    assert [json.loads(line)["note"]["name"] for line in out.splitlines()] == ["standard input", "good.txt"]


@pytest.mark.parametrize("form", ["json", "csv", "fhir", "hl7v2"])
def test_while_a_question_is_open_nothing_is_exported(place: Path, form: str) -> None:
    status, out, told = run("good.txt", "open.txt", "--format", form, "--out", "out", *WHO)
    assert (status, out) == (3, "")
    assert "open.txt: Eye pressure 16 mmHg: which eye?" in told and "Pressure sixteen" in told
    assert not (place / "out").exists()


def test_json_and_csv_take_the_open_questions_along_if_told_to(place: Path) -> None:
    status, out, _ = run("open.txt", "--unsettled")
    assert status == 0 and json.loads(out)["flags"][0]["reason"] == "side"
    status, out, _ = run("open.txt", "--unsettled", "--format", "csv")
    assert status == 0 and "which eye" in out
    for form in ("fhir", "hl7v2"):
        status, out, told = run("open.txt", "--unsettled", "--format", form)
        assert (status, out) == (2, "") and "settled records" in told


def test_a_signed_record_is_exported_as_it_was_signed_last(signed: str) -> None:
    status, out, _ = run(signed, "--format", "fhir")
    assert status == 0
    bundle = json.loads(out)
    composition = bundle["entry"][0]["resource"]
    assert composition["status"] == "amended"
    assert composition["author"][0]["display"] == "JR"
    assert [e.item for e in back.record(bundle, LEXICON, CODES).entries][-1] == "lid.ptosis"
    status, out, _ = run(signed)
    printed = json.loads(out)
    assert (printed["version"], printed["signature"]["by"], printed["patient"]["name"]) == (2, "JR", "Nour")
    status, out, _ = run(signed, "--format", "hl7v2")
    assert faults(out) == [] and "|P-9||Nour" in out


def test_what_the_clinician_decided_is_told_from_what_was_read(place: Path) -> None:
    with open_store() as store:
        records = Records(Live(store, LEXICON), "tester")
        head = records.begin(SETTLED + OPEN)
        standing = records.standing(head.id)
        choice = answer(standing.settled, [standing.settled.record.flags[0].id], {"side": "left"}, "tester")
        standing = records.decide(standing, [choice], head.revision)
        own = add(standing.settled, Row("lid.ptosis", "left", "present"), "tester")
        standing = records.decide(standing, [own], standing.head.revision)
    for _ in range(2):  # as a draft, and signed
        _, out, _ = run(head.id)
        printed = json.loads(out)
        by_item = {one["item"]: one["id"] for one in printed["entries"]}
        assert printed["origins"] == {by_item["pressure.eye"]: "chosen", by_item["lid.ptosis"]: "own"}
        _, out, _ = run(head.id, "--format", "csv")
        told = {row["item"]: row["origin"] for row in csv.DictReader(io.StringIO(out, newline=""))}
        assert (told["pupil.size"], told["pressure.eye"], told["lid.ptosis"]) == ("read", "chosen", "own")
        _, out, _ = run(head.id, "--format", "fhir")
        made = [one["resource"] for one in json.loads(out)["entry"]]
        activities = [one["activity"]["text"] for one in made if one["resourceType"] == "Provenance"]
        assert activities[-1] == "stated by the clinician, not by the note"
        assert activities[-2].startswith("chosen by the clinician")
        assert activities[0] == "read from the note"
        with open_store() as store:
            standing = Records(Live(store, LEXICON), "tester").standing(head.id)
            if standing.head.state != "signed":
                Records(Live(store, LEXICON), "tester").sign(head.id, "MK", standing.head.revision)


def test_an_unsigned_record_is_a_draft_and_an_open_one_is_not_exported(place: Path) -> None:
    with open_store() as store:
        records = Records(Live(store, LEXICON), "tester")
        draft, open_ = records.begin(SETTLED).id, records.begin(OPEN).id
    status, out, _ = run(draft, "--format", "fhir")
    assert status == 0 and json.loads(out)["entry"][0]["resource"]["status"] == "preliminary"
    status, out, told = run(draft, open_)
    assert (status, out) == (3, "") and open_ in told


def test_a_file_is_for_the_owner_alone_and_the_note_is_never_overwritten(place: Path) -> None:
    status, out, _ = run("good.txt", "--format", "csv", "--out", "out.csv")
    assert (status, out) == (0, "")
    written = place / "out.csv"
    assert written.read_bytes().count(b"\r\n") == 4
    assert stat.S_IMODE(written.stat().st_mode) == 0o600
    status, _, told = run("good.txt", "--out", "./good.txt")
    assert status == 2 and "name another file" in told
    assert (place / "good.txt").read_text(encoding="utf-8") == SETTLED
    assert sorted(p.name for p in place.iterdir() if p.name.startswith(".")) == []


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (["absent.txt"], "no such file"),
        (["good.txt", "--out", "nowhere/out"], "no folder"),
        (["good.txt", "--out", "."], "a folder"),
        (["good.txt", "--codes", "absent.toml"], "absent.toml"),
        (["good.txt", "--format", "hl7v2"], "names its patient"),
        (["empty.txt"], "empty"),
    ],
)
def test_every_fault_is_a_sentence_and_status_2(place: Path, arguments: list[str], reason: str) -> None:
    (place / "empty.txt").write_text("\n", encoding="utf-8")
    status, out, told = run(*arguments)
    assert (status, out) == (2, "")
    assert reason in told and "Traceback" not in told


def test_a_stored_record_keeps_its_own_patient(signed: str) -> None:
    status, _, told = run(signed, *WHO)
    assert status == 2 and "patient of its own" in told


def test_a_users_codes_go_out(place: Path) -> None:
    (place / "mine.toml").write_text(
        '[[code]]\nitem = "pupil.size"\nside = "left"\nsystem = "urn:oid:1.2.3"\ncode = "PL"\n', encoding="utf-8"
    )
    status, out, _ = run("good.txt", "--format", "fhir", "--codes", "mine.toml")
    assert status == 0 and '"urn:oid:1.2.3"' in out


@pytest.mark.parametrize(("form", "package"), [("fhir", "fhirclient"), ("hl7v2", "hl7apy")])
def test_what_to_install_is_said(place: Path, monkeypatch: pytest.MonkeyPatch, form: str, package: str) -> None:
    for module in [name for name in sys.modules if name.split(".")[0] == package]:
        monkeypatch.setitem(sys.modules, module, None)
    monkeypatch.setitem(sys.modules, package, None)
    status, _, told = run("good.txt", "--format", form, *WHO)
    assert status == 2 and "pip install 'dictate[exchange]'" in told
