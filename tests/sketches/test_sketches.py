"""What all drawings keep to: safe SVG, a text that says the same, mirrored sides, no drawing of nothing."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from drawing import NS, are_mirrored, entry, parsed, swapped, words
from hypothesis import given, settings
from hypothesis import strategies as st

from dictate import demo, lexicon, read
from dictate.errors import LexiconError
from dictate.record import Entry
from dictate.sketches import Sketch, discs, gaze, legend, pupils, sketches, stylesheet
from dictate.sketches.svg import wrapped

NOTES = sorted((Path(__file__).resolve().parents[1] / "notes").glob("*.txt"))
LEGEND = legend.load()
PICTURES = (LEGEND.pupils, LEGEND.discs, LEGEND.gaze)
DRAWN = {"circle", "line", "polygon", "text", "title", "desc", "svg"}
ALLOWED = {
    "class", "cx", "cy", "r", "x", "y", "x1", "x2", "y1", "y2", "points", "fill", "fill-opacity", "stroke", "stroke-width",
    "stroke-dasharray", "data-entry", "text-anchor", "font-size", "font-weight", "font-family", "role", "viewBox", "width", "height",
}  # fmt: skip


def _keeps_to_the_rules(sketch: Sketch) -> None:
    root = parsed(sketch)
    assert root.get("role") == "img"
    assert root[0].tag == f"{NS}title" and root[0].text == sketch.title
    assert root[1].tag == f"{NS}desc" and root[1].text == sketch.text
    drawn = set()
    for part in root.iter():
        assert part.tag.removeprefix(NS) in DRAWN
        assert set(part.attrib) <= ALLOWED, part.attrib
        assert part.get("fill", "none") in ("none", "currentColor")
        assert part.get("stroke", "none") in ("none", "currentColor")
        drawn |= {part.get("data-entry", "")} - {""}
    assert drawn <= set(sketch.entries)
    assert ("to be confirmed" in sketch.text) == any("?" in line for line in words(sketch))
    if any(part.get("stroke-dasharray") for part in root.iter()):
        assert "to be confirmed" in sketch.text


def _told_in_the_text(sketch: Sketch, entries: list[Entry]) -> None:
    """Each entry that is shown stands in the text with its value."""
    for one in entries:
        if one.id not in sketch.entries:
            continue
        says = next(says for picture in PICTURES for says in picture.says if says.item == one.item)
        if isinstance(one.value, int | float):
            assert f"{one.value:g}" in sketch.text
        elif isinstance(one.value, list):
            assert f"{one.value[0]:g} to {one.value[1]:g}" in sketch.text
        elif str(one.value) in says.words:
            assert says.words[str(one.value)] in sketch.text
        for key, value in one.context.items():
            told = LEGEND.circumstance.get(key, {}).get(str(value), str(value).replace("_", " "))
            title = next((level.title for level in LEGEND.pupils.level if level.value == value), told)
            assert told in sketch.text or title in sketch.text.casefold()


@pytest.mark.parametrize("path", NOTES, ids=lambda p: p.stem)
def test_every_note_is_drawn_by_the_rules(path: Path) -> None:
    entries = list(read(path.read_text(encoding="utf-8")).entries)
    for sketch in sketches(entries):
        _keeps_to_the_rules(sketch)
        _told_in_the_text(sketch, entries)


@pytest.mark.parametrize("path", NOTES, ids=lambda p: p.stem)
def test_every_note_with_its_sides_swapped_is_drawn_mirrored(path: Path) -> None:
    entries = list(read(path.read_text(encoding="utf-8")).entries)
    for draw in (pupils, discs, gaze):
        sketch, other = draw(entries), draw([swapped(e) for e in entries])
        assert (sketch is None) == (other is None)
        if sketch and other:
            assert are_mirrored(sketch, other)


@pytest.mark.parametrize("name", demo.names())
def test_demo_notes(name: str) -> None:
    entries = list(read(demo.note(name).text).entries)
    for sketch in sketches(entries):
        _keeps_to_the_rules(sketch)
        _told_in_the_text(sketch, entries)


def _entries() -> st.SearchStrategy[list[Entry]]:
    items = [item for item in lexicon.load().items.values() if any(p.of(item.key) for p in PICTURES)]

    @st.composite
    def one(draw: st.DrawFn) -> Entry:
        item = draw(st.sampled_from(items))
        number = st.floats(0, 20, allow_nan=False).map(lambda n: round(n, 1))
        values = {
            "quantity": st.one_of(
                number, st.lists(number, min_size=2, max_size=2), st.sampled_from(["not_done", None])
            ),
            "finding": st.sampled_from(["present", "absent", "suspected", "not_done"]),
            "category": st.sampled_from([*item.values, "not_done"]) if item.values else st.text(max_size=5),
        }
        value = draw(values.get(item.kind, st.text(min_size=1, max_size=8)))
        side = draw(st.sampled_from(["right", "left", None])) if item.sided else None
        context = {}
        for key in item.context:
            told = draw(st.sampled_from(["", *LEGEND.circumstance[key]]))
            if told:
                context[key] = told
        return entry(item.key, side, value, draw(st.sampled_from(["stated", "confirm"])), **context)

    return st.lists(one(), max_size=12)


@settings(max_examples=200, deadline=None)
@given(_entries())
def test_any_entries_are_drawn_by_the_rules(entries: list[Entry]) -> None:
    for sketch in sketches(entries):
        root = parsed(sketch)
        drawn = {part.get("data-entry", "") for part in root.iter()} - {""}
        assert drawn <= set(sketch.entries)
        assert {part.tag.removeprefix(NS) for part in root.iter()} <= DRAWN
        assert root[1].text == sketch.text
        assert not re.search(r"\bnan\b|\bNone\b|inf\b", sketch.svg)


@settings(max_examples=200, deadline=None)
@given(_entries())
def test_swapped_sides_are_mirrored(entries: list[Entry]) -> None:
    for draw in (pupils, discs, gaze):
        sketch, other = draw(entries), draw([swapped(e) for e in entries])
        assert (sketch is None) == (other is None)
        if sketch and other:
            assert are_mirrored(sketch, other)


def test_nothing_said_gives_no_drawing() -> None:
    assert pupils([]) is discs([]) is gaze([]) is None
    assert sketches([]) == ()
    other = [entry("pressure.eye", "right", 16), entry("acuity.distance", "left", "6/9", correction="unaided")]
    assert sketches(other) == ()


@pytest.mark.parametrize(
    "entries",
    [
        [entry("pupil.size", None, "not_done")],
        [entry("pupil.size", None, 4, "confirm")],
        [entry("pupil.rapd", None, "not_done"), entry("pupil.rapd", "left", "absent")],
        [entry("pupil.anisocoria", None, "absent"), entry("pupil.shape", "right", "round")],
        [entry("pupil.reaction", "right", "brisk", stimulus="light")],
        [entry("disc.appearance", None, "not_done")],
        [entry("disc.appearance", "left", "not_done")],
        [entry("disc.asymmetry", None, "present")],
        [entry("disc.cup_ratio", None, 0.4, "confirm")],
        [entry("motility.range", None, "not_done")],
        [entry("motility.diplopia", None, "absent")],
        [entry("motility.diplopia", None, "present")],
        [entry("motility.nystagmus", None, "present", gaze="left")],
    ],
)
def test_what_has_no_place_at_an_eye_gives_no_drawing(entries: list[Entry]) -> None:
    assert sketches(entries) == ()


def test_right_is_on_the_left_of_the_page() -> None:
    entries = [
        entry("pupil.size", "right", 3),
        entry("disc.cup_ratio", "right", 0.3),
        entry("motility.range", "left", "full"),
    ]
    for sketch in sketches(entries):
        heads = {
            t.text: float(t.get("x", "")) for t in parsed(sketch).iter(f"{NS}text") if (t.text or "").endswith("eye")
        }
        assert heads["Right eye"] < 190 < heads["Left eye"]


def test_special_characters_are_escaped() -> None:
    for told in ("<script>alert(1)</script>", '"><img onerror=x>', "&amp; 2 < 3", "a\x00b\x1f\ud800c", "‘’µ漢字"):
        one = entry("pupil.rapd_grade", "right", told)
        sketch = pupils([one, entry("pupil.rapd", "right", "present")])
        assert sketch
        root = parsed(sketch)
        assert not list(root.iter(f"{NS}script")) and not list(root.iter(f"{NS}img"))
        assert "<script" not in sketch.svg and "<img" not in sketch.svg
        if "\x00" not in told:
            assert told in (root[1].text or "")


def test_an_unknown_circumstance_is_written_as_it_is() -> None:
    sketch = pupils([entry("pupil.size", "right", 4, light="torch_light")])
    assert sketch
    assert "torch light" in words(sketch)
    assert "Torch light: right 4 mm; left size not said." in sketch.text


def test_the_legend_names_items_that_there_are() -> None:
    items = lexicon.load().items
    for picture in PICTURES:
        for says in picture.says:
            item = items[says.item]
            values = {"present", "absent", "suspected"} if item.kind == "finding" else set(item.values)
            assert set(says.words) <= values | {"any", "not_done", "unclear"}, says.item
            assert says.eyeless == (not item.sided or item.side_optional and item.role == "finding"), says.item


def test_the_legend_knows_every_circumstance() -> None:
    from dictate.settling.forms import circumstances

    known = circumstances(lexicon.load())
    items = lexicon.load().items
    for picture in PICTURES:
        for says in picture.says:
            for key in items[says.item].context:
                assert set(known[key]) <= set(LEGEND.circumstance[key]), key
    assert set(LEGEND.discs.sector) == set(known["sector"])
    arms = {arm.key for arm in LEGEND.gaze.arm} | set(LEGEND.gaze.several) | set(LEGEND.gaze.whole) | {"primary"}
    assert set(known["gaze"]) <= arms


def test_words_are_broken_between_words_only() -> None:
    assert list(wrapped("rim thinned inferotemporally", 12)) == ["rim thinned", "inferotemporally"]
    assert list(wrapped("", 12)) == []


def test_the_style_sheet_is_shipped() -> None:
    assert ".sketch" in stylesheet()


@pytest.mark.parametrize(
    ("text", "reason"),
    [("pupils = 3", "pupils: "), ("group = ", "sketches.toml: "), ('group = "sketches"\ncolour = 1', "colour: ")],
)
def test_a_wrong_legend_is_refused(text: str, reason: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "sketches"
    folder.mkdir()
    (folder / "sketches.toml").write_text(text, encoding="utf-8")
    monkeypatch.setattr(legend, "default_folder", lambda: tmp_path)
    with pytest.raises(LexiconError, match=reason):
        legend.load.__wrapped__()
