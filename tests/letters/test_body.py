"""A letter as text to edit, and back: what is untouched keeps what it rests on, what is written is the user's own."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dictate.letters.body import OWN, TABLE, from_body, left_out, own_words, to_body
from dictate.letters.model import Letter, Said
from letters.drafting import KINDS, TEXTS, drafted, findings, of_text
from letters.test_content import DISC, MANY


@pytest.fixture(scope="module")
def letter() -> Letter:
    return of_text(DISC)


def test_untouched_text_gives_the_same_letter() -> None:
    for name in TEXTS:
        for kind in KINDS:
            one = drafted(name, kind)
            assert from_body(to_body(one), one) == one, name


def test_the_text_reads_like_the_letter(letter: Letter) -> None:
    lines = to_body(letter).splitlines()
    assert lines[0] == "Dear colleague,"
    assert lines[-1] == "Yours sincerely,"
    assert "## Tests asked for" in lines and "- Formal visual fields" in lines
    assert lines.count(TABLE) == 1


def test_a_changed_sentence_is_the_users_own_and_the_others_stay(letter: Letter) -> None:
    edited = from_body(to_body(letter).replace("within four weeks about", "within a month about"), letter)
    assert edited.opening[0] == Said(
        letter.opening[0].text.replace("four weeks", "a month").replace("within a month", "within a month"), own=True
    )
    assert edited.opening[1] == letter.opening[1]
    assert edited.sections == letter.sections
    assert own_words(edited) == (edited.opening[0],)
    assert left_out(letter, edited) == (letter.opening[0],)


def test_an_added_point_an_added_heading_and_a_new_greeting(letter: Letter) -> None:
    text = to_body(letter).replace("Dear colleague,", "Dear Zoë,")
    text = text.replace("- Formal visual fields", "- Formal visual fields\n- Photographs of both discs")
    text = text.replace(
        "Yours sincerely,", "## What she was told\n\nWhy, and what to expect.\nTo ring if sight fails.\n\nWith thanks,"
    )
    edited = from_body(text, letter)
    assert (edited.greeting, edited.closing) == ("Dear Zoë,", "With thanks,")
    asked = next(one for one in edited.sections if one.key == "asked")
    assert asked.listed and asked.points[1] == Said("Photographs of both discs", own=True)
    added = edited.sections[-1]
    assert (added.key, added.title, added.listed) == (OWN, "What she was told", False)
    assert [one.text for one in added.points] == ["Why, and what to expect.", "To ring if sight fails."]
    assert all(one.own for one in added.points)
    assert left_out(letter, edited) == ()


def test_what_is_taken_out_is_known(letter: Letter) -> None:
    text = to_body(letter).replace("- Optical coherence tomography (OCT)\n", "")
    edited = from_body(text, letter)
    assert [one.text for one in left_out(letter, edited)] == ["Optical coherence tomography (OCT)"]


@pytest.mark.parametrize("gone", [TABLE, f"## Findings\n{TABLE}\n"])
def test_the_table_of_findings_stays(letter: Letter, gone: str) -> None:
    edited = from_body(to_body(letter).replace(gone, ""), letter)
    assert findings(edited) == findings(letter)


def test_the_table_stands_once(letter: Letter) -> None:
    edited = from_body(to_body(letter) + f"\n## Again\n{TABLE}\n", letter)
    assert findings(edited) == findings(letter)


def test_the_table_moves_with_its_heading() -> None:
    one = of_text(MANY)
    body = to_body(one)
    block = f"## Findings\n{TABLE}\n\n"
    moved = from_body(body.replace(block, "").replace("## Plan", f"{block}## Plan"), one)
    keys = [section.key for section in moved.sections]
    assert keys.index("findings") == keys.index("plan") - 1
    assert findings(moved) == findings(one)


def test_an_edited_letter_can_be_edited_again(letter: Letter) -> None:
    once = from_body(to_body(letter).replace("Dear colleague,", "Dear Zoë,") + "\nP.S. Thank you.\n", letter)
    assert from_body(to_body(once), once) == once
    assert [one.text for one in own_words(once)] == ["Yours sincerely,", "P.S. Thank you."]


@pytest.mark.parametrize("text", ["", "\n\n", "##", "- ", "#", TABLE, "- a\nb\n- c", "## A\n## B\ntext", "## \n- x"])
def test_any_text_can_be_read(letter: Letter, text: str) -> None:
    edited = from_body(text, letter)
    assert findings(edited) == findings(letter)
    again = from_body(to_body(edited), edited)
    assert [p.text for s in again.sections for p in s.points] == [p.text for s in edited.sections for p in s.points]


def test_windows_lines_and_blanks_change_nothing(letter: Letter) -> None:
    text = to_body(letter).replace("\n", "\r\n").replace(" about ", "  about\t")
    assert from_body(text, letter) == letter


def test_a_letter_without_findings_has_no_table() -> None:
    one = of_text("Eye movements full.")
    bare = replace(one, sections=tuple(replace(s, findings=()) for s in one.sections))
    assert TABLE not in to_body(bare)
    assert findings(from_body(to_body(bare) + f"\n{TABLE}\n", bare)) == []
