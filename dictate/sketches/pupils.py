"""Both pupils in their irises, to scale, a row for each light level."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import cos, radians, sin

from dictate.record import Entry
from dictate.sketches import legend as legends
from dictate.sketches.legend import Legend
from dictate.sketches.legend import Pupils as Picture
from dictate.sketches.said import (
    DASHED,
    EYES,
    OUTWARD,
    Said,
    Sketch,
    Telling,
    across,
    asked,
    columns,
    eyes_of,
    figure,
    foot,
    gathered,
    head,
    numbers,
    put,
    told,
)
from dictate.sketches.svg import MIDDLE, Canvas, Look, Point, wrapped

SCALE = 7.0
"""Units for a millimetre."""
_OFFSET = 95.0
_TOP = 28.0
_GAP = 12.0
_LABEL = 20.0
_POINTS = 72


@dataclass(frozen=True)
class _Size:
    """One size said of an eye, in millimetres (two numbers for a range, none where it was not measured)."""

    eye: str
    level: str
    mm: tuple[float, ...]
    said: Said


def pupils(entries: Iterable[Entry]) -> Sketch | None:
    """The pupils as drawn from a record's entries; None where nothing was said that a drawing shows.

    A row for each light level said; sizes in millimetres, printed; a range as two outlines.
    """
    entries = list(entries)
    legend = legends.load()
    picture = legend.pupils
    sizes = [s for e in entries if e.item == picture.size for s in _sizes(e, legend)]
    if not any(s.mm for s in sizes) and not any(picture.worth(e) and eyes_of(e) for e in entries):
        return None
    others = [e for e in entries if e.item != picture.size or not eyes_of(e)]
    at_eye, neither = gathered(others, lambda e: told(e, picture, legend))
    irregular = _irregular(entries, picture)
    canvas, telling = Canvas("pupils", picture.title), Telling(picture.how)
    iris = picture.iris / 2 * SCALE
    head(canvas, across(_OFFSET, 0))
    height = _TOP
    for level, title in _levels(sizes, picture):
        places = across(_OFFSET, height + iris)
        for n, line in enumerate(lines := list(wrapped(title, 12))):
            canvas.small((MIDDLE, height + iris + 4 + 14 * (n - (len(lines) - 1) / 2)), line)
        row = {eye: [s for s in sizes if (s.eye, s.level) == (eye, level)] for eye in EYES}
        for eye in EYES:
            wavy = OUTWARD[eye] if eye in irregular else 0
            _eye(canvas, places[eye], row[eye], wavy, irregular.get(eye, False), picture)
        if sizes:
            unsaid = [_Size("", "", (), Said((), picture.unsaid))]
            here: list[Said] = []
            for eye in EYES:
                for one in row[eye] or unsaid:
                    put(here, _titled(eye, one, picture))
            telling.say(title, here)
        else:
            telling.say("both eyes", [Said((), picture.unsaid)])
        height += 2 * iris + (_LABEL if sizes else 0) + _GAP
    height = columns(canvas, across(_OFFSET, 0), height - _GAP, at_eye)
    for eye in EYES:
        telling.say(f"{eye} eye", at_eye[eye])
    telling.say("also", neither)
    notes = [f"iris drawn as {picture.iris:g} mm", *([DASHED] if telling.asked else [])]
    return telling.sketch(canvas, picture.title, foot(canvas, height, neither, notes))


def _sizes(entry: Entry, legend: Legend) -> list[_Size]:
    picture = legend.pupils
    mm = numbers(entry.value)
    said = (
        Said((entry.id,), f"{figure(entry.value)} {picture.unit}", asked(entry)) if mm else told(entry, picture, legend)
    )
    level = str(entry.context.get(picture.by, ""))
    return [_Size(eye, level, mm, said) for eye in eyes_of(entry)] if said else []


def _levels(sizes: Sequence[_Size], picture: Picture) -> list[tuple[str, str]]:
    """The light levels said, in the legend's order; one without a title if no size was said at all."""
    said = dict.fromkeys(s.level for s in sizes)
    known = {one.value: one.title for one in picture.level}
    ordered = [*(k for k in known if k in said), *(k for k in said if k not in known)]
    return [(k, known.get(k, k.replace("_", " "))) for k in ordered] or [("", "")]


def _irregular(entries: Iterable[Entry], picture: Picture) -> dict[str, bool]:
    """The eyes whose pupil is not round, and whether that is still to be confirmed."""
    marked = {(s.item, value) for s in picture.says if s.mark == "irregular" for value in s.words}
    return {eye: asked(e) for e in entries if (e.item, str(e.value)) in marked for eye in eyes_of(e)}


def _titled(eye: str, size: _Size, picture: Picture) -> Said:
    drawn = not size.mm or _fits(size, picture)
    words = f"{eye} {size.said.words}" + ("" if drawn else ", which is not drawn")
    return Said(size.said.entries, words, size.said.asked)


def _fits(size: _Size, picture: Picture) -> bool:
    """Whether a pupil of this size has its place in an iris."""
    return bool(size.mm) and size.mm[0] > 0 and size.mm[-1] <= picture.iris


def _eye(canvas: Canvas, centre: Point, sizes: Sequence[_Size], wavy: int, doubtful: bool, picture: Picture) -> None:
    """One iris with the pupils said of it; `wavy` is 0 for a round one, else the way that it bulges."""
    radius = picture.iris / 2 * SCALE
    canvas.circle(centre, radius, Look("iris", 1.2))
    for size in sizes:
        if not _fits(size, picture):
            continue
        for n, mm in enumerate(size.mm):
            dashed = size.said.asked or doubtful
            look = Look("pupil", 1.4, 1 if n == 0 and not dashed else 0.12, dashed=dashed)
            if wavy:
                canvas.outline(_bulging(centre, mm / 2 * SCALE, wavy), look, size.said.entries[0])
            else:
                canvas.circle(centre, mm / 2 * SCALE, look, size.said.entries[0])
    if sizes:
        label = ", ".join(dict.fromkeys(s.said.short for s in sizes))
        canvas.words((centre[0], centre[1] + radius + 17), label, bold=any(s.mm for s in sizes))
    else:
        canvas.small((centre[0], centre[1] + 4), picture.unsaid)


def _bulging(centre: Point, radius: float, way: int) -> list[Point]:
    """An outline that is not round, of about this radius."""
    out = []
    for n in range(_POINTS):
        turn = radians(360 / _POINTS * n)
        length = radius * (1 + 0.08 * cos(2 * turn + 0.9) + 0.05 * cos(3 * turn - 0.6))
        out.append((centre[0] + way * length * cos(turn), centre[1] - length * sin(turn)))
    return out
