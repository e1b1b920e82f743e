"""A row that rests on words that were misheard or not read at all is a question."""

from __future__ import annotations

import pytest

from dictate import read


def states(text: str, item: str) -> set[str]:
    """How the rows of one item stand."""
    return {e.state for e in read(text).entries if e.item == item}


@pytest.mark.parametrize(
    ("text", "item"),
    [
        ("Splinter haemorrhage at the superon-asal edge of the left disc.", "disc.haemorrhage"),
        ("Right disc: a notch in fear oh temporal.", "disc.notch"),
        ("Sensation is normal over the four head on both sides.", "face.sensation"),
        ("Field defect on the right, infer oh nasal.", "fields.confrontation"),
    ],
)
def test_a_misheard_circumstance_asks(text: str, item: str) -> None:
    assert states(text, item) == {"confirm"}


def test_only_the_rows_of_the_misheard_circumstance_ask() -> None:
    record = read("Facial sensation normal over the four head, cheeks and chin on both sides.")
    assert {(e.context["branch"], e.state) for e in record.entries} == {
        ("V1", "confirm"),
        ("V2", "stated"),
        ("V3", "stated"),
    }


@pytest.mark.parametrize(
    ("text", "item"),
    [
        ("Weber central. Grainy is positive on the right.", "hearing.rinne"),
        ("Trapezius 5 out of 5 on both sides. Turned mustard 4 out of 5 on the right.", "trapezius.power"),
    ],
)
def test_a_value_with_an_unread_name_is_never_stated_of_another_test(text: str, item: str) -> None:
    second = text.index(". ") + 2
    rows = [e for e in read(text).entries if any(x.start >= second for x in e.evidence) and e.item == item]
    assert all(e.state == "confirm" for e in rows)


@pytest.mark.parametrize(
    ("text", "item"),
    [
        ("Right lens clear. She manages it well. The left is clear too.", "lens.cataract"),
        ("Exophthalmometry: the right eye measures 17 and the left 19.", "eye.exophthalmometry"),
        ("Angles by van Herick grade four on both sides.", "angle.van_herick"),
        ("Left ptosis measuring 2 mm.", "lid.ptosis_size"),
    ],
)
def test_words_that_tie_a_sentence_together_are_no_unread_name(text: str, item: str) -> None:
    assert states(text, item) == {"stated"}


def test_evidence_covers_what_was_misheard() -> None:
    record = read("Splinter haemorrhage at the superon-asal edge of the left disc.")
    asked = [e for e in record.entries if e.item == "disc.haemorrhage"]
    assert asked and all(any("superon-asal" in x.text for x in e.evidence) for e in asked)


def test_what_is_said_clearly_elsewhere_is_sure() -> None:
    assert states("Upper lids: toe sis on the right. So there is ptosis on the right.", "lid.ptosis") == {"stated"}
    same_breath = "Upper lids: the right lid droops, so toe sis on the right."
    assert states(same_breath, "lid.ptosis") == {"confirm"}
