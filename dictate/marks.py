"""What the note offers: marks on stretches of tokens, made by matching and by numbers."""

from __future__ import annotations

from dataclasses import dataclass, field

from dictate.lexicon import Sense
from dictate.numbers import Group


@dataclass(frozen=True, slots=True)
class Mark:
    """A stretch of tokens and all that it may mean.

    `heard`: the words were read by sound or spelling, `read_as` is what they were read as.
    """

    start: int
    end: int
    senses: tuple[Sense, ...]
    plural: bool = False
    heard: bool = False
    read_as: str = ""
    inner: tuple[Mark, ...] = ()  # shorter phrases inside, for when no test in hand takes this one
    by_role: dict[str, tuple[Sense, ...]] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        roles: dict[str, list[Sense]] = {}
        for sense in self.senses:
            roles.setdefault(sense.role, []).append(sense)
        object.__setattr__(self, "by_role", {role: tuple(senses) for role, senses in roles.items()})

    def of(self, *roles: str) -> tuple[Sense, ...]:
        """The senses with one of these roles."""
        if len(roles) == 1:
            return self.by_role.get(roles[0], ())
        if self.by_role.keys().isdisjoint(roles):
            return ()
        return tuple([s for s in self.senses if s.role in roles])

    def has(self, *roles: str) -> bool:
        """Whether any sense has one of these roles."""
        if len(roles) == 1:
            return roles[0] in self.by_role
        return not self.by_role.keys().isdisjoint(roles)


@dataclass
class Marks:
    """All marks of a note, in order, and its groups of numbers."""

    marks: list[Mark] = field(default_factory=list)
    groups: list[Group] = field(default_factory=list)
    struck: set[int] = field(default_factory=set)
    times: list[tuple[int, int, str]] = field(default_factory=list)
