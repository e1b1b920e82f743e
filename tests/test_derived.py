"""What is computed from entries, against published worked values.

Beside each table stands where its values come from: a publication as read in a copy, "from
memory" where it was not read again, "common practice, no source" where nothing is published.
"""

from __future__ import annotations

import json
import math
import tomllib
from pathlib import Path
from typing import Any

import pytest

from dictate import lexicon as lexicon_module
from dictate import norms as norms_module
from dictate.derive import computed_conflicts, derive, not_documented
from dictate.derived.acuity import convert
from dictate.derived.facts import clean, shown, span
from dictate.derived.plates import scored_range
from dictate.errors import LexiconError
from dictate.lexicon import Lexicon
from dictate.record import Derived, Entry, Value

ROOT = Path(__file__).resolve().parent.parent
SHARED = ROOT.parent / "shared"
NERVES = ["I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X", "XI", "XII"]


@pytest.fixture(scope="module")
def lexicon() -> Lexicon:
    return lexicon_module.load_folders([lexicon_module.default_folder()])


def rows(*told: Any, state: str = "stated") -> tuple[Entry, ...]:
    """Entries e0, e1 ... from (item, side or "", value, context)."""
    out = []
    for number, row in enumerate(told):
        context = dict(row[3]) if len(row) == 4 else {}
        unit = {"pressure.eye": "mm[Hg]", "pupil.size": "mm", "disc.cup_ratio": "1"}.get(row[0], "")
        out.append(Entry(f"e{number}", row[0], row[1] or None, row[2], unit, context, state, ()))
    return tuple(out)


def pairs(item: str, right: Value, left: Value, **context: Any) -> tuple[Any, ...]:
    return ((item, "right", right, context), (item, "left", left, context))


def one(entries: tuple[Entry, ...], lexicon: Lexicon, key: str) -> Derived:
    found = [d for d in derive(entries, lexicon) if d.key == key]
    assert len(found) == 1, f"{key}: {[d.key for d in derive(entries, lexicon)]}"
    return found[0]


def keys(entries: tuple[Entry, ...], lexicon: Lexicon) -> list[str]:
    return [d.key for d in derive(entries, lexicon) if not d.key.startswith("nerve.")]


# ---- acuity ------------------------------------------------------------------------------

# Holladay JT. J Cataract Refract Surg 2004;30:287-290, Table 1, and Bach M, Visual Acuity Cheat
# Sheet (read): the nominal logMAR of the 0.1 lines.
LINES = [
    ("6/60", "20/200", 1.0),
    ("6/48", "20/160", 0.9),
    ("6/38", "20/125", 0.8),
    ("6/30", "20/100", 0.7),
    ("6/24", "20/80", 0.6),
    ("6/19", "20/63", 0.5),
    ("6/15", "20/50", 0.4),
    ("6/12", "20/40", 0.3),
    ("6/9.5", "20/32", 0.2),
    ("6/7.5", "20/25", 0.1),
    ("6/6", "20/20", 0.0),
    ("6/4.8", "20/16", -0.1),
    ("6/3.8", "20/12.5", -0.2),
    ("6/3", "20/10", -0.3),
]
# 20/30, 20/60, 20/70, 20/150 printed in Holladay 2004 (read); the rest arithmetic from logMAR = log10(MAR).
OTHER_LINES = [
    ("6/4", -0.18),
    ("6/5", -0.08),
    ("6/9", 0.18),
    ("6/18", 0.48),
    ("6/36", 0.78),
    ("20/30", 0.18),
    ("20/60", 0.48),
    ("20/70", 0.54),
    ("20/150", 0.88),
    ("20/400", 1.3),
    ("3/60", 1.3),
    ("2/60", 1.48),
    ("1/60", 1.78),
    ("4/40", 1.0),
    ("5/60", 1.08),
]
# Arithmetic with 0.02 a letter: Bailey & Lovie 1976 (from memory), rule read in a manual that cites
# Beck 2003; the worked lines are common practice, no source.
LETTERS = [
    ("6/6-2", 0.04),
    ("6/6+2", -0.04),
    ("6/7.5+2", 0.06),
    ("6/9.5-3", 0.26),
    ("6/12-1", 0.32),
    ("6/12+3", 0.24),
    ("6/9-1", 0.2),
    ("6/9+1", 0.16),
    ("6/18-2", 0.52),
    ("20/40-1", 0.32),
    ("20/25+2", 0.06),
    ("20/20-3", 0.06),
    ("0.3 logMAR -2", 0.34),
]
# Bach's Cheat Sheet (read): CF 1.9, HM 2.3, and LP 2.7, NLP 3.0 as imputations.
LOW = [("CF", 1.9), ("HM", 2.3), ("LP", 2.7), ("NLP", 3.0), ("NPL", 3.0)]


@pytest.mark.parametrize(
    ("said", "expected"), [(m, v) for m, _, v in LINES] + [(f, v) for _, f, v in LINES] + OTHER_LINES
)
def test_lines_of_the_published_tables(said: str, expected: float, lexicon: Lexicon) -> None:
    found = one(rows(("acuity.distance", "right", said)), lexicon, "acuity.logmar")
    assert isinstance(found.value, int | float)
    assert found.value == pytest.approx(expected, abs=0.0051)
    assert (found.side, found.entries, found.unit, found.outside) == ("right", ("e0",), "logMAR", False)
    assert "Bach" in found.source


@pytest.mark.parametrize("above", [1, 2, 3, 4, 5, 6, 10, 20])
@pytest.mark.parametrize("below", [3, 3.8, 4, 4.8, 6, 7.5, 9, 9.5, 12.5, 15, 18, 32, 36, 60, 125, 200, 400])
def test_every_fraction_against_the_definition(above: int, below: float, lexicon: Lexicon) -> None:
    entries = rows(("acuity.distance", "left", f"{above}/{below:g}"))
    minutes_of_arc = below / above  # definition: decimal = 1/MAR, logMAR = log10 MAR
    assert one(entries, lexicon, "acuity.logmar").value == pytest.approx(
        math.log(minutes_of_arc) / math.log(10), abs=0.0051
    )
    assert one(entries, lexicon, "acuity.decimal").value == pytest.approx(1 / minutes_of_arc, rel=0.006)


@pytest.mark.parametrize(("said", "expected"), LETTERS)
def test_letters_more_or_less(said: str, expected: float, lexicon: Lexicon) -> None:
    found = one(rows(("acuity.distance", "right", said)), lexicon, "acuity.logmar")
    assert found.value == pytest.approx(expected, abs=0.0051)
    assert "convention" in found.text and "Bailey" in found.source


@pytest.mark.parametrize(
    ("said", "logmar", "decimal"),
    [
        ("0.18 logMAR", 0.18, 0.661),
        ("-0.1 logMAR", -0.1, 1.26),
        ("0 logMAR", 0, 1),
        ("0.5 decimal", 0.3, 0.5),
        ("1.0 decimal", 0, 1),
    ],
)
def test_numbers_said_as_such(said: str, logmar: float, decimal: float, lexicon: Lexicon) -> None:
    entries = rows(("acuity.distance", "both", said))
    assert one(entries, lexicon, "acuity.logmar").value == logmar
    assert one(entries, lexicon, "acuity.decimal").value == decimal


def test_a_line_read_in_part_stays_on_the_line(lexicon: Lexicon) -> None:
    found = one(rows(("acuity.distance", "right", "6/9p")), lexicon, "acuity.logmar")
    assert found.value == 0.18 and "in part" in found.text


@pytest.mark.parametrize(("said", "expected"), LOW)
def test_low_vision_is_marked_as_convention(said: str, expected: float, lexicon: Lexicon) -> None:
    found = one(rows(("acuity.distance", "right", said)), lexicon, "acuity.logmar")
    assert found.value == expected and "convention" in found.text


def test_light_perception_has_no_decimal(lexicon: Lexicon) -> None:
    # Schulze-Bonsel et al. 2006 and Lange et al. 2009 (read): light perception could not be measured.
    assert keys(rows(("acuity.distance", "right", "LP")), lexicon) == ["acuity.logmar"]


def test_counting_fingers_by_distance(lexicon: Lexicon) -> None:
    # Holladay 2004, Table 1 (read): 2 feet = 20/2000 = 2.0; the measured 1.9 (Bach, read) is the better of
    # the two there, so that fingers near by are never worse than the category itself.
    assert one(rows(("acuity.distance", "right", "CF 2 ft")), lexicon, "acuity.logmar").value == 1.9
    # The same rule scaled (from memory): 200 feet / 3 metres.
    assert one(rows(("acuity.distance", "right", "CF 3 m")), lexicon, "acuity.logmar").value == pytest.approx(
        math.log10(200 * 0.3048 / 3), abs=0.0051
    )
    order = ["NLP", "LP", "HM", "CF 30 cm", "CF 1 m", "CF 3 m", "6/60"]  # worst to best: common practice, no source
    values = [one(rows(("acuity.distance", "right", said)), lexicon, "acuity.logmar").value for said in order]
    assert values == sorted(values, key=lambda v: -float(str(v)))


@pytest.mark.parametrize("said", ["", "6/", "six nine", "6/0", "0/6", "XX", "0 decimal", "not_done", "6/9?"])
def test_what_is_no_acuity_gives_nothing(said: str, lexicon: Lexicon) -> None:
    assert keys(rows(("acuity.distance", "right", said)), lexicon) == []


def test_the_line_alone_where_the_letter_rule_is_off() -> None:
    rules = norms_module.load().acuity.model_copy(update={"per_letter": 0.0})
    found = convert(rules, "6/6-2")
    assert found is not None and found.logmar == 0


def test_near_points_to_m(lexicon: Lexicon) -> None:
    # Near table of a teaching sheet (read): N8 = 1 M; eight points to 1 M (Sloan; Bailey & Lovie 1980, from memory).
    for said, metres in (("N8", 1), ("N5", 0.625), ("N12", 1.5), ("N48", 6)):
        assert one(rows(("acuity.near", "both", said)), lexicon, "acuity.near_m").value == metres
    assert keys(rows(("acuity.near", "both", "J3"), ("acuity.near", "both", "20/25")), lexicon) == []


# ---- plates --------------------------------------------------------------------------------

# Instructions of the editions: 14 plates (read, weak copy) 10+ of 1-11 normal, 7- deficient; 24 plates (from
# memory) 13+ of 1-15, 9-; 38 plates (from memory) 17+ of 1-21, 13-.
PLATES = [
    ("11/11", "normal"),
    ("10/11", "normal"),
    ("9/11", "between"),
    ("8/11", "between"),
    ("7/11", "deficient"),
    ("15/15", "normal"),
    ("13/15", "normal"),
    ("12/15", "between"),
    ("10/15", "between"),
    ("9/15", "deficient"),
    ("0/15", "deficient"),
    ("21/21", "normal"),
    ("17/21", "normal"),
    ("16/21", "between"),
    ("14/21", "between"),
    ("13/21", "deficient"),
    # more plates shown than scored: only what holds whichever plates were missed
    ("14/14", "normal"),
    ("13/14", "normal"),
    ("12/14", ""),
    ("10/14", ""),
    ("7/14", "deficient"),
    ("0/14", "deficient"),
    ("24/24", "normal"),
    ("22/24", "normal"),
    ("21/24", ""),
    ("9/24", "deficient"),
    ("38/38", "normal"),
    ("34/38", "normal"),
    ("33/38", ""),
    ("13/38", "deficient"),
    # 17 belongs to two books: a verdict only where both agree
    ("17/17", "normal"),
    ("16/17", ""),
    ("15/17", ""),
    ("9/17", "deficient"),
    ("8/17", "deficient"),
    ("10/17", ""),
    # no edition is told by these
    ("13/13", ""),
    ("4/13", ""),
    ("6/6", ""),
    ("16/15", ""),
]


@pytest.mark.parametrize(("said", "expected"), PLATES)
def test_plates_by_the_rule_of_the_edition(said: str, expected: str, lexicon: Lexicon) -> None:
    found = [d for d in derive(rows(("colour.plates", "left", said)), lexicon) if d.key == "colour.plates_result"]
    assert [d.value for d in found] == ([expected] if expected else [])
    for derived in found:
        assert derived.outside == (expected != "normal")
        assert expected == "between" or "if that book" in derived.text


def test_scored_range_by_counting_every_way() -> None:
    for edition in norms_module.load().plates.edition:
        for total in edition.shown:
            scored, unscored = min(total, edition.scored), max(0, total - edition.scored)
            for correct in range(total + 1):
                ways = [s for s in range(scored + 1) if 0 <= correct - s <= unscored]
                low, high = min(ways), max(ways) + edition.scored - scored
                assert scored_range(edition, correct, total) == (low, high)


# ---- right against left ----------------------------------------------------------------------


# Walsh and Hoyt, quoted by a Stanford teaching page (read): benign difference usually 0.6 mm or less, 1.0 mm
# or more rare.
@pytest.mark.parametrize(
    ("right", "left", "value", "side", "outside"),
    [
        (3, 3, 0, None, False),
        (3, 3.5, 0.5, "left", False),
        (4, 3.2, 0.8, "right", False),
        (4, 3, 1, "right", True),
        (3, 5, 2, "left", True),
    ],
)
def test_difference_of_the_pupils(
    right: float, left: float, value: float, side: str | None, outside: bool, lexicon: Lexicon
) -> None:
    entries = rows(*pairs("pupil.size", right, left, light="dim"))
    found = one(entries, lexicon, "pupil.size_difference.dim")
    assert (found.value, found.side, found.outside, found.unit) == (value, side, outside, "mm")
    assert found.entries == ("e0", "e1") and "dim" in found.text


# Walsh and Hoyt, pupil chapter (from memory): greater in light, look at the larger; greater in dark, the smaller.
@pytest.mark.parametrize(
    ("dim", "bright", "value", "word"),
    [
        ((6, 6.5), (2, 4), "bright", "larger pupil"),
        ((3, 5.5), (2.5, 3.5), "dim", "smaller pupil"),
        ((5, 6), (3, 4), "same", "about the same"),
        ((5, 6), (4, 3), "swapped", "changes sides"),
    ],
)
def test_light_in_which_the_pupils_differ_more(
    dim: tuple[float, float], bright: tuple[float, float], value: str, word: str, lexicon: Lexicon
) -> None:
    entries = rows(*pairs("pupil.size", *dim, light="dim"), *pairs("pupil.size", *bright, light="bright"))
    found = one(entries, lexicon, "pupil.difference_greater_in")
    assert found.value == value and word in found.text and set(found.entries) == {"e0", "e1", "e2", "e3"}


def test_small_differences_are_not_read_by_light(lexicon: Lexicon) -> None:
    # Lam et al. 1987 (read): 0.4 mm is the usual criterion for a difference at all.
    entries = rows(*pairs("pupil.size", 5, 5.3, light="dim"), *pairs("pupil.size", 3, 3, light="bright"))
    assert "pupil.difference_greater_in" not in keys(entries, lexicon)


def test_different_lights_are_not_compared(lexicon: Lexicon) -> None:
    entries = rows(("pupil.size", "right", 6, {"light": "dim"}), ("pupil.size", "left", 3, {"light": "bright"}))
    assert not [k for k in keys(entries, lexicon) if k.startswith("pupil.size_difference")]


# Spector 1990 (read in a secondary page): 2-4 mm in bright light, 4-8 mm in the dark.
@pytest.mark.parametrize(
    ("size", "light", "outside"),
    [
        (2, "bright", False),
        (4, "bright", False),
        (4.5, "bright", True),
        (1.5, "bright", True),
        (4, "dim", False),
        (8, "dim", False),
        (3, "dim", True),
        (8.5, "dim", True),
        (6, "room", False),
        (14, "dim", False),
    ],
)
def test_pupil_size_range(size: float, light: str, outside: bool, lexicon: Lexicon) -> None:
    found = [
        d for d in derive(rows(("pupil.size", "right", size, {"light": light})), lexicon) if d.key == "pupil.size_level"
    ]
    assert bool(found) == outside and all(d.outside for d in found)


# Ong et al. 1999 (read): 0.2 or more in 6 % of normal people; ISGEO, Foster et al. 2002 (from memory).
@pytest.mark.parametrize(
    ("right", "left", "value", "outside"),
    [
        (0.3, 0.3, 0, False),
        (0.4, 0.55, 0.15, False),
        (0.3, 0.5, 0.2, True),
        (0.6, 0.5, 0.1, False),
        (0.8, 0.5, 0.3, True),
        (0.3, [0.6, 0.65], [0.3, 0.35], True),
        (0.3, [0.4, 0.6], [0.1, 0.3], False),
        ([0.3, 0.5], 0.4, [0, 0.1], False),
    ],
)
def test_cup_asymmetry(right: Value, left: Value, value: Value, outside: bool, lexicon: Lexicon) -> None:
    found = one(rows(*pairs("disc.cup_ratio", right, left)), lexicon, "disc.cup_asymmetry")
    assert found.value == value and found.outside == outside


def test_two_values_for_one_side_are_not_compared(lexicon: Lexicon) -> None:
    entries = rows(*pairs("disc.cup_ratio", 0.4, 0.5), ("disc.cup_ratio", "right", 0.6))
    assert "disc.cup_asymmetry" not in keys(entries, lexicon)


def test_open_questions_are_not_computed_from(lexicon: Lexicon) -> None:
    entries = rows(
        *pairs("pupil.size", 3, 5), ("acuity.distance", "right", "6/9"), ("pressure.eye", "right", 30), state="confirm"
    )
    assert keys(entries, lexicon) == []


# Foster et al. 2002 (from memory): 0.7 is the 97.5th percentile.
@pytest.mark.parametrize(
    ("ratio", "value", "outside"),
    [(0.65, "inside", False), (0.7, "0.7 or more", True), ([0.6, 0.8], "straddles", False)],
)
def test_cup_limit(ratio: Value, value: str, outside: bool, lexicon: Lexicon) -> None:
    found = one(rows(("disc.cup_ratio", "right", ratio)), lexicon, "disc.cup_ratio_level")
    assert (found.value, found.outside) == (value, outside)


# ---- pressure, convergence, grades -------------------------------------------------------------


# European Glaucoma Society 2017 (read): 21 is two SD above the mean. NICE NG81 (read): refer at 24 or more.
@pytest.mark.parametrize(
    ("pressure", "value", "outside"),
    [
        (14, "inside", False),
        (21, "inside", False),
        (22, "above 21", True),
        (23, "above 21", True),
        (24, "24 or more", True),
        (38, "24 or more", True),
    ],
)
def test_pressure(pressure: int, value: str, outside: bool, lexicon: Lexicon) -> None:
    found = one(rows(("pressure.eye", "left", pressure)), lexicon, "pressure.level")
    assert (found.value, found.outside, found.side) == (value, outside, "left")
    assert ("NICE" in found.source) == (value == "24 or more")
    assert "mmHg" in found.text and "mm[Hg]" not in found.text


def test_pressure_asymmetry(lexicon: Lexicon) -> None:
    # Williams et al. J Glaucoma 2013;22:215-218 (from memory): more than 6 mmHg.
    assert one(rows(*pairs("pressure.eye", 14, 20)), lexicon, "pressure.difference").outside is False
    assert one(rows(*pairs("pressure.eye", 14, 21)), lexicon, "pressure.difference").outside is True
    mixed = rows(
        ("pressure.eye", "right", 14, {"method": "rebound"}), ("pressure.eye", "left", 22, {"method": "applanation"})
    )
    assert "pressure.difference" not in keys(mixed, lexicon)


# Scheiman et al. 2003 (read): adults break 5 cm, recovery 7 cm. Adler 2002 (read): 10 cm or more.
# Wajuihian 2019 (read): aged 13-18, 5-10 and 6-13 cm.
@pytest.mark.parametrize(
    ("item", "distance", "value", "outside"),
    [
        ("near_point", 5, "inside", False),
        ("near_point", 8, "above 5", True),
        ("near_point", 10, "10 or more", True),
        ("recovery", 7, "inside", False),
        ("recovery", 11, "above 7", True),
        ("recovery", 15, "above 13", True),
    ],
)
def test_near_point(item: str, distance: float, value: str, outside: bool, lexicon: Lexicon) -> None:
    found = one(rows((f"convergence.{item}", "", distance)), lexicon, f"convergence.{item}_level")
    assert (found.value, found.outside) == (value, outside)


# Yotharak & Aui-Aree 2012 (read).
@pytest.mark.parametrize(("grade", "value"), [("1+", [0, 0.6]), ("2+", [0.6, 0.9]), ("3+", [1.2, 1.5]), ("4+", 1.8)])
def test_grades_of_a_relative_defect(grade: str, value: Value, lexicon: Lexicon) -> None:
    assert one(rows(("pupil.rapd_grade", "left", grade)), lexicon, "pupil.rapd_log_units").value == value


# Van Herick et al. 1969 (from memory) for the grades; a quarter or less is narrow: NHS Scotland (read).
@pytest.mark.parametrize(
    ("grade", "value"),
    [("4", "wide"), ("3", "wide"), ("2-3", "borderline"), ("2", "narrow"), ("0", "narrow"), ("25%", "narrow")],
)
def test_chamber_angle(grade: str, value: str, lexicon: Lexicon) -> None:
    found = one(rows(("angle.van_herick", "right", grade)), lexicon, "angle.width")
    assert found.value == value and found.outside == (value == "narrow")


# ---- Rinne and Weber -------------------------------------------------------------------------

# British Society of Audiology 2016 as restated (read); the table is composed from its single rules.
FORKS = [
    ("positive", "positive", "central", "normal"),
    ("positive", "positive", "right", "sensorineural_left"),
    ("positive", "positive", "left", "sensorineural_right"),
    ("negative", "positive", "right", "conductive_right"),
    ("positive", "negative", "left", "conductive_left"),
    ("negative", "positive", "left", "contradictory"),
    ("positive", "negative", "right", "contradictory"),
    ("negative", "negative", "central", "conductive_both"),
    ("negative", "negative", "right", "conductive_both"),
    ("negative", "negative", "left", "conductive_both"),
    ("negative", "positive", "central", "unclear"),
    ("positive", "negative", "central", "unclear"),
    # Burkey et al. 1998 (read as abstract): equal is read like negative
    ("equal", "positive", "right", "conductive_right"),
]


def forks(right: str, left: str, weber: str, **context: Any) -> tuple[Any, ...]:
    return (*pairs("hearing.rinne", right, left, **context), ("hearing.weber", "", weber, context))


@pytest.mark.parametrize(("right", "left", "weber", "value"), FORKS)
def test_rinne_with_weber(right: str, left: str, weber: str, value: str, lexicon: Lexicon) -> None:
    found = one(rows(*forks(right, left, weber, fork=512)), lexicon, "hearing.rinne_weber.512")
    assert (found.value, found.outside, found.entries) == (value, value != "normal", ("e0", "e1", "e2"))
    assert found.side == {"right": "right", "left": "left"}.get(value.rpartition("_")[2], found.side)
    assert ("Burkey" in found.source) == (right == "equal")


def test_each_fork_is_read_by_itself(lexicon: Lexicon) -> None:
    entries = rows(
        *forks("positive", "positive", "central", fork=512), *forks("negative", "positive", "right", fork=256)
    )
    assert one(entries, lexicon, "hearing.rinne_weber.512").value == "normal"
    assert one(entries, lexicon, "hearing.rinne_weber.256").value == "conductive_right"


def test_a_result_with_no_fork_said_joins_the_fork(lexicon: Lexicon) -> None:
    entries = rows(*pairs("hearing.rinne", "positive", "positive", fork=512), ("hearing.weber", "", "left"))
    assert one(entries, lexicon, "hearing.rinne_weber.512").value == "sensorineural_right"


def test_no_joint_reading_of_one_ear_or_two_webers(lexicon: Lexicon) -> None:
    assert keys(rows(("hearing.rinne", "right", "positive"), ("hearing.weber", "", "left")), lexicon) == []
    twice = rows(*forks("positive", "positive", "left"), ("hearing.weber", "", "right"))
    assert keys(twice, lexicon) == []


# ---- the nerves --------------------------------------------------------------------------------


def nerve_values(entries: tuple[Entry, ...], lexicon: Lexicon) -> dict[str, Value]:
    return {d.key.removeprefix("nerve."): d.value for d in derive(entries, lexicon) if d.key.startswith("nerve.")}


def test_every_nerve_has_a_state(lexicon: Lexicon) -> None:
    assert nerve_values((), lexicon) == dict.fromkeys(NERVES, "not_tested")


def test_normal_abnormal_and_untested(lexicon: Lexicon) -> None:
    entries = rows(
        *pairs("face.power", "normal", "normal"),
        ("tongue.position", "", "left"),
        *pairs("face.sensation", "normal", "normal"),
        *pairs("trapezius.power", "5/5", "4/5"),
        ("smell.sense", "", "not_done"),
    )
    values = nerve_values(entries, lexicon)
    assert (values["V"], values["VII"], values["XII"], values["XI"]) == ("normal", "normal", "abnormal", "abnormal")
    assert (values["I"], values["VIII"]) == ("not_tested", "not_tested")
    by_key = {d.key: d for d in derive(entries, lexicon)}
    assert by_key["nerve.XII"].entries == ("e2",) and by_key["nerve.XII"].outside
    assert by_key["nerve.I"].entries == ("e7",)


def test_an_open_or_undone_part_leaves_a_nerve_partly_tested(lexicon: Lexicon) -> None:
    done = rows(("palate.elevation", "", "symmetrical"), ("gag.reflex", "", "not_done"))
    assert nerve_values(done, lexicon)["X"] == "partly"
    tongue = (("tongue.position", "", "midline"), ("tongue.wasting", "", "absent"))
    doubtful = rows(*tongue)[:1] + rows(*tongue, state="confirm")[1:]
    assert nerve_values(doubtful, lexicon)["XII"] == "partly"


def test_a_restricted_movement_is_told_of_the_muscles_nerve(lexicon: Lexicon) -> None:
    # von Noorden and Campos; LR6 SO4 (from memory)
    values = nerve_values(rows(("motility.range", "left", "restricted", {"gaze": "left"})), lexicon)
    assert (values["VI"], values["III"], values["IV"]) == ("abnormal", "partly", "partly")
    values = nerve_values(rows(("motility.range", "right", "restricted", {"gaze": "left"})), lexicon)
    assert (values["III"], values["VI"]) == ("abnormal", "partly")


def test_equal_pupils_say_nothing_of_the_second_nerve(lexicon: Lexicon) -> None:
    # University of Utah, NOVEL (read): an afferent defect leaves the pupils equal.
    values = nerve_values(rows(("pupil.anisocoria", "", "absent")), lexicon)
    assert (values["II"], values["III"]) == ("not_tested", "normal")


def test_a_missing_gag_on_both_sides_is_no_sign_by_itself(lexicon: Lexicon) -> None:
    # Davies et al. 1995 (from memory): absent in about a third of healthy people.
    assert nerve_values(rows(*pairs("gag.reflex", "absent", "absent")), lexicon)["IX"] == "partly"
    assert nerve_values(rows(*pairs("gag.reflex", "absent", "present")), lexicon)["IX"] == "abnormal"


# Usual 20/25 or better: Colenbrander 2002 (from memory); impairment below 6/12: WHO ICD-11 (from memory).
@pytest.mark.parametrize(
    ("worse", "value"),
    [("6/7.5", "normal"), ("6/9", "partly"), ("6/12", "partly"), ("6/18", "abnormal"), ("CF", "abnormal")],
)
def test_the_second_nerve_by_acuity(worse: str, value: str, lexicon: Lexicon) -> None:
    assert nerve_values(rows(*pairs("acuity.distance", "6/6", worse)), lexicon)["II"] == value


def test_an_eye_is_judged_by_its_best_acuity(lexicon: Lexicon) -> None:
    entries = rows(
        ("acuity.distance", "right", "6/36", {"correction": "unaided"}),
        ("acuity.distance", "right", "6/6", {"correction": "pinhole"}),
    )
    assert nerve_values(entries, lexicon)["II"] == "normal"


def test_a_statement_about_whole_nerves(lexicon: Lexicon) -> None:
    told = [("nerve.status", "", "intact", {"nerve": n}) for n in NERVES[1:] if n != "VII"]
    values = nerve_values(rows(*told, ("nerve.status", "left", "impaired", {"nerve": "VII"})), lexicon)
    assert (values["I"], values["II"], values["XII"], values["VII"]) == ("not_tested", "normal", "normal", "abnormal")
    # "cranial nerves intact" does not say which were tested: common practice, no source
    values = nerve_values(rows(("nerves.overall", "", "intact")), lexicon)
    assert (values["I"], values["V"]) == ("not_tested", "partly")


# ---- tests nobody mentioned ---------------------------------------------------------------------


def test_tests_not_mentioned_in_exam_order(lexicon: Lexicon) -> None:
    nothing = not_documented((), lexicon)
    leads = {item.title for item in lexicon.items.values() if item.lead}
    assert set(nothing) == leads
    titles = [
        lexicon.item(k).title
        for k in (
            "smell.sense",
            "acuity.distance",
            "pupil.size",
            "motility.range",
            "face.sensation",
            "face.power",
            "hearing.rinne",
            "palate.elevation",
            "trapezius.power",
            "tongue.position",
            "pressure.eye",
        )
    ]
    assert [t for t in nothing if t in titles] == titles


def test_what_counts_as_mentioned(lexicon: Lexicon) -> None:
    entries = rows(
        ("pupil.anisocoria", "", "absent"), ("smell.sense", "", "not_done"), ("uvula.position", "", "midline")
    )
    missing = not_documented(entries, lexicon)
    for key in ("pupil.size", "smell.sense", "palate.elevation"):
        assert lexicon.item(key).title not in missing
    assert lexicon.item("pupil.rapd").title in missing
    whole = not_documented(rows(*[("nerve.status", "", "intact", {"nerve": n}) for n in NERVES[1:]]), lexicon)
    assert lexicon.item("face.power").title not in whole and lexicon.item("acuity.distance").title in whole
    assert lexicon.item("smell.sense").title in whole


# ---- contradictions -------------------------------------------------------------------------------

CASES = tomllib.loads((ROOT / "tests" / "contradictions.toml").read_text(encoding="utf-8"))["case"]


@pytest.mark.parametrize("case", CASES, ids=lambda c: str(c["name"]))
def test_contradictions(case: dict[str, Any]) -> None:
    found = computed_conflicts(rows(*case["rows"]))
    assert [" ".join(ids) for _, ids in found] == case["asked"]
    assert all(say.endswith("?") and "{" not in say and "None" not in say for say, _ in found)


@pytest.mark.parametrize("case", CASES, ids=lambda c: str(c["name"]))
def test_mirror_images_contradict_alike(case: dict[str, Any]) -> None:
    swap = {"right": "left", "left": "right"}

    def mirrored(value: Any) -> Any:
        if isinstance(value, dict):
            return {k: mirrored(v) for k, v in value.items()}
        return swap.get(value, value) if isinstance(value, str) else value

    entries = rows(*([mirrored(part) for part in row] for row in case["rows"]))
    assert [" ".join(ids) for _, ids in computed_conflicts(entries)] == case["asked"]


def test_an_unknown_side_contradicts_nothing() -> None:
    told = (("pupil.rapd", "left", "absent"), ("pupil.rapd_grade", "", "2+"))
    entries = rows(*told)[:1] + rows(*told, state="confirm")[1:]
    assert computed_conflicts(entries) == []


def _notes() -> list[Path]:
    here = sorted((ROOT / "tests" / "notes").glob("*.rows.json"))
    return here + sorted(SHARED.glob("notes/*.rows.json")) + sorted(SHARED.glob("real_gold/*.rows.json"))


@pytest.mark.skipif(not _notes(), reason="no annotated notes here")
@pytest.mark.parametrize("path", _notes(), ids=lambda p: p.name)
def test_annotated_notes_are_only_asked_what_they_leave_open(path: Path, lexicon: Lexicon) -> None:
    told = json.loads(path.read_text(encoding="utf-8"))["rows"]
    entries = tuple(
        Entry(
            f"e{n}",
            r["item"],
            r["side"],
            r["value"],
            "",
            r["context"],
            "stated" if r.get("flag") == "conflict" else r["state"],
            (),
        )
        for n, r in enumerate(told)
    )
    asked = {i for _, ids in computed_conflicts(entries) for i in ids}
    assert asked <= {f"e{n}" for n, r in enumerate(told) if r.get("flag") == "conflict"}
    derived = derive(entries, lexicon)
    known = {e.id for e in entries}
    assert all(d.source and d.text and "{" not in d.text and set(d.entries) <= known for d in derived)


# ---- the norms themselves ------------------------------------------------------------------------


def _item_keys(norms: norms_module.Norms) -> set[str]:
    keys = norms_module.named(norms, "item") | {
        norms.acuity.distance,
        norms.acuity.near,
        norms.forks.rinne,
        norms.forks.weber,
    }
    keys |= {norms.nerves.status, norms.nerves.overall}
    keys |= {i for j in norms.judge for i in j.items} | {k for t in norms.test for k in (t.lead, *t.also)}
    return keys


def test_every_item_of_the_norms_is_in_the_lexicon(lexicon: Lexicon) -> None:
    assert _item_keys(norms_module.load()) - set(lexicon.items) == set()


def test_every_value_the_rules_ask_for_exists(lexicon: Lexicon) -> None:
    norms = norms_module.load()
    clauses = [c for r in norms.contradiction for c in (*r.clause, *r.unless)]
    clauses += [c for i in norms.impression for c in (*i.same_side, *i.against, *i.denies_exclusion)]
    for clause in clauses:
        item = lexicon.items.get(clause.item)
        if item and item.kind in ("category", "finding"):
            allowed = set(item.values) if item.kind == "category" else {"present", "absent", "suspected"}
            assert set(clause.values) <= allowed, clause
            assert set(clause.context) <= set(item.context), clause
    assert {i.name for i in norms.impression} <= set(lexicon.item(norms.conclusion.item).values)
    for judge in norms.judge:
        known = {v for k in judge.items for v in (*lexicon.item(k).values, "present", "absent", "suspected")}
        if known - {"present", "absent", "suspected"}:
            assert set(judge.normal) | set(judge.abnormal) | set(judge.unclear) <= known | {"5/5", "5"}, judge


def test_every_derived_key_asked_for_is_computed() -> None:
    norms = norms_module.load()
    computed = (
        {d.key for d in norms.difference}
        | {x.key for x in norms.limit}
        | {norms.plates.key, norms.forks.key, norms.pupil_light.key}
    )
    assert norms_module.named(norms, "derived") <= computed


def test_every_source_is_used_and_every_rule_has_one() -> None:
    norms = norms_module.load()
    assert norms_module.named(norms, "source") == set(norms.source)
    assert all(s.cite.strip() for s in norms.source.values())


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("per_letter = 0.02", "per_letter = 2"),
        ('reduced_source = ["who"]', 'reduced_source = ["nobody"]'),
        ('group = "norms"', 'group = "norms"\nextra = 1'),
        ("[basis]", "[basis"),
        ("[basis]", "[conclusion]\n[basis]"),
    ],
)
def test_wrong_norms_are_refused(right: str, wrong: str, tmp_path: Path) -> None:
    for path in (lexicon_module.default_folder() / "norms").iterdir():
        text = path.read_text(encoding="utf-8")
        assert path.name != "norms.toml" or right in text
        (tmp_path / path.name).write_text(
            text.replace(right, wrong) if path.name == "norms.toml" else text, encoding="utf-8"
        )
    with pytest.raises(LexiconError, match="norms"):
        norms_module.load_folder(tmp_path)


def test_the_lexicon_does_not_read_the_norms() -> None:
    folder = lexicon_module.default_folder()
    assert all(not p.name.endswith(".toml") for p in folder.iterdir() if p.is_dir())
    for path in (folder / "norms").iterdir():
        assert tomllib.loads(path.read_text(encoding="utf-8"))["group"] == "norms"


# ---- units -----------------------------------------------------------------------------------------


def test_lengths_against_a_units_library() -> None:
    ucumvert = pytest.importorskip("ucumvert", reason="the UCUM library is not installed")
    registry = ucumvert.PintUcumRegistry()
    codes = {"m": "m", "cm": "cm", "mm": "mm", "ft": "[ft_i]", "in": "[in_i]"}
    lengths = norms_module.load().acuity.length
    assert set(lengths) == set(codes)
    for name, code in codes.items():
        assert lengths[name] == pytest.approx(registry.from_ucum(code).to("m").magnitude)


def test_units_of_items_and_derived_values_are_ucum(lexicon: Lexicon) -> None:
    ucumvert = pytest.importorskip("ucumvert", reason="the UCUM library is not installed")
    registry = ucumvert.PintUcumRegistry()
    units = {item.unit for item in lexicon.items.values() if item.unit} | {
        d.unit for d in norms_module.load().difference
    }
    for unit in units:
        registry.from_ucum(unit)


def test_numbers_in_sentences() -> None:
    assert (shown(4.0), shown([0.5, 0.6]), shown("2+"), shown(0.25)) == ("4", "0.5 to 0.6", "2+", "0.25")
    assert (clean(-0.0), clean(0.30000000000000004), clean(2.0)) == (0, 0.3, 2)
    assert (span("6/9"), span(None), span([0.4, 0.2]), span(3)) == (None, None, (0.2, 0.4), (3.0, 3.0))
