"""A record -> plain objects for the page: rows by test, values with where they come from, nerves, what is left."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from markupsafe import Markup

from dictate.desk.marks import Piece, pieces
from dictate.desk.names import entry_names, flag_names, question_name
from dictate.lexicon import Lexicon
from dictate.norms import load as load_norms
from dictate.record import Record
from dictate.settling import Decision, Question, Row, Settled, SettledEntry
from dictate.sketches import sketches
from dictate.table import OUTSIDE, Cell, Computed, Line, Sheet, circumstances, quoted, sheet, value_text

ORIGIN = {
    "read": "read from the note",
    "chosen": "your answer to a question",
    "own": "entered by hand",
}
SIGN = {"read": "", "chosen": "✓", "own": "✎"}
NERVE = {"normal": "normal", "abnormal": "see record", "partly": "partly tested", "not_tested": "not tested"}


@dataclass(frozen=True)
class Detail:
    """One entry behind a value: its words, why it was read so, where it comes from, what stood before."""

    name: str
    about: str
    words: tuple[str, ...]
    why: tuple[str, ...]
    origin: str
    was: tuple[str, ...]


@dataclass(frozen=True)
class Value:
    """A value in the record. `asked` are the numbers of its open questions; `sign` and `origin` tell whose it is."""

    name: str
    text: str
    details: tuple[Detail, ...]
    asked: tuple[int, ...] = ()
    outside: bool = False
    sign: str = ""
    origin: str = ""

    @property
    def names(self) -> str:
        """The names of its entries, for the marks in the note."""
        return " ".join(d.name for d in self.details)


@dataclass(frozen=True)
class Told:
    """A computed sentence and its source."""

    text: str
    source: str
    outside: bool = False


@dataclass(frozen=True)
class RowView:
    """One test in the record."""

    name: str
    title: str
    about: str
    right: tuple[Value, ...]
    left: tuple[Value, ...]
    single: tuple[Value, ...]
    computed: tuple[Told, ...] = ()


@dataclass(frozen=True)
class Nerve:
    """One cranial nerve: how it stands in a word, and the sentence behind it."""

    name: str
    state: str
    word: str
    text: str


@dataclass(frozen=True)
class Asked:
    """A question with the names that the page answers by."""

    name: str
    number: int
    question: Question


@dataclass(frozen=True)
class Drawing:
    """A sketch: its title, the SVG as markup, and the text that says the same."""

    title: str
    svg: Markup
    text: str


@dataclass(frozen=True)
class RecordView:
    """Everything that the page shows of a record."""

    sections: tuple[tuple[str, tuple[RowView, ...]], ...]
    conclusions: tuple[RowView, ...]
    plan: tuple[RowView, ...]
    nerves: tuple[Nerve, ...]
    apart: tuple[Told, ...]
    not_tested: tuple[str, ...]
    also_said: tuple[str, ...]
    asked: tuple[Asked, ...]
    lapsed: tuple[tuple[str, str], ...]
    pieces: tuple[Piece, ...]
    drawings: tuple[Drawing, ...]
    values: int

    @property
    def empty(self) -> bool:
        """Whether the note gave nothing at all."""
        return not (self.sections or self.conclusions or self.plan or self.also_said or self.asked)

    @property
    def computed(self) -> bool:
        """Whether anything on the page is computed, and needs the caution."""
        return bool(self.apart or any(row.computed for _, rows in self.sections for row in rows))


def record_view(settled: Settled, text: str, asked: Iterable[Question], lexicon: Lexicon) -> RecordView:
    """Arrange a record with its questions for the page."""
    record = settled.record
    arranged = sheet(record, lexicon)
    entries, flags = entry_names(settled), flag_names(settled)
    asked = tuple(asked)
    rows = _Rows(settled, arranged, entries, _numbers(asked), lexicon)
    shown = tuple((title, rows.of(lines)) for title, lines in arranged.sections)
    conclusions, plan = rows.of(arranged.conclusions), rows.of(arranged.plan)
    return RecordView(
        sections=shown,
        conclusions=conclusions,
        plan=plan,
        nerves=nerves(record),
        apart=rows.left_over(),
        not_tested=arranged.not_documented if record.entries else (),
        also_said=tuple(quoted(e, 160) for e in record.unplaced),
        asked=tuple(Asked(question_name(q, flags), n, q) for n, q in enumerate(asked, 1)),
        lapsed=tuple((one.id, decision_text(one, lexicon)) for one in settled.lapsed),
        pieces=tuple(pieces(text, record, asked, entries, flags)),
        drawings=tuple(Drawing(one.title, Markup(one.svg), one.text) for one in sketches(record.entries)),
        values=len(record.entries),
    )


def _numbers(asked: Iterable[Question]) -> dict[str, int]:
    return {flag: n for n, one in enumerate(asked, 1) for flag in one.flags}


class _Rows:
    """Turns a sheet's lines into rows, each computed sentence under the last test that it comes from."""

    def __init__(
        self, settled: Settled, arranged: Sheet, names: Mapping[str, str], numbers: Mapping[str, int], lexicon: Lexicon
    ) -> None:
        self.entries = {one.entry.id: one for one in settled.entries}
        self.names = names
        self.numbers = numbers
        self.lexicon = lexicon
        self.sources = arranged.sources
        lines = [line for _, lines in arranged.sections for line in lines]
        last = {line.item: n for n, line in enumerate(lines)}
        self.place = {id(line): n for n, line in enumerate(lines)}
        self.under: dict[int, list[Computed]] = {}
        self.rest: list[Computed] = []
        for one in arranged.computed:
            at = max((last[i] for i in one.items if i in last), default=-1)
            (self.under.setdefault(at, []) if at >= 0 else self.rest).append(one)

    def of(self, lines: Iterable[Line]) -> tuple[RowView, ...]:
        return tuple(self._row(line) for line in lines)

    def left_over(self) -> tuple[Told, ...]:
        return tuple(self._told(one, one.text) for one in self.rest)

    def _row(self, line: Line) -> RowView:
        right, left, single = (tuple(self._value(c) for c in cells) for cells in (line.right, line.left, line.single))
        about = "; ".join(one for one in line.circumstances if one)
        first = next(iter((*right, *left, *single)))
        computed = tuple(
            self._told(one, f"{sides}: {text}" if sides else text)
            for one in self.under.get(self.place.get(id(line), -1), ())
            for sides, text in one.told
        )
        return RowView(f"row-{first.name}", line.title, about, right, left, single, computed)

    def _told(self, one: Computed, text: str) -> Told:
        outside = OUTSIDE in text
        plain = text.replace(OUTSIDE, "")
        if outside and "outside" not in plain:
            plain += " (outside the usual)"
        return Told(plain, self.sources[one.source - 1], outside)

    def _value(self, cell: Cell) -> Value:
        entries = [self.entries[e] for e in cell.entries]
        details = tuple(self._detail(one) for one in entries)
        origin = next((one.origin for one in entries if one.origin != "read"), "read")
        asked = tuple(dict.fromkeys(self.numbers[f] for one in entries for f in one.entry.flags if f in self.numbers))
        word = {"read": "", "chosen": "your answer", "own": "yours"}[origin]
        return Value(details[0].name, cell.text, details, asked, cell.outside, SIGN[origin], word)

    def _detail(self, one: SettledEntry) -> Detail:
        entry = one.entry
        return Detail(
            self.names[entry.id],
            row_text(Row.of(entry), self.lexicon),
            tuple(dict.fromkeys(quoted(e, 120) for e in entry.evidence)),
            entry.why,
            ORIGIN[one.origin],
            tuple(row_text(row, self.lexicon) for row in one.was),
        )


def nerves(record: Record) -> tuple[Nerve, ...]:
    """The twelve nerves in their order."""
    norms = load_norms().nerves
    found = {d.key.removeprefix(norms.key): d for d in record.derived if d.key.startswith(norms.key)}
    out = []
    for name in norms.order:
        one = found.get(name)
        state = str(one.value) if one else "not_tested"
        text = one.text.removeprefix(f"{name}: ") if one else NERVE["not_tested"]
        out.append(Nerve(name, state, NERVE.get(state, state.replace("_", " ")), text))
    return tuple(out)


def row_text(row: Row, lexicon: Lexicon) -> str:
    """A row in words: "Eye pressure, left: 24 mmHg"."""
    item = lexicon.items.get(row.item)
    if item is None:
        return f"{row.item}: {row.value}"
    told = circumstances(item, dict(row.context))
    about = f"{item.title} ({told})" if told else item.title
    side = {"both": ", both together", None: ""}.get(row.side, f", {row.side}")
    return f"{about}{side}: {value_text(item, row.value)}"


def decision_text(decision: Decision, lexicon: Lexicon) -> str:
    """A decision in words, for undoing and for answers that apply no more."""
    was = "; ".join(row_text(row, lexicon) for row in decision.was)
    rows = "; ".join(row_text(row, lexicon) for row in decision.rows)
    words = ", ".join(dict.fromkeys(f"“{a.text}”" for t in decision.targets for a in t.anchors))
    if decision.kind == "add":
        return f"added by hand: {rows}"
    if decision.kind in ("change", "rows"):
        return f"{was} → {rows}" if was else f"{words} → {rows}"
    if decision.kind in ("remove", "drop") or decision.choice == {"accept": False}:
        return f"taken out: {was or words}"
    return f"{was or words} → {_chosen(decision, lexicon)}"


def _chosen(decision: Decision, lexicon: Lexicon) -> str:
    choice = dict(decision.choice)
    if choice == {"accept": True}:
        return "as read"
    if choice == {"keep": "all"}:
        return "all hold"
    if "order" in choice:
        return str(choice["order"]).replace("_", ", then ")
    if "item" in choice:
        row = Row(str(choice["item"]), choice.get("side"), choice.get("value"), choice.get("context") or {})
        return row_text(row, lexicon)
    if "value" in choice:
        item = lexicon.items.get(decision.was[0].item) if decision.was else None
        return value_text(item, choice["value"]) if item else str(choice["value"])
    return str(choice.get("side", ""))
