"""Every word of a letter is walked back to an entry or a template, and nothing of a record is left out."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from functools import cache
from importlib import resources

import pytest
from exports.making import LEXICON, every, of_entries

from dictate.exports.judged import interpretations
from dictate.letters.content import NOT_RECORDED
from dictate.letters.model import Kind, Letter, Said
from dictate.record import Entry, Record
from dictate.table import value_text
from letters.drafting import (
    KINDS,
    TEXTS,
    WORDS,
    cells,
    drafted,
    everything,
    findings,
    letter_of,
    record_of,
)

_WORD = re.compile(r"[^\W_]+(?:[.'’/-][^\W_]+)*", re.UNICODE)
_MACRO = re.compile(r"macro (\w+)\([^)]*\) %}(.*?){%-? endmacro", re.S)
_SIDES = {"right": "right", "left": "left"}
_JOINING = set(
    "and or on in the eye eyes both ear ears nostril nostrils sides side with together possible suspected a an".split()
)
_KINDS_OF_ITEM = ("quantity", "acuity", "near", "score", "grade", "text", "category", "finding")


def _tokens(text: str) -> set[str]:
    return {one.lower() for one in _WORD.findall(text)}


@cache
def _template(kind: Kind) -> frozenset[str]:
    """The words that the templates put in themselves; sides are never among them."""
    source = (resources.files("dictate.letters") / "templates" / f"{kind}.jinja").read_text("utf-8")
    found: set[str] = set()
    for name, body in _MACRO.findall(source):
        if not name.startswith(("heading", "caution", "made_from", "closing", "draft")):
            literal = re.sub(r"{%.*?%}", " ", body)
            inside = " ".join(re.findall(r'"([^"]*)"', literal))
            found |= _tokens(re.sub(r"{{.*?}}", " ", literal)) | _tokens(inside)
    assert not found & set(_SIDES)
    return frozenset(found)


def _words_of(entry: Entry) -> set[str]:
    """Every word that may be used to tell an entry."""
    row, item = WORDS.of(entry.item), LEXICON.items[entry.item]
    value = str(entry.value)
    said = [value_text(item, entry.value), item.title, row.plain, value.replace("_", " ")]
    tables = (row.normal, row.found, row.cell, row.plain_normal, row.plain_found, row.plain_cell)
    for table in tables:
        said += [table[key] for key in (value, "any") if key in table]
        if value == "suspected" and "present" in table:
            said.append(table["present"])
    for table in (WORDS.test, WORDS.plain_test, WORDS.refer, WORDS.plain_refer):
        said += [table[value]] if item.role == "plan" and value in table else []
    for key, context in entry.context.items():
        for where in (WORDS.where, WORDS.plain_where):
            table = where.get(key, {})
            said += [str(context).replace("_", " "), table.get(str(context), table.get("any", ""))]
        for urgency in (WORDS.urgency, WORDS.plain_urgency):
            said += [urgency[str(context)]] if key == WORDS.plan.urgency else []
    if item.role == "plan":
        said += [one.text for one in entry.evidence]
    return _tokens(" ".join(said)) | ({entry.side} if entry.side in _SIDES else set())


def _unaccounted(said: Said, record: Record, kind: Kind) -> set[str]:
    allowed = set(_template(kind)) | _JOINING
    for entry_id in said.entries:
        allowed |= _words_of(record.entry(entry_id))
    derived = {one.key: one for one in record.derived}
    for key in said.derived:
        if key == NOT_RECORDED:
            allowed |= _tokens(" ".join([*record.not_documented, *LEXICON.group_titles.values()]))
            allowed |= _tokens(" ".join(WORDS.group_names.values()))
        else:
            allowed |= set().union(*(_tokens(one.text) for one in record.derived if one.key == key))
            allowed |= _tokens(next((w for k, w in WORDS.plain_computed.items() if key.startswith(k)), ""))
        assert key == NOT_RECORDED or key in derived
    return _tokens(said.text) - allowed


def _records() -> Iterable[tuple[str, Record]]:
    for name in TEXTS:
        yield name, record_of(name)


def _without_sooner(letter: Letter) -> Letter:
    return replace(letter, sections=tuple(one for one in letter.sections if one.key != "sooner"))


def _whole(letter: Letter) -> set[str]:
    return {i for one in everything(_without_sooner(letter)) for i in one.entries}


@pytest.mark.parametrize("kind", KINDS)
def test_every_word_comes_from_an_entry_behind_it_or_from_a_template(kind: Kind) -> None:
    checked = 0
    for name, record in _records():
        letter = drafted(name, kind)
        told = [*letter.opening, *(p for s in _without_sooner(letter).sections for p in s.points)]
        told += [cell for one in findings(letter) for cell in cells(one)]
        told += [one.remark for one in findings(letter) if one.remark.entries]
        for one in told:
            assert not _unaccounted(one, record, kind) - _tokens(letter.date), (name, one)
            checked += 1
    assert checked > 1000


@pytest.mark.parametrize("kind", KINDS)
def test_a_sentence_that_rests_on_nothing_says_nothing_of_the_patient(kind: Kind) -> None:
    allowed = _template(kind) | _tokens(" ".join(one.say for one in WORDS.sooner))
    for name, _ in _records():
        letter = drafted(name, kind)
        for one in [*letter.opening, *(p for s in letter.sections for p in s.points)]:
            if not one.entries and not one.derived:
                assert _tokens(one.text) <= allowed | _tokens(letter.date), (name, one)


@pytest.mark.parametrize("kind", KINDS)
def test_no_entry_of_a_record_is_left_out(kind: Kind) -> None:
    for name, record in _records():
        missing = {e.id for e in record.entries} - _whole(drafted(name, kind))
        assert not missing, (name, [record.entry(i) for i in missing])


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("of", _KINDS_OF_ITEM)
def test_every_value_of_every_item_is_told_in_words_of_its_own(kind: Kind, of: str) -> None:
    for given in every(of):
        whole = of_entries(given)
        letter = letter_of(whole, kind)
        (entry,) = whole.record.entries
        said = [one for one in everything(_without_sooner(letter)) if entry.id in one.entries]
        assert said, given
        for one in said:
            left = _unaccounted(one, whole.record, kind) - _tokens(letter.date)
            assert not left, (given, one, left)
        if given.side in _SIDES and given.value != "not_done":
            other = {"right": "left", "left": "right"}[given.side]
            text = " ".join(one.text for one in said if not one.derived)
            told = [one for f in findings(letter) for one in cells(f)]
            cell = next((c for c in told if entry.id in c.entries), None)
            where = _tokens(" ".join(map(str, (given.value, *given.context.values()))).replace("_", " "))
            assert given.side in _tokens(text) or (cell and cell.text), given
            assert other not in _tokens(text) - where, given


def test_what_is_abnormal_is_in_the_table_and_marked() -> None:
    for name, record in _records():
        letter = drafted(name, "referral")
        marked = {i for one in findings(letter) if one.outside for c in cells(one) for i in c.entries}
        abnormal = {i for i, code in interpretations(record, LEXICON).items() if code == "A"}
        assert abnormal <= marked, (name, [record.entry(i) for i in abnormal - marked])


def test_what_is_abnormal_is_told_to_the_patient() -> None:
    for name, record in _records():
        letter = drafted(name, "patient")
        told = {i for s in letter.sections if s.key == "stands_out" for p in s.points for i in p.entries}
        for entry_id, code in interpretations(record, LEXICON).items():
            entry = record.entry(entry_id)
            sized = {(LEXICON.items[e.item].implies, e.side) for e in record.entries if e.id in told}
            assert code == "N" or entry_id in told or (entry.item, entry.side) in sized, (name, entry)


def test_nothing_abnormal_is_called_normal() -> None:
    for name, record in _records():
        judged = interpretations(record, LEXICON)
        for kind in KINDS:
            for section in drafted(name, kind).sections:
                if section.key == "normal":
                    ids = {i for p in section.points for i in p.entries}
                    for entry in map(record.entry, ids):
                        assert judged.get(entry.id) != "A" and str(entry.value) in WORDS.of(entry.item).normal
                        assert entry.value not in ("suspected", "abnormal", "not_done")


def test_each_column_holds_its_own_side() -> None:
    for name, record in _records():
        for kind in KINDS:
            for one in findings(drafted(name, kind)):
                assert {record.entry(i).side for i in one.right.entries} <= {"right"}, (name, one)
                assert {record.entry(i).side for i in one.left.entries} <= {"left"}, (name, one)
                assert {record.entry(i).side for i in one.single.entries} <= {None, "both"}, (name, one)


def test_what_is_computed_and_outside_the_usual_stands_beside_its_test() -> None:
    for name, record in _records():
        letter = drafted(name, "referral")
        told = {key for one in findings(letter) for key in one.remark.derived}
        outside = {d.key for d in record.derived if d.outside and not d.key.startswith("nerve.")}
        assert outside <= told, (name, outside - told)


def test_figures_are_those_of_the_record() -> None:
    number = re.compile(r"\d+(?:\.\d+)?")
    for name, record in _records():
        for one in findings(drafted(name, "referral")):
            for cell in cells(one):
                known = " ".join(
                    f"{value_text(LEXICON.items[e.item], e.value)} {' '.join(map(str, e.context.values()))}"
                    for e in map(record.entry, cell.entries)
                )
                assert set(number.findall(cell.text)) <= set(number.findall(known)), (name, one)
                for entry in map(record.entry, cell.entries):
                    assert (
                        value_text(LEXICON.items[entry.item], entry.value) in cell.text
                        or str(entry.value) in WORDS.of(entry.item).cell
                    ), (name, one)


# ---- sides and denials, where words alone could not tell ----------------------------------------


def _side_of(chunk: str) -> str:
    """The side that a stretch of the sentence begins with: "left", "right", "both" or none."""
    begun = re.match(r"(?:in|on|with) (?:the )?(right|left|both)\b", chunk.removeprefix("I found "))
    return begun.group(1) if begun else ""


def test_each_finding_is_named_by_its_own_words_on_its_own_side() -> None:
    named = 0
    for name, record in _records():
        main = [one for one in drafted(name, "referral").opening if one.text.startswith("I found ")]
        main = [one for one in main if not one.text.startswith("I found no sign")]
        for said in main:
            chunks = said.text.split("; ")
            for entry in map(record.entry, said.entries):
                row, item = WORDS.of(entry.item), LEXICON.items[entry.item]
                phrase = row.found.get(str(entry.value)) or row.found.get("any", "")
                if entry.value == "suspected":
                    phrase = "possible " + row.found["present"].removeprefix("a ").removeprefix("an ")
                phrase = phrase.replace("{value}", value_text(item, entry.value))
                beside = f"({entry.side} {value_text(item, entry.value)})"
                held = [c for c in chunks if re.search(rf"(?<!no ){re.escape(phrase)}(?!\w|\.\d)", c)]
                sides = {_side_of(c) for c in held}
                own = {entry.side or "", "both"} if entry.side in _SIDES else {""}
                assert sides & own or any(beside in c for c in chunks), (name, said.text, entry)
                named += 1
    assert named > 300


def test_the_patients_points_begin_with_their_own_side() -> None:
    for name, record in _records():
        for section in drafted(name, "patient").sections:
            for point in section.points if section.key == "stands_out" else ():
                entries = [record.entry(i) for i in point.entries]
                begun = re.match(r"(right|left|both) \w+: ", point.text, re.I)
                if begun and not point.derived:
                    side = begun.group(1).lower()
                    assert {e.side for e in entries} == ({"right", "left"} if side == "both" else {side}), (name, point)
                elif not point.derived and all(LEXICON.items[e.item].role == "finding" for e in entries):
                    assert not {e.side for e in entries} & set(_SIDES), (name, point)


def _swapped(text: str) -> str:
    other = {"right": "left", "left": "right", "Right": "Left", "Left": "Right"}
    return re.sub(r"\b(right|left)\b", lambda m: other[m.group()], text, flags=re.I)


@pytest.mark.parametrize("kind", KINDS)
def test_a_mirrored_record_gives_the_mirrored_letter(kind: Kind) -> None:
    checked = 0
    for of in _KINDS_OF_ITEM:
        by_item: dict[str, list[Entry]] = {}
        for given in every(of):
            if not given.context and LEXICON.items[given.item].sided:
                by_item.setdefault(given.item, []).append(given)
        for some in by_item.values():
            values = list(dict.fromkeys(str(one.value) for one in some if one.value != "not_done"))
            first, last = (next(e for e in some if str(e.value) == v) for v in (values[0], values[-1]))
            pair = (replace(first, side="right"), replace(last, side="left"))
            mirrored = (replace(first, side="left"), replace(last, side="right"))
            one, other = (letter_of(of_entries(*entries), kind) for entries in (pair, mirrored))
            assert [_swapped(s.text) for s in one.opening] == [s.text for s in other.opening]
            points, others = ([p.text for s in x.sections for p in s.points] for x in (one, other))
            assert [_swapped(p) for p in points] == others
            columns = [(f.right.text, f.left.text) for f in findings(one)]
            assert columns == [(f.left.text, f.right.text) for f in findings(other)]
            checked += 1
    assert checked > 40
