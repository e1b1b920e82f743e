"""The commands, as a user types them."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

import dictate
from dictate import cli, demo
from dictate.lexicon import load
from dictate.table import CAUTION, Cell, sheet, value_text

RUN = CliRunner()
ONE = "VA R 6/9 L 6/6. Pressure sixteen. Uvula midline.\n"
TWO = "Pupils 4 mm right, 5 mm left.\n"


@pytest.fixture
def notes(tmp_path: Path) -> list[str]:
    paths = []
    for name, text in (("a.txt", ONE), ("b.txt", TWO), ("c.txt", "")):
        place = tmp_path / name
        place.write_text(text, encoding="utf-8")
        paths.append(str(place))
    return paths


def run(*words: str, stdin: str | bytes | None = None, status: int = 0) -> tuple[str, str]:
    """Standard output and standard error of a command that must end with a status."""
    result = RUN.invoke(cli.app, list(words), input=stdin, env={"COLUMNS": "100"})
    assert result.exit_code == status, result.output
    assert "Traceback" not in result.output
    return result.stdout, result.stderr


# ---- read ----------------------------------------------------------------------------------


def test_json_is_one_object_a_line_in_the_order_given(notes: list[str]) -> None:
    out, _ = run("read", notes[1], notes[0], notes[2], "--format", "json")
    records = [json.loads(line) for line in out.splitlines()]
    assert [r["note"]["name"] for r in records] == ["b.txt", "a.txt", "c.txt"]
    assert all(r["schema"] == "exam-record/1" for r in records)
    for record, text in zip(records, (TWO, ONE, ""), strict=True):
        assert record["note"]["characters"] == len(text)
        for key in ("entries", "flags", "derived", "not_documented"):
            assert key in record
        for entry in record["entries"]:
            assert entry["evidence"]
            assert all(text[e["start"] : e["end"]] == e["text"] for e in entry["evidence"])
            named = [f["id"] for f in record["flags"] if entry["id"] in f["entries"]]
            assert (entry["state"] == "confirm") == bool(named)
            assert sorted(entry.get("flags", [])) == sorted(named)


def test_open_questions_are_no_failure(notes: list[str]) -> None:
    out, err = run("read", notes[0], "--format", "json")
    assert json.loads(out)["flags"]
    assert err == ""


def test_several_processes_give_the_same(notes: list[str]) -> None:
    assert run("read", *notes, "--format", "json", "--jobs", "2")[0] == run("read", *notes, "--format", "json")[0]


def test_a_note_that_cannot_be_read_does_not_stop_the_others(notes: list[str], tmp_path: Path) -> None:
    binary = tmp_path / "x.bin"
    binary.write_bytes(b"\x00\x01\x02" * 50)
    for jobs in ("1", "2"):
        out, err = run("read", notes[0], "none.txt", str(binary), notes[1], "-f", "json", "-j", jobs, status=2)
        assert [json.loads(line)["note"]["name"] for line in out.splitlines()] == ["a.txt", "b.txt"]
        assert "none.txt: there is no such file" in err
        assert "x.bin: this is a binary file" in err


def test_standard_input() -> None:
    out, _ = run("read", "-", "--format", "json", stdin=TWO)
    record = json.loads(out)
    assert record["note"]["name"] == "standard input"
    assert {(e["side"], e["value"]) for e in record["entries"]} == {("right", 4), ("left", 5)}


def test_an_older_encoding_is_told() -> None:
    out, err = run("read", "-", "-f", "json", stdin="The patient’s pupils 4 mm".encode("cp1252"))
    assert "read as Windows-1252" in err
    assert json.loads(out)["note"]["encoding"] == "Windows-1252"


def test_an_empty_note_is_told() -> None:
    out, err = run("read", "-", stdin="\n")
    assert "the note is empty" in err
    assert "Nothing of an examination was found" in out


def test_csv_is_read_back_by_the_standard_library(notes: list[str]) -> None:
    out, _ = run("read", *notes, "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(out)))
    assert {r["note"] for r in rows} == {"a.txt", "b.txt"}
    pressure = next(r for r in rows if r["item"] == "pressure.eye")
    assert (pressure["value"], pressure["unit"], pressure["side"], pressure["state"]) == ("16", "mm[Hg]", "", "confirm")
    assert pressure["flags"] == "side"
    assert ONE[int(pressure["start"]) : int(pressure["end"])] in pressure["words"]


def test_the_table_sets_right_before_left_and_ends_with_the_caution(notes: list[str]) -> None:
    out, _ = run("read", notes[0], notes[1])
    acuity = next(line for line in out.splitlines() if "Distance acuity" in line)
    assert acuity.index("6/9") < acuity.index("6/6")
    assert out.index("Right") < out.index("Left")
    order = ["To be confirmed", "Computed", "Not documented"]
    assert [out.index(o) for o in order] == sorted(out.index(o) for o in order)
    assert out.count(CAUTION) == 2
    assert "side not said: 16 mmHg ?1" in out


def test_the_words_of_a_note_are_no_markup() -> None:
    out, _ = run("read", "-", stdin="Pressure [bold]sixteen[/] today. Left pupil [/red] 4 mm.\n")
    assert "mmHg" in out or "Nothing" in out


def test_a_narrow_terminal() -> None:
    result = RUN.invoke(cli.app, ["read", "-"], input=ONE, env={"COLUMNS": "40"})
    assert result.exit_code == 0
    assert all(len(line) <= 48 for line in result.stdout.splitlines())


def test_a_lexicon_that_is_wrong(tmp_path: Path, notes: list[str]) -> None:
    (tmp_path / "mine.toml").write_text('group = "mine"\nitme = 3\n')
    _, err = run("read", notes[0], "--lexicon", str(tmp_path), status=2)
    assert "mine.toml: itme" in err
    _, err = run("read", notes[0], "--lexicon", str(tmp_path / "none"), status=2)
    assert "no such folder" in err


def test_a_fault_of_the_program_is_one_sentence(notes: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(text: str, **_: object) -> None:
        if text == TWO:
            raise KeyError("nothing a user should see")

    real = dictate.pipeline.read
    monkeypatch.setattr("dictate.pipeline.read", lambda text, **more: fail(text) or real(text, **more))
    out, err = run("read", notes[1], notes[0], "-f", "json", status=2)
    assert json.loads(out)["note"]["name"] == "a.txt"
    assert "b.txt: the reading failed on this note (KeyError), a fault of the program" in err
    assert "should see" not in err


# ---- explain, demo, lexicon ----------------------------------------------------------------


def test_explain_shows_words_term_and_rules(notes: list[str]) -> None:
    out, _ = run("explain", notes[0], "pressure")
    assert "Eye pressure: 16 mmHg  (to be confirmed)" in out
    assert "“Pressure sixteen”, line 1, characters 16 to 32" in out
    assert "pressure.eye, in pressure.toml" in out
    assert "because   1. " in out
    assert "asked     " in out


def test_explain_finds_by_id_number_question_key_and_title(notes: list[str]) -> None:
    whole, _ = run("explain", notes[0])
    record = dictate.read(ONE)
    assert all(f"{e.id}  " in whole for e in record.entries)
    pressure = next(e for e in record.entries if e.item == "pressure.eye")
    wanted = run("explain", notes[0], pressure.id)[0]
    for words in (pressure.id[1:], pressure.flags[0], "pressure.eye", "Eye Pressure"):
        assert run("explain", notes[0], words)[0] == wanted
    _, err = run("explain", notes[0], "e99", status=2)
    assert "no entry 'e99'" in err
    _, err = run("explain", notes[2], "e1", status=2)
    assert "no entries" in err


def test_explain_every_entry_of_the_demo_notes() -> None:
    for name in demo.names():
        text = demo.note(name).text
        record = dictate.read(text)
        out, _ = run("explain", "-", stdin=text.encode())
        assert out.count("  term  ") == len(record.entries)
        assert out.count("because   1. ") == len(record.entries), "every entry says why"


def test_demo() -> None:
    out, _ = run("demo")
    assert demo.note().text.splitlines()[0] in out
    assert CAUTION in out
    for name in demo.names():
        assert name in out
        assert json.loads(run("demo", name, "--format", "json")[0])["entries"]
    _, err = run("demo", "none", status=2)
    assert "no such demo note" in err


def test_the_first_demo_note_holds_a_disc_finding_and_three_doubts() -> None:
    record = dictate.read(demo.note(demo.FIRST).text)
    assert any(e.item.startswith("disc.") and e.value == "present" for e in record.entries)
    assert sorted(f.reason for f in record.flags) == ["order", "side", "value"], [f.question for f in record.flags]


def test_lexicon_check(tmp_path: Path) -> None:
    out, _ = run("lexicon", "check")
    assert "no faults" in out
    (tmp_path / "mine.toml").write_text('group = "mine"\nitme = 3\n')
    (tmp_path / "other.toml").write_text("group = \n")
    _, err = run("lexicon", "check", str(tmp_path), status=1)
    assert "mine.toml: itme" in err
    assert "other.toml: " in err


def test_lexicon_show() -> None:
    out, _ = run("lexicon", "show", "pupil.reaction")
    assert "pupil.reaction: " in out
    assert "brisk = " in out
    assert "sluggish = " in out
    for key in load().items:
        assert run("lexicon", "show", key)[0].startswith(f"{key}: ")
    _, err = run("lexicon", "show", "pupl.size", status=2)
    assert "pupil.size" in err


def test_version() -> None:
    assert run("--version")[0] == f"dictate {dictate.__version__}\n"


# ---- the sheet -----------------------------------------------------------------------------


def test_every_entry_and_flag_of_the_demo_notes_is_on_the_sheet() -> None:
    lexicon = load()
    for name in demo.names():
        record = dictate.read(demo.note(name).text)
        arranged = sheet(record, lexicon)
        lines = [line for _, section in arranged.sections for line in section]
        lines += [*arranged.conclusions, *arranged.plan]
        told: list[Cell] = [
            c for line in lines for _ in line.circumstances for c in (*line.right, *line.left, *line.single)
        ]
        assert len(told) == len(record.entries)
        for entry in record.entries:
            assert any(c.text.endswith(value_text(lexicon.items[entry.item], entry.value)) for c in told)
        assert {n for c in told for n in c.asked} <= set(range(1, len(record.flags) + 1))
        assert [q.flag for q in arranged.questions] == [f.id for f in record.flags]


# ---- as a process --------------------------------------------------------------------------


def process(*words: str, stdin: bytes = b"", **env: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "dictate", *words],
        input=stdin,
        capture_output=True,
        env={**os.environ, **env},
        check=False,
    )


def test_output_is_utf8_whatever_the_locale() -> None:
    text = "Pupils 3½ mm each.\n"
    done = process("read", "-", "-f", "json", stdin=text.encode(), LC_ALL="C", PYTHONIOENCODING="ascii")
    assert done.returncode == 0, done.stderr
    assert "3½" in done.stdout.decode("utf-8")


def test_a_reader_that_goes_away_leaves_no_traceback(tmp_path: Path) -> None:
    note = tmp_path / "n.txt"
    note.write_text(ONE * 50)
    command = f"'{sys.executable}' -m dictate read '{note}' '{note}' '{note}' -f csv | head -c 10"
    done = subprocess.run(["bash", "-c", command], capture_output=True, check=False)
    assert b"Traceback" not in done.stderr
