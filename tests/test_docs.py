"""The README keeps step with the program: commands, options, examples."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

import dictate
from dictate import cli
from dictate.lexicon import GroupFile, default_folder, load_folders

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
CHANGELOG = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")


def commands() -> dict[str, list[str]]:
    """Every command by its full name, with its options."""
    found: dict[str, list[str]] = {}

    def walk(command: object, name: str) -> None:
        below = getattr(command, "commands", None)
        if below:
            for key, one in below.items():
                walk(one, f"{name} {key}")
            return
        options = [o for p in getattr(command, "params", []) for o in p.opts if o.startswith("--")]
        found[name] = [o for o in options if o != "--help"]

    walk(typer.main.get_command(cli.app), "dictate")
    return found


@pytest.mark.parametrize("name", commands())
def test_every_command_and_option_is_in_the_readme(name: str) -> None:
    section = re.search(rf"^### `{name}\b.*?(?=^###? |\Z)", README, re.M | re.S)
    assert section, f"{name} has no heading in the README"
    for option in commands()[name]:
        assert option in section.group(), f"{name} {option}"


def test_no_command_is_described_that_is_not_there() -> None:
    told = set(re.findall(r"^### `(dictate(?: [a-z]+)+)", README, re.M))
    assert told == set(commands())
    assert "### `dictate --version`" in README


def test_the_two_commands_stand_near_the_top() -> None:
    top = README[:2000]
    assert "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/dictate demo" in top
    assert ".venv/bin/pip install '.[test]' && .venv/bin/pytest" in top


def _words(text: str) -> list[str]:
    return text.split()


def test_the_example_is_what_the_program_prints() -> None:
    block = re.search(r"^    \$ echo \"(.*?)\" \| dictate read -\n\n(.*?)\n\n(?=\S)", README, re.M | re.S)
    assert block
    note = " ".join(block.group(1).split())
    result = CliRunner().invoke(cli.app, ["read", "-"], input=note + "\n", env={"COLUMNS": "100"})
    assert result.exit_code == 0
    shown = _words(block.group(2))
    assert _words(result.stdout)[: len(shown)] == shown


def test_the_python_examples_run() -> None:
    blocks = re.findall(r"```python\n(.*?)```", README, re.S)
    assert len(blocks) == 2
    import dictate.component  # the source tree has no entry points

    assert dictate.component
    for block in blocks:
        exec(compile(block, "README.md", "exec"), {"print": lambda *_: None})


def test_the_lexicon_example_loads_and_reads(tmp_path: Path) -> None:
    block = re.search(r"```toml\n(.*?)```", README, re.S)
    assert block
    (tmp_path / "schirmer.toml").write_text(block.group(1), encoding="utf-8")
    load_folders([default_folder(), tmp_path])
    record = dictate.read("Tear strip right 12 mm, left 8 mm.", lexicon=tmp_path)
    assert {(e.side, e.value) for e in record.entries} == {("right", 12), ("left", 8)}


def test_the_schema_is_described() -> None:
    block = re.search(r"```toml\n(.*?)```", DEVELOPERS, re.S)
    assert block
    GroupFile.model_validate(tomllib.loads(block.group(1)))
    for name in GroupFile.model_fields:
        assert name in DEVELOPERS, name
    for model in ("topic", "item"):
        fields = GroupFile.model_fields[model].annotation.__args__[0].model_fields  # type: ignore[union-attr]
        for name, field in fields.items():
            assert (field.alias or name) in DEVELOPERS, f"{model}.{name}"


def test_every_module_has_its_place_in_the_developers_guide() -> None:
    for path in sorted((ROOT / "dictate").glob("*.py")):
        if not path.name.startswith("__"):
            assert f"`{path.stem}`" in DEVELOPERS, path.name


def test_the_changelog_knows_the_version() -> None:
    assert f"## {dictate.__version__}" in CHANGELOG


def test_the_readme_says_what_it_must() -> None:
    for words in ("not a medical device", "local protocols", "licensed clinician", "notes never leave it", "Not yet"):
        assert words in " ".join(README.split()), words
