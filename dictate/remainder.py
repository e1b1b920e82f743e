"""Stage 9: the words that gave no row: left out on purpose, with the reason, or not placed.

Every clause of a note ends in the record, in a question, among what was left out (history, talk
to the patient, what a test is for ...), or among what was not placed: nothing goes unseen.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby

from dictate.modes import SILENT, Modes
from dictate.note import Tokens
from dictate.numbers import roman
from dictate.offers import Bound, Scene
from dictate.segments import Segments

_TELLS = frozenset({"word", "number"})
_SILENT = frozenset(SILENT)
_HEADING = 3  # words of a heading in capitals


def left_out(tokens: Tokens, modes: Modes, segments: Segments) -> list[tuple[str, int, int]]:
    """(mode, start, end) of each stretch that is no finding of today; never over a sentence's end."""
    out: list[tuple[str, int, int]] = []
    for sentence in segments.sentences:
        if _SILENT.isdisjoint(modes.mode[sentence.start : sentence.end]):
            continue
        start = sentence.start
        for i in range(sentence.start, sentence.end + 1):
            if i < sentence.end and modes.mode[i] == modes.mode[start]:
                continue
            mode = modes.mode[start]
            if mode in _SILENT and any(tokens[j].kind in _TELLS for j in range(start, i)):
                out.append((mode, *_trimmed(tokens, start, i)))
            start = i
    return out


def not_placed(scene: Scene, bound: list[Bound], taken: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """(start, end) of each clause that states something and is in no row and no question.

    `taken` are the stretches that rows, questions and corrections rest on. Headings and bare
    names of tests state nothing.
    """
    tokens, segments = scene.tokens, scene.segments
    used = {i for start, end in taken for i in range(start, end)}
    empty = {i for head in scene.heads for i in range(head.start, head.end)}
    empty |= {i for side in scene.sides for i in range(side.start, side.end)}
    empty |= {i for mark in (*scene.cues, *scene.contexts) for i in range(mark.start, mark.end)}
    out: list[tuple[int, int]] = []
    for sentence in segments.sentences:
        run: tuple[int, int] | None = None
        for start, end in _chunks(segments, sentence.start, sentence.end):
            free = used.isdisjoint(range(start, end)) and _SILENT.isdisjoint(scene.modes.mode[start:end])
            if free and _states(tokens, [i for i in range(start, end) if i not in empty]):
                run = (run[0] if run else start, end)
                continue
            if run and not used.isdisjoint(range(start, end)):
                out.append(_trimmed(tokens, *run))
                run = None
        if run:
            out.append(_trimmed(tokens, *run))
    clauses = {i for start, end in out for i in range(start, end)}
    out += [span for span in _answers_without_item(scene, bound, used) if span[0] not in clauses]
    out += [span for span in _measured_elsewhere(scene) if span[0] not in clauses and span[0] not in used]
    return sorted(out)


def _chunks(segments: Segments, start: int, end: int) -> Iterable[tuple[int, int]]:
    for _, tokens in groupby(range(start, end), key=segments.chunk_of.__getitem__):
        run = tuple(tokens)
        yield run[0], run[-1] + 1


def _states(tokens: Tokens, rest: list[int]) -> bool:
    """Whether words say anything: no list number, no numeral of a nerve, no heading in capitals."""
    words = [tokens[i] for i in rest if tokens[i].kind == "word" and not tokens[i].skipped]
    if not words or all(roman(w) for w in words):
        return False
    return len(words) > _HEADING or not (tokens.mixed_case and all(w.text.isupper() for w in words))


def _measured_elsewhere(scene: Scene) -> Iterable[tuple[int, int]]:
    """ "Pulse 64": a measure that the dictionary lacks, with all the numbers told of it."""
    ends: dict[int, int] = {}
    for start, (begin, end) in scene.elsewhere.items():
        if scene.modes.mode[start] not in _SILENT:
            ends[begin] = max(end, ends.get(begin, 0))
    for begin, end in ends.items():
        yield _trimmed(scene.tokens, begin, end)


def _answers_without_item(scene: Scene, bound: list[Bound], used: set[int]) -> Iterable[tuple[int, int]]:
    """ "acuity normal" beside what was placed: a name and a value that no item of the name takes."""
    heads = {head.end: head for head in scene.heads}
    for one in bound:
        atom = one.atom
        if one.option.targets or atom.start in used or scene.modes.mode[atom.start] in _SILENT:
            continue
        before = atom.start
        while before > 0 and scene.tokens[before - 1].skipped:
            before -= 1
        head = heads.get(before)
        if head is not None and head.start not in used:
            yield _trimmed(scene.tokens, head.start, atom.end)


def _trimmed(tokens: Tokens, start: int, end: int) -> tuple[int, int]:
    while start < end - 1 and tokens[start].kind not in _TELLS and tokens[start].key not in ("?", "+", "(", "↑", "↓"):
        start += 1
    while end - 1 > start and tokens[end - 1].kind in ("space", "break", "punct"):
        end -= 1
    return start, end
