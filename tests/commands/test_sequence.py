"""The sequence in the README, from a note to its letter, command for command."""

from __future__ import annotations

import json
import re
import shlex
import zipfile
from pathlib import Path

import pytest
from typer.testing import CliRunner

from dictate import demo
from dictate.cli import app
from dictate.store import open_store

README = Path(__file__).resolve().parents[2] / "README.md"
ANSWERS = "1\n3\n1\n"


def commands() -> list[str]:
    section = re.search(r"^## From a note to its letter\n(.*?)^## ", README.read_text(encoding="utf-8"), re.M | re.S)
    assert section
    return re.findall(r"^    dictate (.*)$", section[1], re.M)


def test_the_sequence_of_the_readme(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DICTATE_STORE", str(tmp_path / "records.db"))
    monkeypatch.setenv("DICTATE_SETTINGS", str(tmp_path / "settings.toml"))
    Path("note.txt").write_text(demo.note("disc_asymmetry").text, encoding="utf-8")
    record, said = "", {}
    assert [
        line.split()[0] for line in commands()
    ] == "settle sign letter letter letter export referrals referrals".split()
    for line in commands():
        told = shlex.split(line.replace("ID", record) if record else line)
        result = CliRunner().invoke(app, told, input=ANSWERS)
        assert result.exit_code == 0, (line, result.output)
        said[line] = result.stdout
        with open_store() as store:
            [head] = store.find()
            record = head.id
            assert store.verify() == []
    assert Path("letter.pdf").read_bytes().startswith(b"%PDF")
    with zipfile.ZipFile("letter.docx") as packed:
        words = re.sub(r"<[^>]+>", "", packed.read("word/document.xml").decode())
    assert "within four weeks about suspected glaucoma in the left eye" in words
    assert "pressure" in Path("report.txt").read_text(encoding="utf-8")
    bundle = json.loads(Path("record.fhir.json").read_text(encoding="utf-8"))
    assert bundle["entry"][0]["resource"]["status"] == "final"
    assert "Eye clinic" in said["referrals list"]
