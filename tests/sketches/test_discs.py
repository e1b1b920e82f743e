"""Discs: the cup by its ratio, sectors at their place for each eye, marks and words."""

from __future__ import annotations

from math import atan2, degrees

import pytest
from drawing import centre, corners, entry, shapes, words

from dictate.sketches import discs
from dictate.sketches.discs import RADIUS

#                 right eye: to the page's right and up   left eye
PLACES = {
    "superior": ((0, 1), (0, 1)),
    "inferior": ((0, -1), (0, -1)),
    "temporal": ((-1, 0), (1, 0)),
    "nasal": ((1, 0), (-1, 0)),
    "superotemporal": ((-1, 1), (1, 1)),
    "superonasal": ((1, 1), (-1, 1)),
    "inferotemporal": ((-1, -1), (1, -1)),
    "inferonasal": ((1, -1), (-1, -1)),
}


def _sign(number: float) -> int:
    return 0 if abs(number) < 1 else 1 if number > 0 else -1


@pytest.mark.parametrize("side", ["right", "left"])
@pytest.mark.parametrize("sector", PLACES)
@pytest.mark.parametrize(
    ("item", "shape"), [("disc.rim_thinning", "hatch"), ("disc.notch", "notch"), ("disc.haemorrhage", "haemorrhage")]
)
def test_a_sector_lies_on_its_side(side: str, sector: str, item: str, shape: str) -> None:
    sketch = discs([entry("disc.cup_ratio", side, 0.5), entry(item, side, "present", sector=sector)])
    assert sketch
    (disc,) = shapes(sketch, "disc")
    middle = centre(disc)
    places = [centre(part) for part in shapes(sketch, shape)]
    x = sum(px for px, _ in places) / len(places) - middle[0]
    y = middle[1] - sum(py for _, py in places) / len(places)
    assert (_sign(x), _sign(y)) == PLACES[sector][side == "left"]
    assert _sign(middle[0] - 190) == (-1 if side == "right" else 1)


def test_the_hatching_fills_the_rim_of_its_sector_alone() -> None:
    sketch = discs(
        [entry("disc.cup_ratio", "right", 0.6), entry("disc.rim_thinning", "right", "present", sector="inferior")]
    )
    assert sketch
    middle = centre(shapes(sketch, "disc")[0])
    angles = []
    for line in shapes(sketch, "hatch"):
        inner, outer = corners(line)
        lengths = [((x - middle[0]) ** 2 + (y - middle[1]) ** 2) ** 0.5 for x, y in (inner, outer)]
        assert lengths == pytest.approx([0.6 * RADIUS, RADIUS], abs=0.1)
        angles.append(degrees(atan2(middle[1] - outer[1], outer[0] - middle[0])) % 360)
    assert min(angles) >= 224 and max(angles) <= 316
    assert len(angles) > 10


@pytest.mark.parametrize("ratio", [0, 0.1, 0.35, 0.7, 1])
def test_the_cup_is_to_scale(ratio: float) -> None:
    sketch = discs([entry("disc.cup_ratio", "left", ratio)])
    assert sketch
    (cup,) = shapes(sketch, "cup")
    assert float(cup.get("r", "")) == pytest.approx(ratio * RADIUS, abs=0.01)
    assert float(shapes(sketch, "disc")[0].get("r", "")) == RADIUS
    assert f"cup {ratio:g}" in words(sketch)


def test_a_range_has_two_cups() -> None:
    sketch = discs([entry("disc.cup_ratio", "left", [0.7, 0.75])])
    assert sketch
    assert [float(c.get("r", "")) for c in shapes(sketch, "cup")] == pytest.approx(
        [0.7 * RADIUS, 0.75 * RADIUS], abs=0.01
    )
    assert "cup 0.7–0.75" in words(sketch)
    assert "cup 0.7 to 0.75" in sketch.text


def test_a_ratio_that_cannot_be_is_written_and_not_drawn() -> None:
    sketch = discs([entry("disc.cup_ratio", "left", 3, "confirm")])
    assert sketch
    assert not shapes(sketch, "cup")
    assert "cup 3?" in words(sketch)


def test_a_disc_of_which_nothing_was_said_is_not_drawn() -> None:
    sketch = discs([entry("disc.cup_ratio", "left", 0.3)])
    assert sketch
    assert len(shapes(sketch, "disc")) == 1
    assert words(sketch).count("temporal") == 1
    assert "Right disc: not described." in sketch.text


def test_a_disc_not_seen_is_not_drawn() -> None:
    sketch = discs([entry("disc.cup_ratio", "left", 0.3), entry("disc.appearance", "right", "not_done")])
    assert sketch
    assert len(shapes(sketch, "disc")) == 1
    assert "Right disc: not seen." in sketch.text


def test_a_disc_without_a_ratio_says_so() -> None:
    sketch = discs(
        [entry("disc.swelling", "right", "present"), entry("disc.pallor", "right", "present", sector="temporal")]
    )
    assert sketch
    assert not shapes(sketch, "cup")
    assert "Right disc: cup ratio not said; swollen; pale temporally." in sketch.text


@pytest.mark.parametrize("item", ["disc.haemorrhage", "disc.notch", "disc.rim_thinning"])
def test_a_finding_without_a_place_is_written_and_not_drawn(item: str) -> None:
    sketch = discs([entry("disc.cup_ratio", "left", 0.3), entry(item, "left", "present")])
    assert sketch
    assert not [s for name in ("haemorrhage", "notch", "hatch") for s in shapes(sketch, name)]
    assert "place not said" in sketch.text


@pytest.mark.parametrize("item", ["disc.haemorrhage", "disc.notch", "disc.rim_thinning"])
def test_an_absent_finding_is_written_and_not_drawn(item: str) -> None:
    sketch = discs([entry("disc.cup_ratio", "left", 0.3), entry(item, "left", "absent", sector="nasal")])
    assert sketch
    assert not [s for name in ("haemorrhage", "notch", "hatch") for s in shapes(sketch, name)]


def test_suspected_is_said_and_drawn_lighter() -> None:
    def drawn(value: str, state: str = "stated") -> list[tuple[int, str]]:
        items = ("disc.haemorrhage", "disc.rim_thinning")
        sketch = discs([entry(item, "left", value, state, sector="inferior") for item in items])
        assert sketch
        return [(len(shapes(sketch, n)), shapes(sketch, n)[0].get("fill", "")) for n in ("haemorrhage", "hatch")]

    assert drawn("present")[0] == (1, "currentColor")
    assert drawn("suspected")[0] == (1, "none") == drawn("present", "confirm")[0]
    assert drawn("suspected")[1][0] < drawn("present")[1][0]


def test_a_doubtful_sector_is_dashed_and_asked() -> None:
    sketch = discs([entry("disc.notch", "left", "present", "confirm", sector="inferior")])
    assert sketch
    assert shapes(sketch, "notch")[0].get("stroke-dasharray")
    assert "notch inferiorly?" in words(sketch)
    assert "notch inferiorly (to be confirmed)" in sketch.text


def test_a_bad_cup_leaves_room_for_the_hatching() -> None:
    sketch = discs(
        [entry("disc.cup_ratio", "left", 1), entry("disc.rim_thinning", "left", "present", sector="inferior")]
    )
    assert sketch
    inner, outer = corners(shapes(sketch, "hatch")[0])
    assert inner != outer


def test_words_of_both_discs_together() -> None:
    sketch = discs([entry("disc.cup_ratio", "left", 0.7), entry("disc.asymmetry", None, "present")])
    assert sketch
    assert "Also: discs unequal." in sketch.text
