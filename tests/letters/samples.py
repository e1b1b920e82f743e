"""Letters made up by hand: invented patients of an invented clinic."""

from __future__ import annotations

from dataclasses import replace

from dictate.letters.model import Figure, Finding, Letter, Party, Said, Section
from dictate.pipeline import read
from dictate.sketches import sketches

CLINIC = Party(
    "Lindmarsh Eye Rooms",
    "",
    ("4 Ferry Walk", "Lindmarsh LM2 7QX", "Telephone 00 555 0142", "desk@lindmarsh.example"),
)
CLINICIAN = Party("Mirjam Køhlerová", "Optometrist", ("Registration 01-55512",))
RECIPIENT = Party("Dr Ødegård-Núñez", "Eye department", ("Holm Hospital", "Quay Road", "Holm HM1 4TT"))
DRAFT = "unsigned draft"
NOTE = """Pupils in light right 3 mm, left 4 mm, in dim light right 5 mm left 6 mm. Left RAPD.
Right disc pink, cup 0.3. Left disc cup 0.7, rim thin inferotemporally, disc haemorrhage inferotemporally."""


def said(text: str, *entries: str) -> Said:
    return Said(text, entries)


def figures() -> tuple[Figure, ...]:
    """The drawings of a note, each a whole SVG."""
    return tuple(Figure(one.title, one.svg, one.text) for one in sketches(read(NOTE).entries))


def findings() -> tuple[Finding, ...]:
    return (
        Finding("Visual acuity, unaided", said("6/6", "e1"), said("6/9", "e2")),
        Finding("Relative afferent pupillary defect", said("absent", "e3"), said("present", "e4"), outside=True),
        Finding(
            "Cup-disc ratio",
            said("0.3", "e5"),
            said("0.7", "e6"),
            remark=Said("larger on the left by 0.4; a difference of more than 0.2 is outside the usual", (), ("d1",)),
            outside=True,
        ),
        Finding("Rim thinning", said(""), said("present, inferotemporal", "e7"), outside=True),
        Finding("Disc haemorrhage", said(""), said("present, inferotemporal", "e8"), outside=True),
        Finding("Eye pressure, 14:05", said("17 mmHg", "e9"), said("24 mmHg", "e10"), outside=True),
        Finding("Eye movements", single=said("full, without double vision", "e11")),
    )


def both_ways() -> Letter:
    """A finding with a value of one side and another of none."""
    found = Finding("Cranial nerve", said("impaired VIII", "e20"), single=said("intact II to VII", "e21"), outside=True)
    one = signed()
    return replace(
        one, figures=(), sections=(replace(one.sections[0], findings=(*findings(), found)), *one.sections[1:])
    )


def referral() -> Letter:
    """A letter of one page, unsigned, with the two drawings."""
    return Letter(
        kind="referral",
        title="Referral to the eye department",
        clinic=CLINIC,
        clinician=CLINICIAN,
        recipient=RECIPIENT,
        date="4 March 2026",
        reference="Zoë Šťastná-Øverås, born 3 February 1961, reference P-17",
        greeting="Dear Dr Ødegård-Núñez,",
        opening=(
            said(
                "Please see this patient soon, within weeks, because the left optic disc may suggest glaucoma.",
                "e6",
                "e7",
            ),
            said("Cup, rim and pressure differ between the two eyes.", "e5", "e6"),
        ),
        sections=(
            Section("found", "What was found", findings=findings()),
            Section(
                "normal",
                "Normal today",
                (said("Colour vision, fields to confrontation, lids and facial movement.", "e12", "e13"),),
            ),
            Section("not_tested", "Not tested today", (said("Gonioscopy; corneal thickness."),)),
            Section(
                "asked",
                "What we ask for",
                (
                    said("A visual field of each eye", "e14"),
                    said("OCT of both discs", "e15"),
                    said("Gonioscopy", "e16"),
                ),
                listed=True,
            ),
            Section(
                "plan",
                "Plan",
                (
                    said("Pressure again in two weeks.", "e17"),
                    said("The patient knows why this letter is sent.", "e18"),
                ),
            ),
        ),
        closing="With kind regards,",
        signed="Not yet signed",
        caution="Written from what was said at the examination; computed values defer to local protocols and a licensed clinician's judgement.",
        made_from="From the record k7f3, version 1.",
        urgency="soon",
        figures=figures(),
        draft=DRAFT,
    )


def signed() -> Letter:
    return replace(
        referral(), draft="", signed="Signed by MK, 4 March 2026, 15:06", made_from="From the record k7f3, version 2."
    )


def long() -> Letter:
    """A letter whose findings need a second page."""
    more = tuple(
        Finding(
            f"Eye movement {n}", said("full", f"e{100 + n}"), said("restricted, −2", f"e{200 + n}"), outside=n % 2 == 0
        )
        for n in range(1, 41)
    )
    one = signed()
    found = replace(one.sections[0], findings=(*findings(), *more))
    return replace(one, sections=(found, *one.sections[1:]), urgency="urgent")


def patient() -> Letter:
    """The patient's report."""
    return replace(
        signed(),
        kind="patient",
        title="Your eye examination",
        recipient=Party("Zoë Šťastná-Øverås", "", ("9 Mill Lane", "Lindmarsh LM2 3AB")),
        greeting="Dear Zoë Šťastná-Øverås,",
        opening=(
            said(
                "Your left optic nerve looks different from the right one, and it should be looked at within weeks.",
                "e6",
            ),
        ),
        sections=(
            Section("found", "What we found", findings=findings()),
            Section(
                "explained",
                "What this means",
                (
                    said(
                        "The optic nerve carries what the eye sees to the brain; its cup is the hollow in its middle.",
                        "e5",
                    ),
                    said("Eye pressure is the pressure of the fluid inside the eye.", "e9"),
                ),
            ),
            Section(
                "next",
                "What happens next",
                (
                    said("We have asked the eye department to see you.", "e14"),
                    said("They will write to you."),
                ),
                listed=True,
            ),
            Section(
                "sooner",
                "Seek help the same day if",
                (
                    said("your sight suddenly gets worse"),
                    said("your eye becomes red and painful"),
                    said("you see haloes round lights"),
                ),
                listed=True,
            ),
        ),
    )
