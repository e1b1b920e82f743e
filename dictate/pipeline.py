"""The reading of a note, stage by stage. Start here.

text -> tokens -> lexicon marks and number groups -> corrections struck out -> sentences and
modes -> the scene of names, sides and values -> binding -> observations -> checks -> record.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from dictate import (
    assemble,
    binding,
    breaths,
    checks,
    conclusions,
    corrections,
    derive,
    joined,
    matching,
    modes,
    negation,
    nerves,
    numbers,
    partners,
    remainder,
    repair,
    rows,
    scene,
    segments,
    tables,
    times,
    undone,
    unplaced,
    visits,
)
from dictate.lexicon import Lexicon, load
from dictate.marks import Mark, Marks
from dictate.note import Note, Tokens
from dictate.offers import Bound, Scene
from dictate.record import Record
from dictate.text import tokenize


@dataclass
class Reading:
    """What the stages have found so far about one note."""

    note: Note
    lexicon: Lexicon
    tokens: Tokens = field(init=False)
    marks: Marks = field(default_factory=Marks)
    cues: list[Mark] = field(default_factory=list)
    visits: list[Mark] = field(default_factory=list)
    segments: segments.Segments = field(default_factory=segments.Segments)
    modes: modes.Modes = field(default_factory=lambda: modes.Modes([], []))
    refs: list[nerves.NerveRef] = field(default_factory=list)
    nerve_tokens: set[int] = field(default_factory=set)
    undone: list[rows.Observation] = field(default_factory=list)
    scene: Scene = field(init=False)
    bound: list[Bound] = field(default_factory=list)
    observations: list[rows.Observation] = field(default_factory=list)
    loose: list[tuple[str, str, int, int]] = field(default_factory=list)
    aside: list[tuple[int, int]] = field(default_factory=list)
    amending: list[Mark] = field(default_factory=list)
    record: Record = field(init=False)


def read_tokens(reading: Reading) -> None:
    """1. Tokens of the text, every character accounted for."""
    reading.tokens = joined.split(tokenize(reading.note), reading.lexicon)
    reading.segments = segments.segment(reading.tokens)


def read_marks(reading: Reading) -> None:
    """2-3. Numbers, clock times and lexicon phrases."""
    tokens = reading.tokens
    reading.marks.times = times.find(tokens)
    trade = matching.open_up(matching.match(tokens, reading.lexicon), reading.segments.sentence_of)
    trade = matching.share_words(tokens, reading.lexicon, trade)
    trade, every = matching.reconcile(trade, matching.match_cues(tokens, reading.lexicon))
    content = sorted([*trade, *(m for m in every if m.has("cue"))], key=lambda m: (m.start, m.end))
    content = [replace(m, heard=True) if m.start in tokens.joined else m for m in content]
    content = negation.take_back(tokens, content, reading.segments.sentence_of)
    reading.cues = [m for m in every if m.has("mode", "correction")]
    reading.visits = [m for m in every if m.has("visit")]
    timed = frozenset(i for start, end, _ in reading.marks.times for i in range(start, end))
    groups = numbers.read_groups(tokens, timed | numbers.lens_powers(tokens) | visits.ordinals(tokens))
    reading.marks.marks, reading.marks.groups = content, groups


def mend_misheard(reading: Reading) -> None:
    """3b. What exact matching left over, read by sound and spelling."""
    marks = repair.mend(reading.tokens, reading.lexicon, reading.marks, reading.cues)
    heard = {i for m in marks if m.heard and m.end - m.start > 1 for i in range(m.start, m.end)}
    reading.cues = [c for c in reading.cues if not heard.issuperset(range(c.start, c.end))]
    reading.marks.marks = marks


def part_breaths(reading: Reading) -> None:
    """3c. Speech that runs on, cut where the next test begins."""
    reading.segments = breaths.divide(reading.tokens, reading.lexicon, reading.marks, reading.cues, reading.segments)


def strike_corrections(reading: Reading) -> None:
    """4. What was taken back is struck before anything is bound."""
    found = [m for m in reading.cues if m.has("correction")]
    marks, groups = reading.marks.marks, reading.marks.groups
    struck, reading.amending = corrections.strike(reading.tokens, marks, groups, found, reading.segments)
    reading.marks.struck = struck
    if struck:
        timed = {i for start, end, _ in reading.marks.times for i in range(start, end)}
        reading.marks.marks = [m for m in reading.marks.marks if m.start not in struck]
        reading.marks.groups = numbers.read_groups(
            reading.tokens,
            frozenset(struck | timed) | numbers.lens_powers(reading.tokens) | visits.ordinals(reading.tokens),
        )
        reading.tokens = reading.tokens.without(struck)


def read_modes(reading: Reading) -> None:
    """5. Findings, plans, history, talk: what each stretch is."""
    found = [m for m in reading.cues if m.has("mode") and m.start not in reading.marks.struck]
    reading.modes = modes.assign(reading.tokens, reading.marks.marks, found, reading.segments, reading.visits)


def read_undone(reading: Reading) -> None:
    """5. Nerves told by number, and tests declared not done."""
    tokens, marks = reading.tokens, reading.marks
    reading.segments.cell_side = tables.cell_sides(tokens, marks.marks)
    reading.refs = nerves.find(tokens)
    said = nerves.statements(tokens, reading.refs, marks.marks, reading.segments.sentence_of)
    item = nerves.nerve_item(reading.lexicon)
    for one in said:
        if item is None or reading.modes.mode[one.start] not in ("finding", "impression"):
            continue
        reading.nerve_tokens.update(range(one.start, one.end))
        for nerve in one.nerves:
            why = [f"{tokens.words(one.start, one.end)!r} speaks of nerve {nerves.NAMES[nerve - 1]}"]
            moved = nerves.lead_of(reading.lexicon, nerve, "equal") if one.alike else None
            row = rows.Observation(
                (moved or item).key,
                one.side,
                moved.generic["equal"] if moved else one.value,
                {} if moved else {"nerve": nerves.NAMES[nerve - 1]},
                [(one.start, one.end)],
                [],
                why,
                one.start,
            )
            reading.undone.append(row)
    marks.marks = [m for m in marks.marks if m.start not in reading.nerve_tokens]
    numbered = {i for r in reading.refs for i in range(r.start, r.end)}
    marks.groups = [g for g in marks.groups if g.start not in numbered]
    marks.marks = [
        m for m in marks.marks if m.start not in numbered or m.has("cue", "side") or m.end - 1 not in numbered
    ]
    found, used = undone.find(tokens, reading.lexicon, marks.marks, reading.segments, reading.modes, reading.refs)
    reading.undone += found
    taken = used | reading.nerve_tokens
    heads = [m for m in nerves.headings(tokens, reading.refs, reading.lexicon) if m.start not in taken]
    marks.marks = sorted([*(m for m in marks.marks if m.start not in used), *heads], key=lambda m: m.start)


def build_scene(reading: Reading) -> None:
    """5. Names, sides, values and circumstances on offer."""
    reading.scene = scene.build(reading.tokens, reading.lexicon, reading.marks, reading.segments, reading.modes)
    reading.scene.retractions = [m for m in reading.cues if any(s.data == "strike" for s in m.of("correction"))]
    reading.scene.amending = reading.amending


def bind(reading: Reading) -> None:
    """6. The cheapest binding of values to names and sides."""
    reading.bound = binding.Binder(reading.scene).run()
    partners.share_sides(reading.scene, reading.bound)
    partners.share_denials(reading.scene, reading.bound)


def observe(reading: Reading) -> None:
    """7. Rows: findings, tests not done, conclusions and plans."""
    reading.observations = rows.Emitter(reading.scene, reading.bound).emit()
    reading.observations += reading.undone
    reading.observations += conclusions.conclude(reading.scene, reading.nerve_tokens)


def ask_unplaced(reading: Reading) -> None:
    """7. Measurements that no test took are put to the clinician with their words."""
    reading.loose = unplaced.questions(reading.scene, reading.bound)


def keep_the_rest(reading: Reading) -> None:
    """7. What states something and gave no row and no question is kept, to be shown."""
    taken = [span for row in reading.observations for span in row.spans]
    taken += [(start, end) for _, _, start, end in reading.loose]
    taken += [(i, i + 1) for i in reading.marks.struck]
    taken += [(start, end) for start, end, _ in reading.marks.times]
    reading.aside = remainder.not_placed(reading.scene, reading.bound, taken)


def check(reading: Reading) -> None:
    """8. Ranges, repeats, disagreements."""
    checks.mark_later(
        reading.observations, [m for m in reading.cues if m.has("correction")], reading.tokens, reading.segments
    )
    checks.check_ranges(reading.observations, reading.lexicon)
    reading.observations = checks.settle(reading.observations, reading.lexicon, reading.tokens, reading.segments)
    entries = assemble.entries_of(reading.tokens, reading.lexicon, reading.observations)
    for number, (_, ids) in enumerate(derive.computed_conflicts(tuple(entries))):
        for entry_id in ids:
            reading.observations[int(entry_id[1:])].doubt("conflict", f"#{number}")


def make_record(reading: Reading) -> None:
    """9. The record."""
    record = assemble.record(
        reading.note,
        reading.tokens,
        reading.lexicon,
        reading.observations,
        reading.loose,
        reading.aside,
        remainder.left_out(reading.tokens, reading.modes, reading.segments),
    )
    reading.record = replace(
        record,
        derived=derive.derive(record.entries, reading.lexicon),
        not_documented=derive.not_documented(record.entries, reading.lexicon),
    )


STAGES: tuple[Callable[[Reading], None], ...] = (
    read_tokens,
    read_marks,
    mend_misheard,
    part_breaths,
    strike_corrections,
    read_modes,
    read_undone,
    build_scene,
    bind,
    observe,
    ask_unplaced,
    keep_the_rest,
    check,
    make_record,
)


def read_stages(text: str, *, name: str = "note", lexicon: Lexicon | None = None) -> Reading:
    """Run every stage and keep what each one found."""
    reading = Reading(Note(text, name), lexicon or load())
    for stage in STAGES:
        stage(reading)
    return reading


def read(text: str, *, name: str = "note", lexicon: Lexicon | str | Path | None = None) -> Record:
    """Read a note into its record.

    `lexicon` is a loaded lexicon, a folder of lexicon files to add to the shipped ones, or None.
    Raises LexiconError for a wrong lexicon; no text of a note raises.
    """
    chosen = lexicon if isinstance(lexicon, Lexicon) else load(lexicon)
    return read_stages(text, name=name, lexicon=chosen).record
