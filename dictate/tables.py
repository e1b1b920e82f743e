"""Columns of right and left: a heading line whose cells are sides gives each cell below its side."""

from __future__ import annotations

from dataclasses import dataclass

from dictate.marks import Mark
from dictate.note import Tokens


@dataclass(frozen=True, slots=True)
class Cell:
    """A stretch of tokens of one line between two separators; `column` in characters."""

    start: int
    end: int
    index: int
    column: int


def _lines(tokens: Tokens) -> list[tuple[int, list[int]]]:
    """(character where the line begins, its tokens) of every line; an empty one for a blank line."""
    lines: list[tuple[int, list[int]]] = [(0, [])]
    for token in tokens.tokens:
        if token.kind == "break" and not token.spoken:
            begin = token.start + token.text.rfind("\n") + 1
            if token.text.count("\n") > 1:
                lines.append((begin, []))
            lines.append((begin, []))
        else:
            lines[-1][1].append(token.i)
    return lines


def _cells(tokens: Tokens, begin: int, line: list[int]) -> tuple[list[Cell], str]:
    """The cells of a line and what separates them: "|", "tab", "gap" or ""."""
    if not line:
        return [], ""
    barred = any(tokens[i].key == "|" for i in line)
    lead = tokens.note.text[begin : tokens[line[0]].start]
    tabbed = "\t" in tokens.note.text[begin : tokens[line[-1]].end]
    out: list[Cell] = []
    start = -1
    index = 0 if barred else lead.count("\t")
    for i in line:
        token = tokens[i]
        cut = 0
        if barred:
            cut = int(token.key == "|")
        elif token.kind == "space":
            cut = token.text.count("\t") if tabbed else int(len(token.text) >= 2)
        elif tabbed:
            cut = _blank_before(tokens, i).count("\t")
        if cut:
            if start >= 0:
                out.append(Cell(start, i, index, tokens[start].start - begin))
            index += cut
            start = -1 if token.key == "|" or token.kind == "space" else i
            continue
        if start < 0 and token.kind != "space":
            start = i
    if start >= 0:
        out.append(Cell(start, line[-1] + 1, index, tokens[start].start - begin))
    return out, "|" if barred else "tab" if tabbed else "gap" if len(out) > 1 else ""


def _blank_before(tokens: Tokens, i: int) -> str:
    if i == 0:
        return ""
    return tokens.note.text[tokens[i - 1].end : tokens[i].start]


def _heading(cells: list[Cell], sides: dict[int, Mark]) -> dict[int, tuple[str, Cell]]:
    """Column index -> side, where at least two cells are nothing but a side."""
    out: dict[int, tuple[str, Cell]] = {}
    for cell in cells:
        mark = sides.get(cell.start)
        if mark is not None and mark.end >= cell.end - 1:
            value = mark.of("side")[0].value
            if value in ("right", "left", "both"):
                out[cell.index] = (value, cell)
    if {v for v, _ in out.values()} >= {"right", "left"} and len(cells) - len(out) <= 2:
        return out
    return {}


def cell_sides(tokens: Tokens, marks: list[Mark]) -> dict[int, tuple[str, int, int]]:
    """For each token in a column headed by a side: (side, heading start, heading end)."""
    sides = {m.start: m for m in marks if m.has("side")}
    out: dict[int, tuple[str, int, int]] = {}
    heading: dict[int, tuple[str, Cell]] = {}
    sort = ""
    empty = 0
    for begin, line in _lines(tokens):
        cells, how = _cells(tokens, begin, line)
        if not cells:
            empty += 1
            if empty > 1:
                heading = {}
            continue
        found = _heading(cells, sides)
        if found:
            heading, sort, empty = found, how, 0
            continue
        if all(all(tokens[i].kind == "punct" for i in range(c.start, c.end)) for c in cells):
            continue
        if not heading or how != sort or empty:
            if how != sort:
                heading = {}
            if not heading:
                continue
        empty = 0
        ordered = dict(
            zip((c.start for c in cells[1:]), sorted(heading.values(), key=lambda h: h[1].index), strict=False)
        )
        in_order = sort != "|" and len(cells) == len(heading) + 1
        for cell in cells:
            if in_order:
                column = ordered.get(cell.start)
            else:
                column = heading.get(cell.index) if sort != "gap" else _nearest(cell, heading)
            if column is None:
                continue
            for i in range(cell.start, cell.end):
                out[i] = (column[0], column[1].start, column[1].end)
    return out


def _nearest(cell: Cell, heading: dict[int, tuple[str, Cell]]) -> tuple[str, Cell] | None:
    """The heading that stands over a cell of a table drawn with blanks."""
    best = min(heading.values(), key=lambda h: abs(h[1].column - cell.column))
    return best if abs(best[1].column - cell.column) <= 8 else None
