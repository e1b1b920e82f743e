"""The words of letters: complete for every item, and refused where they are wrong."""

from __future__ import annotations

from pathlib import Path

import pytest
from exports.making import LEXICON

from dictate.errors import LexiconError
from dictate.letters.words import SUSPECTED, load
from dictate.lexicon import load as load_lexicon
from letters.drafting import WORDS

MEASURED = ("quantity", "acuity", "near", "score", "grade")
ROW = 'group = "letters"\n[[item]]\nkey = "{key}"\n{rest}\n'


def test_every_item_has_its_words() -> None:
    plan = {WORDS.plan.test, WORDS.plan.referral, WORDS.plan.review}
    missing = [key for key in LEXICON.items if key not in plan and not WORDS.of(key).plain]
    assert missing == []
    assert [key for key in LEXICON.items if key not in plan and not WORDS.of(key).what] == []


def test_every_value_has_a_phrase_for_colleague_and_patient() -> None:
    lacking = []
    for key, item in LEXICON.items.items():
        row = WORDS.of(key)
        if item.role == "plan" or item.kind in ("text", *MEASURED):
            continue
        for value in [*item.values] or ["present", "absent"]:
            lacking += [(key, value)] if value not in row.normal and value not in row.found else []
            lacking += [(key, value, "plain")] if value not in row.plain_normal and value not in row.plain_found else []
        if item.kind == "finding" and "present" in row.plain_found:
            lacking += [] if SUSPECTED in row.plain_found else [(key, SUSPECTED)]
    assert lacking == []


def test_no_value_is_both_normal_and_found() -> None:
    for row in WORDS.item:
        assert not set(row.normal) & set(row.found), row.key
        assert set(row.normal) == set(row.plain_normal), row.key


def test_every_test_and_every_service_has_its_words() -> None:
    for value in LEXICON.items[WORDS.plan.test].values:
        assert value in WORDS.test and value in WORDS.plain_test
    for value in LEXICON.items[WORDS.plan.referral].values:
        assert value in WORDS.refer and value in WORDS.plain_refer


def test_the_patients_words_hold_no_shorthand() -> None:
    shorthand = {"RAPD", "IOP", "CDR", "V1", "V2", "V3", "OD", "OS"}
    for row in WORDS.item:
        told = " ".join([row.plain, row.what, *row.plain_normal.values(), *row.plain_found.values()])
        assert not shorthand & set(told.split()), row.key


def test_a_users_folder_adds_words_and_takes_the_place_of_shipped_ones(tmp_path: Path) -> None:
    folder = tmp_path / "letters"
    folder.mkdir()
    (folder / "letters.toml").write_text(ROW.format(key="disc.pallor", rest='found = { present = "a white disc" }'))
    words = load(load_lexicon(tmp_path), tmp_path)
    assert words.of("disc.pallor").found == {"present": "a white disc"}
    assert words.of("disc.swelling") == WORDS.of("disc.swelling")


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (ROW.format(key="no.such", rest=""), "item 'no.such' is in no file of the lexicon"),
        (ROW.format(key="disc.pallor", rest='found = { pale = "x" }'), "disc.pallor.found: 'pale' is no value of it"),
        (ROW.format(key="disc.pallor", rest='fund = { present = "x" }'), "fund"),
        ("group = ", "letters.toml"),
        ('group = "other"', "group"),
    ],
)
def test_a_wrong_file_is_refused_with_its_place(tmp_path: Path, text: str, reason: str) -> None:
    folder = tmp_path / "letters"
    folder.mkdir()
    (folder / "letters.toml").write_text(text)
    with pytest.raises(LexiconError) as raised:
        load(load_lexicon(tmp_path), tmp_path)
    assert reason in str(raised.value) and str(folder / "letters.toml") in str(raised.value)
