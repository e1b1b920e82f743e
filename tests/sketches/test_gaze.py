"""Eye movements: arms by direction, what restricts them, where one sees double."""

from __future__ import annotations

from math import hypot

import pytest
from drawing import centre, corners, entry, shapes, words

from dictate.sketches import Sketch, gaze
from dictate.sketches.gaze import FULL, SHORT

WAY = {
    "right": (-1, 0),
    "left": (1, 0),
    "up": (0, 1),
    "down": (0, -1),
    "up_right": (-1, 1),
    "up_left": (1, 1),
    "down_right": (-1, -1),
    "down_left": (1, -1),
}


def _eyes(sketch: Sketch) -> dict[str, tuple[float, float]]:
    right, left = sorted(centre(e) for e in shapes(sketch, "eye"))
    return {"right": right, "left": left}


def _ends(sketch: Sketch, name: str, eye: str) -> dict[tuple[int, int], float]:
    """The arms of one eye: which way, and how far from its middle they reach."""
    middle = _eyes(sketch)[eye]
    out = {}
    for line in shapes(sketch, name):
        end = corners(line)[1]
        if (end[0] < 190) == (eye == "right"):
            x, y = end[0] - middle[0], middle[1] - end[1]
            out[_way(x), _way(y)] = hypot(x, y)
    return out


def _way(number: float) -> int:
    return 0 if abs(number) < 1 else 1 if number > 0 else -1


def test_full_has_six_thin_arms() -> None:
    sketch = gaze([entry("motility.range", s, "full") for s in ("right", "left")])
    assert sketch
    for eye in ("right", "left"):
        ends = _ends(sketch, "full", eye)
        assert set(ends) == {w for k, w in WAY.items() if k not in ("up", "down")}
        assert list(ends.values()) == pytest.approx([FULL] * 6, abs=0.1)
    assert not shapes(sketch, "unsaid")
    assert "Right eye: full. Left eye: full." in sketch.text


@pytest.mark.parametrize("direction", WAY)
@pytest.mark.parametrize("side", ["right", "left"])
def test_a_restricted_direction_is_short_with_a_bar(side: str, direction: str) -> None:
    sketch = gaze([entry("motility.range", side, "restricted", gaze=direction)])
    assert sketch
    ends = _ends(sketch, "restricted", side)
    assert list(ends) == [WAY[direction]]
    assert ends[WAY[direction]] == pytest.approx(SHORT, abs=0.1)
    (bar,) = shapes(sketch, "bar")
    assert centre(bar) == pytest.approx(corners(shapes(sketch, "restricted")[0])[1], abs=0.1)
    assert not shapes(sketch, "full")
    assert "other directions not said" in sketch.text


def test_a_named_direction_overrules_the_whole() -> None:
    sketch = gaze([entry("motility.range", "right", "full"), entry("motility.range", "right", "restricted", gaze="up")])
    assert sketch
    assert list(_ends(sketch, "restricted", "right")) == [WAY["up"]]
    assert len(_ends(sketch, "full", "right")) == 6


def test_straight_up_is_drawn_only_if_said() -> None:
    sketch = gaze(
        [entry("motility.range", "right", "full"), entry("motility.range", "left", "restricted", gaze="vertical")]
    )
    assert sketch
    assert set(_ends(sketch, "restricted", "left")) == {WAY["up"], WAY["down"]}
    assert {WAY["up"], WAY["down"]} <= set(_ends(sketch, "full", "right"))


def test_all_directions_restricted() -> None:
    sketch = gaze([entry("motility.range", "right", "restricted", gaze="all")])
    assert sketch
    assert len(_ends(sketch, "restricted", "right")) == 6
    assert "restricted in all directions" in sketch.text


def test_a_restriction_without_direction_has_no_arm() -> None:
    sketch = gaze([entry("motility.range", "right", "restricted")])
    assert sketch
    assert not shapes(sketch, "restricted") and not shapes(sketch, "full")
    assert "Right eye: restricted, direction not said. Left eye: range not described." in sketch.text


@pytest.mark.parametrize("direction", WAY)
def test_double_vision_doubles_the_end_at_both_eyes(direction: str) -> None:
    both = [entry("motility.range", s, "full") for s in ("right", "left")]
    sketch = gaze([*both, entry("motility.diplopia", None, "present", gaze=direction)])
    assert sketch
    rings = shapes(sketch, "double")
    assert len(rings) == 4
    for eye, middle in _eyes(sketch).items():
        own = [centre(r) for r in rings if (centre(r)[0] < 190) == (eye == "right")]
        x = sum(p[0] for p in own) / 2 - middle[0]
        y = middle[1] - sum(p[1] for p in own) / 2
        assert (_way(x), _way(y)) == WAY[direction]
        assert hypot(x, y) >= FULL
    assert words(sketch).count("double") == 2
    assert "diplopia" in sketch.text


def test_double_vision_alone_is_drawn() -> None:
    sketch = gaze([entry("motility.diplopia", None, "present", "confirm", gaze="left")])
    assert sketch
    assert all(r.get("stroke-dasharray") for r in shapes(sketch, "double"))
    assert words(sketch).count("double?") == 2
    assert "range not described" in sketch.text
    assert "Also: diplopia on left gaze (to be confirmed)." in sketch.text


def test_no_double_vision_is_written() -> None:
    sketch = gaze([entry("motility.range", "right", "full"), entry("motility.diplopia", None, "absent")])
    assert sketch
    assert not shapes(sketch, "double")
    assert "no diplopia" in words(sketch)


def test_what_is_to_be_confirmed_is_dashed_and_asked() -> None:
    sketch = gaze([entry("motility.range", "right", "restricted", "confirm", gaze="right")])
    assert sketch
    assert shapes(sketch, "restricted")[0].get("stroke-dasharray")
    assert "?" in words(sketch)
    assert "restricted on right gaze (to be confirmed)" in sketch.text


def test_an_eye_not_tested_has_no_arms() -> None:
    sketch = gaze([entry("motility.range", "right", "full"), entry("motility.range", "left", "not_done")])
    assert sketch
    assert len(shapes(sketch, "eye")) == 1
    assert "Left eye: not tested." in sketch.text


def test_a_restriction_of_an_unknown_eye_is_only_written() -> None:
    sketch = gaze(
        [entry("motility.range", "right", "full"), entry("motility.range", None, "restricted", "confirm", gaze="up")]
    )
    assert sketch
    assert not shapes(sketch, "restricted")
    assert "restricted on upgaze, which eye (to be confirmed)" in sketch.text


def test_nystagmus_and_pain_are_written() -> None:
    others = [entry("motility.nystagmus", None, "present", gaze="left"), entry("motility.pain", None, "present")]
    sketch = gaze([entry("motility.range", "right", "full"), *others])
    assert sketch
    assert "Also: nystagmus on left gaze; pain on movement." in sketch.text


def test_the_notes_tell_only_of_what_is_drawn() -> None:
    sketch = gaze([entry("motility.range", "right", "full"), entry("motility.diplopia", None, "present", gaze="all")])
    assert sketch
    assert len(shapes(sketch, "double")) == 24
    assert not shapes(sketch, "unsaid")
    assert not any("dot:" in line or "bar" in line for line in words(sketch))
    assert any("two rings" in line for line in words(sketch))
