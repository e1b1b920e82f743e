"""Both optic discs as seen: the cup by its ratio, and what was said of a sector at its place."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from math import pi, sin

from dictate.record import Entry
from dictate.sketches import legend as legends
from dictate.sketches.legend import Discs as Picture
from dictate.sketches.legend import Legend, Mark
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
    foot,
    gathered,
    head,
    numbers,
    told,
)
from dictate.sketches.svg import MIDDLE, Canvas, Look, Point, along

RADIUS = 43.0
"""Of the disc's margin, in units; a cup ratio of 1 reaches it."""
_OFFSET = 84.0
_CENTRE = 86.0
_NO_CUP = 0.6  # where a rim begins in the drawing if no ratio was said
_STEP = 6.0  # degrees between the lines of a hatching
_NOTCH = 18.0  # degrees to each side
_FLAME = (0.74, 1.16)  # from within the margin to beyond it
_WIDE = 2.6  # units to each side


def discs(entries: Iterable[Entry]) -> Sketch | None:
    """The discs as drawn from a record's entries; None where nothing was said that a drawing shows.

    The cup ratio is the vertical one unless the note said otherwise; the cup is drawn round.
    """
    entries = list(entries)
    legend = legends.load()
    picture = legend.discs
    at_eye, neither = gathered(entries, lambda e: _told(e, picture, legend))
    seen = [eye for eye in EYES if any(_seen(e, eye, picture) for e in entries)]
    if not seen:
        return None
    canvas, telling = Canvas("discs", picture.title), Telling(picture.how)
    places = across(_OFFSET, _CENTRE)
    head(canvas, places)
    canvas.small((MIDDLE, _CENTRE + 4), picture.inward)
    for eye in EYES:
        about = [e for e in entries if eye in eyes_of(e)]
        cups = {e.id for e in about if e.item == picture.cup}
        if eye in seen:
            _disc(canvas, places[eye], OUTWARD[eye], about, picture)
            edge = MIDDLE + OUTWARD[eye] * (MIDDLE - 2)
            canvas.small((edge, _CENTRE + 4), picture.outward, "start" if eye == "right" else "end")
            at_eye[eye] = [
                s for wanted in (True, False) for s in at_eye[eye] if (not cups.isdisjoint(s.entries)) is wanted
            ]
            if not cups:
                at_eye[eye].insert(0, Said((), picture.unsaid))
        elif not at_eye[eye]:
            canvas.small((places[eye][0], _CENTRE + 4), picture.undescribed)
        telling.say(f"{eye} disc", at_eye[eye] or [Said((), picture.undescribed)])
    telling.say("also", neither)
    height = columns(canvas, places, _CENTRE + RADIUS + 8, at_eye)
    return telling.sketch(canvas, picture.title, foot(canvas, height, neither, [DASHED] if telling.asked else []))


def _told(entry: Entry, picture: Picture, legend: Legend) -> Said | None:
    said, says = told(entry, picture, legend), picture.of(entry.item)
    if said and says and says.mark and _found(entry) and not _sector(entry, picture):
        return replace(said, words=f"{said.words}, {picture.unplaced}")
    return said


def _found(entry: Entry) -> bool:
    return entry.value in ("present", "suspected")


def _sector(entry: Entry, picture: Picture) -> tuple[float, float] | None:
    return picture.sector.get(str(entry.context.get(picture.by, "")))


def _seen(entry: Entry, eye: str, picture: Picture) -> bool:
    says = picture.of(entry.item)
    return says is not None and eye in eyes_of(entry) and entry.value != "not_done"


def _disc(canvas: Canvas, centre: Point, outward: int, entries: Sequence[Entry], picture: Picture) -> None:
    canvas.circle(centre, RADIUS, Look("disc", 1.8))
    cups = [(e, [n for n in numbers(e.value) if 0 <= n <= 1]) for e in entries if e.item == picture.cup]
    for entry, ratios in cups:
        for n, ratio in enumerate(ratios):
            look = Look("cup", 1.4 if n == 0 else 1, 0.1 if n == 0 else 0, dashed=asked(entry))
            canvas.circle(centre, ratio * RADIUS, look, entry.id)
    cup = max((ratios[-1] for _, ratios in cups if ratios), default=_NO_CUP)
    for entry in entries:
        says = picture.of(entry.item)
        sector = _sector(entry, picture)
        if says is None or sector is None or not _found(entry):
            continue
        middle, span = sector
        turned = middle if outward > 0 else 180 - middle
        _mark(canvas, says.mark, centre, (turned, span), min(cup, 0.9), entry)


def _mark(canvas: Canvas, mark: Mark, centre: Point, sector: tuple[float, float], cup: float, entry: Entry) -> None:
    middle, span = sector
    if mark == "hatch":
        _hatch(canvas, centre, (middle, span), cup, entry)
    elif mark == "notch":
        _notch(canvas, centre, middle, cup, entry)
    elif mark == "flame":
        sure = entry.value == "present" and not asked(entry)
        look = Look("haemorrhage", 1, 1 if sure else 0, dashed=asked(entry))
        canvas.outline(_flame(centre, middle), look, entry.id)


def _notch(canvas: Canvas, centre: Point, middle: float, cup: float, entry: Entry) -> None:
    """A bite from the cup to the margin, with lines across unless it is only suspected."""
    tip = along(centre, middle, RADIUS)
    feet = [along(centre, middle + turn, cup * RADIUS) for turn in (-_NOTCH, _NOTCH)]
    canvas.outline([feet[0], tip, feet[1]], Look("notch", 1.4, dashed=asked(entry)), entry.id)
    for part in (0.25, 0.5, 0.75) if entry.value == "present" else ():
        ends = [(x + (tip[0] - x) * part, y + (tip[1] - y) * part) for x, y in feet]
        canvas.line(ends[0], ends[1], Look("hatch", 1, dashed=asked(entry)), entry.id)


def _flame(centre: Point, middle: float) -> list[Point]:
    """A slim mark across the margin, pointed at both ends."""
    first, last = (along(centre, middle, at * RADIUS) for at in _FLAME)
    out = []
    for way in (90, -90):
        for n in range(9) if way > 0 else range(8, -1, -1):
            on = (first[0] + (last[0] - first[0]) * n / 8, first[1] + (last[1] - first[1]) * n / 8)
            out.append(along(on, middle + way, _WIDE * sin(pi * n / 8)))
    return out


def _hatch(canvas: Canvas, centre: Point, sector: tuple[float, float], cup: float, entry: Entry) -> None:
    """Short lines across the rim, wide apart where it is only suspected."""
    middle, span = sector
    step = _STEP if entry.value == "present" else 2 * _STEP
    count = int(span / step)
    for n in range(count + 1):
        turn = middle + (n - count / 2) * step
        look = Look("hatch", 1, dashed=asked(entry))
        canvas.line(along(centre, turn, cup * RADIUS), along(centre, turn, RADIUS), look, entry.id)
