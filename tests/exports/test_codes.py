"""The shipped codes, and a user's file of codes."""

from __future__ import annotations

from pathlib import Path

import pytest

from dictate.exports import back, fhir, hl7v2
from dictate.exports.codes import LOINC, Codes, CodesError, load, loinc_valid

from .making import CODES, LEXICON, entry, of_entries

# Codes whose numbers and names were read in published guides; no other LOINC code may go out.
READ = """98499-7 98498-9 65893-0 65897-1 79892-6 79893-4 79815-7 79899-1
  11506-3 29545-1 51848-0 18776-5 32466-5 32468-1 32429-3 32431-9 32426-9""".split()


def shipped(codes: Codes) -> list[str]:
    file = codes.shipped
    headings = [one for _, one in file.document]
    return [one.code for one in (*file.code, *file.answer, *file.group.values(), *headings) if one.system == LOINC]


def test_only_codes_that_were_read_are_shipped() -> None:
    assert set(shipped(CODES)) <= set(READ)
    assert all(loinc_valid(code) for code in READ)


@pytest.mark.parametrize("code", ["79892-7", "29545-2", "7989-26", "", "abc-1", "98499-8"])
def test_a_mistyped_loinc_code_is_found(code: str) -> None:
    """The check digit of LOINC, mod 10 (LOINC Users' Guide, from memory)."""
    assert not loinc_valid(code)


def test_a_code_names_its_own_side_only() -> None:
    for one in CODES.shipped.code:
        wrong = {"right": "left", "left": "right"}[str(one.side)]
        assert str(one.side) in one.display.casefold() and wrong not in one.display.casefold()
        assert one.item in LEXICON.items


@pytest.mark.parametrize(
    ("correction", "code"),
    [("unaided", "98499-7"), ("refraction", "65893-0"), ("glasses", None), ("pinhole", None), (None, None)],
)
def test_an_acuity_has_a_code_only_for_the_correction_that_was_said(correction: str | None, code: str | None) -> None:
    context = {"correction": correction} if correction else {}
    assert [one.code for one in CODES.of(entry("acuity.distance", "right", "6/9", **context))] == (
        [code] if code else []
    )


def test_an_answer_code_is_for_the_value_with_or_without_its_distance(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text('[[answer]]\nitem = "acuity.distance"\nvalue = "CF"\nsystem = "urn:x:1"\ncode = "7"\n', "utf-8")
    codes, item = load(LEXICON, str(file)), LEXICON.items["acuity.distance"]
    told = [codes.answers(entry("acuity.distance", "right", value), item) for value in ("CF", "CF 1 m", "HM", "CFX")]
    assert [[one.code for one in answers] for answers in told] == [["7"], ["7"], [], []]
    made = of_entries(entry("acuity.distance", "right", "CF 1 m"))
    bundle = fhir.bundle(made, LEXICON, codes)
    assert back.record(bundle, LEXICON, codes).entries == made.record.entries
    assert "7^CF 1 m^L^CF 1 m^CF 1 m^L" in hl7v2.message(made, LEXICON, codes)


def test_every_unit_of_the_lexicon_is_known() -> None:
    for item in LEXICON.items.values():
        if item.kind == "quantity":
            assert CODES.unit(item.unit).ucum, item.key
    assert CODES.unit("furlong").ucum == "" and CODES.unit("furlong").shown == "furlong"


def test_own_systems_are_addresses_of_nobody_else() -> None:
    systems = [system for _, system in CODES.shipped.own]
    assert len(set(systems)) == len(systems)
    assert all(system.startswith("urn:uuid:") for system in systems)


# ---- a user's file ---------------------------------------------------------------------------------------

GOOD = """
[[code]]
item = "pupil.size"
side = "right"
context = { light = "dim" }
system = "urn:oid:1.2.3"
code = "PUP-R-D"
display = "Right pupil, dim"
[[answer]]
item = "hearing.rinne"
value = "positive"
system = "http://snomed.info/sct"
code = "123"
"""


def test_a_users_codes_are_added(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(GOOD, encoding="utf-8")
    codes = load(LEXICON, str(file))
    assert [one.code for one in codes.of(entry("pupil.size", "right", 4, light="dim"))] == ["PUP-R-D"]
    assert codes.of(entry("pupil.size", "right", 4, light="bright")) == []
    assert codes.of(entry("pupil.size", "left", 4, light="dim")) == []
    rinne = codes.answers(entry("hearing.rinne", "left", "positive"), LEXICON.items["hearing.rinne"])
    assert [codes.v2(one.system) for one in rinne] == ["SCT"]


@pytest.mark.parametrize(
    ("wrong", "reason"),
    [
        ('[[code]]\nitem="nope"\nsystem="urn:x"\ncode="1"', "code.0.item: there is no item 'nope'"),
        ('[[code]]\nitem="gag.reflex"\nsystem="here"\ncode="1"', "code.0.system"),
        ('[[code]]\nitem="gag.reflex"\nsystem="urn:x"\ncode=" 1"', "code.0.code"),
        ('[[code]]\nitem="gag.reflex"\nsystem="http://loinc.org"\ncode="79892-7"', "check digit"),
        ('[[code]]\nitem="uvula.position"\nside="left"\nsystem="urn:x"\ncode="1"', "has no sides"),
        ('[[code]]\nitem="pupil.size"\nside="both"\nsystem="urn:x"\ncode="1"', "not for both"),
        ('[[code]]\nitem="pupil.size"\ncontext={fork=512}\nsystem="urn:x"\ncode="1"', "no circumstance 'fork'"),
        ('[[code]]\nitem="pupil.size"\ncolour="red"\nsystem="urn:x"\ncode="1"', "code.0.colour"),
        ('[[answer]]\nitem="hearing.rinne"\nvalue="maybe"\nsystem="urn:x"\ncode="1"', "answer.0.value"),
        ('[[answer]]\nitem="nope"\nvalue="maybe"\nsystem="urn:x"\ncode="1"', "answer.0.item"),
        (GOOD + GOOD.replace("PUP-R-D", "OTHER"), "code.1: code.0 is for the same"),
        (GOOD + GOOD.replace("PUP-R-D", "OTHER"), "answer.1: answer.0 is for the same"),
        ("[own]\nitem='urn:x'", "own"),
        ("[[code]", "mine.toml"),
    ],
)
def test_a_wrong_file_is_refused_with_its_place_and_the_reason(tmp_path: Path, wrong: str, reason: str) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(wrong, encoding="utf-8")
    with pytest.raises(CodesError) as refused:
        load(LEXICON, str(file))
    assert reason in str(refused.value)
    assert "mine.toml" in str(refused.value)


def test_all_faults_come_together_and_no_file_is_a_sentence(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text('[[code]]\nitem="nope"\nsystem="here"\ncode=""', encoding="utf-8")
    with pytest.raises(CodesError) as refused:
        load(LEXICON, str(file))
    assert str(refused.value).count("\n") == 2
    with pytest.raises(CodesError, match="no such file"):
        load(LEXICON, str(tmp_path / "absent.toml"))
    file.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(CodesError, match="not UTF-8"):
        load(LEXICON, str(file))


def test_the_example_in_the_readme_is_a_file_of_codes(tmp_path: Path) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    example = readme[readme.index("    [[code]]") :]
    file = tmp_path / "mine.toml"
    file.write_text("\n".join(line[4:] for line in example[: example.index("\n### ")].splitlines()), encoding="utf-8")
    user = load(LEXICON, str(file)).user
    assert len(user.code) == len(user.answer) == 1
