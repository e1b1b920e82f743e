"""What the page shows of a record, before it is HTML."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from dictate import demo
from dictate.desk import changes
from dictate.desk.marks import Piece
from dictate.desk.names import entry_names, flag_names, question_name
from dictate.desk.view import RecordView, record_view
from dictate.lexicon import Lexicon, load
from dictate.pipeline import read
from dictate.settling import Settled, answer, change, parse, questions, settle

LEXICON = load()


def settled(text: str, decisions: tuple = ()) -> Settled:  # type: ignore[type-arg]
    record = read(text, lexicon=LEXICON)
    return settle(record, text, decisions, {record.sha256: text}, LEXICON)


def view(text: str, decisions: tuple = ()) -> RecordView:  # type: ignore[type-arg]
    one = settled(text, decisions)
    return record_view(one, text, questions(one, text, LEXICON), LEXICON)


def under(shown: RecordView, words: str) -> Piece:
    return next(p for p in shown.pieces if words in p.text)


def test_the_pieces_of_a_note_are_the_note() -> None:
    for name in demo.names():
        text = demo.note(name).text
        assert "".join(p.text for p in view(text).pieces) == text


@given(st.text(max_size=200))
def test_the_pieces_of_any_text_are_the_text(text: str) -> None:
    assert "".join(p.text for p in view(text).pieces) == text


def test_values_questions_and_the_rest_are_told_apart() -> None:
    shown = view("Mother has glaucoma. Discs healthy. Pressures 17 and 24. Patient lives by the sea wall.")
    assert under(shown, "Discs healthy").kinds == ("value",)
    assert "ask" in under(shown, "Pressures 17").kinds
    assert under(shown, "Mother").kinds == ("aside",)
    assert under(shown, ". ").kinds == ()


def test_the_sign_in_the_margin_stands_once_for_each_question() -> None:
    shown = view(demo.note("disc_asymmetry").text)
    assert [p.first for p in shown.pieces if p.first] == [a.name for a in shown.asked]


def test_words_that_two_values_share_lead_to_both() -> None:
    shown = view("Pupils 4 mm in room light.")
    assert len(under(shown, "4 mm").entries) == 2


def test_each_value_has_its_words_and_why() -> None:
    shown = view("Pressure 16 right.")
    [row] = shown.sections[0][1]
    [value] = row.right
    assert value.text == "16 mmHg"
    assert value.details[0].words == ("“Pressure 16 right”",)
    assert value.details[0].why
    assert value.details[0].origin == "read from the note"
    assert under(shown, "Pressure").entries == (value.details[0].name,)


def test_right_is_on_the_left_and_no_side_spans_both() -> None:
    shown = view("Pressure 16 right, 17 left. No diplopia.")
    rows = {row.title: row for _, rows in shown.sections for row in rows}
    assert [v.text for v in rows["Eye pressure"].right] == ["16 mmHg"]
    assert [v.text for v in rows["Eye pressure"].left] == ["17 mmHg"]
    assert [v.text for v in rows["Diplopia"].single] == ["absent"]


def test_one_value_for_two_circumstances_has_both_behind_it() -> None:
    shown = view("Cover test: no movement distance or near.")
    [row] = shown.sections[0][1]
    assert row.about == "distance; near"
    assert len(row.single[0].details) == 2
    assert len({d.name for d in row.single[0].details}) == 2


def test_what_is_computed_stands_under_its_test_with_its_source() -> None:
    shown = view("Acuity right 6/6, left 6/9. Pressure right 15, left 28.")
    rows = {row.title: row for _, rows in shown.sections for row in rows}
    told = rows["Eye pressure"].computed
    assert told and all(one.source for one in told)
    assert any(one.outside and "outside" in one.text for one in told)
    assert rows["Eye pressure"].left[0].outside and not rows["Eye pressure"].right[0].outside
    assert any("logMAR" in one.text for one in rows["Distance acuity"].computed)
    assert shown.computed


def test_every_nerve_is_there_tested_or_not() -> None:
    for text in ("", "Facial sensation normal both sides.", demo.note("nerve_screen").text):
        shown = view(text)
        assert [n.name for n in shown.nerves] == "I II III IV V VI VII VIII IX X XI XII".split()
        assert all(n.word for n in shown.nerves)
    assert {n.name: n.word for n in view("Facial sensation normal both sides.").nerves}["XII"] == "not tested"


def test_an_empty_note_shows_nothing_as_missing() -> None:
    shown = view("")
    assert shown.empty and shown.not_tested == () and shown.asked == ()


def test_answers_and_own_values_are_signed_and_keep_what_was() -> None:
    text = "Pressures 17 and 24. Cup to disc 0.4 right."
    one = settled(text)
    chosen = answer(one, ["f1"], {"order": "left_right"}, "MK")
    cup = next(e.id for e in one.record.entries if e.item == "disc.cup_ratio")
    own = change(one, cup, parse("disc.cup_ratio", {"side": "right", "value": "0.5"}, LEXICON), "MK")
    shown = view(text, (chosen, own))
    rows = {row.title: row for _, rows in shown.sections for row in rows}
    [pressure], [ratio] = rows["Eye pressure"].left, rows["Cup-disc ratio"].right
    assert (pressure.text, pressure.sign, pressure.origin) == ("17 mmHg", "✓", "your answer")
    assert pressure.details[0].was == ("Eye pressure, right: 17 mmHg",)
    assert (ratio.text, ratio.sign, ratio.origin) == ("0.5", "✎", "yours")
    assert ratio.details[0].was == ("Cup-disc ratio, right: 0.4",)


def test_names_hold_while_the_note_is_edited_elsewhere() -> None:
    text = demo.note("disc_asymmetry").text
    one, other = settled(text), settled(f"Seen on Friday.\n{text}")

    def named(given: Settled) -> tuple[set[str], list[str]]:
        flags = flag_names(given)
        asked = [question_name(q, flags) for q in questions(given, "", LEXICON)]
        return set(entry_names(given).values()), asked

    assert named(one) == named(other)


def test_names_are_one_for_each_entry() -> None:
    for name in demo.names():
        one = settled(demo.note(name).text)
        names = entry_names(one)
        assert len(set(names.values())) == len(one.record.entries)


def test_changes_are_told_row_by_row(lexicon: Lexicon) -> None:
    old = read("Pressure 16 right, 17 left. Cup to disc 0.4 right.", lexicon=lexicon)
    new = read("Pressure 16 right, 19 left. Discs healthy.", lexicon=lexicon)
    told = {(c.kind, c.about, c.before, c.after) for c in changes.rows(old, new, lexicon)}
    assert ("changed", "Eye pressure, left", "17 mmHg", "19 mmHg") in told
    assert ("taken out", "Cup-disc ratio, right", "0.4", "") in told
    assert ("added", "Optic disc, right", "", "normal") in told
    assert changes.rows(old, old, lexicon) == []


def test_changes_of_the_note_are_told_by_words() -> None:
    assert changes.words("a b", "a b") == []
    told = changes.words("Pressure 16 right", "Pressure 18 right")
    assert [(w.kind, w.text) for w in told] == [
        ("same", "Pressure "),
        ("gone", "16"),
        ("new", "18"),
        ("same", " right"),
    ]


@given(st.text(alphabet="ab .\n", max_size=60), st.text(alphabet="ab .\n", max_size=60))
def test_what_went_and_what_came_are_all_there(old: str, new: str) -> None:
    told = changes.words(old, new)
    if old != new and all("…" not in w.text for w in told):
        assert "".join(w.text for w in told if w.kind != "new") == old
        assert "".join(w.text for w in told if w.kind != "gone") == new
