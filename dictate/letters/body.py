"""The part of a letter that is edited, as plain text, and back.

    text = to_body(letter)
    letter = from_body(edited, letter)

A line that is a sentence stays that sentence, with what it rests on, as long as it is untouched; what the user writes is marked
as the user's own. "## " begins a heading, "- " a point of a list. The table of findings stands for itself as one line and
always stays.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import replace

from dictate.letters.model import Letter, Said, Section

TABLE = "[table of findings]"
OWN = "own"
"""The key of a section that the user has added."""
_HEADING = re.compile(r"#{1,6}\s*(.*)")
_POINT = re.compile(r"[-*•]\s+(.*)")


def to_body(letter: Letter) -> str:
    """Greeting, opening, sections and closing as text to edit; ends with a line break."""
    parts = [letter.greeting, "\n".join(one.text for one in letter.opening)]
    for section in letter.sections:
        lines = [f"## {section.title}"] if section.title else []
        lines += [f"- {one.text}" if section.listed else one.text for one in section.points]
        lines += [TABLE] if section.findings else []
        parts.append("\n".join(lines))
    parts.append(letter.closing)
    return "\n\n".join(part for part in parts if part) + "\n"


def from_body(text: str, letter: Letter) -> Letter:
    """The letter with the text as it was edited; `letter` is the one whose text it was."""
    lines = [" ".join(line.split()) for line in text.splitlines()]
    greeting, lines = _greeting(lines)
    closing, lines = _closing(lines)
    known = {" ".join(one.text.split()): one for one in _sentences(letter)}
    opening: list[Said] = []
    sections: list[Section] = []
    for title, listed, points, table in _runs(lines):
        said = tuple(known.get(one) or Said(one, own=True) for one in points)
        if title is None and not listed and not table and not sections:
            opening += said
            continue
        sections.append(_section(letter, title or "", said, listed, table))
    return replace(
        letter, greeting=greeting, opening=tuple(opening), sections=_with_table(letter, sections), closing=closing
    )


def left_out(before: Letter, after: Letter) -> tuple[Said, ...]:
    """The sentences of `before` that say something of the record and are not in `after` any more."""
    kept = {one.text for one in _sentences(after)}
    return tuple(one for one in _sentences(before) if (one.entries or one.derived) and one.text not in kept)


def own_words(letter: Letter) -> tuple[Said, ...]:
    """The sentences that the user wrote."""
    return tuple(one for one in _sentences(letter) if one.own)


def _sentences(letter: Letter) -> Iterator[Said]:
    yield from letter.opening
    for section in letter.sections:
        yield from section.points


def _greeting(lines: list[str]) -> tuple[str, list[str]]:
    """A first line that ends with a comma and stands alone."""
    start = next((n for n, line in enumerate(lines) if line), len(lines))
    alone = start < len(lines) and (start + 1 == len(lines) or not lines[start + 1])
    if alone and lines[start].endswith(","):
        return lines[start], lines[start + 1 :]
    return "", lines


def _closing(lines: list[str]) -> tuple[str, list[str]]:
    """A last line that ends with a comma and stands alone."""
    found, before = _greeting(lines[::-1])
    return (found, before[::-1]) if found else ("", lines)


_Run = tuple[str | None, bool, list[str], bool]


def _runs(lines: Iterable[str]) -> Iterator[_Run]:
    """Stretches of one kind under their headings: (title, whether a list, points, whether the table stands there)."""
    title: str | None = None
    listed = table = False
    points: list[str] = []
    fresh = False  # a heading that nothing stands under yet
    for line in lines:
        heading, point = _HEADING.fullmatch(line), _POINT.fullmatch(line)
        if heading:
            if points or table or fresh:
                yield title, listed, points, table
            title, listed, points, table, fresh = heading.group(1), False, [], False, True
        elif line == TABLE:
            if points and listed:
                yield title, listed, points, table
                title, listed, points = "", False, []
            table, fresh = True, False
        elif line:
            is_point = point is not None
            if points and is_point is not listed:
                yield title, listed, points, table
                title, points, table = "" if title is not None else None, [], False
            listed = is_point
            points.append(point.group(1) if point else line)
            fresh = False
    if points or table or fresh:
        yield title, listed, points, table


def _section(letter: Letter, title: str, points: tuple[Said, ...], listed: bool, table: bool) -> Section:
    same = next((one for one in letter.sections if one.title == title and title), None)
    findings = next((one.findings for one in letter.sections if one.findings), ()) if table else ()
    return Section(same.key if same else OWN, title, points, listed, findings)


def _with_table(letter: Letter, sections: list[Section]) -> tuple[Section, ...]:
    """The sections with the table once: first where it was taken out, and not twice where it was put in twice."""
    original = next((one for one in letter.sections if one.findings), None)
    if original is None:
        return tuple(replace(one, findings=()) for one in sections)
    out: list[Section] = []
    shown = False
    for one in sections:
        out.append(replace(one, findings=()) if shown else one)
        shown = shown or bool(one.findings)
    if not shown:
        same = next((n for n, one in enumerate(out) if one.key == original.key), None)
        if same is None:
            out.insert(0, replace(original, points=()))
        else:
            out[same] = replace(out[same], findings=original.findings)
    return tuple(one for one in out if one.points or one.findings)
