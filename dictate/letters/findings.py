"""The table of a letter: a line for each test that has figures or something to tell, right and left."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from dictate.letters.model import Finding, Said
from dictate.letters.phrases import LEFT, RIGHT, Telling, places
from dictate.record import Derived, Entry

_ASIDE = re.compile(r"\s*\([^()]*\)")


def shown(telling: Telling) -> list[Entry]:
    """The findings that the table holds: of each item all, unless every one is a normal statement without figures."""
    joint = {i for one in telling.outside for i in one.entries}
    items = {e.item for e in telling.findings if telling.measured(e) or not telling.normal(e) or e.id in joint}
    return [e for e in telling.findings if e.item in items]


def lines(
    telling: Telling, entries: Sequence[Entry], outside: Iterable[Derived] = (), plain: bool = False
) -> tuple[Finding, ...]:
    """The table's lines; each computed value that is outside the usual stands beside the last test that it comes from."""
    by_line: dict[tuple[str, str], list[Entry]] = {}
    for entry in entries:
        apart = telling.measured(entry) or telling.row(entry.item).apart
        by_line.setdefault((entry.item, telling.where(entry, plain) if apart else ""), []).append(entry)
    remarks: dict[tuple[str, str], list[Derived]] = {}
    for one in outside:
        of_it = [key for key, some in by_line.items() if any(e.id in one.entries for e in some)]
        if of_it:
            remarks.setdefault(of_it[-1], []).append(one)
    return tuple(_line(telling, key, some, remarks.get(key, []), plain) for key, some in by_line.items())


def _line(telling: Telling, key: tuple[str, str], entries: list[Entry], remarks: list[Derived], plain: bool) -> Finding:
    item = telling.lexicon.items[key[0]]
    title = " ".join(part for part in (telling.title(item, plain), key[1]) if part)
    columns: dict[str, list[Entry]] = {RIGHT: [], LEFT: [], "": []}
    for entry in entries:
        columns[entry.side if entry.side in (RIGHT, LEFT) else ""].append(entry)
    cells = {side: _cell(telling, some, bool(key[1]), plain) for side, some in columns.items()}
    if plain:
        remark = Said(telling.row(item.key).what)
    else:
        remark = Said(
            "; ".join(dict.fromkeys(_ASIDE.sub("", one.text) for one in remarks)),
            tuple(dict.fromkeys(i for one in remarks for i in one.entries)),
            tuple(dict.fromkeys(one.key for one in remarks)),
        )
    outside = bool(remarks) or any(telling.notable(e) for e in entries)
    return Finding(title, cells[RIGHT], cells[LEFT], cells[""], remark, outside)


def _cell(telling: Telling, entries: list[Entry], placed: bool, plain: bool) -> Said:
    """What was found on one side: "restricted on upgaze and on downgaze; full on left gaze"."""
    told: dict[str, list[str]] = {}
    for entry in entries:
        words = telling.cell(entry, plain)
        if entry.side == "both":
            words = f"both together {words}"
        told.setdefault(words, []).append("" if placed else telling.where(entry, plain))
    parts = [" ".join(part for part in (words, places(wheres)) if part) for words, wheres in told.items()]
    return Said("; ".join(parts), tuple(e.id for e in entries))
