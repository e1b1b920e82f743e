"""What the drawings show and say, loaded from lexicon/sketches/*.toml."""

from __future__ import annotations

import tomllib
from functools import lru_cache
from typing import Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from dictate.errors import LexiconError
from dictate.lexicon import default_folder
from dictate.record import Entry

Mark = Literal["", "irregular", "hatch", "notch", "flame"]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Says(_Strict):
    """The words written for an item, by value; `eyeless` for what is said of no eye of its own."""

    item: str
    words: dict[str, str]
    sideless: dict[str, str] = {}
    eyeless: bool = False
    enough: list[str] = []
    mark: Mark = ""


class Picture(_Strict):
    """What all drawings have: a title and the words of their items."""

    title: str
    how: str
    by: str
    which: str
    says: list[Says]

    def of(self, item: str) -> Says | None:
        """The words of an item, None for an item that the drawing leaves out."""
        return next((one for one in self.says if one.item == item), None)

    def worth(self, entry: Entry) -> bool:
        """Whether an entry is worth a picture by itself."""
        says = self.of(entry.item)
        if says is None or not says.enough:
            return False
        value = str(entry.value)
        return value in says.enough or "any" in says.enough and value not in (*says.words, "None")


class Level(_Strict):
    """A row of the pupils: the circumstance ("" where none was said) and its title."""

    value: str
    title: str


class Pupils(Picture):
    """The drawing of the pupils; `iris` in millimetres."""

    size: str
    unit: str
    iris: float
    source: str
    unsaid: str
    level: list[Level]


class Discs(Picture):
    """The drawing of the discs; a sector is its middle and its span in degrees."""

    cup: str
    outward: str
    inward: str
    unsaid: str
    undescribed: str
    unplaced: str
    sector: dict[str, tuple[float, float]]


class Arm(_Strict):
    """A direction of gaze; `at` in degrees, counted upwards from the right of the page."""

    key: str
    at: float
    only_said: bool = False


class Gaze(Picture):
    """The drawing of the eye movements; `several` are circumstances that name more than one arm."""

    range: str
    double: str
    full: str
    restricted: str
    end: dict[str, str]
    whole: list[str]
    rest: str
    undirected: str
    undescribed: str
    notes: dict[str, str]
    arm: list[Arm]
    several: dict[str, list[str]]


class Legend(_Strict):
    """All drawings, and how circumstances are told in them."""

    group: str
    circumstance: dict[str, dict[str, str]]
    pupils: Pupils
    discs: Discs
    gaze: Gaze


@lru_cache(maxsize=1)
def load() -> Legend:
    """The legend shipped with the package. Raises LexiconError with every fault."""
    path = default_folder() / "sketches" / "sketches.toml"
    try:
        return Legend.model_validate(tomllib.loads(path.read_bytes().decode("utf-8")))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise LexiconError(f"sketches/{path.name}: {error}") from error
    except ValidationError as error:
        faults = [f"sketches/{path.name}: {'.'.join(map(str, one['loc']))}: {one['msg']}" for one in error.errors()]
        raise LexiconError("\n".join(faults)) from error
