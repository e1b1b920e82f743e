"""What is asked, in which words, and what one answer would set. The questions' forms are the project's own."""

from __future__ import annotations

from typing import Any

import pytest

import dictate

YES_OR_NO = [{"accept": True}, {"accept": False}]

CASES: list[tuple[str, str, str, list[dict[str, Any]]]] = [
    (
        "Pressure 16.",
        "side",
        "Eye pressure 16 mmHg: which eye?",
        [{"side": "right"}, {"side": "left"}, {"side": "both"}],
    ),
    (
        "IOP 16/22.",
        "order",
        "Eye pressure 16 mmHg and 22 mmHg: right first, then left?",
        [{"order": "right_left"}, {"order": "left_right"}],
    ),
    (
        "Right pressure 160.",
        "range",
        "Eye pressure 160 mmHg: is that right (usually 4 to 60 mmHg)?",
        [{"value": 16}, *YES_OR_NO],
    ),
    (
        "Weber central with the 265 fork.",
        "range",
        "Weber central (fork 265): is that right?",
        YES_OR_NO,
    ),
    (
        "Colour plates thirteen with each eye.",
        "value",
        "Colour plates, “Colour plates thirteen with each eye”: what is the value?",
        # the totals told of the 14, 24 and 38 plates editions
        [{"value": f"13/{total}"} for total in (14, 15, 17, 21, 24, 25, 38)],
    ),
    (
        "Right pressure 16. Left pressure 18. Cornea clear. Right pressure 22.",
        "conflict",
        "Eye pressure, right: the note says 16 mmHg and 22 mmHg. Which holds?",
        [{"item": "pressure.eye", "side": "right", "value": v} for v in (16, 22)],
    ),
    (
        "Pupils equal. Right pupil 3 mm, left pupil 5 mm.",
        "conflict",
        "Anisocoria: the note says “Pupils equal” and “Right pupil 3 mm” and “left pupil 5 mm”. Which holds?",
        [
            {"item": "pupil.anisocoria", "side": None, "value": "absent"},
            {"item": "pupil.size", "side": "right", "value": 3},
            {"item": "pupil.size", "side": "left", "value": 5},
        ],
    ),
]


@pytest.mark.parametrize(("note", "reason", "question", "choices"), CASES, ids=[c[0] for c in CASES])
def test_the_question_and_its_choices(note: str, reason: str, question: str, choices: list[dict[str, Any]]) -> None:
    flags = [f for f in dictate.read(note).flags if f.reason == reason]
    assert [f.question for f in flags] == [question]
    assert list(flags[0].choices) == choices


def test_a_value_in_dispute_on_both_sides_is_asked_side_by_side() -> None:
    record = dictate.read("Right cup 0.4, left cup 0.5. Vessels normal. Right cup 0.6, left cup 0.8.")
    asked = [f for f in record.flags if f.reason == "conflict"]
    assert [f.question.split(":")[0] for f in asked] == ["Cup-disc ratio, right", "Cup-disc ratio, left"]
    assert [{record.entry(e).side for e in f.entries} for f in asked] == [{"right"}, {"left"}]


def test_the_nearest_forks_are_offered() -> None:
    record = dictate.read("512 and 125 forks to hand.")
    flags = [f for f in record.flags if f.reason == "range"]
    assert flags[0].choices[0] == {"value": 128}
    assert list(flags[0].choices[-2:]) == YES_OR_NO


def test_a_test_told_as_not_done_and_with_a_value_is_asked() -> None:
    record = dictate.read("Pressures not done. Right pressure 16.")
    [flag] = record.flags
    assert (flag.reason, flag.question) == (
        "conflict",
        "Eye pressure: the note says not done and right 16 mmHg. Which holds?",
    )
    assert [(e.side, e.value) for e in record.entries] == [(None, "not_done"), ("right", 16)]
