"""Clock times of a note, so that their numbers are not taken for findings."""

from __future__ import annotations

import re
from bisect import bisect_left

from dictate.note import Tokens

_HOURS = "one|two|three|four|five|six|seven|eight|nine|ten|eleven|twelve"
_N = rf"(?:\d{{1,2}}|{_HOURS})"
_MINUTES = r"(?:five|ten|quarter|half|twenty(?:[ -]five)?|\d{1,2})"
_PATTERN = re.compile(
    r"(?<![a-z])(?=[\daefhnoqst]|(?<=@))(?:"  # where a time can begin: the rest is tried only there
    rf"(?<![\d.])(?:[01]?\d|2[0-3]):[0-5]\d(?!\d)(?:\s?[ap]\.?m\b\.?)?"
    rf"|(?<=\bat\s)(?:[01]?\d|2[0-3])[. ][0-5]\d(?![\d/])(?!\s*(?:mm|cm))"
    rf"|(?<=@)\s?(?:[01]?\d|2[0-3])[. ]?[0-5]\d(?![\d/])"
    rf"|\b{_MINUTES}\s(?:minutes\s)?past\s(?:{_HOURS})\b"
    rf"|(?:\bat\s{_MINUTES}|\bquarter)\s(?:minutes\s)?to\s(?:{_HOURS})\b"
    rf"|\b{_MINUTES}\s(?:minutes\s)?past\s{_N}\b"
    rf"|\bhalf\spast\s(?:{_HOURS})\b"
    rf"|(?<![\d.])(?:0?\d|1[0-2])\.[0-5]\d\s?(?:am|pm|a\.m\.|p\.m\.)(?!\w)"
    rf"|\b{_N}\s?(?:am|pm|a\.m\.|p\.m\.)(?!\w)"
    rf"|\b(?:[01]\d|2[0-3])[0-5]\d\s?(?:hrs|hours|h)\b"
    rf"|(?<=\bat\s)(?:{_HOURS}|thirteen|fourteen|fifteen|sixteen|seventeen|eighteen|nineteen|twenty)\s(?:thirty|fifteen|forty five|oh five|ten|twenty)\b)",
    re.IGNORECASE,
)


def find(tokens: Tokens) -> list[tuple[int, int, str]]:
    """(start token, end token, words) of every clock time."""
    out: list[tuple[int, int, str]] = []
    starts = [t.start for t in tokens.tokens]
    for found in _PATTERN.finditer(tokens.note.text):
        a, b = found.span()
        while a < b and tokens.note.text[a].isspace():
            a += 1
        first, last = bisect_left(starts, a), bisect_left(starts, b)
        out.append((first, last, found.group().strip()))
    return out


def clock(words: str) -> str:
    """ "14:35" for a time written in digits, else the words as they are."""
    digits = re.search(r"(\d{1,2})[:. ]?(\d{2})", words)
    if digits:
        later = 12 if re.search(r"p\.?m", words, re.IGNORECASE) and int(digits[1]) < 12 else 0
        return f"{int(digits[1]) + later:02d}:{digits[2]}"
    return words
