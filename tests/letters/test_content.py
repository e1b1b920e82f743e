"""What stands in a letter: who, how soon, why, in which order; and what is refused."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from exports.making import AT, LEXICON, document, unsigned

from dictate.advice.advise import advise
from dictate.exports import Document, OpenQuestions
from dictate.letters.content import draft, left_over
from dictate.letters.model import Letter
from dictate.letters.templating import TemplateFault, capital, listed
from dictate.letters.text import to_text
from dictate.pipeline import read
from letters.drafting import Clinic, findings, letter_of, of_text, opening, points, settled

DISC = """Discs: right healthy, cup to disc 0.4. Left cup 0.7, rim thin inferotemporally, disc haemorrhage on the left.
Pressure 17 right, 24 left by applanation. Pupils equal and brisk to light, no RAPD. Eye movements full. Gonioscopy not done.
I think this is early glaucoma on the left. Needs visual fields and an OCT. Refer to ophthalmology within four weeks."""
RAPD = "Left RAPD. Left disc pale. Vision 6/6 right, 6/24 left with glasses. Refer to ophthalmology urgently."
SIXTH = """Left eye does not abduct, otherwise movements full both eyes. Double vision on left gaze. Esotropia left for distance.
No ptosis. Discs flat. This is a left sixth nerve palsy. Neurology the same day, MRI."""
NORMAL = (
    "Pupils equal and reactive. No RAPD. Discs healthy, cup 0.3 both. Fields full to confrontation. Eye movements full."
)
MANY = """Right ptosis 2 mm. Right pupil 3 mm, left 5 mm in dim light. Face weak on the left, forehead included. Corneal reflex absent left.
Facial sensation reduced in V1 left. Rinne negative left. Weber to the left. Uvula deviated to the right. Tongue deviates left.
Gag absent on the left. Voice hoarse. Sternomastoid 4/5 left. Swallowing impaired. Refer to ENT. Review in six weeks."""


def test_the_first_sentence_says_how_soon_and_why() -> None:
    first = of_text(DISC).opening[0]
    assert first.text == "Please see this patient within four weeks about suspected glaucoma in the left eye."
    assert first.entries


@pytest.mark.parametrize(
    ("words", "soon", "urgency"),
    [
        ("Refer to ophthalmology urgently.", "urgently", "urgent"),
        ("Refer to ophthalmology within two weeks.", "within two weeks", "urgent"),
        ("Refer to ophthalmology routinely.", "at a routine appointment", "routine"),
        ("Refer to ophthalmology the same day.", "on the same day", "same_day"),
    ],
)
def test_how_soon_is_told_as_the_plan_has_it(words: str, soon: str, urgency: str) -> None:
    letter = of_text(f"Left RAPD. {words}")
    assert opening(letter).startswith(f"Please see this patient {soon} about a relative afferent pupillary defect")
    assert letter.urgency == urgency


def test_no_urgency_is_put_in_that_the_plan_does_not_name() -> None:
    """The suggestion for this finding is urgent; the clinician named no time."""
    letter = of_text("Left RAPD. Refer to ophthalmology.")
    (suggested, *_) = advise(settled("Left RAPD. Refer to ophthalmology."), LEXICON)
    assert suggested.urgency == "urgent" and suggested.tests
    assert letter.urgency == ""
    assert opening(letter).startswith("Please see this patient about ")
    assert points(letter, "asked") == []


def test_suggestions_put_nothing_into_a_letter() -> None:
    for text in (DISC, RAPD, SIXTH):
        record = settled(text)
        without = draft(document(record), LEXICON, Clinic())
        given = draft(document(record), LEXICON, Clinic(), suggestions=advise(record, LEXICON))
        assert given.sections == without.sections
        words, others = (set(re.findall(r"\w+", to_text(one))) for one in (given, without))
        assert words == others


def test_findings_are_named_with_their_sides() -> None:
    told = opening(of_text(RAPD))
    assert "a relative afferent pupillary defect in the left eye" in told
    assert "pallor of the disc in the left eye" in told
    assert "a distance acuity of 6/24 with glasses (right 6/6)" in told


def test_a_conclusion_is_not_more_certain_than_the_note() -> None:
    assert "about a sixth nerve palsy on the left" in opening(of_text(SIXTH))
    assert "about a suspected sixth nerve palsy on the left" in opening(
        of_text("Left eye does not abduct. Query left sixth nerve palsy. Refer to neurology.")
    )
    excluded = opening(of_text("Discs healthy both eyes. No sign of glaucoma."))
    assert excluded.endswith("I found no sign of glaucoma.")


def test_without_a_referral_nobody_is_asked_to_see_the_patient() -> None:
    letter = of_text(NORMAL)
    assert (
        opening(letter)
        == "I saw this patient on 4 March 2026. Nothing outside the usual was found in what was examined."
    )
    assert letter.recipient.name == ""
    assert letter.greeting == "Dear colleague,"


def test_what_was_normal_is_a_sentence() -> None:
    (told,) = points(of_text(NORMAL), "normal")
    assert told == (
        "Fields full to confrontation; pupils equal and reactive to light; no relative afferent pupillary defect; "
        "optic discs normal; eye movements full (both sides unless one is named)."
    )


def test_a_normal_side_is_named_where_the_other_is_not_told() -> None:
    assert points(of_text("Right cornea clear. Left RAPD."), "normal") == ["Right cornea clear."]


def test_denials_are_not_joined_where_a_place_would_be_misread() -> None:
    (told,) = points(of_text("No ptosis. No diplopia on left gaze. No nystagmus. Left RAPD."), "normal")
    assert "no ptosis" in told.lower()
    assert "no diplopia on left gaze" in told
    assert "no nystagmus" in told


def test_not_tested_names_what_was_declared_and_what_is_not_recorded() -> None:
    (done, missing) = points(of_text(DISC), "not_tested")
    assert done == "Not done: gonioscopy."
    assert missing.startswith("Not recorded: ") and "hearing and balance (VIII)" in missing
    assert "eye pressure" not in missing


def test_tests_and_plan_are_lists() -> None:
    letter = of_text(DISC)
    assert points(letter, "asked") == ["Formal visual fields", "Optical coherence tomography (OCT)"]
    assert points(letter, "plan") == ["Referred to the ophthalmologist, within four weeks."]
    assert points(of_text(MANY), "plan") == [
        "Referred to the ear, nose and throat specialist.",
        "Review here in 6 weeks.",
    ]


def test_the_recipient_is_the_one_given_or_the_plans() -> None:
    assert of_text(DISC).recipient.name == "The ophthalmologist"
    letter = letter_of(settled(DISC), to="Dr Ødegård-Núñez, Eye department\nHolm Hospital")
    assert letter.recipient.name == "Dr Ødegård-Núñez, Eye department"
    assert letter.recipient.lines == ("Holm Hospital",)
    assert letter.greeting == "Dear Dr Ødegård-Núñez,"
    assert letter_of(settled(DISC), to="Eye department").greeting == "Dear colleague,"


def test_of_several_referrals_the_letter_is_for_the_one_named_or_the_soonest() -> None:
    record = settled("Left RAPD. Refer to neurology routinely. Refer to ophthalmology urgently.")
    assert letter_of(record).recipient.name == "The ophthalmologist"
    letter = letter_of(record, to="Neurologist on duty")
    assert letter.urgency == "routine"
    assert len(points(letter, "plan")) == 2


def test_a_service_that_only_the_note_names_keeps_the_notes_words() -> None:
    text = "Right proptosis. Refer to endocrinology."
    assert of_text(text).recipient.name == "Endocrinology"
    assert points(of_text(text), "plan") == ["Referred to another service (in the note: “endocrinology”)."]
    assert "You are to be seen by another service (“endocrinology”)." in opening(of_text(text, "patient"))


def test_signs_are_named_before_figures() -> None:
    told = opening(of_text(DISC))
    assert told.index("disc haemorrhage") < told.index("cup-disc ratio") < told.index("eye pressure")


def test_sketches_stand_only_where_they_show_something() -> None:
    assert [one.title for one in of_text(DISC).figures] == ["Optic discs"]
    assert of_text(NORMAL).figures == ()
    assert of_text(DISC, "patient").figures == ()


def test_who_the_patient_is() -> None:
    letter = of_text(DISC, name="Žofie Ångström", birth_date=date(1961, 2, 3), reference="P-17")
    assert letter.reference == "Re: Žofie Ångström, born 3 February 1961, reference P-17"
    nobody = of_text(DISC, name="", birth_date=None, reference="")
    assert nobody.reference == "Re: patient's name and birth date to be added"
    assert of_text(DISC, "patient", name="Žofie Ångström").greeting == "Dear Žofie Ångström,"


def test_an_unsigned_record_gives_a_draft() -> None:
    whole = document(settled(DISC))
    for kind in ("referral", "patient"):
        letter = draft(unsigned(whole), LEXICON, Clinic(), kind=kind)
        assert letter.draft == "unsigned draft" and letter.signed == "" and "not signed" in letter.made_from
        lines = to_text(letter).splitlines()
        assert lines[0] == lines[-1] == "UNSIGNED DRAFT"
        signed = draft(whole, LEXICON, Clinic(), kind=kind)
        assert signed.draft == "" and "MK" in signed.signed
        assert "DRAFT" not in to_text(signed)
        assert f"record {whole.label}, version 1, signed by MK on 4 March 2026" in signed.made_from


def test_no_letter_while_a_question_is_open() -> None:
    text = "Pressure sixteen."
    open_one = Document(read(text, name="open.txt", lexicon=LEXICON), AT, text)
    with pytest.raises(OpenQuestions) as raised:
        draft(open_one, LEXICON, Clinic())
    assert raised.value.documents == (open_one,)


def test_a_letter_of_many_findings_holds_them_all() -> None:
    letter = of_text(MANY)
    assert len(findings(letter)) >= 12
    assert "further findings are in the table" in opening(letter)


def test_the_report_tells_findings_in_plain_words() -> None:
    letter = of_text(DISC, "patient")
    assert opening(letter).endswith("You are to be seen by an eye specialist (ophthalmologist) within four weeks.")
    found = points(letter, "stands_out")
    assert "Left eye: the rim of the nerve head is thin (at the bottom, towards the temple)." in found
    assert (
        "Left eye: the pressure inside the eye is 24 mmHg, which is outside the usual (measured with a touch probe)."
        in found
    )
    assert any(one.startswith("The clinician suspects glaucoma in the left eye") for one in found)
    assert any("red and painful" in one for one in points(letter, "sooner"))
    assert "A scan of the back of the eye with light (OCT)." in points(letter, "next")


def test_a_letter_survives_being_kept() -> None:
    for kind in ("referral", "patient"):
        letter = of_text(MANY, kind)
        assert Letter.from_dict(json.loads(json.dumps(letter.to_dict()))) == letter


def test_what_no_letter_takes_up_is_told() -> None:
    text = "Left RAPD. Head tilted to the right. Mother had glaucoma."
    told = left_over(document(settled(text), text))
    assert ("unplaced", "Head tilted to the right") in told
    assert any(why == "history" for why, _ in told)


# ---- templates ----------------------------------------------------------------------------------


def _with(folder: Path, text: str) -> Letter:
    (folder / "referral.jinja").write_text(text, encoding="utf-8")
    return draft(document(settled(DISC)), LEXICON, replace(Clinic(), templates=folder))


def test_a_users_template_takes_the_place_of_the_sentences_it_holds(tmp_path: Path) -> None:
    letter = _with(
        tmp_path,
        "{% macro please(soon, reasons, date) %}Kindly review: {{ reasons | listed }} ({{ soon }}).{% endmacro %}",
    )
    assert letter.opening[0].text == "Kindly review: suspected glaucoma in the left eye (within four weeks)."
    assert letter.opening[1:] == of_text(DISC).opening[1:]


@pytest.mark.parametrize(
    "text",
    [
        "{% macro please(soon) %}{{ soon }}{% endmacro %}",
        "{% macro please(soon, reasons, date) %}{{ nobody }}{% endmacro %}",
        "{% macro please(soon, reasons, date) %}{{ 1 // 0 }}{% endmacro %}",
        "{% macro please(soon %}",
        "{% include 'other.jinja' %}",
        "{% macro please(soon, reasons, date) %}{{ reasons.__class__.__mro__ }}{% endmacro %}",
    ],
)
def test_a_users_wrong_template_is_told_in_one_sentence(tmp_path: Path, text: str) -> None:
    with pytest.raises(TemplateFault, match=r"referral\.jinja: ") as raised:
        _with(tmp_path, text)
    assert "\n" not in str(raised.value)


def test_an_empty_sentence_is_left_out(tmp_path: Path) -> None:
    letter = _with(tmp_path, "{% macro main(findings, more) %}{% endmacro %}")
    assert len(letter.opening) == 1


def test_phrases_are_joined_as_one_reads_them() -> None:
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert listed(["a"]) == "a" and listed([]) == ""
    assert listed(["a", "b"], "or") == "a or b"
    assert capital("oCT") == "OCT"
