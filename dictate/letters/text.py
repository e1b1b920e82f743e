"""A letter as plain text for pasting: a line for each paragraph, point and test; no sketches, whose words the table holds."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from dictate.letters.model import Finding, Letter, Party, Section


def to_text(letter: Letter) -> str:
    """The whole letter; an unsigned one says so on its first and last line. Ends with a line break."""
    parts = [
        letter.draft.upper(),
        _party(letter.clinic),
        letter.date,
        _party(letter.recipient),
        letter.reference,
        letter.greeting,
        " ".join(one.text for one in letter.opening),
        *(_section(one) for one in letter.sections),
        "\n".join(one for one in (letter.closing, letter.signed, _party(letter.clinician)) if one),
        " ".join(one for one in (letter.caution, letter.made_from) if one),
        letter.draft.upper(),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def _party(party: Party) -> str:
    return "\n".join(one for one in (party.name, party.role, *party.lines) if one)


def _section(section: Section) -> str:
    lines = [section.title] if section.title else []
    points = [one.text for one in section.points]
    lines += [f"- {one}" for one in points] if section.listed else [" ".join(points)] if points else []
    lines += _lines(section.findings)
    return "\n".join(lines)


def _lines(findings: Iterable[Finding]) -> Iterator[str]:
    for one in findings:
        sides = [("right ", one.right.text), ("left ", one.left.text), ("", one.single.text)]
        if one.right.text and one.right.text == one.left.text:
            sides = [("right and left ", one.right.text), ("", one.single.text)]
        told = ", ".join(f"{side}{text}" for side, text in sides if text)
        yield f"- {one.title}: {told}{f' – {one.remark.text}' if one.remark.text else ''}"
