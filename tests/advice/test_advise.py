"""What findings call for: a worked case for each row, thresholds, sides, plans and sources."""

from __future__ import annotations

import json
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from transforms import swap_sides

from dictate.advice.advise import Suggestion, advise
from dictate.advice.lines import told
from dictate.advice.rules import Rules, load
from dictate.advice.side import filled
from dictate.derived.facts import OTHER
from dictate.lexicon import Lexicon
from dictate.lexicon import load as load_lexicon
from dictate.norms import Clause
from dictate.pipeline import read
from dictate.record import Entry, Record, Value

HERE = Path(__file__).parent
NOTES = HERE.parent / "notes"
TABLE = tomllib.loads((HERE / "cases.toml").read_text(encoding="utf-8"))
MIRROR = {**OTHER, "up_right": "up_left", "up_left": "up_right", "down_right": "down_left", "down_left": "down_right"}
MIRROR |= {"right_half": "left_half", "left_half": "right_half"}


@cache
def lexicon() -> Lexicon:
    return load_lexicon()


@cache
def rules() -> Rules:
    return load(lexicon())


@cache
def record(text: str) -> Record:
    return read(text, lexicon=lexicon())


def suggested(text: str) -> tuple[Suggestion, ...]:
    return advise(record(text), lexicon())


def stated(*rows: tuple[Any, ...]) -> Record:
    """A record of rows (item, side or "", value, circumstances)."""
    entries = []
    for n, (item, side, value, *context) in enumerate(rows):
        entries.append(Entry(f"e{n}", item, side or None, value, "", dict(context[0]) if context else {}, "stated", ()))
    return Record("rows", 0, "", tuple(entries))


def keys(found: tuple[Suggestion, ...]) -> list[str]:
    return [one.key for one in found]


# ---- the table ------------------------------------------------------------------------------


@pytest.mark.parametrize("case", TABLE["case"], ids=lambda c: f"{c['row']}: {c['say'][:40]}")
def test_what_a_note_calls_for(case: dict[str, Any]) -> None:
    found = suggested(case["say"])
    assert not record(case["say"]).open
    assert case["row"] in keys(found)
    for one, (key, side, urgency, ask, tests, source) in zip(found, case["gives"], strict=True):
        assert [one.key, one.side or "", one.urgency, one.ask, list(one.tests)] == [key, side, urgency, ask, tests]
        assert any(cited.cite.startswith(source) for cited in one.sources), source


@pytest.mark.parametrize("case", TABLE["under"], ids=lambda c: str(c["say"]))
def test_just_under_a_threshold_nothing_is_suggested(case: dict[str, Any]) -> None:
    assert keys(suggested(case["say"])) == []
    assert record(case["say"]).entries


@pytest.mark.parametrize("case", TABLE["not_sooner"], ids=lambda c: str(c["say"]))
def test_just_under_a_red_flag_it_is_not_sooner(case: dict[str, Any]) -> None:
    (one,) = suggested(case["say"])
    assert [one.key, one.urgency] == case["gives"]


@pytest.mark.parametrize("case", TABLE["nothing"], ids=lambda c: str(c["say"])[:40])
def test_normal_findings_call_for_nothing(case: dict[str, Any]) -> None:
    assert keys(suggested(case["say"])) == []


def test_every_row_has_a_worked_case() -> None:
    assert {case["row"] for case in TABLE["case"]} == {row.key for row in rules().advice}


def _bounded(names: list[str]) -> bool:
    def numbers(clause: Clause) -> bool:
        return any(b is not None for b in (clause.at_least, clause.above, clause.at_most, clause.below))

    return any(numbers(c) and not _presence(c) for name in names for c in rules().sign(name).clauses)


def _presence(clause: Clause) -> bool:
    """Any amount at all: no threshold."""
    return clause.above == 0


def test_every_threshold_has_a_case_just_under_it() -> None:
    covered = {key for case in TABLE["under"] for key in case["rows"]} | {c["gives"][0] for c in TABLE["not_sooner"]}
    covered |= {"angle_closure", "third_nerve_alarm"}  # under theirs, the lesser rows of `not_sooner` stand
    bounded = {row.key for row in rules().advice if _bounded([sign for way in row.when for sign in way])}
    assert bounded <= covered, bounded - covered


def test_every_red_flag_of_the_record_is_met_in_a_case() -> None:
    missing = {(row.key, flag.say) for row in rules().advice for flag in row.red_flag if flag.when}
    for case in TABLE["case"]:
        for one in suggested(case["say"]):
            met = {sooner.say for sooner in one.red_flags if sooner.met}
            for flag in rules().row(one.key).red_flag:
                if any(filled(flag.say, side) in met for side in ("right", "left", "both", None)):
                    missing.discard((one.key, flag.say))
    assert not missing


# ---- what a suggestion says --------------------------------------------------------------------


def test_every_suggestion_says_may_and_defers() -> None:
    for case in TABLE["case"]:
        for one in suggested(case["say"]):
            assert one.suggests.startswith("may suggest ")
            assert "local protocols" in one.defers
            assert "licensed" in one.defers
            assert "{" not in one.suggests + one.letter + one.title + one.caution
            assert one.letter[0].islower() and not one.letter.endswith(".")
            assert one.entries
            assert one.sources


def test_a_source_says_how_far_it_was_checked() -> None:
    (one,) = suggested("Right RAPD.")
    assert {s.basis for s in one.sources} == {"memory", "read", "practice"}
    assert any(s.cite.endswith("(from memory)") for s in one.sources)
    assert any(s.cite.endswith("(common practice, no published source)") for s in one.sources)


def test_it_rests_on_its_entries() -> None:
    text = "Right pupil 4 mm. Left disc: rim thin inferotemporally, cup 0.75. Right disc cup 0.3."
    (one,) = suggested(text)
    rests = [record(text).entry(i) for i in one.entries]
    assert [(e.item, e.side) for e in rests] == [
        ("disc.rim_thinning", "left"),
        ("disc.cup_ratio", "left"),
        ("disc.cup_ratio", "right"),
    ]
    assert "cup ratios differ by 0.45" in one.computed[0]


def test_the_record_is_not_changed_and_the_same_record_gives_the_same() -> None:
    found = record("Left disc notch. GAT 31 right, 14 left.")
    before = found.to_dict()
    assert advise(found, lexicon()) == advise(found, lexicon())
    assert found.to_dict() == before
    assert json.loads(json.dumps([one.to_dict() for one in advise(found, lexicon())]))


def test_the_most_urgent_come_first() -> None:
    text = "Near point of convergence 14 cm. Left disc pale. Left lower face weak, forehead spared on the left."
    assert [s.urgency for s in suggested(text)] == ["same_day", "soon", "routine"]


def test_red_flags_met_and_left_to_ask() -> None:
    text = "Left RAPD. Pain on eye movement."
    (one,) = suggested(text)
    assert (one.usual, one.urgency) == ("urgent", "same_day")
    (met,) = [f for f in one.red_flags if f.met]
    assert [record(text).entry(i).item for i in met.entries] == ["motility.pain"]
    assert all(f.sources for f in one.red_flags)
    (calm,) = suggested("Left RAPD.")
    assert not any(f.met for f in calm.red_flags)
    assert any("over 50" in f.say for f in calm.red_flags)


def test_a_red_flag_of_one_eye_is_told_of_that_eye() -> None:
    (one,) = suggested("Goldmann pressures: right 42, left 26.")
    assert (one.side, one.urgency) == ("both", "same_day")
    assert "the pressure of the right eye is over 40 mmHg" in [f.say for f in one.red_flags if f.met]
    (one,) = suggested("Goldmann pressures: right 42, left 31.")
    met = [f.say for f in one.red_flags if f.met]
    assert met == ["the pressure of the right eye is over 40 mmHg", "the pressure of both eyes is over 30 mmHg"]


# ---- tests done, plans, exclusions, doubt -----------------------------------------------------


def test_tests_done_today_are_taken_off_for_that_eye_only() -> None:
    assert "tonometry" in suggested("Left disc notch. Goldmann right 15.")[0].tests
    assert "tonometry" not in suggested("Left disc notch. Goldmann left 15.")[0].tests
    assert "visual_field" in suggested("Left disc notch. Fields full to confrontation.")[0].tests
    assert "visual_field" not in suggested("Left disc notch. Humphrey fields full.")[0].tests


def test_a_test_not_done_is_still_to_be_done() -> None:
    assert "tonometry" in suggested("Left disc notch. Pressures not taken.")[0].tests


def test_the_clinicians_plan_comes_first() -> None:
    (one,) = suggested("Left disc notch. Plan: OCT and visual fields. Refer to ophthalmology routinely.")
    assert one.planned
    assert not one.later
    assert one.planned_tests == ("visual_field", "oct")
    assert one.tests == ("tonometry", "gonioscopy", "pachymetry")
    (other,) = suggested("Left disc notch. Refer to the GP.")
    assert not other.planned


def test_a_plan_later_than_usual_is_told() -> None:
    (one,) = suggested("Left RAPD. Refer to ophthalmology routinely.")
    assert (one.planned, one.later) == (True, True)
    (one,) = suggested("Left RAPD. Refer to ophthalmology urgently.")
    assert (one.planned, one.later) == (True, False)
    (one,) = suggested("Left RAPD. Refer to ophthalmology.")
    assert (one.planned, one.later) == (True, False)


def test_a_plan_for_someone_else_is_not_the_one_suggested_once_it_is_sooner() -> None:
    (one,) = suggested("Right corneal reflex absent. Refer to neurology routinely.")
    assert one.planned
    text = "Right corneal reflex absent. Right forehead weak. Refer to neurology routinely."
    found = {s.key: s for s in suggested(text)}
    assert not found["corneal_reflex"].planned
    assert found["corneal_reflex"].ask == "eye_casualty"


def test_an_excluded_conclusion_is_told_beside_the_suggestion() -> None:
    text = "Left disc cup 0.75, right 0.7. No sign of glaucoma."
    (one,) = suggested(text)
    assert {record(text).entry(i).value for i in one.excluded} == {"glaucoma"}
    assert suggested("No sign of glaucoma.") == ()


def test_suspected_findings_count_and_absent_ones_do_not() -> None:
    assert keys(suggested("Possible notch of the left disc.")) == ["disc_suspect"]
    assert keys(suggested("Query left RAPD.")) == ["rapd"]
    assert keys(suggested("No left RAPD.")) == []


def test_what_is_asked_about_calls_for_nothing() -> None:
    assert record("Pressure 28.").open
    assert suggested("Pressure 28.") == ()
    assert record("IOP 28/14.").open
    assert suggested("IOP 28/14.") == ()


def test_a_test_with_an_open_value_was_done() -> None:
    text = "Left disc notch. IOP 15/14."
    assert record(text).open
    assert "tonometry" not in suggested(text)[0].tests


def test_a_range_counts_only_as_a_whole() -> None:
    assert advise(stated(("pressure.eye", "left", [22.0, 26.0])), lexicon()) == ()
    assert keys(advise(stated(("pressure.eye", "left", [24.0, 26.0])), lexicon())) == ["pressure_raised"]


def test_a_non_contact_pressure_waits_for_applanation() -> None:
    air, contact = {"method": "non_contact"}, {"method": "applanation"}
    both = stated(("pressure.eye", "right", 26, air), ("pressure.eye", "right", 18, contact))
    assert advise(both, lexicon()) == ()
    raised = stated(("pressure.eye", "right", 26, air), ("pressure.eye", "right", 25, contact))
    assert keys(advise(raised, lexicon())) == ["pressure_raised"]


@pytest.mark.parametrize(("side", "gaze"), [("right", "down_left"), ("left", "down_right")])
def test_the_superior_oblique_moves_the_eye_down_and_in(side: str, gaze: str) -> None:
    (one,) = advise(stated(("motility.range", side, "restricted", {"gaze": gaze})), lexicon())
    assert (one.key, one.side) == ("fourth_nerve", side)
    outward = stated(("motility.range", OTHER[side], "restricted", {"gaze": gaze}))
    assert keys(advise(outward, lexicon())) == ["motility_restricted"]


def test_nasal_fields_of_both_eyes_are_no_pattern_of_the_chiasm() -> None:
    nasal = [("fields.perimetry", side, "defect", {"region": "nasal"}) for side in ("right", "left")]
    assert keys(advise(stated(*nasal), lexicon())) == ["field_both_eyes"]


def test_colour_plates_read_with_both_eyes() -> None:
    (one,) = advise(stated(("colour.plates", "both", "5/17")), lexicon())
    assert (one.key, one.side) == ("colour_deficient", "both")


def test_what_replaces_a_row_leaves_the_other_eye_its_own() -> None:
    text = "Gonioscopy narrow in both eyes. Left cornea hazy. Goldmann pressures: right 16, left 41."
    assert [(s.key, s.side) for s in suggested(text)] == [("angle_closure", "left"), ("angle_narrow", "right")]


# ---- sides ------------------------------------------------------------------------------------


def mirrored(found: Record) -> Record:
    """The record of the patient in a mirror."""

    def swap(value: Value | str | int) -> Any:
        return MIRROR.get(value, value) if isinstance(value, str) else value

    entries = tuple(
        Entry(
            e.id,
            e.item,
            swap(e.side),
            swap(e.value),
            e.unit,
            {k: swap(v) for k, v in e.context.items()},
            e.state,
            e.evidence,
        )
        for e in found.entries
    )
    return Record(found.name, found.characters, found.sha256, entries, found.flags)


def _shape(one: Suggestion, swap: bool) -> tuple[Any, ...]:
    side = MIRROR.get(one.side or "", one.side) if swap else one.side
    met = sorted(f.entries for f in one.red_flags if f.met)
    return (one.key, side, one.urgency, one.ask, one.tests, one.entries, met, one.planned, one.later, one.excluded)


def _texts() -> list[tuple[str, str]]:
    notes = [(p.stem, p.read_bytes().decode("utf-8")) for p in sorted(NOTES.glob("*.txt"))]
    return notes + [(case["row"], case["say"]) for case in TABLE["case"]]


@pytest.mark.parametrize("text", [pytest.param(text, id=name) for name, text in _texts()])
def test_swapping_sides_swaps_suggestions(text: str) -> None:
    found = record(text)
    here = sorted(_shape(one, True) for one in advise(found, lexicon()))
    assert here == sorted(_shape(one, False) for one in advise(mirrored(found), lexicon()))


@pytest.mark.parametrize("case", TABLE["case"], ids=lambda c: f"{c['row']}: {c['say'][:40]}")
def test_a_note_of_the_other_side_calls_for_the_same_there(case: dict[str, Any]) -> None:
    found = {(s.key, MIRROR.get(s.side or "", s.side), s.urgency, s.ask) for s in suggested(case["say"])}
    assert {(s.key, s.side, s.urgency, s.ask) for s in suggested(swap_sides(case["say"]))} == found


@pytest.mark.parametrize("path", sorted(NOTES.glob("*.txt")), ids=lambda p: str(p.stem))
def test_suggestions_of_whole_notes_hold_together(path: Path) -> None:
    found = record(path.read_bytes().decode("utf-8"))
    sure = {e.id for e in found.entries if e.state == "stated"}
    for number, one in enumerate(advise(found, lexicon()), 1):
        assert set(one.entries) | set(one.plan) | set(one.excluded) <= sure
        assert not set(one.tests) & set(one.planned_tests)
        assert told(number, one, found, lexicon(), rules())
