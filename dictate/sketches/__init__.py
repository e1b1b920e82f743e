"""Drawings of what was found: the pupils, the optic discs and the eye movements, as SVG with a text that says the same.

The drawings rest on a record's entries alone. They hold no style sheet and no script, colour nothing by
meaning, and mark what is still to be confirmed by dashes and a "?". `stylesheet` has optional rules.
"""

from __future__ import annotations

from collections.abc import Iterable
from importlib import resources

from dictate.record import Entry
from dictate.sketches.discs import discs
from dictate.sketches.gaze import gaze
from dictate.sketches.pupils import pupils
from dictate.sketches.said import Sketch

__all__ = ["Sketch", "discs", "gaze", "pupils", "sketches", "stylesheet"]


def sketches(entries: Iterable[Entry]) -> tuple[Sketch, ...]:
    """All drawings that a record's entries give, in the order pupils, discs, eye movements."""
    entries = list(entries)
    return tuple(one for one in (pupils(entries), discs(entries), gaze(entries)) if one is not None)


def stylesheet() -> str:
    """Rules for a page that shows the drawings: they fit narrow columns, and the pupils stay dark on a dark page."""
    return (resources.files("dictate.sketches") / "sketches.css").read_text(encoding="utf-8")
