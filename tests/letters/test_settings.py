"""The settings: kept for the owner alone, refused with the reason, and shown as they were set."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest
from typer.testing import CliRunner

from dictate import cli
from dictate.letters import settings
from dictate.letters.model import Party


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    place = tmp_path / "own" / "settings.toml"
    monkeypatch.setenv(settings.VARIABLE, str(place))
    return place


def run(*words: str, status: int = 0) -> str:
    result = CliRunner().invoke(cli.app, ["settings", *words])
    assert result.exit_code == status, result.output
    return result.output


def test_without_a_file_all_is_usual(file: Path) -> None:
    assert settings.load() == settings.Settings(
        clinic=Party(),
        clinician=Party(),
        paper="a4",
        due_days={"same_day": 0, "urgent": 14, "soon": 28, "routine": 84},
    )
    assert not file.exists()


def test_what_is_set_is_loaded(file: Path, tmp_path: Path) -> None:
    run("set", "clinic.name", "Lindmarsh Eye Rooms")
    run("set", "clinic.address", "4 Ferry Walk", "Lindmarsh LM2 7QX")
    run("set", "clinic.phone", "00 555 0142")
    run("set", "clinic.email", "desk@lindmarsh.example")
    run("set", "clinician.name", "Mirjam", "Køhlerová")
    run("set", "clinician.role", "Optometrist")
    run("set", "clinician.registration", "Registration 01-55512")
    run("set", "paper", "us-letter")
    run("set", "due_days.urgent", "7")
    run("set", "templates", str(tmp_path))
    run("set", "name_in_subject", "yes")
    assert settings.load() == settings.Settings(
        clinic=Party(
            "Lindmarsh Eye Rooms",
            "",
            ("4 Ferry Walk", "Lindmarsh LM2 7QX", "Telephone 00 555 0142", "desk@lindmarsh.example"),
        ),
        clinician=Party("Mirjam Køhlerová", "Optometrist", ("Registration 01-55512",)),
        paper="us-letter",
        due_days={"same_day": 0, "urgent": 7, "soon": 28, "routine": 84},
        templates=tmp_path,
        name_in_subject=True,
    )
    shown = run("show")
    for words in ("Lindmarsh Eye Rooms", "Lindmarsh LM2 7QX", "us-letter", "due_days.urgent         7", "yes"):
        assert words in shown, words


def test_only_the_owner_can_read_the_file(file: Path) -> None:
    run("set", "clinic.name", "Lindmarsh Eye Rooms")
    run("set", "clinic.name", "Lindmarsh")
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert stat.S_IMODE(file.parent.stat().st_mode) == 0o700
    assert [one.name for one in file.parent.iterdir()] == ["settings.toml"]


def test_comments_and_order_stay(file: Path) -> None:
    file.parent.mkdir()
    file.write_text('# ours\n[clinician]\nname = "M"  # who signs\n\n[clinic]\nphone = "1"\n', encoding="utf-8")
    run("set", "clinic.phone", "2")
    assert file.read_text(encoding="utf-8") == '# ours\n[clinician]\nname = "M"  # who signs\n\n[clinic]\nphone = "2"\n'


def test_a_value_is_emptied_by_giving_none(file: Path) -> None:
    run("set", "clinic.phone", "00 555 0142")
    assert run("set", "clinic.phone") == "clinic.phone: empty\n"
    assert settings.load().clinic == Party()
    assert "(not set: its telephone number)" in run("show")


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (["nix", "1"], "nix: no such setting; there are clinic.name"),
        (["paper", "a5"], "paper: it is one of a4, us-letter"),
        (["paper"], "paper: give a value (a4 or us-letter)"),
        (["due_days.soon", "a week"], "due_days.soon: it is a whole number of days, from 0 to 1000"),
        (["due_days.soon", "2000"], "due_days.soon: it is a whole number of days, from 0 to 1000"),
        (["clinic.email", "nobody"], "clinic.email: “nobody” is no e-mail address"),
        (["templates", "/there/is/none"], "templates: there is no folder /there/is/none"),
        (["name_in_subject", "perhaps"], "name_in_subject: it is yes or no"),
    ],
)
def test_a_wrong_value_is_refused_in_a_sentence(file: Path, words: list[str], reason: str) -> None:
    told = run("set", *words, status=2)
    assert told.startswith(f"dictate: {reason}") and told.count("\n") == 1
    assert not file.exists()


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("paper = ", "Invalid value"),
        ("[clinic]\nfax = '1'", "clinic.fax: no such setting"),
        ("paper = 4", "paper: it is one of a4, us-letter"),
        ("[clinic]\nname = 4", "clinic.name: it is text in quotation marks"),
        ("[clinic]\naddress = 'x'", "clinic.address: it is a list of lines"),
        ("[due_days]\nsoon = -1", "due_days.soon: it is a whole number of days"),
        ("name_in_subject = 1", "name_in_subject: it is true or false"),
    ],
)
def test_a_wrong_file_is_refused_with_its_name_and_the_key(file: Path, text: str, reason: str) -> None:
    file.parent.mkdir()
    file.write_text(text, encoding="utf-8")
    told = run("show", status=2)
    assert str(file) in told and reason in told
    with pytest.raises(settings.SettingsError, match=r"settings\.toml"):
        settings.load()


def test_a_file_in_another_encoding_is_refused(file: Path) -> None:
    file.parent.mkdir()
    file.write_bytes(b"[clinic]\nname = 'M\xfcller'\n")
    assert f"{file}: the settings are not UTF-8 text" in run("show", status=2)


def test_a_wrong_setting_can_be_put_right(file: Path) -> None:
    file.parent.mkdir()
    file.write_text("paper = 'a5'\n", encoding="utf-8")
    run("set", "paper", "a4")
    assert settings.load().paper == "a4"


def test_the_path_is_told(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert run("path").replace("\n", "") == str(file)
    monkeypatch.delenv(settings.VARIABLE)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(file.parent))
    assert settings.path().name == "settings.toml" and settings.path().parent.name == "dictate"
