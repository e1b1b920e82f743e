"""Rewritings of a note under which its record must not change, or change in a known way."""

from __future__ import annotations

import re
from dataclasses import dataclass

from num2words import num2words  # type: ignore[import-untyped]

# "right" and "left" that are no side of the patient.
_RIGHT_BEFORE = r"(?:all|alright|that's|that’s|thats|that is|quite|come|comes|goes|brings?|look)\s+"
_RIGHT_AFTER = (
    r"(?:then|away|now|so|okay|ok|through|across|round|back|down to|up to|up against|"
    r"to the (?:nose|end|tip)|hand(?:ed|er)|"
    r"answer|way|sir|madam|mate|love|let's|let’s|let me|next|i'm|i’m|you|can you|could you|follow|keep|open|close|shut|"
    r"look|push|tell|that's|that’s|we|what|stop)"
)
_LEFT_BEFORE = r"(?:was|has|have|had|i|i've|i’ve|we|they|he|she|been|is|are|were|gag|it)\s+"
_LEFT_AFTER = (
    r"(?:alone|out|over|undone|untested|untouched|behind|aside|until|"
    r"for (?:next|another|later)|to do|as it|showing|hand(?:ed|er))"
)
_LEFT_BY_US = r"(?:i|we)(?:(?:'ve|’ve|\s+have)\s+left\b(?=\s*[,.;])|(?:'ve|’ve|\s+have)?\s+left\s+the\b)"
_IDLE = re.compile(
    rf"\b(?:{_LEFT_BY_US}|{_RIGHT_BEFORE}right\b(?!\s+(?:eye|ear|side|disc|pupil|hand|half))|right,?\s+{_RIGHT_AFTER}\b|"
    rf"(?:^|(?<=[.?!]\s))right[,.](?=\s+[A-Za-z])|{_LEFT_BEFORE}left\s+{_LEFT_AFTER}\b|left\s+{_LEFT_AFTER}\b)",
    re.IGNORECASE | re.MULTILINE,
)
_PAIRS = (
    ("right", "left"),
    ("rightward", "leftward"),
    ("rightwards", "leftwards"),
    ("rt", "lt"),
    ("rhs", "lhs"),
    ("rightmost", "leftmost"),
    ("dextroversion", "laevoversion"),
    ("dexter", "sinister"),
)
_CAPITALS = (("OD", "OS"), ("RE", "LE"), ("AD", "AS"), ("R", "L"), ("RHS", "LHS"))
_SPELT = (("o d", "o s"), ("r e", "l e"))
_PREFIXED = r"(?:XOT|SOT|XOP|SOP|XT|ET|HT|HP|XP|EP)"  # "LSOT": the side as the first letter
_WORDS = re.compile(
    r"(?<![^\W\d_])(?:"
    + "|".join(sorted({w for pair in _PAIRS for w in pair}, key=len, reverse=True))
    + r")(?![^\W\d_])",
    re.IGNORECASE,
)
_LETTERS = re.compile(
    rf"(?<![^\W\d_])(?<!')(?<!’)(?<![Bb]/)(?:OD|OS|RE|LE|AD|AS(?!-OCT)|R|L)(?![^\W\d_])|(?<![^\W\d_])[RL](?={_PREFIXED}(?![^\W\d_]))"
)
_SPACED = re.compile(r"(?<![^\W_])(?:o d|o s)(?![^\W_])", re.IGNORECASE)


def _like(model: str, word: str) -> str:
    """A word in the case of a model."""
    if model.isupper():
        return word.upper()
    return word.capitalize() if model[:1].isupper() else word


def _other(word: str) -> str:
    for one, two in (*_CAPITALS,):
        if word in (one, two):
            return two if word == one else one
    low = word.casefold()
    for one, two in (*_PAIRS, *_SPELT):
        if low in (one, two):
            return _like(word, two if low == one else one)
    return word


_HOURS = "one two three four five six seven eight nine ten eleven".split()
_CLOCK = re.compile(rf"\b(1[01]|[1-9]|{'|'.join(_HOURS)})(?=\s*o\W?\s?clock)", re.IGNORECASE)


def mirrored_hours(text: str) -> str:
    """Hours of the clock as in a mirror, as the other eye's disc has them: seven becomes five."""

    def mirrored(match: re.Match[str]) -> str:
        hour = match.group().lower()
        return str(12 - int(hour)) if hour.isdigit() else _HOURS[11 - _HOURS.index(hour) - 1]

    return _CLOCK.sub(mirrored, text)


def swap_sides(text: str) -> str:
    """Every right becomes a left and the other way round, hours of the clock mirrored; idioms ("all right") stay."""
    text = mirrored_hours(text)
    idle = [m.span() for m in _IDLE.finditer(text)]

    def swapped(match: re.Match[str]) -> str:
        if any(a <= match.start() < b for a, b in idle) or match.group() in ("LT", "RT"):  # "LT": light touch
            return match.group()
        return _other(match.group())

    out = re.sub(f"{_WORDS.pattern}|{_SPACED.pattern}", swapped, text, flags=re.IGNORECASE)
    return _LETTERS.sub(swapped, out)


def swapped_value(value: object) -> object:
    """A value or circumstance with its side swapped ("up_right", "right_half")."""
    if not isinstance(value, str):
        return value
    return re.sub(r"(?<![a-z])(?:right|left)(?![a-z])", lambda m: "left" if m.group() == "right" else "right", value)


_NUMBER = re.compile(
    r"(?<![\w/.,:+\-–—^#'’~<>=])(\d{1,3}(?:\.\d{1,3})?)"
    r"(?![\w/:^%+'’\-–—]|[.,]\d|\s*/|\s*[-–—:>]\s*\d)"
)
_SNELLEN = re.compile(
    r"(?<![\w/.,:+\-–—])(6)/(4|4\.8|5|6|7\.5|9|9\.5|12|15|18|24|36|60)(?![\w/:^%+\-–—]|[.,]\d|\s*[-+]\d)"
    r"|(?<![\w/.,:+\-–—])(20)/(25|30|32|40|50|60|63|70|80|100|125|160|200|400)(?![\w/:^%+\-–—]|[.,]\d|\s*[-+]\d)"
)
_MONTHS = r"(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*"

_KEPT = re.compile(
    rf"\d+\w*\s+{_MONTHS}|{_MONTHS}\s+\d+|^\s*\d+[.)]\s|\d+(?:[.,]\d+)?\s*[x×]\s*\d+|(?:base|fork)\s+\d+",
    re.IGNORECASE | re.MULTILINE,
)


def spoken(number: str) -> str:
    """A written number in words: "4" -> "four", "0.35" -> "zero point three five"."""
    whole, _, decimals = number.partition(".")
    words = str(num2words(int(whole)))
    return f"{words} point {' '.join(num2words(int(d)) for d in decimals)}" if decimals else words


def spoken_numbers(text: str) -> str:
    """Whole and decimal numbers and Snellen fractions in words.

    Dates, times, list numbers, ranges, ratios and numbers glued to letters stay as they are.
    """
    kept = [m.span() for m in _KEPT.finditer(text)]

    def said(match: re.Match[str]) -> str:
        if any(a <= match.start() < b for a, b in kept):
            return match.group()
        groups = [g for g in match.groups() if g]
        return " over ".join(spoken(g) for g in groups)

    return re.sub(f"{_SNELLEN.pattern}|{_NUMBER.pattern}", said, text)


def upper(text: str) -> str:
    """The note in capitals."""
    return text.upper()


def lower(text: str) -> str:
    """The note without capitals."""
    return text.lower()


def no_commas(text: str) -> str:
    """The note without commas; decimal commas stay."""
    return re.sub(r",(?!\d)", "", text)


def crlf(text: str) -> str:
    """The note with line ends of the other kind."""
    if "\r\n" in text:
        return text.replace("\r\n", "\n")
    return text.replace("\n", "\r\n")


TALK = (
    "Just keep looking straight at the light for me.",
    "That's great, you're doing really well.",
    "Try not to blink and tell me if you get tired.",
)


@dataclass(frozen=True)
class _Break:
    place: int
    line: bool


def _breaks(text: str) -> list[_Break]:
    """Places between two sentences or lines, none inside a table or after a question."""
    found: list[_Break] = []
    for match in re.finditer(r"(?<=[a-z)][.])[ ](?=[A-Z])|\r?\n(?=\S)", text):
        start = text.rfind("\n", 0, match.start()) + 1
        end = text.find("\n", match.end())
        around = text[start : end if end >= 0 else len(text)]
        before = text[: match.start()].rstrip()
        if "|" in around or "\t" in around or re.search(r"\S {2,}\S", around) or before.endswith(("?", ":")):
            continue
        line = match.group().endswith("\n")
        if line and (not before.endswith(".") or match.end() < len(text) and text[match.end()].islower()):
            continue
        found.append(_Break(match.end(), line))
    return found


def with_talk(text: str) -> str:
    """Sentences to the patient put between the note's own, early, in the middle and late."""
    breaks = _breaks(text)
    if not breaks:
        return text
    chosen = sorted({len(breaks) * part // 4 for part in (1, 2, 3)})
    out = text
    for number, at in reversed(list(enumerate(chosen))):
        one = breaks[at]
        out = out[: one.place] + TALK[number] + ("\n" if one.line else " ") + out[one.place :]
    return out
