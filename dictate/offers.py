"""What a note offers for binding: names, sides, values, and the ways to bind them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from dictate.lexicon import Lexicon, Sense
from dictate.marks import Mark
from dictate.modes import Modes
from dictate.note import Tokens
from dictate.numbers import Group
from dictate.segments import Segments
from dictate.values import Reading, Value

SideValue = Literal[
    "right", "left", "both", "both_open", "right_left", "left_right", "affected", "unaffected", "unclear"
]
AtomSort = Literal["alone", "word", "number", "direction", "complete"]


@dataclass(slots=True)
class Head:
    """A name in the note: what it may stand for."""

    start: int
    end: int
    senses: tuple[Sense, ...]
    sentence: int
    plural: bool
    heard: bool
    talk: bool
    group: tuple[Head, ...] = ()
    soft: bool = False  # a circumstance that also tells which test is going on
    finding: bool = False  # an `alone` phrase that also takes its topic in hand


@dataclass(slots=True)
class Side:
    """A side said in the note."""

    start: int
    end: int
    value: SideValue
    sentence: int
    block: bool
    prepositional: bool
    heard: bool = False
    virtual: bool = False


@dataclass(slots=True)
class Target:
    """What an atom would say under one name."""

    item: str
    value: Value
    context: dict[str, str | int]
    reading: Reading | None = None
    source: str = ""
    side: str = ""


@dataclass(slots=True)
class Atom:
    """A value-bearing stretch of the note."""

    start: int
    end: int
    sort: AtomSort
    mark: Mark | None
    group: Group | None
    sentence: int
    cell: int


@dataclass(slots=True)
class Option:
    """One way to bind an atom."""

    cost: float
    targets: list[Target]
    head: Head | None
    head_way: str  # prev, next, held, self
    side: Side | None
    side_way: str  # prev, next, held, none, fixed
    notes: tuple[str, ...] = ()

    def rows(self) -> tuple[object, ...]:
        """What this option would put into the record, to compare options by."""
        side = self.side.value if self.side else ""
        return (tuple((t.item, str(t.value)) for t in self.targets), side if self.side_way != "none" else "")


@dataclass(slots=True)
class Bound:
    """An atom with the option chosen, and the nearest rival that gives other rows."""

    atom: Atom
    option: Option
    rival: Option | None = None


@dataclass
class Scene:
    """All that is offered in a note, in order."""

    tokens: Tokens
    lexicon: Lexicon
    segments: Segments
    modes: Modes
    heads: list[Head] = field(default_factory=list)
    sides: list[Side] = field(default_factory=list)
    atoms: list[Atom] = field(default_factory=list)
    units: dict[int, tuple[str, int]] = field(default_factory=dict)
    contexts: list[Mark] = field(default_factory=list)
    cues: list[Mark] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    known: set[int] = field(default_factory=set)  # tokens that a mark or a number covers
    named: set[int] = field(default_factory=set)  # where names and findings start
    groups: list[Group] = field(default_factory=list)
    group_starts: list[int] = field(default_factory=list)
    index: dict[tuple[str, int], list[Mark]] = field(default_factory=dict)  # (sort, sentence) -> marks
    distances: dict[int, str] = field(default_factory=dict)  # atom start -> "1 m"
    labels: set[int] = field(default_factory=set)  # starts of findings that head their line
    answered: dict[int, tuple[bool, Mark]] = field(default_factory=dict)  # atom start -> (yes, answer)
    same: list[tuple[Mark, str, tuple[Head, ...]]] = field(default_factory=list)  # "same on the left", of these names
    set_against: list[tuple[Mark, Side]] = field(default_factory=list)  # "not the right": a denial and its side
    retractions: list[Mark] = field(default_factory=list)  # words that take back what was said
    amending: list[Mark] = field(default_factory=list)  # words after which one side of both is told again
    totals: dict[int, tuple[int, int]] = field(default_factory=dict)  # token -> (sentence, how many were shown)

    shown: dict[int, int] = field(default_factory=dict)  # sentence of a table's row -> how many were shown
    told: dict[int, tuple[str, Group]] = field(default_factory=dict)  # numbers that are circumstances
    unknown_eye: bool = False  # the note speaks of one eye and never says which
    worded: set[int] = field(default_factory=set)  # numbers read as a value word ("5/5")
    elsewhere: dict[int, tuple[int, int]] = field(default_factory=dict)  # numbers no item takes -> their stretch
