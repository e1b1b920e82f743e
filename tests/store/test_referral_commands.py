"""`dictate referrals` and `dictate advise ID`: what they print and what they keep."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from dictate import cli
from dictate.store import open_store

TODAY = date.today()


def day(apart: int) -> date:
    return TODAY + timedelta(days=apart)


@pytest.fixture
def two(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """A referral that is not due yet, and one that is three days overdue."""
    monkeypatch.setenv("DICTATE_STORE", str(tmp_path / "records.db"))
    made = []
    with open_store() as store:
        for number, apart in enumerate((20, -3)):
            head = store.new("MK")
            store.set_patient(head.id, {"name": f"Zoë {number}", "reference": f"A-{number}"}, head.revision, "MK")
            made.append(store.open_referral(head.id, f"Clinic {number}", "soon", day(apart), "MK").id)
    return made


def run(*words: str, status: int = 0, **options: str) -> Result:
    result = CliRunner().invoke(cli.app, list(words), **options)
    assert result.exit_code == status, result.output
    assert "Traceback" not in result.output
    return result


def test_overdue_ones_are_listed_first(two: list[str]) -> None:
    lines = run("referrals", "list").stdout.splitlines()
    assert [line.split()[0] for line in lines] == [two[1], two[0]]
    assert lines[0].split("  ")[1:] == ["draft", "overdue 3 days", "Clinic 1", "A-1", "Zoë 1"]
    assert f"due {day(20)}" in lines[1]
    assert run("referrals", "list", "--overdue").stdout.count("\n") == 1


def test_an_empty_list_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DICTATE_STORE", str(tmp_path / "records.db"))
    assert "there are no referrals" in run("referrals", "list").stderr
    assert "no referral is overdue" in run("referrals", "list", "--overdue").stderr


def test_what_became_of_it_is_noted(two: list[str]) -> None:
    run("referrals", "set", two[1], "sent", "--day", str(day(-1)))
    late = run("referrals", "set", two[1], "booked", "--appointment", str(day(4)))
    assert f"appointment {day(4)}, late" in late.stdout
    assert "after the day to be seen by" in late.stderr
    reply = run("referrals", "reply", two[1], "-", input="Seen by us.\nDrusen.\n")
    assert "reply received" in reply.stdout
    run("referrals", "set", two[1], "closed", "--due", str(day(1)), "--to", "Neurology")
    shown = run("referrals", "show", two[1]).stdout
    assert "    Seen by us.\n    Drusen.\n" in shown
    states = [line.split("  ")[1] for line in shown.splitlines() if line.startswith("20")]
    assert states == ["draft", "sent", f"booked, appointment {day(4)}", "reply received", "closed"]
    assert "Neurology" in shown
    assert two[1] not in run("referrals", "list").stdout
    assert two[1] in run("referrals", "list", "--all").stdout


def test_one_is_begun_by_hand(two: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "settings.toml"
    file.write_text("[due_days]\nsoon = 11\n", encoding="utf-8")
    monkeypatch.setenv("DICTATE_SETTINGS", str(file))
    record = two[0].partition("-")[0]
    said = run("referrals", "open", record, "--to", "Neurology", "--urgency", "soon").stdout
    assert said.startswith(f"{record}-2  draft  due {day(11)}  Neurology")
    said = run("referrals", "open", record, "--to", "ENT", "--urgency", "routine", "--due", "2031-01-02").stdout
    assert "due 2031-01-02" in said
    assert (
        "no record nothere1"
        in run("referrals", "open", "nothere1", "--to", "ENT", "--urgency", "soon", status=2).stderr
    )


def test_a_records_id_names_its_only_referral(two: list[str], tmp_path: Path) -> None:
    record = two[0].partition("-")[0]
    file = tmp_path / "reply.txt"
    file.write_text("\ufeffSeen, thank you.", encoding="utf-8")
    run("referrals", "reply", record, str(file))
    with open_store() as store:
        assert store.referral_story(two[0])[-1].reply == "Seen, thank you."


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["show", "nothere1-1"], "there is no record nothere1"),
        (["set", "nothere1-1", "sent"], "there is no record nothere1"),
        (["set", "{0}", "sent", "--day", "2999-01-01"], "has not come yet"),
        (["reply", "{0}", "-"], "the reply is empty; nothing was filed"),
        (["reply", "{0}", "no/such/file"], "no/such/file"),
    ],
)
def test_faults_are_told_in_a_sentence(two: list[str], words: list[str], told: str) -> None:
    result = run("referrals", *(word.format(*two) for word in words), status=2, input=" \n")
    assert told in result.stderr
    assert result.stderr.count("\n") == 1


# ---- suggestions on a record of the store -----------------------------------------------------


def test_suggestions_on_a_record_rest_on_what_was_settled(two: list[str], tmp_path: Path) -> None:
    with open_store() as store:
        head = store.new("MK")
        store.save_note(head.id, "Pressures 17 and 28.", head.revision, "MK")
    assert "Nothing that is stated calls for" in run("advise", head.id).stdout
    run("settle", head.id, input="1\n")
    said = run("advise", head.id).stdout
    assert said.startswith(head.id)
    assert "Raised pressure" in said
    assert "question is open" not in said
    run("sign", head.id, "--as", "MK")
    assert run("advise", head.id).stdout == said
    file = tmp_path / "note.txt"
    file.write_text("Right RAPD.", encoding="utf-8")
    both = run("advise", head.id, str(file)).stdout
    assert both.index(head.id) < both.index("note.txt")


def test_no_such_record_and_no_such_file(two: list[str]) -> None:
    told = run("advise", "nothere1", status=2).stderr
    assert "nothere1: there is no such file, and there is no record nothere1" in told
