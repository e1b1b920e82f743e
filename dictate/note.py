"""The note as read and its tokens; offsets always refer to the text exactly as read."""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from dataclasses import dataclass, field, replace


@dataclass(frozen=True, slots=True)
class Token:
    """One piece of the note: `text` == note text from `start` up to `end`."""

    i: int
    start: int
    end: int
    text: str
    key: str
    kind: str  # "word", "number", "punct", "break" (a line end), "space" (wide gap)
    skipped: bool = False  # left out of phrase matching: articles, forms of "be", fillers
    spoken: str = ""  # the sign a spoken punctuation word stands for


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of tokens, end exclusive."""

    start: int
    end: int

    def overlaps(self, other: Span) -> bool:
        """Whether the two stretches share a token."""
        return self.start < other.end and other.start < self.end


@dataclass(frozen=True)
class Note:
    """A note with a name; the text is never altered."""

    text: str
    name: str = "note"

    @property
    def sha256(self) -> str:
        """Hex digest of the text in UTF-8."""
        return hashlib.sha256(self.text.encode("utf-8", "surrogatepass")).hexdigest()


@dataclass(frozen=True)
class Tokens:
    """The note's tokens with what a stage needs to look up quickly."""

    note: Note
    tokens: tuple[Token, ...]
    mixed_case: bool
    spoken_punctuation: bool
    line_of: tuple[int, ...] = field(default=())
    joined: frozenset[int] = frozenset()  # a "no" or a side cut out of a run-together word

    def __len__(self) -> int:
        return len(self.tokens)

    def __getitem__(self, i: int) -> Token:
        return self.tokens[i]

    def words(self, start: int, end: int) -> str:
        """The note's own characters from token `start` up to token `end`."""
        if start >= end:
            return ""
        return self.note.text[self.tokens[start].start : self.tokens[end - 1].end]

    def without(self, places: Collection[int]) -> Tokens:
        """The tokens with some of them blank: they keep their place and say nothing."""
        blank = tuple(
            replace(t, text=" ", key="", kind="space", spoken="") if t.i in places else t for t in self.tokens
        )
        return replace(self, tokens=blank)
