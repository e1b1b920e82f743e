"""Decisions on a record: what stands, what is asked again, what is never lost.

The rules (what one answer sets, GUIDE-like sides and orders) are the project's own; no outside source.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import dictate
from dictate.lexicon import load
from dictate.settling import (
    Decision,
    Row,
    Settled,
    SettleError,
    add,
    answer,
    answer_rows,
    change,
    drop,
    form,
    parse,
    questions,
    remove,
    settle,
)
from dictate.settling.model import Anchor
from dictate.settling.moves import carry

LEXICON = load()
NOTES = sorted((Path(__file__).parents[1] / "notes").glob("*.txt"))[::4]


class Desk:
    """A note and the decisions on it, as a desk holds them."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.texts: dict[str, str] = {}
        self.decisions: list[Decision] = []
        self.settled: Settled
        self.edit(text)

    def edit(self, text: str) -> Settled:
        self.text = text
        record = dictate.read(text)
        self.texts[record.sha256] = text
        # as kept and read back
        kept = [Decision.from_dict(d.to_dict()) for d in self.decisions]
        assert kept == self.decisions
        self.settled = settle(record, text, kept, self.texts, LEXICON)
        return self.settled

    def decide(self, decision: Decision) -> Settled:
        self.decisions.append(decision)
        return self.edit(self.text)

    def choose(self, choice: dict[str, Any], *flags: str) -> Settled:
        return self.decide(answer(self.settled, flags or [self.settled.record.flags[0].id], choice, "mk"))

    def rows(self, item: str = "") -> list[tuple[str, str | None, Any]]:
        return [(e.item, e.side, e.value) for e in self.settled.record.entries if not item or e.item == item]


ANSWERS: list[tuple[str, dict[str, Any], list[tuple[str, str | None, Any]]]] = [
    ("Pressure 16.", {"side": "right"}, [("pressure.eye", "right", 16)]),
    ("Pressure 16.", {"side": "both"}, [("pressure.eye", "right", 16), ("pressure.eye", "left", 16)]),
    ("IOP 16/22.", {"order": "right_left"}, [("pressure.eye", "right", 16), ("pressure.eye", "left", 22)]),
    ("IOP 16/22.", {"order": "left_right"}, [("pressure.eye", "left", 16), ("pressure.eye", "right", 22)]),
    ("Right pressure 160.", {"accept": True}, [("pressure.eye", "right", 160)]),
    ("Right pressure 160.", {"accept": False}, []),
    ("Right pressure 160.", {"value": 16}, [("pressure.eye", "right", 16)]),
    ("Right colour plates thirteen.", {"value": "13/15"}, [("colour.plates", "right", "13/15")]),
    (
        "Right cup 0.4. Vessels normal. Right cup 0.6.",
        {"item": "disc.cup_ratio", "side": "right", "value": 0.6},
        [("fundus.vessels", "right", "normal"), ("fundus.vessels", "left", "normal"), ("disc.cup_ratio", "right", 0.6)],
    ),
    (
        "Pupils equal. Right pupil 3 mm, left pupil 5 mm.",
        {"item": "pupil.size", "side": "right", "value": 3},
        [("pupil.size", "right", 3), ("pupil.size", "left", 5)],
    ),
    (
        "Pupils equal. Right pupil 3 mm, left pupil 5 mm.",
        {"item": "pupil.anisocoria", "side": None, "value": "absent"},
        [("pupil.anisocoria", None, "absent")],
    ),
    (
        "Pupils equal. Right pupil 3 mm, left pupil 5 mm.",
        {"keep": "all"},
        [("pupil.anisocoria", None, "absent"), ("pupil.size", "right", 3), ("pupil.size", "left", 5)],
    ),
]


@pytest.mark.parametrize(("note", "choice", "rows"), ANSWERS, ids=lambda x: str(x)[:40])
def test_what_one_answer_sets(note: str, choice: dict[str, Any], rows: list[Any]) -> None:
    desk = Desk(note)
    assert desk.settled.open == 1
    desk.choose(choice)
    assert desk.settled.open == 0
    assert sorted(desk.rows(), key=str) == sorted(rows, key=str)
    assert all(e.state == "stated" for e in desk.settled.record.entries)
    assert not desk.settled.lapsed


def test_what_stood_before_is_kept() -> None:
    desk = Desk("IOP 16/22.")
    desk.choose({"order": "left_right"})
    told = [(e.origin, [(r.side, r.value) for r in e.was]) for e in desk.settled.entries]
    assert told == [("chosen", [("right", 16)]), ("chosen", [("left", 22)])]
    desk.decide(change(desk.settled, "e1", Row("pressure.eye", "left", 17), "mk"))
    one = desk.settled.settled_entry("e1")
    assert (one.origin, [(r.side, r.value) for r in one.was]) == ("own", [("right", 16), ("left", 16)])
    assert one.entry.evidence[0].text in desk.text


def test_a_decision_on_one_question_leaves_another_open() -> None:
    desk = Desk("Pressure 160.")
    assert [f.reason for f in desk.settled.record.flags] == ["side", "range"]
    desk.choose({"side": "left"}, "f1")
    assert [f.reason for f in desk.settled.record.flags] == ["range"]
    assert desk.settled.record.entries[0].state == "confirm"
    desk.choose({"accept": True}, "f1")
    assert desk.rows() == [("pressure.eye", "left", 160)]
    assert desk.settled.open == 0


def test_something_else_and_not_said() -> None:
    desk = Desk("Right colour plates thirteen. Pressure 16.")
    flags = {f.reason: f.id for f in desk.settled.record.flags}
    desk.decide(answer_rows(desk.settled, [flags["value"]], [Row("colour.plates", "right", "12/15")], "mk"))
    flags = {f.reason: f.id for f in desk.settled.record.flags}
    desk.decide(drop(desk.settled, [flags["side"]], "mk"))
    assert desk.rows() == [("colour.plates", "right", "12/15")]
    assert desk.settled.entries[0].origin == "own"
    assert desk.settled.entries[0].was


def test_by_hand() -> None:
    desk = Desk("Pupils equal.")
    desk.decide(add(desk.settled, Row("pressure.eye", "right", 15), "mk"))
    own = next(e for e in desk.settled.entries if e.origin == "own")
    assert own.entry.unit == "mm[Hg]"
    assert own.entry.evidence == ()
    desk.decide(change(desk.settled, own.entry.id, Row("pressure.eye", "right", 14), "mk"))
    assert ("pressure.eye", "right", 14) in desk.rows()
    own = next(e for e in desk.settled.entries if e.origin == "own")
    desk.decide(remove(desk.settled, own.entry.id, "mk"))
    assert desk.rows() == [("pupil.anisocoria", None, "absent")]


def test_an_edit_elsewhere_keeps_a_decision() -> None:
    desk = Desk("Pressure 16.")
    desk.choose({"side": "left"})
    for text in ("Pupils equal. Pressure 16.", "Pupils equal.\n\nPressure 16. Discs pink.", "Pressure 16."):
        desk.edit(text)
        assert ("pressure.eye", "left", 16) in desk.rows()
        assert desk.settled.open == 0


@pytest.mark.parametrize("text", ["Pressure 18.", "Right pressure 16.", "Pupils equal.", "No pressure taken.", ""])
def test_an_edit_of_the_words_asks_again(text: str) -> None:
    desk = Desk("Pressure 16.")
    desk.choose({"side": "left"})
    desk.edit(text)
    assert [d.id for d in desk.settled.lapsed] == [d.id for d in desk.decisions]
    assert ("pressure.eye", "left", 16) not in desk.rows()
    desk.edit("Pressure 16.")  # the words are back, and so is the decision
    assert desk.rows() == [("pressure.eye", "left", 16)]


def test_a_no_before_the_words_asks_again() -> None:
    desk = Desk("Disc pale.")
    desk.choose({"side": "left"})
    desk.edit("No disc pale.")
    assert desk.settled.lapsed
    assert ("disc.pallor", "left", "present") not in desk.rows()


def test_the_same_words_twice_are_told_apart() -> None:
    desk = Desk("Pressure 16. Discs pink. Pressure 16.")
    flags = [f for f in desk.settled.record.flags if f.reason == "side"]
    desk.choose({"side": "left"}, flags[0].id)
    before = desk.rows("pressure.eye")
    desk.edit("Lids normal. " + desk.text)
    assert desk.rows("pressure.eye") == before


def test_a_decision_that_contradicts_the_rest_is_asked() -> None:
    desk = Desk("Pressure 16. Discs pink. Right pressure 18.")
    flag = next(f for f in desk.settled.record.flags if f.reason == "side")
    desk.choose({"side": "right"}, flag.id)
    assert [f.reason for f in desk.settled.record.flags] == ["conflict"]
    assert "16 and 18" in desk.settled.record.flags[0].question
    desk.choose({"keep": "all"})
    assert desk.settled.open == 0


def test_a_correction_by_hand_closes_the_contradiction_it_ends() -> None:
    desk = Desk("Pupils equal. Right pupil 3 mm, left pupil 5 mm.")
    left = next(e.id for e in desk.settled.record.entries if e.side == "left")
    desk.decide(change(desk.settled, left, Row("pupil.size", "left", 3), "mk"))
    assert desk.settled.open == 0


def test_computed_values_follow_the_decision() -> None:
    desk = Desk("Cups 0.3 and 0.6.")
    assert not [d for d in desk.settled.record.derived if "asymmetry" in d.key]
    desk.choose({"order": "right_left"})
    found = [d for d in desk.settled.record.derived if d.key.startswith("disc.") and d.outside]
    assert found


def test_questions_of_one_kind_are_one_question() -> None:
    desk = Desk("IOP 16/22. Discs pink. Cups 0.3 and 0.6. Vision 6/9 and 6/6.")
    asked = questions(desk.settled, desk.text, LEXICON)
    assert [(q.reason, len(q.lines)) for q in asked] == [("order", 3)]
    desk.decide(answer(desk.settled, asked[0].flags, asked[0].choices[0].sets, "mk"))
    assert desk.settled.open == 0
    desk.edit(desk.text.replace("0.3 and 0.6", "0.3 and 0.7"))
    assert len(desk.settled.record.flags) == 1  # only the pair whose words changed
    assert len(desk.settled.lapsed[0].targets) == 1


def test_a_question_quotes_its_sentence() -> None:
    desk = Desk("Lids normal. I make the pressure 16 today. Discs pink.")
    quote = questions(desk.settled, desk.text, LEXICON)[0].quotes[0]
    assert (quote.before, quote.words, quote.after) == ("I make the ", "pressure 16", " today.")


def test_where_the_sides_disagree_only_the_chosen_one_stays() -> None:
    desk = Desk("RAPD right. RAPD left.")
    [asked] = questions(desk.settled, desk.text, LEXICON)
    desk.decide(answer(desk.settled, asked.flags, asked.choices[0].sets, "mk"))
    assert desk.settled.open == 0
    assert [(e.item, e.side) for e in desk.settled.record.entries] == [("pupil.rapd", "right")]


def _asked(settled: Settled, flags: tuple[str, ...] = ()) -> set[Any]:
    """What is asked: the reason, the words and the rows."""
    return {
        (f.reason, f.evidence, tuple(str(Row.of(settled.record.entry(e))) for e in f.entries))
        for f in settled.record.flags
        if not flags or f.id in flags
    }


@pytest.mark.parametrize("path", NOTES, ids=lambda p: p.stem)
def test_every_choice_of_every_question_settles_it(path: Path) -> None:
    """One answer closes its question; what it does not speak of stays as it was."""
    text = path.read_bytes().decode()
    desk = Desk(text)
    for asked in questions(desk.settled, text, LEXICON):
        for choice in asked.choices:
            one = Desk(text)
            one.decide(answer(one.settled, asked.flags, choice.sets, "mk"))
            assert not _asked(one.settled) & _asked(desk.settled, asked.flags)
            assert not one.settled.lapsed
            about = {e for f in desk.settled.record.flags if f.id in asked.flags for e in f.entries}
            others = {
                (e.item, e.side, str(e.value), e.evidence) for e in desk.settled.record.entries if e.id not in about
            }
            now = {(e.item, e.side, str(e.value)) for e in one.settled.record.entries}
            assert {o[:3] for o in others} <= now
    while desk.settled.open:
        before = desk.settled.open
        asked = questions(desk.settled, text, LEXICON)[0]
        sets = asked.choices[0].sets if asked.choices else None
        desk.decide(answer(desk.settled, asked.flags, sets, "mk") if sets else drop(desk.settled, asked.flags, "mk"))
        assert desk.settled.open <= before + 1
        assert len(desk.decisions) < 100
    assert all(e.state == "stated" and e.value is not None for e in desk.settled.record.entries)


@given(st.text("ab\n .", max_size=60), st.text("ab\n .", max_size=60), st.integers(0, 59), st.integers(1, 9))
@settings(max_examples=300, deadline=None)
def test_words_are_carried_only_unchanged(old: str, new: str, start: int, length: int) -> None:
    words = old[start : start + length]
    if not words:
        return
    moved = carry(old, new)(Anchor(start, start + len(words), words))
    assert moved is None or new[moved.start : moved.end] == words


WORDS = st.lists(st.sampled_from("pressure pupils right left 16 no equal".split()), min_size=1, max_size=4).map(
    " ".join
)


@given(WORDS, WORDS, WORDS, WORDS)
@settings(max_examples=300, deadline=None)
def test_what_is_put_before_or_after_moves_words_along(before: str, words: str, after: str, more: str) -> None:
    old = f"{before}. {words}. {after}."
    anchor = Anchor(len(before) + 2, len(before) + 2 + len(words), words)
    for new in (f"{more}. {old}", f"{old} {more}.", f"{old}\n{more}"):
        moved = carry(old, new)(anchor)
        assert moved is not None
        assert new[moved.start : moved.end] == words


TYPED = [
    ("pupil.size", {"side": "right", "value": "4,5 mm", "light": "dim"}, 4.5),
    ("disc.cup_ratio", {"side": "left", "value": ".35"}, 0.35),
    ("disc.cup_ratio", {"side": "left", "value": "0.5 - 0.6"}, [0.5, 0.6]),
    ("acuity.distance", {"side": "both", "value": "6/5"}, "6/5"),
    ("acuity.distance", {"side": "right", "value": "cf 1 m"}, "CF 1 m"),
    ("acuity.near", {"side": "right", "value": "n5"}, "N5"),
    ("sternomastoid.power", {"side": "right", "value": "4+/5"}, "4+/5"),
    ("colour.plates", {"side": "right", "value": "13 of 15"}, "13/15"),
    ("disc.pallor", {"side": "right", "value": "suspected"}, "suspected"),
    ("pressure.eye", {"side": "right", "value": "not done"}, "not_done"),
    ("palate.elevation", {"side": "", "value": "symmetrical"}, "symmetrical"),
]


@pytest.mark.parametrize(("item", "fields", "value"), TYPED)
def test_what_is_typed_by_hand(item: str, fields: dict[str, str], value: Any) -> None:
    assert parse(item, fields, LEXICON).value == value


@pytest.mark.parametrize(
    ("item", "fields", "names"),
    [
        ("pupil.size", {"side": "right", "value": "big"}, "number in mm"),
        ("pupil.size", {"value": "4"}, "side missing"),
        ("pupil.size", {"side": "both", "value": "4"}, "side both"),
        ("pupil.size", {"side": "right", "value": "4", "light": "candle"}, "light 'candle'"),
        ("colour.plates", {"side": "right", "value": "16/15"}, "more right than were shown"),
        ("acuity.distance", {"side": "right", "value": "tuna"}, "no value of it"),
        ("disc.pallor", {"side": "right", "value": ""}, "value is missing"),
        ("hearing.weber", {"value": "sideways"}, "none of"),
        ("no.such", {"value": "1"}, "no item"),
    ],
)
def test_what_cannot_be_taken_is_said_in_a_sentence(item: str, fields: dict[str, str], names: str) -> None:
    with pytest.raises(SettleError, match=names) as caught:
        parse(item, fields, LEXICON)
    assert str(caught.value).endswith(".")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("item", list(LEXICON.items))
def test_every_item_has_a_form(item: str) -> None:
    """Every value that a form offers is one that can be typed."""
    one = form(item, LEXICON)
    side = next((s for s in one.sides if s), "")
    for value, _ in one.values:
        assert parse(item, {"value": value, "side": side}, LEXICON).value == value
    assert one.values or one.hint
