"""`dictate advise`: what it prints, in which order, and its exit status."""

from __future__ import annotations

import re
from pathlib import Path

from typer.testing import CliRunner, Result

from dictate.cli import app


def run(*told: str, note: str = "") -> Result:
    return CliRunner().invoke(app, ["advise", *told], input=note)


def flat(text: str) -> str:
    return " ".join(text.split())


def test_it_tells_why_whom_what_and_how_soon() -> None:
    result = run(
        "-", note="Right RAPD, red desaturation right. Pain on eye movement. Plan: OCT, refer ophthalmology routinely."
    )
    said = flat(result.stdout)
    assert result.exit_code == 0
    for words in (
        "1. Signs of optic nerve disease, right: the same day",
        "found Relative afferent pupillary defect, right: present",
        "suggestion may suggest",
        "ask eye casualty (planned: Referral (routine): ophthalmologist, which is later than usual)",
        "tests visual field, MRI, blood tests",
        "planned OCT",
        "sooner, as moving the eyes hurts: the same day",
        "source College of Optometrists",
        "(from memory)",
        "(common practice, no published source)",
        "local protocols and the judgement of a licensed clinician decide",
    ):
        assert words in said, words


def test_open_questions_are_told_first() -> None:
    said = run("-", note="IOP 28/14. Left RAPD.").stdout
    assert flat(said).startswith("standard input 1 question is open: values of this note are not confirmed.")
    assert "the stated entries only" in flat(said)
    assert "Raised pressure" not in said
    assert "Relative afferent defect" in said


def test_a_normal_note_is_told_so_and_not_cleared() -> None:
    result = run("-", note="Pupils 4 mm, equal, brisk. No RAPD.")
    assert result.exit_code == 0
    assert "Nothing that is stated calls for a suggestion. That is no clearance." in result.stdout


def test_several_notes_in_order_and_a_missing_one(tmp_path: Path) -> None:
    one, two = tmp_path / "one.txt", tmp_path / "two.txt"
    one.write_text("Left disc notch.", encoding="utf-8")
    two.write_text("Right RAPD.", encoding="utf-8")
    result = run(str(one), str(tmp_path / "none.txt"), str(two))
    assert result.exit_code == 2
    assert result.stdout.index("one.txt") < result.stdout.index("two.txt")
    assert "none.txt" in result.stderr
    assert run(str(one), str(two)).exit_code == 0


def test_a_wrong_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "referral.toml").write_text('group = "referral"\nadvise = 1\n', encoding="utf-8")
    result = run("-", "--lexicon", str(tmp_path), note="Right RAPD.")
    assert result.exit_code == 2
    assert "referral.toml: advise: Extra inputs" in result.stderr


def test_an_excluded_conclusion_is_told() -> None:
    said = flat(run("-", note="Left disc cup 0.75, right 0.7. No sign of glaucoma.").stdout)
    assert "but excluded in the note: Impression" in said


def test_lines_fit_a_page() -> None:
    said = run(
        "-", note="Left ptosis. Left pupil does not react to light. Left RAPD. Right disc swollen, left flat."
    ).stdout
    assert max(map(len, said.splitlines())) <= 100


def test_the_readme_shows_what_is_printed() -> None:
    readme = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
    block = re.search(r"^    \$ echo \"([^\"]*)\" \| dictate advise -\n\n(.*?)\n\n(?=\S)", readme, re.M | re.S)
    assert block
    assert flat(run("-", note=block.group(1)).stdout).startswith(flat(block.group(2)))
