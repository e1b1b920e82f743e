"""What is still to be asked, in reading order, gathered where one look can settle several things."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dictate.lexicon import Lexicon
from dictate.record import Entry, Evidence, Flag
from dictate.settling.model import Settled
from dictate.table import choice_text, circumstances, value_text

_GATHERED = ("heard", "order")
_SENTENCE_END = re.compile(r"(?<=[.!?;])\s+|\n")
_LONGEST = 240  # characters of a quoted sentence


@dataclass(frozen=True)
class Quote:
    """A sentence of the note with the words in question; `start` is their place in the note."""

    before: str
    words: str
    after: str
    start: int


@dataclass(frozen=True)
class Choice:
    """One answer: the key that gives it, in words, and what it sets."""

    key: str
    label: str
    sets: Mapping[str, Any]


@dataclass(frozen=True)
class Line:
    """One of several things that a gathered question asks: what was said, and what it was read as."""

    flag: str
    said: str
    read: str
    quote: Quote


@dataclass(frozen=True)
class Question:
    """A question about the flags `flags`; a gathered one has a line for each of them."""

    id: str
    reason: str
    prompt: str
    flags: tuple[str, ...]
    quotes: tuple[Quote, ...]
    choices: tuple[Choice, ...]
    lines: tuple[Line, ...] = ()
    item: str = ""


def questions(settled: Settled, text: str, lexicon: Lexicon) -> tuple[Question, ...]:
    """All open questions about a note of this text."""
    flags = settled.record.flags
    gathered = {reason: [f for f in flags if f.reason == reason] for reason in _GATHERED}
    out: list[Question] = []
    done: set[str] = set()
    for flag in flags:
        together = gathered.get(flag.reason, [flag])
        if len(together) < 2:
            out.append(_single(settled, flag, text, lexicon))
        elif flag.reason not in done:
            done.add(flag.reason)
            out.append(_together(settled, together, text, lexicon))
    return tuple(out)


def _single(settled: Settled, flag: Flag, text: str, lexicon: Lexicon) -> Question:
    entries = [settled.record.entry(e) for e in flag.entries]
    sets = list(flag.choices)
    if flag.reason == "conflict":
        sets.append({"keep": "all"})
    labels = [_label(flag, one, lexicon) for one in sets]
    choices = tuple(Choice(str(n), label, one) for n, (label, one) in enumerate(zip(labels, sets, strict=True), 1))
    quotes = tuple(quote(text, e) for e in _widest(flag.evidence)[:3])
    return Question(
        flag.id, flag.reason, flag.question, (flag.id,), quotes, choices, item=entries[0].item if entries else ""
    )


def _together(settled: Settled, flags: list[Flag], text: str, lexicon: Lexicon) -> Question:
    reason = flags[0].reason
    lines = []
    for flag in flags:
        entries = [settled.record.entry(e) for e in flag.entries]
        told = "; ".join(dict.fromkeys(_stated(e, lexicon) for e in entries))
        one = quote(text, _widest(flag.evidence)[0])
        lines.append(Line(flag.id, one.words, told, one))
    if reason == "order":
        prompt = f"{len(flags)} pairs without sides: right first, then left?"
        choices = (
            Choice("1", "right, then left", {"order": "right_left"}),
            Choice("2", "left, then right", {"order": "left_right"}),
        )
    else:
        prompt = f"{len(flags)} readings by sound: is this what was said?"
        choices = (
            Choice("1", "yes, all as read", {"accept": True}),
            Choice("2", "no, none of them", {"accept": False}),
        )
    ids = tuple(f.id for f in flags)
    return Question(f"{reason}s", reason, prompt, ids, tuple(line.quote for line in lines), choices, tuple(lines))


def _stated(entry: Entry, lexicon: Lexicon) -> str:
    item = lexicon.items[entry.item]
    told = circumstances(item, entry.context)
    about = f"{item.title} ({told})" if told else item.title
    side = f"{entry.side} " if entry.side else ""
    return f"{about}: {side}{value_text(item, entry.value)}"


def _label(flag: Flag, choice: Mapping[str, Any], lexicon: Lexicon) -> str:
    if choice == {"keep": "all"}:
        return "all of these hold"
    if choice == {"accept": True}:
        return "yes, as read"
    if choice == {"accept": False}:
        return "no, not said"
    if choice.get("order"):
        return ", then ".join(str(choice["order"]).split("_"))
    return choice_text({k: v for k, v in choice.items() if flag.reason != "side" or k == "side"}, lexicon)


def _widest(evidence: tuple[Evidence, ...]) -> list[Evidence]:
    """Words that are not inside longer ones."""
    return [e for e in evidence if not any(o != e and o.start <= e.start and e.end <= o.end for o in evidence)]


def quote(text: str, evidence: Evidence) -> Quote:
    """The words of `evidence` in the sentence of the note around them, on one line."""
    start = max(0, evidence.start - _LONGEST)
    before = _SENTENCE_END.split(text[start : evidence.start])[-1]
    after = _SENTENCE_END.split(text[evidence.end : evidence.end + _LONGEST])[0]
    return Quote(_on_one_line(before), _on_one_line(evidence.text), _on_one_line(after), evidence.start)


def _on_one_line(text: str) -> str:
    return re.sub(r"\s+", " ", text)
