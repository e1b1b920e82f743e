"""Pupils: sizes to scale, light levels, words at the eye."""

from __future__ import annotations

import pytest
from drawing import centre, corners, entry, shapes, words

from dictate.sketches import pupils
from dictate.sketches.pupils import SCALE


@pytest.mark.parametrize("mm", [0.5, 1, 2.5, 4, 8, 11.9, 12])
def test_diameters_are_to_scale(mm: float) -> None:
    sketch = pupils([entry("pupil.size", "right", mm), entry("pupil.size", "left", 3)])
    assert sketch
    iris = {float(c.get("r", "")) for c in shapes(sketch, "iris")}
    assert iris == {6 * SCALE}
    right, left = sorted(shapes(sketch, "pupil"), key=centre)
    assert float(right.get("r", "")) == pytest.approx(mm / 2 * SCALE, abs=0.01)
    assert float(left.get("r", "")) == pytest.approx(1.5 * SCALE, abs=0.01)
    assert {f"{mm:g} mm", "3 mm"} <= set(words(sketch))


def test_pupils_lie_in_the_middle_of_their_irises() -> None:
    sketch = pupils([entry("pupil.size", "right", 5), entry("pupil.size", "left", 3)])
    assert sketch
    assert {centre(p) for p in shapes(sketch, "pupil")} == {centre(i) for i in shapes(sketch, "iris")}


def test_a_row_for_each_light_level_in_order() -> None:
    levels = {"room": 4, "bright": 3, "dim": 6}
    entries = [entry("pupil.size", s, mm, light=l) for l, mm in levels.items() for s in ("right", "left")]  # noqa: E741
    sketch = pupils([*entries, entry("pupil.size", "right", 5)])
    assert sketch
    right = [p for p in shapes(sketch, "pupil") if centre(p)[0] < 190]
    sizes = [round(float(p.get("r", "")) * 2 / SCALE, 2) for p in sorted(right, key=lambda p: centre(p)[1])]
    assert sizes == [6, 3, 4, 5]
    assert len(shapes(sketch, "iris")) == 8
    assert "Dim light: right 6 mm; left 6 mm. Bright light: right 3 mm; left 3 mm. Room light" in sketch.text
    assert "Light not said: right 5 mm; left size not said." in sketch.text


def test_a_range_has_two_outlines() -> None:
    sketch = pupils([entry("pupil.size", "left", [3, 4])])
    assert sketch
    assert [float(p.get("r", "")) for p in shapes(sketch, "pupil")] == [1.5 * SCALE, 2 * SCALE]
    assert "3–4 mm" in words(sketch)
    assert "left 3 to 4 mm" in sketch.text


def test_what_is_to_be_confirmed_is_dashed_and_asked() -> None:
    sketch = pupils([entry("pupil.size", "left", 4, "confirm"), entry("pupil.size", "right", 3)])
    assert sketch
    right, left = sorted(shapes(sketch, "pupil"), key=centre)
    assert left.get("stroke-dasharray") and not right.get("stroke-dasharray")
    assert "4 mm?" in words(sketch) and "3 mm" in words(sketch)
    assert "left 4 mm (to be confirmed)" in sketch.text
    assert any("? and dashes" in line for line in words(sketch))


def test_two_values_in_dispute_are_both_drawn() -> None:
    sketch = pupils([entry("pupil.size", "left", 4, "confirm"), entry("pupil.size", "left", 5, "confirm")])
    assert sketch
    assert len(shapes(sketch, "pupil")) == 2
    assert "4 mm?, 5 mm?" in words(sketch)


@pytest.mark.parametrize("mm", [14, 35, 0])
def test_a_pupil_that_cannot_be_is_written_and_not_drawn(mm: float) -> None:
    sketch = pupils([entry("pupil.size", "left", mm, "confirm")])
    assert sketch
    assert not shapes(sketch, "pupil")
    assert f"{mm} mm?" in words(sketch)
    assert f"left {mm} mm, which is not drawn (to be confirmed)" in sketch.text


def test_an_irregular_pupil_is_not_round() -> None:
    sketch = pupils(
        [entry("pupil.size", s, 4) for s in ("right", "left")] + [entry("pupil.shape", "left", "irregular")]
    )
    assert sketch
    right, left = sorted(shapes(sketch, "pupil"), key=centre)
    assert right.tag.endswith("circle") and left.tag.endswith("polygon")
    across = [max(axis) - min(axis) for axis in zip(*corners(left), strict=True)]
    assert across == pytest.approx([4 * SCALE, 4 * SCALE], rel=0.15)
    assert "Left eye: irregular pupil." in sketch.text
    assert "irregular pupil" in words(sketch)


def test_a_defect_is_written_at_its_eye() -> None:
    defect = [entry("pupil.rapd", "right", "present"), entry("pupil.rapd_grade", "right", "2+")]
    sketch = pupils([*defect, entry("pupil.rapd", "left", "absent"), entry("pupil.size", "left", 4)])
    assert sketch
    assert (
        "Right eye: relative afferent defect; afferent defect 2+. Left eye: no relative afferent defect." in sketch.text
    )


def test_a_defect_without_sizes_is_drawn_without_pupils() -> None:
    sketch = pupils([entry("pupil.rapd", "left", "present")])
    assert sketch
    assert not shapes(sketch, "pupil")
    assert len(shapes(sketch, "iris")) == 2
    assert words(sketch).count("size not said") == 2


def test_not_done_at_one_eye() -> None:
    sketch = pupils([entry("pupil.size", "right", 4), entry("pupil.size", "left", "not_done")])
    assert sketch
    assert "left size not measured" in sketch.text
    assert "size not measured" in words(sketch)


def test_a_size_of_an_unknown_eye_is_only_written() -> None:
    sketch = pupils([entry("pupil.size", "right", 4), entry("pupil.size", None, 5, "confirm", light="bright")])
    assert sketch
    assert len(shapes(sketch, "pupil")) == 1
    assert "Also: pupil 5 mm in bright light, which eye (to be confirmed)." in sketch.text


@pytest.mark.parametrize(
    ("one", "told"),
    [
        (entry("pupil.reaction", "left", "absent", stimulus="direct"), "no reaction to direct light"),
        (entry("pupil.reaction", "left", "sluggish", stimulus="near"), "sluggish reaction to near"),
        (entry("pupil.light_near_dissociation", "left", "present"), "light-near dissociation"),
        (entry("pupil.difference", "left", 1, light="dim"), "larger by 1 mm in dim light"),
        (entry("pupil.rapd", "left", "suspected"), "suspected relative afferent defect"),
    ],
)
def test_other_words_at_the_eye(one: object, told: str) -> None:
    sketch = pupils([one])  # type: ignore[list-item]
    assert sketch
    assert f"Left eye: {told}." in sketch.text


def test_a_difference_without_a_side_is_of_both() -> None:
    sketch = pupils([entry("pupil.size", "left", 4), entry("pupil.difference", None, 1)])
    assert sketch
    assert "Also: sizes differ by 1 mm." in sketch.text


def test_a_doubtful_shape_is_dashed() -> None:
    sketch = pupils([entry("pupil.size", "left", 4), entry("pupil.shape", "left", "irregular", "confirm")])
    assert sketch
    assert shapes(sketch, "pupil")[0].get("stroke-dasharray")
    assert "irregular pupil?" in words(sketch) and "4 mm" in words(sketch)
