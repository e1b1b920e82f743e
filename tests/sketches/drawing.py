"""Entries to draw, and a drawing read back as shapes."""

from __future__ import annotations

import itertools
from xml.etree import ElementTree as ET

from dictate.record import Entry, Value
from dictate.sketches import Sketch
from dictate.sketches.svg import WIDTH

_ids = itertools.count(1)
NS = "{http://www.w3.org/2000/svg}"
SWAPPED = {"right": "left", "left": "right"}


def entry(item: str, side: str | None, value: Value, state: str = "stated", **context: str) -> Entry:
    """An entry without words of a note."""
    return Entry(f"e{next(_ids)}", item, side, value, "", dict(context), state, ())


def swapped(one: Entry) -> Entry:
    """The same entry on the other side, with directions turned."""
    context = {
        k: "_".join(SWAPPED.get(w, w) for w in str(v).split("_")) if k == "gaze" else v for k, v in one.context.items()
    }
    return Entry(
        one.id, one.item, SWAPPED.get(one.side or "", one.side), one.value, one.unit, context, one.state, one.evidence
    )


def parsed(sketch: Sketch) -> ET.Element:
    """The SVG as a tree; fails if it is not well formed."""
    return ET.fromstring(sketch.svg)


def shapes(sketch: Sketch, name: str) -> list[ET.Element]:
    """The shapes of one class."""
    return [part for part in parsed(sketch).iter() if part.get("class") == f"sketch-{name}"]


def centre(part: ET.Element) -> tuple[float, float]:
    """The middle of a circle, a line or an outline."""
    if part.get("cx"):
        return float(part.get("cx", "")), float(part.get("cy", ""))
    points = corners(part)
    return sum(x for x, _ in points) / len(points), sum(y for _, y in points) / len(points)


def corners(part: ET.Element) -> list[tuple[float, float]]:
    """The ends of a line or the points of an outline."""
    if part.get("points"):
        return [(float(p.split(",")[0]), float(p.split(",")[1])) for p in part.get("points", "").split()]
    return [(float(part.get(f"x{n}", "")), float(part.get(f"y{n}", ""))) for n in "12"]


def words(sketch: Sketch) -> list[str]:
    """The lines written in a drawing."""
    return [part.text or "" for part in parsed(sketch).iter(f"{NS}text")]


Shape = tuple[tuple[str | None, ...], tuple[float, ...]]


def _shapes(sketch: Sketch, mirrored: bool) -> list[Shape]:
    """Each shape by its look, its bounds and its middle."""
    out: list[Shape] = []
    for part in parsed(sketch).iter():
        if part.tag not in (f"{NS}circle", f"{NS}line", f"{NS}polygon"):
            continue
        look = (part.tag, *(part.get(k) for k in ("class", "r", "stroke-dasharray", "stroke-width", "fill-opacity")))
        points = [centre(part)] if part.get("r") else corners(part)
        xs = [WIDTH - x if mirrored else x for x, _ in points]
        ys = [y for _, y in points]
        bounds = (min(xs), max(xs), min(ys), max(ys), sum(xs) / len(xs), sum(ys) / len(ys))
        out.append((look, bounds))
    return out


def are_mirrored(one: Sketch, other: Sketch) -> bool:
    """Whether the shapes of two drawings are each other's, mirrored at the middle of the page."""
    left = _shapes(other, mirrored=True)
    for look, bounds in _shapes(one, mirrored=False):
        near = [s for s in left if s[0] == look and all(abs(a - b) < 0.05 for a, b in zip(s[1], bounds, strict=True))]
        if not near:
            return False
        left.remove(near[0])
    return not left
