"""The demo notes that come with the package: invented notes of one invented clinic."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Any

from dictate.errors import NoteError
from dictate.files import NoteFile, decode

FIRST = "disc_asymmetry"


def folder() -> Any:
    """The folder of demo notes, in a wheel or in a source tree."""
    inside = resources.files("dictate") / "demo_notes"
    if inside.is_dir():
        return inside
    return Path(__file__).resolve().parent.parent / "demo_notes"


def names() -> list[str]:
    """The names of all demo notes, in alphabetical order."""
    return sorted(str(p.name).removesuffix(".txt") for p in folder().iterdir() if p.name.endswith(".txt"))


def note(name: str = FIRST) -> NoteFile:
    """One demo note. Raises NoteError with the list of names where there is no such note."""
    known = names()
    plain = name.removesuffix(".txt")
    if plain not in known:
        raise NoteError(f"{name}: no such demo note; there are {', '.join(known)}")
    return decode((folder() / f"{plain}.txt").read_bytes(), f"{plain}.txt")
