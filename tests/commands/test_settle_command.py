"""`dictate settle` and `dictate sign`: by a pipe, and by the keys of a terminal."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from dictate import cli
from dictate.record import Record
from dictate.store import RecordHead, Store, open_store

pexpect = pytest.importorskip("pexpect", reason="pseudo-terminals are needed")

ONE = "Fundi healthy. Pressure sixteen. Uvula midline.\n"
SURE = "Pressure 16 right, 17 left.\n"
PAIRS = "VA 6/9 6/6. Pressure 14/15. CDR 0.3/0.65.\n"
HEARD = "Catarrh act on the left lens. Vanne Herrick grade 3 both eyes.\n"
LEAVE = 3
INTERRUPTED = 130


@pytest.fixture(autouse=True)
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where the commands have their store."""
    file = tmp_path / "store" / "records.db"
    monkeypatch.setenv("DICTATE_STORE", str(file))
    monkeypatch.setenv("COLUMNS", "90")
    return file


@pytest.fixture
def store() -> Iterator[Store]:
    with open_store() as opened:
        yield opened


def note(tmp_path: Path, text: str, name: str = "note.txt") -> str:
    place = tmp_path / name
    place.write_text(text, encoding="utf-8")
    return str(place)


def run(*words: str, keys: str = "", status: int = 0) -> Result:
    """A command with these answers, a line each."""
    told = "".join(f"{key}\n" for key in keys.split("|")) if keys else ""
    result = CliRunner().invoke(cli.app, list(words), input=told)
    assert result.exit_code == status, result.output
    assert "Traceback" not in result.output
    return result


def only(store: Store) -> RecordHead:
    (head,) = store.find()
    return head


def settled(store: Store, record_id: str) -> Record:
    """The record of that id as it stands."""
    from dictate.desk.live import Live
    from dictate.lexicon import load

    return Live(store, load()).standing(record_id).settled.record


def rows(record: Record) -> list[tuple[str, str | None, Any]]:
    return [(e.item, e.side, e.value) for e in record.entries]


# ---- answers by a pipe ------------------------------------------------------------------------


def test_a_number_key_answers(tmp_path: Path, store: Store) -> None:
    result = run("settle", note(tmp_path, ONE), keys="2")
    assert "Eye pressure 16 mmHg: which eye?" in result.stdout
    assert "[Pressure sixteen]" in result.stdout
    head = only(store)
    assert (head.state, head.questions) == ("settled", 0)
    assert ("pressure.eye", "left", 16) in rows(settled(store, head.id))
    assert f"dictate sign {head.id} --as INITIALS" in result.stderr


def test_the_words_stand_in_their_sentence(tmp_path: Path) -> None:
    result = run("settle", note(tmp_path, "Today the pressure sixteen was found, lids quiet.\n"), keys="1")
    assert re.search(r"Today the \[pressure sixteen\] was found, lids quiet\.", result.stdout)


def test_several_words_of_one_sentence_are_marked_in_it(tmp_path: Path) -> None:
    result = run("settle", note(tmp_path, "Pupils equal, 3 mm right, 5 mm left.\n"), keys="q", status=LEAVE)
    quoted = [line for line in result.stdout.splitlines() if line.startswith("    ") and "[" in line]
    assert len(quoted) == 1 and quoted[0].replace("[", "").replace("]", "").strip().startswith(
        "Pupils equal, 3 mm right"
    )


def test_a_note_without_questions_is_kept_and_shown(tmp_path: Path, store: Store) -> None:
    result = run("settle", note(tmp_path, SURE))
    assert "nothing is open" in result.stderr
    assert "16 mmHg" in result.stdout
    assert only(store).state == "settled"


def test_not_said_drops_the_row(tmp_path: Path, store: Store) -> None:
    run("settle", note(tmp_path, ONE), keys="0")
    assert "pressure.eye" not in [item for item, _, _ in rows(settled(store, only(store).id))]


def test_something_else(tmp_path: Path, store: Store) -> None:
    # the item as it is, right 18, left 19, method not said, time not said
    result = run("settle", note(tmp_path, ONE), keys="e||18|19")
    told = rows(settled(store, only(store).id))
    assert ("pressure.eye", "right", 18) in told and ("pressure.eye", "left", 19) in told
    assert "What was measured or found (Enter: Eye pressure)" in result.stdout


def test_something_else_refuses_what_cannot_be(tmp_path: Path, store: Store) -> None:
    result = run("settle", note(tmp_path, ONE), keys="e||loud|18|")
    assert "'loud' is no number in mmHg" in result.stdout
    assert ("pressure.eye", "right", 18) in rows(settled(store, only(store).id))


def test_something_else_of_another_item_with_circumstances(tmp_path: Path, store: Store) -> None:
    # another item by words of its title; right 4, left none; light by its number
    result = run("settle", note(tmp_path, ONE), keys="e|pupil size|4||2")
    (pupil,) = [e for e in settled(store, only(store).id).entries if e.item == "pupil.size"]
    assert (pupil.side, pupil.value) == ("right", 4)
    assert pupil.context["light"] in ("bright", "dim", "room")
    assert "Light: 1 " in result.stdout


def test_something_else_by_numbered_values(tmp_path: Path, store: Store) -> None:
    result = run("settle", note(tmp_path, "The disc is pale.\n"), keys="e||1|2||")
    told = rows(settled(store, only(store).id))
    assert ("disc.pallor", "right", "present") in told and ("disc.pallor", "left", "absent") in told
    assert "1  present" in result.stdout


def test_something_else_given_up_changes_nothing(tmp_path: Path, store: Store) -> None:
    result = run("settle", note(tmp_path, ONE), keys="e||||q", status=LEAVE)
    assert "nothing was changed" in result.stdout
    assert only(store).questions == 1
    assert store.decisions(only(store).id) == []


def test_items_of_one_name_are_offered_by_number(tmp_path: Path) -> None:
    result = run("settle", note(tmp_path, ONE), keys="e|disc|1|||q", status=LEAVE)
    assert re.search(r"^  1  \S", result.stdout, re.M) and "Which (a number, Enter: none)" in result.stdout
    assert "nothing was changed" in result.stdout
    assert "is the name of no items" in run("settle", note(tmp_path, ONE), keys="e|xyzzy", status=LEAVE).stdout


def test_undo_asks_again(tmp_path: Path, store: Store) -> None:
    text = "Pressure sixteen. The disc is pale.\n"
    result = run("settle", note(tmp_path, text), keys="1|u|2|0")
    assert "undone: " in result.stdout
    told = rows(settled(store, only(store).id))
    assert ("pressure.eye", "left", 16) in told and ("pressure.eye", "right", 16) not in told


def test_there_may_be_nothing_to_undo(tmp_path: Path) -> None:
    assert "there is nothing to undo" in run("settle", note(tmp_path, ONE), keys="u|q", status=LEAVE).stdout


def test_questions_can_be_passed_over(tmp_path: Path) -> None:
    result = run("settle", note(tmp_path, "Pressure sixteen. The disc is pale.\n"), keys="j|k|k|j|?|q", status=LEAVE)
    assert re.findall(r"^(\d) of 2$", result.stdout, re.M) == ["1", "2", "1", "2", "1", "1"]
    assert "e  something else" in result.stdout


def test_a_key_that_is_none(tmp_path: Path) -> None:
    assert "'9' is none of the keys" in run("settle", note(tmp_path, ONE), keys="9|q", status=LEAVE).stdout


# ---- gathered questions -------------------------------------------------------------------------


def test_pairs_are_asked_together(tmp_path: Path, store: Store) -> None:
    result = run("settle", note(tmp_path, PAIRS), keys="1")
    assert "3 pairs without sides: right first, then left?" in result.stdout
    assert "1. “VA 6/9 6/6”" in result.stdout
    told = rows(settled(store, only(store).id))
    assert ("acuity.distance", "right", "6/9") in told and ("pressure.eye", "left", 15) in told


def test_one_pair_is_taken_the_other_way_round(tmp_path: Path, store: Store) -> None:
    run("settle", note(tmp_path, PAIRS), keys="x|2|1")
    told = rows(settled(store, only(store).id))
    assert ("acuity.distance", "right", "6/9") in told
    assert ("pressure.eye", "left", 14) in told and ("pressure.eye", "right", 15) in told
    assert ("disc.cup_ratio", "left", 0.65) in told


def test_one_reading_by_sound_is_struck(tmp_path: Path, store: Store) -> None:
    result = run("settle", note(tmp_path, HEARD), keys="x|1|1")
    assert "2 readings by sound" in result.stdout
    told = [item for item, _, _ in rows(settled(store, only(store).id))]
    assert "lens.cataract" not in told and told.count("angle.van_herick") == 2


def test_one_line_becomes_something_else(tmp_path: Path, store: Store) -> None:
    # line 2; the item as it is; right grade 2, left grade 2
    run("settle", note(tmp_path, HEARD), keys="e|2||2|2|1")
    told = rows(settled(store, only(store).id))
    assert ("angle.van_herick", "right", "2") in told and ("lens.cataract", "left", "present") in told


def test_striking_can_be_given_up(tmp_path: Path, store: Store) -> None:
    run("settle", note(tmp_path, HEARD), keys="x|q|x||e|q|e||q", status=LEAVE)
    assert store.decisions(only(store).id) == []


def test_all_readings_are_struck(tmp_path: Path, store: Store) -> None:
    run("settle", note(tmp_path, HEARD), keys="0")
    assert rows(settled(store, only(store).id)) == []


# ---- leaving, going on --------------------------------------------------------------------------


def test_leaving_keeps_what_was_answered(tmp_path: Path, store: Store) -> None:
    place = note(tmp_path, "Pressure sixteen. The disc is pale.\n")
    result = run("settle", place, keys="1|q", status=LEAVE)
    head = only(store)
    assert head.questions == 1
    assert f"1 question still open; go on with: dictate settle {head.id}" in result.stderr
    result = run("settle", head.id, keys="2")
    assert "1 of 1" in result.stdout
    assert only(store).state == "settled"


def test_the_same_note_goes_on_with_its_record(tmp_path: Path, store: Store) -> None:
    place = note(tmp_path, ONE)
    run("settle", place, keys="q", status=LEAVE)
    assert "has this note already" in run("settle", place, keys="q", status=LEAVE).stderr
    assert len(store.find()) == 1
    run("settle", place, "--new", keys="q", status=LEAVE)
    assert len(store.find()) == 2


def test_input_that_ends_loses_nothing(tmp_path: Path, store: Store) -> None:
    result = run("settle", note(tmp_path, "Pressure sixteen. The disc is pale.\n"), keys="1", status=LEAVE)
    assert "every answer is saved, 1 question still open" in result.stderr
    assert len(store.decisions(only(store).id)) == 1


def test_input_that_ends_in_a_form_loses_nothing(tmp_path: Path, store: Store) -> None:
    run("settle", note(tmp_path, "Pressure sixteen. The disc is pale.\n"), keys="1|e|", status=LEAVE)
    assert len(store.decisions(only(store).id)) == 1


@pytest.mark.parametrize("how", [subprocess.DEVNULL, "closed", "binary"])
def test_no_input_at_all(tmp_path: Path, store: Store, how: int | str) -> None:
    command = [sys.executable, "-m", "dictate", "settle", note(tmp_path, ONE)]
    shell = ["/bin/sh", "-c", '"$@" <&-', "sh", *command] if how == "closed" else command
    given = {"input": b"\xff\xfe\x00\x9d\n"} if how == "binary" else {"stdin": subprocess.DEVNULL}
    done = subprocess.run(shell, capture_output=True, **given)  # type: ignore[call-overload]
    assert done.returncode == LEAVE, done.stderr
    assert b"Traceback" not in done.stderr
    assert only(store).questions == 1


def test_an_answer_whose_words_are_gone_is_told(tmp_path: Path, store: Store) -> None:
    run("settle", note(tmp_path, ONE), keys="1")
    head = only(store)
    store.save_note(head.id, "Fundi healthy. Pressure twenty. Uvula midline.\n", head.revision, "MK")
    result = run("settle", head.id, keys="1|2")
    assert "An answer applies no more" in result.stdout
    assert ("pressure.eye", "left", 20) in rows(settled(store, head.id))


def test_a_change_elsewhere_is_told_and_nothing_overwritten(
    tmp_path: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    from dictate.desk.records import Records

    plainly = Records.decide
    changed: list[str] = []

    def decide(self: Records, standing: Any, *rest: Any) -> Any:
        if not changed:
            head = store.head(standing.head.id)
            store.save_note(head.id, ONE + "The disc is pale.\n", head.revision, "AB")
            changed.append(head.id)
        return plainly(self, standing, *rest)

    monkeypatch.setattr(Records, "decide", decide)
    result = run("settle", note(tmp_path, ONE), keys="1|2|1")
    assert "changed elsewhere: this answer is not saved" in result.stdout
    told = rows(settled(store, only(store).id))
    assert ("pressure.eye", "left", 16) in told and ("disc.pallor", "right", "present") in told


# ---- what cannot be settled ---------------------------------------------------------------------


def test_neither_a_file_nor_a_record() -> None:
    assert "nothere.txt: there is no such file, and there is no record" in run("settle", "nothere.txt", status=2).stderr


def test_standard_input_cannot_be_the_note() -> None:
    assert "save the note in a file" in run("settle", "-", keys=ONE, status=2).stderr


def test_an_empty_note(tmp_path: Path, store: Store) -> None:
    assert "the note is empty" in run("settle", note(tmp_path, " \n"), status=2).stderr
    assert store.find() == []


def test_a_file_that_is_no_note(tmp_path: Path, store: Store) -> None:
    place = tmp_path / "scan.pdf"
    place.write_bytes(b"%PDF-1.7 ...")
    assert "PDF" in run("settle", str(place), status=2).stderr
    assert store.find() == []


def test_a_store_that_cannot_be_opened(tmp_path: Path) -> None:
    result = run("settle", note(tmp_path, ONE), "--store", str(tmp_path), status=2)
    assert result.stderr.startswith("dictate: ")


def test_signs_that_steer_a_terminal_are_shown_harmless(tmp_path: Path) -> None:
    result = run(
        "settle",
        note(tmp_path, "Uvula midline. " * 8 + "Today the pressure sixteen \x1b[31m\x07 was found.\n"),
        keys="q",
        status=LEAVE,
    )
    assert "[pressure sixteen]" in result.stdout
    assert "\x1b" not in result.stdout and "\x07" not in result.stdout


# ---- signing --------------------------------------------------------------------------------------


def test_a_settled_record_is_signed(tmp_path: Path, store: Store) -> None:
    run("settle", note(tmp_path, ONE), keys="1")
    record_id = only(store).id
    result = run("sign", record_id, "--as", "MK")
    assert f"record {record_id}, version 1: signed MK" in result.stdout
    (version,) = store.versions(record_id)
    assert (version.initials, version.note) == ("MK", ONE)
    assert version.record["flags"] == []
    assert version.record["origins"]
    assert store.verify() == []


def test_open_questions_are_listed_and_nothing_is_signed(tmp_path: Path, store: Store) -> None:
    run("settle", note(tmp_path, "Pressure sixteen. " + PAIRS), keys="q", status=LEAVE)
    record_id = only(store).id
    result = run("sign", record_id, "--as", "MK", status=3)
    assert "Eye pressure 16 mmHg: which eye?  “Pressure sixteen”" in result.stdout
    assert "right first, then left?" in result.stdout
    assert f"2 questions still open; answer with: dictate settle {record_id}" in result.stderr
    assert store.versions(record_id) == []
    assert only(store).state == "open"


def test_a_signed_record_is_not_settled_or_signed_again(tmp_path: Path, store: Store) -> None:
    run("settle", note(tmp_path, SURE))
    record_id = only(store).id
    run("sign", record_id, "--as", "MK")
    assert "is signed by MK and does not change" in run("settle", record_id, status=2).stderr
    assert "is signed by MK and does not change" in run("sign", record_id, "--as", "AB", status=2).stderr
    assert len(store.versions(record_id)) == 1


def test_signing_needs_initials_and_a_record(tmp_path: Path, store: Store) -> None:
    run("settle", note(tmp_path, SURE))
    assert "needs initials" in run("sign", only(store).id, "--as", " ", status=2).stderr
    assert "there is no record zzzzzzzz" in run("sign", "zzzzzzzz", "--as", "MK", status=2).stderr
    run("sign", only(store).id, status=2)


def test_a_record_without_a_note_is_not_signed(store: Store) -> None:
    head = store.new("MK")
    assert "no note yet" in run("sign", head.id, "--as", "MK", status=2).stderr


# ---- a terminal -----------------------------------------------------------------------------------


class Terminal:
    """The command in a terminal of its own."""

    def __init__(self, *words: str) -> None:
        env = os.environ | {"TERM": "xterm"}
        command = ["-m", "dictate", *words]
        self.child = pexpect.spawn(sys.executable, command, env=env, encoding="utf-8", timeout=30, dimensions=(40, 90))

    def at(self, words: str, keys: str = "") -> str:
        """Wait for words and press keys; gives what came before."""
        self.child.expect(words)
        before = str(self.child.before)
        if keys:
            self.child.expect("> $")
            self.child.send(keys)
        return before

    def ends(self, status: int) -> str:
        self.child.expect(pexpect.EOF)
        self.child.close()
        assert self.child.exitstatus == status, self.child.before
        assert "Traceback" not in self.child.before
        return str(self.child.before)


TWO = "Pressure sixteen. The disc is pale.\n"


def test_single_keys_settle_a_note(tmp_path: Path, store: Store) -> None:
    there = Terminal("settle", note(tmp_path, TWO))
    there.at("1 of 2", "1")
    there.at("1 of 1", "2")
    assert "nothing is open" in there.ends(0)
    told = rows(settled(store, only(store).id))
    assert ("pressure.eye", "right", 16) in told and ("disc.pallor", "left", "present") in told


def test_a_form_is_typed_at_the_terminal(tmp_path: Path, store: Store) -> None:
    there = Terminal("settle", note(tmp_path, ONE))
    there.at("1 of 1", "e")
    there.child.expect("Enter: Eye pressure")
    there.child.sendline("")
    for side, told in (("Right", "18"), ("Left", "19")):
        there.child.expect(f"{side}, Eye pressure")
        there.child.sendline(told)
    there.ends(0)
    assert ("pressure.eye", "left", 19) in rows(settled(store, only(store).id))


@pytest.mark.parametrize(
    ("keys", "status"), [("\x03", INTERRUPTED), ("\x04", LEAVE), ("q", LEAVE), ("\x1b[A\x03", None)]
)
def test_leaving_in_the_middle_loses_nothing(tmp_path: Path, store: Store, keys: str, status: int | None) -> None:
    there = Terminal("settle", note(tmp_path, TWO))
    there.at("1 of 2", "1")
    there.at("1 of 1", keys)
    assert "1 question still open; go on with: dictate settle" in there.ends(INTERRUPTED if status is None else status)
    assert len(store.decisions(only(store).id)) == 1
    again = Terminal("settle", only(store).id)
    again.at("1 of 1", "1")
    again.ends(0)
    assert store.verify() == []


def test_an_interrupt_in_a_form_loses_nothing(tmp_path: Path, store: Store) -> None:
    there = Terminal("settle", note(tmp_path, TWO))
    there.at("1 of 2", "1")
    there.at("1 of 1", "e")
    there.child.expect("What was measured")
    there.child.sendintr()
    there.ends(INTERRUPTED)
    assert len(store.decisions(only(store).id)) == 1


def test_a_terminal_that_goes_away_loses_nothing(tmp_path: Path, store: Store) -> None:
    there = Terminal("settle", note(tmp_path, TWO))
    there.at("1 of 2", "1")
    there.child.expect("1 of 1")
    there.child.kill(signal.SIGKILL)
    there.child.wait()
    assert len(store.decisions(only(store).id)) == 1
    assert store.verify() == []


def test_arrow_keys_and_wrong_keys_do_nothing(tmp_path: Path, store: Store) -> None:
    there = Terminal("settle", note(tmp_path, ONE))
    there.at("1 of 1", "\x1b[A")
    there.at("is none of the keys", "7")
    there.at("is none of the keys", "Q")
    there.ends(LEAVE)
    assert store.decisions(only(store).id) == []
