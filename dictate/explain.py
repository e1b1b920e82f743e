"""Why an entry stands in the record: the note's words, the term, and each rule that decided.

Plain lines, for the command line and for test failures alike.
"""

from __future__ import annotations

from dictate.errors import NoteError
from dictate.lexicon import Lexicon
from dictate.record import Entry, Evidence, Record
from dictate.table import choice_text, circumstances, quoted, value_text

_LINE = 100


def headline(entry: Entry, lexicon: Lexicon) -> str:
    """One line for an entry: "Pupil size (dim), right: 4.5 mm"."""
    item = lexicon.items.get(entry.item)
    if item is None:
        return f"{entry.item}: {entry.value}"
    told = circumstances(item, entry.context)
    about = f"{item.title} ({told})" if told else item.title
    side = f", {entry.side}" if entry.side else ""
    return f"{about}{side}: {value_text(item, entry.value)}"


def find(record: Record, wanted: str, lexicon: Lexicon) -> list[Entry]:
    """The entries meant by "e5", "5", a question "f1", an item's key, or words of its title.

    Raises NoteError, listing what there is, where nothing fits.
    """
    low = wanted.casefold().strip()
    for entry in record.entries:
        if low in (entry.id, entry.id[1:]):
            return [entry]
    flags = [f for f in record.flags if f.id == low.removeprefix("?") or low == f"?{f.id[1:]}"]
    found = [e for e in record.entries if flags and e.id in flags[0].entries]
    if not found and low:
        titles = {key: item.title.casefold() for key, item in lexicon.items.items()}
        found = [e for e in record.entries if e.item == low] or [
            e for e in record.entries if low in e.item or low in titles.get(e.item, "")
        ]
    if found:
        return found
    if not record.entries:
        raise NoteError(f"{record.name}: the record has no entries")
    last = record.entries[-1].id
    raise NoteError(f"{record.name}: no entry {wanted!r}; there are e1 to {last}, or say the name of a test")


def in_line(text: str, evidence: Evidence) -> tuple[int, list[str]]:
    """The line number (from 1) of some words, and that line with the words underlined."""
    number = text.count("\n", 0, evidence.start) + 1
    first = text.rfind("\n", 0, evidence.start) + 1
    end = text.find("\n", evidence.start)
    last = len(text) if end < 0 else end
    low, high = first, last
    if last - first > _LINE:
        low = max(first, evidence.start - _LINE // 3)
        high = min(last, low + _LINE)
    line = "".join(" " if c in "\t\r" else c for c in text[low:high])
    marks = " " * (evidence.start - low) + "^" * max(1, min(evidence.end, high) - evidence.start)
    before, after = "… " if low > first else "", " …" if high < last else ""
    return number, [f"{before}{line.rstrip()}{after}", f"{' ' * len(before)}{marks}"]


def explain(entry: Entry, record: Record, text: str, lexicon: Lexicon) -> list[str]:
    """Lines that tell where an entry comes from. `text` is the note as read."""
    lines = [f"{entry.id}  {headline(entry, lexicon)}" + ("  (to be confirmed)" if entry.state == "confirm" else "")]
    for evidence in entry.evidence:
        number, shown = in_line(text, evidence)
        lines.append(f"  words     {quoted(evidence)}, line {number}, characters {evidence.start} to {evidence.end}")
        lines += [f"            {one}" for one in shown]
    item = lexicon.items.get(entry.item)
    if item is not None:
        group = lexicon.item_group[entry.item]
        lines.append(f"  term      {item.title} ({entry.item}, in {group}.toml)")
    for n, why in enumerate(entry.why, 1):
        lines.append(f"  {'because' if n == 1 else '       '}   {n}. {why}")
    for flag in record.flags:
        if entry.id in flag.entries:
            lines.append(f"  asked     {flag.question} ({flag.id}, {flag.reason})")
            choices = [t for c in flag.choices if (t := choice_text(c, lexicon))]
            if choices:
                lines.append(f"            {' / '.join(choices)}")
    for one in record.derived:
        if entry.id in one.entries:
            lines.append(f"  computed  {one.text}")
            lines.append(f"            {one.source}")
    return lines
