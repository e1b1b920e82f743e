"""Shapes and words on a canvas, printed as SVG that needs no style sheet and no script.

Lengths are user units: at natural size one unit is one CSS pixel. All is drawn in `currentColor`; the
classes let a page restyle it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import cos, radians, sin
from xml.etree import ElementTree as ET

WIDTH = 380.0
MIDDLE = WIDTH / 2
DASHES = "4 3"
_QUIET = "0.78"
_SMALL = 11.0
_NO_XML = re.compile(r"[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

Point = tuple[float, float]


@dataclass(frozen=True)
class Look:
    """How a shape is drawn: its class, line width, and fill from 0 (none) to 1."""

    name: str
    width: float = 1.0
    fill: float = 0.0
    dashed: bool = False


def along(start: Point, degrees: float, length: float) -> Point:
    """The point so far from `start`; degrees count upwards from the right of the page."""
    return (start[0] + length * cos(radians(degrees)), start[1] - length * sin(radians(degrees)))


class Canvas:
    """One drawing, `WIDTH` units wide; `finish` gives the SVG."""

    def __init__(self, kind: str, title: str) -> None:
        self._kind = kind
        self._title = title
        self._parts: list[ET.Element] = []

    def circle(self, centre: Point, radius: float, look: Look, entry: str = "") -> None:
        """A circle; `entry` is the id of the entry that it draws, as for all shapes."""
        self._shape("circle", {"cx": _n(centre[0]), "cy": _n(centre[1]), "r": _n(radius)}, look, entry)

    def line(self, start: Point, end: Point, look: Look, entry: str = "") -> None:
        """A straight line."""
        places = {"x1": _n(start[0]), "y1": _n(start[1]), "x2": _n(end[0]), "y2": _n(end[1])}
        self._shape("line", places, look, entry)

    def outline(self, points: Sequence[Point], look: Look, entry: str = "") -> None:
        """A closed outline through points."""
        self._shape("polygon", {"points": " ".join(f"{_n(x)},{_n(y)}" for x, y in points)}, look, entry)

    def words(
        self, at: Point, text: str, *, anchor: str = "middle", size: float = 13, bold: bool = False, quiet: bool = False
    ) -> None:
        """Words on one line; `at` is on the base line, at the start, middle or end of the words."""
        part = ET.Element("text", {"x": _n(at[0]), "y": _n(at[1]), "text-anchor": anchor, "font-size": _n(size)})
        if bold:
            part.set("font-weight", "600")
        if quiet:
            part.set("fill-opacity", _QUIET)
        part.text = clean(text)
        self._parts.append(part)

    def small(self, at: Point, text: str, anchor: str = "middle") -> None:
        """Small quiet words."""
        self.words(at, text, anchor=anchor, size=_SMALL, quiet=True)

    def finish(self, height: float, text: str) -> str:
        """The SVG; `text` says in words what is drawn."""
        root = ET.Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "role": "img",
                "class": f"sketch sketch-{self._kind}",
                "viewBox": f"0 0 {_n(WIDTH)} {_n(height)}",
                "width": _n(WIDTH),
                "height": _n(height),
                "fill": "currentColor",
                "font-family": "system-ui, 'Helvetica Neue', Arial, sans-serif",
                "font-size": "13",
            },
        )
        ET.SubElement(root, "title").text = clean(self._title)
        ET.SubElement(root, "desc").text = clean(text)
        root.extend(self._parts)
        return ET.tostring(root, encoding="unicode")

    def _shape(self, tag: str, places: dict[str, str], look: Look, entry: str) -> None:
        part = ET.Element(tag, {"class": f"sketch-{look.name}", **places})
        part.set("fill", "currentColor" if look.fill else "none")
        if 0 < look.fill < 1:
            part.set("fill-opacity", _n(look.fill))
        part.set("stroke", "currentColor" if look.width else "none")
        if look.width:
            part.set("stroke-width", _n(look.width))
        if look.dashed:
            part.set("stroke-dasharray", DASHES)
        if entry:
            part.set("data-entry", clean(entry))
        self._parts.append(part)


def clean(text: str) -> str:
    """Text without the characters that XML cannot hold."""
    return _NO_XML.sub("\ufffd", text)


def wrapped(text: str, width: int) -> Iterable[str]:
    """Text in lines of at most `width` characters where its words allow."""
    line = ""
    for word in text.split():
        if line and len(line) + 1 + len(word) > width:
            yield line
            line = word
        else:
            line = f"{line} {word}".strip()
    if line:
        yield line


def _n(number: float) -> str:
    return f"{round(number, 2) + 0.0:g}"
