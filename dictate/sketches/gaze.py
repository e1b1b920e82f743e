"""The movements of both eyes: an arm for each direction, short where it is restricted, doubled where one sees double."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from dictate.record import Entry
from dictate.sketches import legend as legends
from dictate.sketches.legend import Arm, Legend
from dictate.sketches.legend import Gaze as Picture
from dictate.sketches.said import (
    DASHED,
    EYES,
    Said,
    Sketch,
    Telling,
    across,
    asked,
    columns,
    eyes_of,
    foot,
    gathered,
    head,
    told,
)
from dictate.sketches.svg import WIDTH, Canvas, Look, Point, along

FULL = 54.0
"""Length of a full arm, from the middle of the eye, in units."""
SHORT = 29.0
_OFFSET = 95.0
_CENTRE = 104.0
_EYE = 9.0
_BAR = 7.0
_TWO = 3.4  # radius of the two rings at a doubled end, and how far each is from the arm


def gaze(entries: Iterable[Entry]) -> Sketch | None:
    """The eye movements as drawn from a record's entries; None where nothing was said that a drawing shows.

    Directions are those in space, seen facing the patient: the patient's right is the left of the page.
    """
    entries = list(entries)
    legend = legends.load()
    picture = legend.gaze
    ranges = [e for e in entries if e.item == picture.range and _drawn(e, picture)]
    doubles = [e for e in entries if e.item == picture.double and str(e.value) in picture.end and _arms(e, picture)]
    if not ranges and not doubles:
        return None
    at_eye, neither = gathered(entries, lambda e: _told(e, picture, legend))
    canvas, telling = Canvas("gaze", picture.title), Telling(picture.how)
    places = across(_OFFSET, _CENTRE)
    head(canvas, places)
    arms = _shown(picture, [*ranges, *doubles])
    dotted = False
    for eye in EYES:
        mine = [e for e in ranges if eye in eyes_of(e)]
        if mine or not at_eye[eye]:
            unsaid = _eye(canvas, places[eye], arms, mine, doubles, picture)
            dotted = dotted or any(not _about(arm, doubles, picture) for arm in unsaid)
            if not mine:
                at_eye[eye].append(Said((), picture.undescribed))
            elif unsaid and any(_arms(e, picture) for e in mine):
                at_eye[eye].append(Said((), picture.rest))
        telling.say(f"{eye} eye", at_eye[eye])
    telling.say("also", neither)
    foreign = _CENTRE + FULL + 22
    canvas.small((2, foreign), "patient’s right", "start")
    canvas.small((WIDTH - 2, foreign), "patient’s left", "end")
    height = columns(canvas, places, foreign + 6, at_eye)
    barred = any(e.value == picture.restricted and _arms(e, picture) for e in ranges)
    shown = [("bar", barred), ("double", bool(doubles)), ("dot", dotted)]
    notes = [picture.notes[key] for key, there in shown if there] + [DASHED] * telling.asked
    return telling.sketch(canvas, picture.title, foot(canvas, height, neither, notes))


def _drawn(entry: Entry, picture: Picture) -> bool:
    return bool(eyes_of(entry)) and entry.value in (picture.full, picture.restricted)


def _direction(entry: Entry, picture: Picture) -> str:
    return str(entry.context.get(picture.by, ""))


def _arms(entry: Entry, picture: Picture) -> list[str]:
    """The arms that an entry is about; none where the direction is not said or is no arm."""
    direction = _direction(entry, picture)
    if direction in picture.whole:
        return [] if not direction and entry.value != picture.full else [arm.key for arm in picture.arm]
    keys = picture.several.get(direction, [direction])
    return [arm.key for arm in picture.arm if arm.key in keys]


def _about(arm: Arm, entries: Sequence[Entry], picture: Picture) -> list[Entry]:
    return [e for e in entries if arm.key in _arms(e, picture)]


def _shown(picture: Picture, entries: Sequence[Entry]) -> list[Arm]:
    """The six arms, and those that were named."""
    named = {key for e in entries if _direction(e, picture) not in picture.whole for key in _arms(e, picture)}
    return [arm for arm in picture.arm if not arm.only_said or arm.key in named]


def _told(entry: Entry, picture: Picture, legend: Legend) -> Said | None:
    said = told(entry, picture, legend)
    undirected = not _direction(entry, picture) and (
        entry.value == picture.restricted or entry.item == picture.double and str(entry.value) in picture.end
    )
    return replace(said, words=f"{said.words}, {picture.undirected}") if said and undirected else said


def _eye(
    canvas: Canvas,
    centre: Point,
    arms: Sequence[Arm],
    ranges: Sequence[Entry],
    doubles: Sequence[Entry],
    picture: Picture,
) -> list[Arm]:
    """One eye with its arms; gives those of which nothing was said."""
    unsaid = []
    canvas.circle(centre, _EYE, Look("eye", 1.4))
    for arm in arms:
        about = _about(arm, ranges, picture)
        named = [e for e in about if _direction(e, picture) not in picture.whole]
        for entry in named or about:
            _arm(canvas, centre, arm.at, entry, picture)
        twice = _about(arm, doubles, picture)
        for entry in twice:
            _double(canvas, centre, arm.at, entry, picture)
        if not about:
            unsaid.append(arm)
            if not twice:
                canvas.circle(along(centre, arm.at, FULL), 1.8, Look("unsaid", 0, 1))
    return unsaid


def _arm(canvas: Canvas, centre: Point, degrees: float, entry: Entry, picture: Picture) -> None:
    restricted = entry.value == picture.restricted
    end = along(centre, degrees, SHORT if restricted else FULL)
    name = "restricted" if restricted else "full"
    look = Look(name, 2.4 if restricted else 1.2, dashed=asked(entry))
    canvas.line(along(centre, degrees, _EYE), end, look, entry.id)
    if restricted:
        bar = Look("bar", 2.4, dashed=asked(entry))
        canvas.line(along(end, degrees + 90, _BAR), along(end, degrees - 90, _BAR), bar, entry.id)
    if asked(entry):
        at = along(along(centre, degrees, (_EYE + SHORT) / 2), degrees + 90, 9)
        canvas.words((at[0], at[1] + 4), "?", size=12, bold=True)


def _double(canvas: Canvas, centre: Point, degrees: float, entry: Entry, picture: Picture) -> None:
    """Two rings side by side at the end of an arm, and the word."""
    end = along(centre, degrees, FULL + _TWO)
    for way in (90, -90):
        canvas.circle(along(end, degrees + way, _TWO), _TWO, Look("double", 1.4, dashed=asked(entry)), entry.id)
    if _direction(entry, picture) in picture.whole:
        return
    word = picture.end[str(entry.value)] + ("?" if asked(entry) else "")
    below = end[1] > centre[1] - 1
    canvas.words((end[0], end[1] + (18 if below else -10)), word, size=11)
