"""Stage 5a: sentences, chunks, lines and table cells.

A sentence ends at a full stop, question mark, semicolon, or line end; a chunk at any comma,
colon, dash, bracket or wide gap. Tables (bars, tabs, wide gaps under a heading of sides) give
each cell the side of its column.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from dictate.note import Tokens
from dictate.wording import plain

_ABBREVIATED = frozenset(
    "mr mrs ms dr prof st vs approx eg ie no nos fig pt pts rt lt r l d resp dist horiz vert sup inf temp bilat hx fx tx st sr jr rev".split()
)
_TITLES = frozenset("mr mrs ms dr prof st sr jr rev vs eg ie approx nos fig".split())
_SOFT = frozenset({",", ":", "(", ")", "-", "|", "[", "]", "•", "·", "*", "&", "+", "/", "=", ">", "<", "~"})


_RUN_ON = 30  # from so many words with hardly a comma a sentence is several, run together
_UNMARKED = 14  # the same where nothing marks its end either


@dataclass(frozen=True, slots=True)
class Sentence:
    """Tokens `start` up to `end` that stand together; `question` if it ends with "?"."""

    start: int
    end: int
    question: bool
    line_start: bool
    paragraph_start: bool
    run_on: bool


@dataclass
class Segments:
    """Sentences in order; for each token its sentence, its chunk, and the side of its cell."""

    sentences: list[Sentence] = field(default_factory=list)
    sentence_of: list[int] = field(default_factory=list)
    chunk_of: list[int] = field(default_factory=list)
    cell_side: dict[int, tuple[str, int, int]] = field(default_factory=dict)
    cell_of: list[int] = field(default_factory=list)


def _real(tokens: Tokens, i: int, step: int) -> int:
    i += step
    while 0 <= i < len(tokens) and tokens[i].kind == "space":
        i += step
    return i


def _full_stop(tokens: Tokens, i: int) -> bool:
    token = tokens[i]
    if token.spoken:
        return True
    before, after = i - 1, i + 1
    if after < len(tokens) and tokens[after].start == token.end and tokens[after].kind in ("word", "number"):
        glued_word = before >= 0 and tokens[before].kind == "word" and len(tokens[before].text) > 2
        return glued_word and tokens[after].text[0].isupper()
    if before >= 0 and tokens[before].kind == "word" and plain(tokens[before].text) in _ABBREVIATED:
        word = tokens[before].text
        following = _real(tokens, i, 1)
        if following >= len(tokens) or tokens[following].kind == "break":
            return True
        if plain(word) in _TITLES:
            return False
        if len(word) > 1:
            return tokens.mixed_case and tokens[following].text[0].isupper() and len(tokens[following].text) > 1
        return following < len(tokens) and tokens[following].text[0].isupper()
    return True


def segment(tokens: Tokens) -> Segments:
    """Cut the note; works in one pass, whatever the note looks like."""
    out = Segments()
    size = len(tokens)
    bounds: list[tuple[int, int, bool]] = []
    start = 0
    wrapped = _wrapped_lines(tokens)
    for i, token in enumerate(tokens.tokens):
        end_here = False
        question = False
        if token.kind == "break":
            end_here = token.spoken == "\n" or i not in wrapped
        elif token.kind == "punct":
            if token.key in ("!", ";"):
                end_here = True
            elif token.key == "?":
                before = _real(tokens, i, -1)
                end_here = (
                    bool(token.spoken)
                    or before >= start
                    and tokens[i - 1].end == token.start
                    and tokens[i - 1].kind in ("word", "punct", "number")
                )
                if i + 1 < size and tokens[i + 1].kind == "word" and tokens[i + 1].start == token.end:
                    end_here = False
                question = end_here
            elif token.key == ".":
                end_here = _full_stop(tokens, i)
        if end_here:
            if i + 1 > start:
                bounds.append((start, i + 1, question))
            start = i + 1
    if start < size:
        bounds.append((start, size, False))
    bounds = [piece for one in bounds for piece in _bounded(tokens, *one)]
    line_start = True
    paragraph = True
    out.sentence_of = [0] * size
    out.chunk_of = [0] * size
    out.cell_of = [0] * size
    chunk = cell = 0
    for first, last, question in bounds:
        words = 0
        commas = 0
        number = len(out.sentences)
        chunk += 1
        cell += 1
        for i in range(first, last):
            token = tokens[i]
            if token.kind == "word":
                words += 1
            if token.kind == "punct" and token.key in _SOFT and not (token.key in "/-+=>" and _tight(tokens, i)):
                chunk += 1
                commas += token.key == ","
            elif token.kind == "space" and (len(token.text) >= 2 or "\t" in token.text):
                chunk += 1
            if (
                token.kind == "punct"
                and token.key == "|"
                or token.kind == "space"
                and (len(token.text) >= 3 or "\t" in token.text)
            ):
                cell += 1
            out.sentence_of[i] = number
            out.chunk_of[i] = chunk
            out.cell_of[i] = cell
        closing = tokens[last - 1]
        unmarked = closing.kind != "punct" and not commas and not tokens.mixed_case
        run_on = words > (_UNMARKED if unmarked else _RUN_ON) and commas * 18 < words
        out.sentences.append(Sentence(first, last, question, line_start, paragraph, run_on))
        if closing.kind == "break" or (last < size and tokens[last].kind == "break"):
            line_start = True
            paragraph = closing.kind == "break" and not closing.spoken and closing.text.count("\n") > 1
        else:
            line_start = all(tokens[i].kind in ("space", "break") for i in range(first, last)) and line_start
            paragraph = False
    return out


def cut_at(segments: Segments, cuts: list[int]) -> Segments:
    """The segments with a sentence and a chunk ended before each of the tokens `cuts`, in order."""
    if not cuts:
        return segments
    at = set(cuts)
    out = Segments([], list(segments.sentence_of), list(segments.chunk_of), segments.cell_side, segments.cell_of)
    extra = 0
    for sentence in segments.sentences:
        first = sentence.start
        for i in range(sentence.start, sentence.end):
            if i in at and i > first:
                out.sentences.append(replace(sentence, start=first, end=i, question=False))
                first = i
                extra += 1
                sentence = replace(sentence, line_start=False, paragraph_start=False)
            out.sentence_of[i] = len(out.sentences)
            out.chunk_of[i] += extra
        out.sentences.append(replace(sentence, start=first))
    return out


_LONGEST = 500  # tokens of one sentence; an endless line is cut so that reading stays linear


def _bounded(tokens: Tokens, start: int, end: int, question: bool) -> list[tuple[int, int, bool]]:
    out: list[tuple[int, int, bool]] = []
    while end - start > _LONGEST:
        cut = start + _LONGEST
        for i in range(cut, start + _LONGEST // 2, -1):
            if tokens[i].kind == "punct" and tokens[i].key in _SOFT:
                cut = i + 1
                break
        out.append((start, cut, False))
        start = cut
    out.append((start, end, question))
    return out


def _tight(tokens: Tokens, i: int) -> bool:
    """A sign inside a value or a word, with no blank on either side."""
    return (
        0 < i < len(tokens) - 1
        and tokens[i - 1].end == tokens[i].start
        and tokens[i].end == tokens[i + 1].start
        and tokens[i - 1].kind in ("word", "number")
        and tokens[i + 1].kind in ("word", "number")
    )


_SLACK = 12  # characters by which a wrapped line may fall short of the longest of its paragraph


def _wrapped_lines(tokens: Tokens) -> set[int]:
    """The line ends that only wrap a sentence, paragraph by paragraph."""
    out: set[int] = set()
    joints: list[tuple[int, int]] = []  # (line end, width that the line would have had with the next word)
    longest = begin = 0
    for i in [*(t.i for t in tokens.tokens if t.kind == "break"), len(tokens)]:
        before = _real(tokens, i, -1)
        if begin <= before:
            longest = max(longest, tokens[before].end - tokens[begin].start)
        if i < len(tokens) and _wrapped(tokens, i, begin):
            after = _real(tokens, i, 1)
            word = tokens[after].end - tokens[after].start
            joints.append((i, tokens[before].end - tokens[begin].start + 1 + word))
        if i == len(tokens) or tokens[i].text.count("\n") > 1:
            full = [at for at, width in joints if width > longest - _SLACK]
            if 2 * len(full) > len(joints):
                out.update(full)
            joints, longest = [], 0
        begin = i + 1
    return out


def _wrapped(tokens: Tokens, i: int, line_begin: int) -> bool:
    """Whether a line end only wraps a sentence: a long line, then a lower-case start."""
    if tokens[i].text.count("\n") > 1:
        return False
    before, after = _real(tokens, i, -1), _real(tokens, i, 1)
    if before < 0 or after >= len(tokens):
        return False
    width = tokens[before].end - tokens[line_begin].start if line_begin < len(tokens) else 0
    last, first = tokens[before], tokens[after]
    if last.kind == "punct" and last.key in ".;:?!|":
        return False
    if width < 55 or width > 140:
        return False
    return first.kind == "word" and first.text[0].islower() and tokens.mixed_case
