"""`dictate records` and what it prints."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner, Result

import dictate
from dictate import cli
from dictate.commands import records
from dictate.store import Store, open_store

SNAPSHOT = {"entries": [{"id": "e1", "item": "pressure.eye", "value": 16}], "flags": []}


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where the commands have their store."""
    file = tmp_path / "store" / "records.db"
    monkeypatch.setenv("DICTATE_STORE", str(file))
    return file


@pytest.fixture
def three(file: Path) -> list[str]:
    """An open, a settled and a signed record."""
    with open_store() as store:
        return [_record(store, number) for number in range(3)]


def _record(store: Store, number: int) -> str:
    head = store.new("MK")
    head = store.save_note(head.id, f"Pressure {16 + number}.", head.revision, "MK", questions=2 if number == 0 else 0)
    head = store.set_patient(head.id, {"reference": f"A-{number}", "name": f"Name {number}"}, head.revision, "MK")
    if number == 2:
        head = store.sign(head.id, "MK", SNAPSHOT, head.revision, "MK")
    return head.id


def run(*words: str, status: int = 0, **options: str) -> Result:
    result = CliRunner().invoke(cli.app, ["records", *words], **options)
    assert result.exit_code == status, result.output
    return result


def test_an_empty_store_says_so(file: Path) -> None:
    result = run("list")
    assert result.stdout == ""
    assert "the store is empty" in result.stderr


def test_the_list(three: list[str]) -> None:
    lines = run("list").stdout.splitlines()
    assert [line.split()[0] for line in lines] == three[::-1]
    assert re.fullmatch(rf"{three[2]}  \S+ \S+  signed MK \S+ \S+  A-2  Name 2  -", lines[0])
    assert "  settled " in lines[1]
    assert "  2 questions open  " in lines[2]


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        (["name", "a-1"], [1]),
        (["--state", "open"], [0]),
        (["--state", "signed"], [2]),
        (["--since", "2020-01-01"], [2, 1, 0]),
        (["--until", "2020-01-01"], []),
        (["nobody"], []),
    ],
)
def test_the_list_is_searched(three: list[str], words: list[str], shown: list[int]) -> None:
    result = run("list", *words)
    assert [line.split()[0] for line in result.stdout.splitlines()] == [three[n] for n in shown]
    assert ("no such records" in result.stderr) == (not shown)


def test_a_record_is_shown_as_it_stands_or_as_signed(three: list[str]) -> None:
    assert "Pressure 16." in run("show", three[0]).stdout
    signed = run("show", three[2]).stdout
    assert "version 1, signed MK" in signed
    assert '"item": "pressure.eye"' in signed
    assert "not signed" not in signed
    with open_store() as store:
        head = store.amend(three[2], "MK")
        store.save_note(three[2], "Pressure 81.", head.revision, "MK")
    amended = run("show", three[2]).stdout
    assert "Pressure 18." in amended
    assert "Pressure 81." in amended


def test_another_form_can_be_given(three: list[str]) -> None:
    app = typer.Typer()
    app.add_typer(records.make(lambda loaded, version: f"{loaded.text} {version and version.number}"), name="records")
    shown = [CliRunner().invoke(app, ["records", "show", record]).stdout for record in three]
    assert shown == ["Pressure 16. None\n", "Pressure 17. None\n", "Pressure 18. 1\n"]


def test_deleting_asks_first(three: list[str], file: Path) -> None:
    assert "nothing was deleted" in run("delete", three[0], input="n\n", status=1).stderr
    assert len(run("list").stdout.splitlines()) == 3
    assert "deleted 2 records" in run("delete", three[0], three[1], three[0], input="y\n").stdout
    assert "deleted 1 record;" in run("delete", three[2], "--yes").stdout
    assert run("list").stdout == ""
    assert b"Pressure" not in file.read_bytes()
    run("verify")


def test_no_record_is_deleted_if_one_is_unknown(three: list[str]) -> None:
    assert "there is no record nothere1" in run("delete", three[0], "nothere1", "--yes", status=2).stderr
    assert len(run("list").stdout.splitlines()) == 3


def test_backup_and_restore(three: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = tmp_path / "kept.db"
    assert run("backup", str(kept)).stdout == f"{kept}: 3 records, 8 events\n"
    assert "there already" in run("backup", str(kept), status=2).stderr
    assert "--replace" in run("restore", str(kept), status=2).stderr
    before = run("list").stdout
    monkeypatch.setenv("DICTATE_STORE", str(tmp_path / "other.db"))
    assert "3 records, 8 events restored" in run("restore", str(kept)).stdout
    assert run("list").stdout == before
    run("restore", str(kept), "--replace")
    run("verify")


def test_verify_proves_or_names_the_faults(three: list[str], file: Path, tmp_path: Path) -> None:
    sound = run("verify").stdout
    assert re.fullmatch(r"sound: 8 events, the last [0-9a-f]{64}\n", sound)
    import sqlite3

    other = sqlite3.connect(file)
    other.execute("DROP TRIGGER event_update")
    other.execute("UPDATE event SET salt = NULL WHERE seq = 3")
    other.commit()
    other.close()
    result = run("verify", status=1)
    assert "event 3 has lost a part of its content" in result.stdout
    assert "2 faults: change nothing" in result.stderr
    assert "event 3 has lost" in run("backup", str(tmp_path / "kept.db"), status=1).stdout


def test_a_fault_of_the_store_is_one_sentence(file: Path) -> None:
    file.parent.mkdir()
    file.write_text("no store " * 1000)
    for words in (["list"], ["verify"], ["show", "x"]):
        result = run(*words, status=2)
        assert result.stdout == ""
        assert result.stderr.count("\n") == 1
        assert "damaged or is no store" in result.stderr


WITHOUT = """
import sys
class Missing:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in ("sqlalchemy", "alembic", "platformdirs"):
            raise ModuleNotFoundError(f"No module named {name!r}", name=name.split(".")[0])
sys.meta_path.insert(0, Missing())
from dictate.cli import app
app(sys.argv[1:])
"""


def test_without_the_extra_it_says_what_to_install_and_the_rest_works(tmp_path: Path) -> None:
    environment = os.environ | {"PYTHONPATH": str(Path(dictate.__file__).parents[1])}

    def run(*words: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-P", "-c", WITHOUT, *words]
        return subprocess.run(command, capture_output=True, text=True, env=environment, input="Pressure 16 right.")

    done = run("records", "list")
    assert done.returncode == 2
    assert done.stderr == "dictate: this needs sqlalchemy, which is not installed: pip install 'dictate[desk]'\n"
    assert run("records", "--help").returncode == 0
    assert "16" in run("read", "-").stdout


def test_reading_a_note_loads_nothing_of_the_store() -> None:
    code = "import sys, dictate, dictate.cli; print({'sqlalchemy', 'alembic', 'platformdirs', 'psycopg'} & set(sys.modules))"
    environment = os.environ | {"PYTHONPATH": str(Path(dictate.__file__).parents[1])}
    command = [sys.executable, "-P", "-c", code]
    assert subprocess.run(command, capture_output=True, text=True, env=environment).stdout == "set()\n"
