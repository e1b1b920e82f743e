"""Published limits, normal values and sentences, loaded from lexicon/norms/*.toml.

`load()` gives one checked `Norms`; everything computed from a record (derived values, the
state of the nerves, contradictions) takes its numbers, item keys and sentences from it.
"""

from __future__ import annotations

import tomllib
from functools import lru_cache
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from dictate.errors import LexiconError
from dictate.lexicon import default_folder

Relation = Literal["same", "other", "any"]
Turn = Literal["", "outward", "inward"]
ForkResult = Literal["positive", "negative"]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Source(_Strict):
    """A citation and how far it was checked."""

    cite: str
    basis: Literal["read", "memory", "practice", "arithmetic"]


class Low(_Strict):
    """A category below the chart ("counting fingers") and its conventional logMAR."""

    name: str
    also: list[str] = []
    logmar: float
    imputed: bool = False
    source: list[str]
    letter_m: float = 0
    letter_source: list[str] = []


class AcuityNorms(_Strict):
    """Conversion of acuities. `per_letter` in log units, `length` in metres."""

    distance: str
    near: str
    logmar_suffix: str
    decimal_suffix: str
    partial: str
    source: list[str]
    per_letter: float = Field(ge=0, le=0.1)
    letter_source: list[str]
    usual_logmar: float
    usual_source: list[str]
    reduced_logmar: float
    reduced_source: list[str]
    points_prefix: str
    points_per_m: float = Field(gt=0)
    points_source: list[str]
    length: dict[str, float]
    text: dict[str, str]
    low: list[Low]


class Edition(_Strict):
    """An edition of a plate book: totals it is told by, plates scored and its pass marks."""

    name: str
    shown: list[int]
    scored: int
    normal_min: int
    deficient_max: int
    source: list[str]


class PlateNorms(_Strict):
    """Plate counts and the rule of the edition."""

    item: str
    key: str
    normal: str
    deficient: str
    between: str
    rule: str
    edition: list[Edition]


class Band(_Strict):
    """A stretch of numbers with its sentence; bounds in the item's unit."""

    above: float | None = None
    at_least: float | None = None
    below: float | None = None
    value: str
    text: str
    outside: bool = True
    source: list[str]

    def holds(self, number: float) -> bool:
        """Whether a number lies in the band."""
        return (
            (self.above is None or number > self.above)
            and (self.at_least is None or number >= self.at_least)
            and (self.below is None or number < self.below)
        )


class Limit(_Strict):
    """A measurement against published limits."""

    item: str
    key: str
    context: dict[str, list[str]] = {}
    believable: tuple[float, float] | None = None
    quiet: bool = False
    inside: str = ""
    inside_source: list[str]
    band: list[Band]


class LimitWords(_Strict):
    """Sentences for limits in general."""

    straddles: str
    units: dict[str, str]


class GradeMeaning(_Strict):
    """What one grade stands for."""

    value: float | str | list[float]
    text: str
    outside: bool = False


class Grade(_Strict):
    """A grade scale with a published meaning."""

    item: str
    key: str
    unit: str
    source: list[str]
    values: dict[str, GradeMeaning]


class Difference(_Strict):
    """Right against left of one measurement."""

    item: str
    key: str
    unit: str
    per: str = ""
    alike: list[str] = []
    believable: tuple[float, float] | None = None
    equal: str
    inside: str
    straddles: str
    inside_source: list[str]
    places: dict[str, str] = {}
    band: list[Band]


class PupilLight(_Strict):
    """In which light the difference of the pupils is greater; numbers in mm."""

    key: str
    difference: str
    dim: str
    bright: str
    step: float
    worth: float
    source: list[str]
    in_dim: str
    in_bright: str
    same: str
    swapped: str


class ForkPattern(_Strict):
    """One combination of Rinne and Weber."""

    weber: Literal["central", "lateral"]
    ear: ForkResult
    other: ForkResult
    value: str
    text: str
    outside: bool = False
    side: Literal["", "ear", "other"] = ""


class ForkNorms(_Strict):
    """How Rinne and Weber are read together."""

    rinne: str
    weber: str
    key: str
    at: str
    positive: list[str]
    negative: list[str]
    equal: list[str]
    central: str
    source: list[str]
    equal_source: list[str]
    equal_note: str
    prefix: str
    unsaid_prefix: str
    pattern: list[ForkPattern]


class Judge(_Strict):
    """What counts as normal for some items."""

    items: list[str] = []
    normal: list[str] = []
    abnormal: list[str] = []
    unclear: list[str] = []
    others: Literal["", "abnormal", "neutral", "unclear"] = ""
    by: bool = False
    above: float | None = None
    one_sided: bool = False
    nerves: list[str] = []
    source: list[str] = []


class Attribute(_Strict):
    """Which nerves a restricted movement is told of."""

    item: str
    turn: Turn = ""
    gaze: list[str] = []
    nerves: list[str]
    source: list[str]


class Turns(_Strict):
    """Which direction in space is outward and inward for each eye."""

    item_context: str
    outward: dict[str, str]
    inward: dict[str, str]


class NerveNorms(_Strict):
    """The twelve nerves and the sentences about them."""

    order: list[str]
    key: str
    status: str
    overall: str
    context: str
    intact: list[str]
    not_overall: list[str]
    not_done: str
    source: list[str]
    text: dict[str, str]


class ExamTest(_Strict):
    """One test of the examination, by its lead item."""

    lead: str
    also: list[str] = []
    statement: bool = False


class Clause(_Strict):
    """What a fact must be to take part in a contradiction or to call for a suggestion.

    Bounds are in the item's unit; `of` asks for the fact's own side, `stands_for` gives the side
    that it speaks of where this is another one (a field lost to the left in the right eye).
    """

    item: str = ""
    derived: str = ""
    values: list[str] = []
    not_values: list[str] = []
    abnormal: bool = False
    context: dict[str, list[str]] = {}
    other_than: dict[str, list[str]] = {}
    without: list[str] = []
    at_least: float | None = None
    above: float | None = None
    at_most: float | None = None
    below: float | None = None
    below_anchor: bool = False
    off_anchor: float | None = None
    near_anchor: float | None = None
    side: Relation = "same"
    of: Literal["", "right", "left", "both", "none"] = ""
    stands_for: Literal["", "right", "left"] = ""
    toward: Literal["", "same", "other"] = ""
    turn: Turn = ""
    quiet: bool = False
    word: str = ""


class Contradiction(_Strict):
    """Facts that cannot all stand."""

    say: str
    source: list[str]
    alike: list[str] = []
    clause: list[Clause] = Field(min_length=2)
    unless: list[Clause] = []


class Conclusion(_Strict):
    """How impressions are told apart, and the sentences about them."""

    item: str
    certainty: str
    held: list[str]
    stated: list[str]
    excluded: list[str]
    on_side: str
    wrong_side: str
    against: str
    denied: str


class Impression(_Strict):
    """What the findings of one condition look like."""

    name: str
    said: str
    source: list[str]
    same_side: list[Clause] = []
    against: list[Clause] = []
    denies_exclusion: list[Clause] = []
    explained: list[str] = []


class Norms(_Strict):
    """All norms; names as in the TOML files."""

    group: Literal["norms"]
    source: dict[str, Source]
    basis: dict[str, str]
    acuity: AcuityNorms
    plates: PlateNorms
    limits: LimitWords
    limit: list[Limit]
    grade: list[Grade]
    difference: list[Difference]
    pupil_light: PupilLight
    forks: ForkNorms
    finding: Judge
    judge: list[Judge]
    attribute: list[Attribute]
    turns: Turns
    nerves: NerveNorms
    test: list[ExamTest]
    contradiction: list[Contradiction]
    conclusion: Conclusion
    impression: list[Impression]

    def cite(self, keys: list[str]) -> str:
        """The citations of some sources, each with how far it was checked."""
        return "; ".join(self.source[k].cite + self.basis[self.source[k].basis] for k in keys)

    def judge_of(self, item: str) -> Judge | None:
        """The rule for an item's normal values, or None where none is written."""
        return next((j for j in self.judge if item in j.items), None)


def named(norms: Norms, field: str) -> set[str]:
    """All strings that stand under one of the keys `field` ("source", "item") of the norms."""
    found: set[str] = set()

    def walk(node: Any, key: str) -> None:
        if isinstance(node, dict):
            for name, value in node.items():
                walk(value, name)
        elif isinstance(node, list):
            for value in node:
                walk(value, key)
        elif isinstance(node, str) and (key == field or key.endswith(f"_{field}")) and node:
            found.add(node)

    walk(norms.model_dump(), "")
    return found


def _merged(folder: Any) -> dict[str, Any]:
    data: dict[str, Any] = {}
    for path in sorted((p for p in folder.iterdir() if p.name.endswith(".toml")), key=lambda p: str(p.name)):
        try:
            part = tomllib.loads(path.read_bytes().decode("utf-8"))
        except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
            raise LexiconError(f"norms/{path.name}: {error}") from error
        twice = sorted((set(part) & set(data)) - {"group"})
        if twice:
            raise LexiconError(f"norms/{path.name}: {', '.join(twice)} is already in another file")
        data.update(part)
    return data


def load_folder(folder: Any) -> Norms:
    """Read and check the norms of a folder. Raises LexiconError with every fault."""
    try:
        norms = Norms.model_validate(_merged(folder))
    except ValidationError as error:
        faults = [f"norms: {'.'.join(str(p) for p in one['loc'])}: {one['msg']}" for one in error.errors()]
        raise LexiconError("\n".join(faults)) from error
    faults = [f"norms: source {key!r} is not listed" for key in sorted(named(norms, "source") - set(norms.source))]
    faults += [f"norms: basis {s.basis!r} has no words" for s in norms.source.values() if s.basis not in norms.basis]
    if faults:
        raise LexiconError("\n".join(faults))
    return norms


@lru_cache(maxsize=1)
def load() -> Norms:
    """The norms shipped with the package. Raises LexiconError."""
    return load_folder(default_folder() / "norms")


def score_totals(item: str) -> list[int]:
    """The totals that a score of this item is told out of, by the editions of its book; none if unknown."""
    plates = load().plates
    return sorted({n for edition in plates.edition for n in edition.shown}) if item == plates.item else []
