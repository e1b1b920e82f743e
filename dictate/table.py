"""A record as a sheet to look at: by test, the patient's right on the left, then what is open.

`sheet` arranges a record into plain rows (no colour, no widths); `show` prints such a sheet on
a terminal. rich is imported only by `show`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from dictate.asking import shown
from dictate.lexicon import Item, Lexicon
from dictate.norms import load as load_norms
from dictate.record import Derived, Entry, Evidence, Flag, Record

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

CAUTION = "Computed and suggested things defer to local protocols and to licensed judgement."
OUTSIDE = "*"
_PER_SIDE = ("right", "left")
_QUOTED = 64
_NO_SIDE = "side not said: "


@dataclass(frozen=True)
class Cell:
    """One value as a person writes it; `asked` numbers its open questions, `entries` are the ids of what it states."""

    text: str
    asked: tuple[int, ...] = ()
    outside: bool = False
    entries: tuple[str, ...] = field(default=(), compare=False)

    def __str__(self) -> str:
        mark = OUTSIDE if self.outside else ""
        return f"{self.text}{mark}" + "".join(f" ?{n}" for n in self.asked)


@dataclass(frozen=True)
class Line:
    """One test: what was found on the right and left, or (`single`) with no side of its own."""

    title: str
    circumstances: tuple[str, ...] = ()
    right: tuple[Cell, ...] = ()
    left: tuple[Cell, ...] = ()
    single: tuple[Cell, ...] = ()
    item: str = field(default="", compare=False)

    @property
    def label(self) -> str:
        """The title with its circumstances: "Pupil size (dim)"."""
        told = "; ".join(one for one in self.circumstances if one)
        return f"{self.title} ({told})" if told else self.title


@dataclass(frozen=True)
class Computed:
    """What is computed from the tests `items`: a sentence for each side or sides, and the number of its source."""

    about: str
    told: tuple[tuple[str, str], ...]
    source: int
    items: tuple[str, ...]

    @property
    def text(self) -> str:
        """The sentence with the tests it is about: "Angle, right: wide"."""
        parts = "; ".join(f"{sides}: {text}" if sides else text for sides, text in self.told)
        joint = ", " if all(sides for sides, _ in self.told) else ": "
        return f"{self.about}{joint}{parts}" if self.about else parts


@dataclass(frozen=True)
class Question:
    """What must be confirmed: its number on the sheet, the words, and what can be answered."""

    number: int
    flag: str
    text: str
    words: str
    choices: tuple[str, ...]


@dataclass(frozen=True)
class Sheet:
    """A whole record, arranged."""

    name: str
    sections: tuple[tuple[str, tuple[Line, ...]], ...] = ()
    conclusions: tuple[Line, ...] = ()
    questions: tuple[Question, ...] = ()
    computed: tuple[Computed, ...] = ()
    nerves: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    plan: tuple[Line, ...] = ()
    not_documented: tuple[str, ...] = ()
    also_said: tuple[str, ...] = ()
    marked: bool = field(default=False)

    @property
    def empty(self) -> bool:
        """Whether the note gave nothing at all."""
        return not (self.sections or self.conclusions or self.plan or self.questions or self.also_said)


def quoted(evidence: Evidence, length: int = _QUOTED) -> str:
    """The note's words on one line, shortened in the middle, in quotation marks."""
    text = " ".join(evidence.text.split())
    if len(text) > length:
        half = (length - 3) // 2
        text = f"{text[:half].rstrip()} … {text[-half:].lstrip()}"
    return f"“{text}”"


def value_text(item: Item, value: Any) -> str:
    """A value in words: "not done", "4.5 mm", "third nerve palsy", "OCT" (a test to be done)."""
    if value is None:
        return "not clear"
    if isinstance(value, str) and item.kind != "quantity" or value == "not_done":
        short = item.role == "plan" and len(value) <= 3
        return value.upper() if short else str(value).replace("_", " ")
    return shown(item, value)


def circumstances(item: Item, context: dict[str, str | int]) -> str:
    """The circumstances of a value in words: "dim", "512 Hz", "right gaze"."""
    told = []
    for key, value in context.items():
        words = str(value).replace("_", " ")
        if isinstance(value, int):
            words = f"{words} Hz" if key == "fork" else f"{key} {words}"
        elif words in (*_PER_SIDE, "up", "down", "all", "central"):
            words = f"{words} {key}"
        told.append(words)
    return ", ".join(told)


def sheet(record: Record, lexicon: Lexicon) -> Sheet:
    """Arrange a record: tests in the order of the examination, questions in reading order."""
    numbers = {flag.id: n for n, flag in enumerate(record.flags, 1)}
    nerve_key = load_norms().nerves.key
    outside = {
        entry
        for one in record.derived
        if one.outside and (len(one.entries) == 1 or one.key.startswith(nerve_key))  # not all that a joint one rests on
        for entry in one.entries
    }
    sides_asked = {f.id for f in record.flags if f.reason == "side"}
    lines = _lines(record.entries, lexicon, numbers, outside, sides_asked)
    by_group: dict[str, list[Line]] = {}
    conclusions: list[Line] = []
    plan: list[Line] = []
    for key, line in lines:
        role = lexicon.items[key].role
        if role == "finding":
            by_group.setdefault(lexicon.item_group[key], []).append(line)
        else:
            (plan if role == "plan" else conclusions).append(line)
    order = _group_order(lexicon)
    groups = sorted(by_group, key=lambda g: (order.get(g, len(order)), g))
    computed, sources = _computed([d for d in record.derived if not d.key.startswith(nerve_key)], record, lexicon)
    return Sheet(
        name=record.name,
        sections=tuple((lexicon.group_titles.get(g, g), tuple(by_group[g])) for g in groups),
        conclusions=tuple(conclusions),
        questions=tuple(_question(numbers[f.id], f, lexicon) for f in record.flags),
        computed=computed,
        nerves=_nerves([d for d in record.derived if d.key.startswith(nerve_key)], nerve_key),
        sources=sources,
        plan=tuple(plan),
        not_documented=record.not_documented,
        also_said=tuple(quoted(e) for e in record.unplaced),
        marked=any(c.outside for _, line in lines for c in (*line.right, *line.left, *line.single)),
    )


def _group_order(lexicon: Lexicon) -> dict[str, int]:
    """Each group's place: that of its first test in the order of the examination."""
    order: dict[str, int] = {}
    for test in load_norms().test:
        for key in (test.lead, *test.also):
            if key in lexicon.item_group:
                order.setdefault(lexicon.item_group[key], len(order))
    return order


def _lines(
    entries: Iterable[Entry], lexicon: Lexicon, numbers: dict[str, int], outside: set[str], sides_asked: set[str]
) -> list[tuple[str, Line]]:
    """One line for each item and circumstance, in the lexicon's order of items."""
    place = {key: n for n, key in enumerate(lexicon.items)}
    known = [e for e in entries if e.item in place]
    cells: dict[tuple[str, str], dict[str, list[Cell]]] = {}
    for entry in sorted(known, key=lambda e: place[e.item]):
        item = lexicon.items[entry.item]
        text = value_text(item, entry.value)
        if entry.side == "both":
            text = f"both together {text}"
        elif entry.side is None and any(f in sides_asked for f in entry.flags):
            text = f"{_NO_SIDE}{text}"
        asked = tuple(numbers[f] for f in entry.flags if f in numbers)
        cell = Cell(text, asked, entry.id in outside, (entry.id,))
        column = entry.side if entry.side in _PER_SIDE else "single"
        columns = cells.setdefault((entry.item, circumstances(item, entry.context)), {})
        columns.setdefault(str(column), []).append(cell)
    lines: dict[tuple[Any, ...], Line] = {}
    for (key, told), columns in cells.items():
        right, left, single = (tuple(columns.get(c, ())) for c in ("right", "left", "single"))
        same = (key, right, left, single)
        before = lines.get(same)
        circumstance = (*before.circumstances, told) if before else (told,)
        if before:
            right, left, single = (
                tuple(map(_joined, *both))
                for both in ((before.right, right), (before.left, left), (before.single, single))
            )
        lines[same] = Line(lexicon.items[key].title, circumstance, right, left, single, key)
    return [(same[0], line) for same, line in lines.items()]


def _joined(one: Cell, other: Cell) -> Cell:
    """A cell that two circumstances share."""
    return replace(one, entries=(*one.entries, *other.entries))


def choice_text(choice: dict[str, Any], lexicon: Lexicon) -> str:
    """What one answer would set, in words."""
    item = lexicon.items.get(str(choice.get("item", "")))
    told = []
    for key, value in choice.items():
        if isinstance(value, bool):
            told.append("yes" if value else "no")
        elif key == "item":
            told.append(item.title if item else str(value))
        elif key == "value" and item is not None:
            told.append(value_text(item, value))
        elif isinstance(value, list) and all(isinstance(v, int | float) for v in value):
            told.append(" to ".join(f"{v:g}" for v in value))
        elif isinstance(value, dict):
            told.append(", ".join(str(v) for v in value.values()))
        elif value is not None:
            told.append(", then ".join(str(value).split("_")) if key == "order" else str(value).replace("_", " "))
    return " ".join(told)


def _question(number: int, flag: Flag, lexicon: Lexicon) -> Question:
    longest = [e for e in flag.evidence if not any(_inside(e, other) for other in flag.evidence)]
    words = ", ".join(quoted(e) for e in longest[:3]) + (" …" if len(longest) > 3 else "")
    choices = tuple(dict.fromkeys(t for c in flag.choices if (t := choice_text(c, lexicon))))
    return Question(number, flag.id, flag.question, words, choices)


def _inside(one: Evidence, other: Evidence) -> bool:
    return one != other and other.start <= one.start and one.end <= other.end


def _computed(derived: list[Derived], record: Record, lexicon: Lexicon) -> tuple[tuple[Computed, ...], tuple[str, ...]]:
    """Sentences with the number of their source; what is told of one test by one source shares a line."""
    sources: dict[str, int] = {}
    items = {e.id: e.item for e in record.entries}
    sides_of = {e.id: e.side for e in record.entries}
    lines: dict[tuple[tuple[str, ...], int], dict[str, list[str]]] = {}
    for one in derived:
        number = sources.setdefault(one.source, len(sources) + 1)
        about = tuple(dict.fromkeys(items[e] for e in one.entries if items.get(e) in lexicon.items))
        side = one.side if one.side and {sides_of.get(e) for e in one.entries} == {one.side} else ""
        sides = lines.setdefault((about, number), {})
        sides.setdefault(side, []).append(one.text + (OUTSIDE if one.outside else ""))
    told = []
    for (about, number), sides in lines.items():
        alike: dict[str, list[str]] = {}
        for side, texts in sides.items():
            alike.setdefault("; ".join(texts), []).append(side)
        parts = tuple(("" if of == [""] else " and ".join(map(_told, of)), text) for text, of in alike.items())
        titles = " with ".join(dict.fromkeys(lexicon.items[key].title for key in about))
        told.append(Computed(titles, parts, number, about))
    return tuple(told), tuple(sources)


def _told(side: str) -> str:
    return "both together" if side == "both" else side


def _nerves(derived: list[Derived], prefix: str) -> tuple[str, ...]:
    """What is known of the nerves; those of which the same is told share a sentence."""
    alike: dict[str, list[str]] = {}
    for one in sorted(derived, key=lambda d: not d.entries):
        name = one.key.removeprefix(prefix)
        alike.setdefault(one.text.removeprefix(f"{name}: "), []).append(name)
    return tuple(f"{', '.join(names)}: {text}" for text, names in alike.items())


def show(arranged: Sheet, console: Console) -> None:
    """Print a sheet. Nothing is told by colour alone: `?1` is question 1, `*` is outside the usual."""
    from rich.text import Text

    width = min(console.width, 100)

    def put(*parts: tuple[str, str]) -> None:
        console.print(Text.assemble(*parts), width=width)

    count = len(arranged.questions)
    state = "nothing to confirm" if not count else f"{count} question{'s' if count > 1 else ''} open"
    put((arranged.name, "bold"), (f"  {state}", "yellow" if count else ""))
    if arranged.empty:
        put(("Nothing of an examination was found in this note.", ""))
    grid = _Grid(console, width)
    if arranged.sections:
        grid.head()
    for title, lines in arranged.sections:
        put((title, "bold underline"))
        for line in lines:
            grid.row(line)
    if arranged.marked:
        put((f"{OUTSIDE} outside the usual, see “Computed”", "dim"))
    if arranged.conclusions:
        console.print()
        put(("Conclusions", "bold underline"))
        for line in arranged.conclusions:
            grid.listed(line)
    if arranged.questions:
        console.print()
        put(("To be confirmed", "bold underline"))
        for q in arranged.questions:
            _indented(console, f"?{q.number}", f"{q.text}  {q.words}", width, style="yellow")
            if q.choices:
                _indented(console, "", f"→ {' / '.join(q.choices)}", width)
    if arranged.computed or (arranged.nerves and not arranged.empty):
        console.print()
        put(("Computed", "bold underline"))
        for one in arranged.computed:
            _indented(console, "≈", f"{one.text} [{one.source}]", width)
        for text in arranged.nerves:
            _indented(console, "≈", text, width)
    if arranged.plan:
        console.print()
        put(("Plan", "bold underline"))
        for line in arranged.plan:
            grid.listed(line)
    missing = "" if arranged.empty else ", ".join(arranged.not_documented)
    for title, words in (("Not documented", missing), ("Also said", "; ".join(arranged.also_said))):
        if words:
            console.print()
            put((title, "bold underline"))
            _indented(console, "", words, width)
    if arranged.computed:
        console.print()
        for number, source in enumerate(arranged.sources, 1):
            _indented(console, f"[{number}]", source, width, style="dim")
    console.print()
    put((CAUTION, "italic"))


def _indented(console: Console, mark: str, words: str, width: int, style: str = "") -> None:
    """Words wrapped beside a narrow mark."""
    from rich.table import Table
    from rich.text import Text

    table = Table.grid(padding=(0, 1))
    table.add_column(width=4, justify="right")
    table.add_column(width=max(width - 5, 20))
    table.add_row(Text(mark, style), Text(words, "dim" if style == "dim" else ""))
    console.print(table)


class _Grid:
    """Rows of three columns: test, right, left; what has no side runs over the last two."""

    def __init__(self, console: Console, width: int) -> None:
        self.console = console
        self.first = max(20, min(38, width * 2 // 5))
        self.half = max(10, (width - self.first - 4) // 2)

    def head(self) -> None:
        from rich.text import Text

        self._print(Text(""), Text("Right", "bold"), Text("Left", "bold"))

    def row(self, line: Line) -> None:
        from rich.text import Text

        label = Text(line.label)
        if line.right or line.left:
            right, left = (self._cells(side) or Text("·", "dim") for side in (line.right, line.left))
            self._print(label, right, left)
            label = Text("")
        if line.single:
            self._print(label, self._cells(line.single))

    def listed(self, line: Line) -> None:
        """A conclusion or a plan: the sides stand in words."""
        from rich.text import Text

        told: dict[Cell, list[str]] = {}
        for side, cells in (("right", line.right), ("left", line.left), ("", line.single)):
            for cell in cells:
                told.setdefault(cell, []).append(side)
        words = Text(", ").join(
            Text.assemble(" and ".join(s for s in sides if s), " " if any(sides) else "", self._cell(cell))
            for cell, sides in told.items()
        )
        self._print(Text(line.label), words)

    def _cells(self, cells: tuple[Cell, ...]) -> Text:
        from rich.text import Text

        unsided = [replace(c, text=c.text.removeprefix(_NO_SIDE)) if n else c for n, c in enumerate(cells)]
        return Text(", ").join(self._cell(cell) for cell in unsided)

    def _cell(self, cell: Cell) -> Text:
        from rich.text import Text

        return Text(str(cell), "bold yellow" if cell.asked else "bold" if cell.outside else "")

    def _print(self, label: Text, *values: Text) -> None:
        from rich.table import Table

        table = Table.grid(padding=(0, 1))
        table.add_column(width=1)
        table.add_column(width=self.first)
        for _ in values:
            table.add_column(width=self.half if len(values) == 2 else self.half * 2 + 1)
        table.add_row("", label, *values)
        self.console.print(table)


_CSV = "note id item title side value unit context state flags questions start end words"


def csv_columns() -> list[str]:
    """The head of the CSV form."""
    return _CSV.split()


def csv_rows(record: Record, lexicon: Lexicon) -> list[list[str]]:
    """One row an entry, in the columns of `csv_columns`.

    A range is "0.5-0.6", the context "light=dim; fork=512"; `start` and `end` are those of the
    first evidence, `words` those of all, separated by " | ".
    """
    flags = {f.id: f for f in record.flags}
    rows = []
    for e in record.entries:
        value = "" if e.value is None else str(e.value)
        if isinstance(e.value, list):
            value = "-".join(f"{v:g}" for v in e.value)
        asked = [flags[f] for f in e.flags if f in flags]
        row = {
            "note": record.name,
            "id": e.id,
            "item": e.item,
            "title": lexicon.items[e.item].title if e.item in lexicon.items else "",
            "side": e.side or "",
            "value": value,
            "unit": e.unit,
            "context": "; ".join(f"{k}={v}" for k, v in e.context.items()),
            "state": e.state,
            "flags": " ".join(f.reason for f in asked),
            "questions": " | ".join(f.question for f in asked),
            "start": str(e.evidence[0].start) if e.evidence else "",
            "end": str(e.evidence[0].end) if e.evidence else "",
            "words": " | ".join(one.text for one in e.evidence),
        }
        rows.append([row[column] for column in csv_columns()])
    return rows
