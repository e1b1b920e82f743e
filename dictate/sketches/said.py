"""What entries say in a drawing: the words at each eye, and the same as sentences."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from dictate.record import Entry, Value
from dictate.sketches.legend import Legend, Picture
from dictate.sketches.svg import MIDDLE, WIDTH, Canvas, Point, clean, wrapped

EYES = ("right", "left")
OUTWARD = {"right": -1, "left": 1}
"""Facing the patient: the right eye is on the left of the page."""
DASHED = "? and dashes: still to be confirmed"
_TO_CONFIRM = " (to be confirmed)"
_LINE = 15.0
_BETWEEN = 4.0
_COLUMN = 26  # characters
_FOOT = 56


@dataclass(frozen=True)
class Sketch:
    """A drawing: its title, the SVG, and a text that says the same; `entries` are the ids of what it shows."""

    title: str
    svg: str
    text: str
    entries: tuple[str, ...] = ()


@dataclass(frozen=True)
class Said:
    """Words that stand for entries; `asked` while they are still to be confirmed."""

    entries: tuple[str, ...]
    words: str
    asked: bool = False

    @property
    def short(self) -> str:
        """As written in the drawing."""
        return f"{self.words}?" if self.asked else self.words

    @property
    def long(self) -> str:
        """As told in the text."""
        return self.words.replace("–", " to ") + (_TO_CONFIRM if self.asked else "")


@dataclass
class Telling:
    """The text that goes with a drawing, as it grows."""

    how: str
    sentences: list[str] = field(default_factory=list)
    entries: list[str] = field(default_factory=list)

    def say(self, about: str, said: Iterable[Said]) -> None:
        """One sentence about an eye, a light level or the whole."""
        said = list(said)
        if said:
            self.sentences.append(f"{about[:1].upper()}{about[1:]}: {'; '.join(one.long for one in said)}.")
            self.entries.extend(entry for one in said for entry in one.entries)

    @property
    def asked(self) -> bool:
        """Whether anything told is still to be confirmed."""
        return any(_TO_CONFIRM in one for one in self.sentences)

    def sketch(self, canvas: Canvas, title: str, height: float) -> Sketch:
        """The finished drawing with its text."""
        text = " ".join(clean(" ".join([self.how, *self.sentences])).split())
        return Sketch(title, canvas.finish(height, text), text, tuple(dict.fromkeys(self.entries)))


def eyes_of(entry: Entry) -> tuple[str, ...]:
    """The eyes that an entry is about; none while its side is the question."""
    return EYES if entry.side == "both" else (entry.side,) if entry.side in EYES else ()


def asked(entry: Entry) -> bool:
    """Whether an entry is still to be confirmed."""
    return entry.state == "confirm"


def numbers(value: Value) -> tuple[float, ...]:
    """The number of a quantity, or the two of a range; () for anything else."""
    if isinstance(value, bool):
        return ()
    if isinstance(value, int | float):
        return (value,)
    if isinstance(value, list | tuple) and all(isinstance(n, int | float) for n in value):
        return tuple(sorted(value))
    return ()


def figure(value: Value) -> str:
    """A value as it is written: "4.5", "3–4" for a range, "2+"."""
    told = numbers(value)
    return "–".join(f"{n:g}" for n in told) if told else str(value).replace("_", " ")


def told(entry: Entry, picture: Picture, legend: Legend) -> Said | None:
    """The words for an entry with its circumstances, None where the drawing leaves them to the record."""
    says = picture.of(entry.item)
    if says is None:
        return None
    key = "unclear" if entry.value is None else str(entry.value)
    table = says.sideless if says.sideless and not eyes_of(entry) else says.words
    words = table.get(key) or ("" if key in ("unclear", "not_done") else table.get("any", ""))
    if not words:
        return None
    words = " ".join([words.replace("{value}", figure(entry.value)), *circumstances(entry, legend)])
    if not eyes_of(entry) and not says.eyeless and key != "not_done":
        words = f"{words}, {picture.which}"
    return Said((entry.id,), words, asked(entry))


def circumstances(entry: Entry, legend: Legend) -> list[str]:
    """An entry's circumstances in words."""
    known = legend.circumstance
    return [known.get(k, {}).get(str(v), str(v).replace("_", " ")) for k, v in entry.context.items()]


def gathered(entries: Iterable[Entry], say: Callable[[Entry], Said | None]) -> tuple[dict[str, list[Said]], list[Said]]:
    """What is said of each eye, and of neither; words said twice stand once."""
    eyes: dict[str, list[Said]] = {eye: [] for eye in EYES}
    neither: list[Said] = []
    for entry in entries:
        said = say(entry)
        if said is None:
            continue
        for column in [eyes[eye] for eye in eyes_of(entry)] or [neither]:
            put(column, said)
    return eyes, neither


def put(column: list[Said], said: Said) -> None:
    """Words more; if they are there already, they stand for one entry more."""
    for n, other in enumerate(column):
        if other.long == said.long:
            column[n] = replace(other, entries=(*other.entries, *said.entries))
            return
    column.append(said)


# ---- words on the page --------------------------------------------------------------------


def head(canvas: Canvas, places: Mapping[str, Point]) -> None:
    """The name of each eye above it."""
    for eye in EYES:
        canvas.words((places[eye][0], 18), f"{eye.capitalize()} eye", bold=True)


def columns(canvas: Canvas, places: Mapping[str, Point], top: float, said: Mapping[str, Sequence[Said]]) -> float:
    """Words in a column under each eye; gives the height where they end."""
    lowest = top
    for eye in EYES:
        height = top
        for one in said[eye]:
            height += _BETWEEN
            for line in wrapped(one.short, _COLUMN):
                height += _LINE
                canvas.words((places[eye][0], height), line, size=12)
        lowest = max(lowest, height)
    return lowest


def foot(canvas: Canvas, top: float, said: Iterable[Said], notes: Iterable[str]) -> float:
    """Words about the whole, then small notes on how it is drawn; gives the height where they end."""
    height = top + _LINE / 2
    for line in wrapped("; ".join(one.short for one in said), _FOOT):
        height += _LINE
        canvas.words((MIDDLE, height), line, size=12)
    height += _BETWEEN
    for line in wrapped("; ".join(notes), _FOOT):
        height += _LINE
        canvas.small((MIDDLE, height), line)
    return height + 8


def across(offset: float, height: float) -> dict[str, Point]:
    """The centres of both eyes, so far from the middle of the page."""
    return {eye: (WIDTH / 2 + OUTWARD[eye] * offset, height) for eye in EYES}
