"""Speech with no punctuation is cut where the next test begins, and nowhere else."""

import pytest

from dictate.pipeline import read_stages

LEAD = "this is mr vane he came with his son on the bus and is a little hard of hearing so i speak up and the room is rather loud today "


def pieces(said: str) -> list[str]:
    reading = read_stages(LEAD + said)
    return [reading.tokens.words(s.start, s.end).strip() for s in reading.segments.sentences][1:] or [
        reading.tokens.words(0, len(reading.tokens))
    ]


@pytest.mark.parametrize(
    ("said", "starts"),
    [
        ("pupils equal and brisk no ptosis tongue midline", ["no ptosis", "tongue midline"]),
        ("vision right six nine left six twelve pupils three millimetres discs pink", ["pupils", "discs"]),
        ("rinne positive both ears palate lifts evenly shrug five out of five each side", ["palate", "shrug"]),
        ("gag present on both sides follow my finger now stick out your tongue midline", ["follow"]),
        ("gag present both discs pink", ["both discs"]),
        ("pressures sixteen and eighteen in room light the pupils are four each", ["in room light"]),
    ],
)
def test_cut_before_the_next_test(said: str, starts: list[str]) -> None:
    told = pieces(said)
    for start in starts:
        assert any(p.startswith(start) for p in told), told


@pytest.mark.parametrize(
    "kept",
    [
        "right eye six nine disc pink left eye six twelve disc pale",  # a side told once holds for the next test
        "he read all fifteen ishihara plates",
        "there are twelve dioptres of left exotropia",
        "facial sensation and power are normal on each side",
        "corneal reflex present right face normal",  # whose side it is cannot be known
    ],
)
def test_not_cut_within_what_belongs_together(kept: str) -> None:
    assert any(kept in p for p in pieces("tongue central " + kept)), pieces("tongue central " + kept)


def test_sentences_with_punctuation_are_left_alone() -> None:
    note = "Pupils equal and brisk, discs pink, tongue midline, palate lifts well."
    assert len(read_stages(note).segments.sentences) == 1
