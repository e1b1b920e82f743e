"""What a group of numbers means for one item: every reading that fits the item's kind.

The same run "six nine" is 6/9 for an acuity, two millimetre values for the pupils and nothing
for a plate score of fifteen. A reading says which tokens it used and, if it is doubtful, why.
"""

from __future__ import annotations

from dataclasses import dataclass

from dictate.lexicon import Item
from dictate.note import Tokens
from dictate.numbers import ROMAN, Group, Num, Part
from dictate.wording import plain

Value = float | int | str | list[float] | None

_METRIC = frozenset({3, 3.8, 4, 4.8, 5, 6, 7, 7.5, 9, 9.5, 10, 12, 15, 18, 19, 24, 30, 36, 38, 48, 60, 75, 90, 95, 120})
_FEET = frozenset(
    {
        10,
        12.5,
        15,
        16,
        20,
        25,
        30,
        32,
        35,
        40,
        50,
        60,
        63,
        70,
        80,
        100,
        125,
        150,
        160,
        200,
        250,
        300,
        320,
        400,
        500,
        600,
        640,
        800,
    }
)
# Denominators met on charts read at these distances (6 m, 20 ft and shorter test distances).
_CHARTS: dict[float, frozenset[float]] = {
    6.0: frozenset(float(n) for n in _METRIC),
    20.0: frozenset(float(n) for n in _FEET),
}
_DECIMAL = ("decimal", "decimals", "dec")
# Short test distances told before a big letter: "three sixty" is 3/60.
_SHORT = frozenset({1.0, 2.0, 3.0, 4.0, 5.0})
_SLASHED = frozenset({0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 20.0})
_MODIFIER_WORDS = {"p": "p", "part": "p", "partial": "p", "partly": "p", "pt": "p", "parts": "p"}
_DURATION = {52.0: "weeks", 12.0: "months", 7.0: "days"}


@dataclass(frozen=True, slots=True)
class Reading:
    """A value read from tokens `start` up to `end`; `doubt` is a flag reason or ""."""

    value: Value
    start: int
    end: int
    doubt: str = ""
    light: str = ""  # "5 to 3": which light level the value belongs to
    choices: tuple[Value, ...] = ()


def number(value: float) -> float | int:
    """An int where the number is whole, else rounded to four places."""
    rounded = round(value, 4)
    return int(rounded) if rounded == int(rounded) else rounded


def _text(value: float) -> str:
    return str(number(value))


def _next_word(tokens: Tokens, i: int) -> tuple[int, str]:
    while i < len(tokens) and (tokens[i].kind == "space" or tokens[i].skipped):
        i += 1
    if i >= len(tokens):
        return i, ""
    return i, plain(tokens[i].text) if tokens[i].kind in ("word", "punct") else tokens[i].text


def _before(tokens: Tokens, i: int) -> tuple[int, str]:
    i -= 1
    while i >= 0 and (tokens[i].kind == "space" or tokens[i].skipped and tokens[i].kind != "word"):
        i -= 1
    return (i, plain(tokens[i].text)) if i >= 0 else (-1, "")


# ---- acuity ---------------------------------------------------------------------------------


def acuity(tokens: Tokens, group: Group) -> list[Reading]:
    """Snellen fractions, logMAR and decimal values of a group, in order."""
    parts = group.parts
    out: list[Reading] = []
    i = 0
    while i < len(parts):
        first = parts[i].num
        if first is None:
            i += 1
            continue
        slash = i + 2 < len(parts) and parts[i + 1].sign in ("/", ":") and parts[i + 2].num is not None
        second = parts[i + 2].num if slash else (parts[i + 1].num if i + 1 < len(parts) else None)
        if second is not None and _is_fraction(first, second, slash):
            end_part = i + (3 if slash else 2)
            value = f"{_text(first.value)}/{_text(second.value)}"
            modifier, end_part, end = _modifier(tokens, parts, end_part, second.end)
            out.append(Reading(value + modifier, first.start, end))
            i = end_part
            continue
        single = _single_acuity(tokens, parts, i)
        if single is None:
            return out if out else []
        reading, i = single
        out.append(reading)
    return out


def on_chart(group: Group) -> bool:
    """Whether two numbers side by side are a line of an acuity chart ("six nine")."""
    nums = group.nums
    return len(nums) == 2 and _is_fraction(nums[0], nums[1], False)


def _is_fraction(first: Num, second: Num, slash: bool) -> bool:
    if slash:
        return first.value in _SLASHED and 1 <= second.value <= 1200
    if first.value in _SHORT and second.value == 60:
        return not first.decimal
    charts = _CHARTS.get(first.value)
    return charts is not None and second.value in charts and not first.decimal


def _modifier(tokens: Tokens, parts: tuple[Part, ...], i: int, end: int) -> tuple[str, int, int]:
    if i < len(parts) and parts[i].sign in ("+", "-"):
        count = parts[i + 1].num if i + 1 < len(parts) else None
        if count is not None:
            beyond = parts[i + 2].sign if i + 2 < len(parts) else ""
            if count.value <= 5 and count.value == int(count.value) and beyond not in ("/", "of"):
                return f"{parts[i].sign}{int(count.value)}", i + 2, count.end
        return "", i + 1, end
    at, word = _next_word(tokens, end)
    if word == "," and _next_word(tokens, at + 1)[1] in ("part", "partly", "partial", "parts"):
        at, word = _next_word(tokens, at + 1)
    if word == "(" and at + 2 < len(tokens):
        inner, sign = _next_word(tokens, at + 1)
        if sign in _MODIFIER_WORDS and _next_word(tokens, inner + 1)[1] == ")":
            return "p", i, _next_word(tokens, inner + 1)[0] + 1
        if sign in ("+", "-") and tokens[inner + 1].kind == "number" and len(tokens[inner + 1].text) == 1:
            return f"{sign}{tokens[inner + 1].text}", i, inner + 3
    if word in _MODIFIER_WORDS and (at == end or tokens[at].start - tokens[end - 1].end <= 1 or word != "p"):
        return "p", i, at + 1
    return "", i, end


def _single_acuity(tokens: Tokens, parts: tuple[Part, ...], i: int) -> tuple[Reading, int] | None:
    num = parts[i].num
    assert num is not None
    sign = ""
    start = num.start
    before, word = _before(tokens, num.start)
    if word in ("-", "minus") and num.value < 1:
        sign, start = "-", before
    told = num.digits.lstrip("·") if num.digits and num.digits[0].isdecimal() else _text(num.value)
    at, word = _next_word(tokens, num.end)
    if word == "logmar" or (word == "log" and _next_word(tokens, at + 1)[1] in ("mar", "units")):
        end = at + 1 if word == "logmar" else _next_word(tokens, at + 1)[0] + 1
        return Reading(f"{sign}{told} logMAR", start, end), i + 1
    if word in _DECIMAL:
        return Reading(f"{told} decimal", num.start, at + 1), i + 1
    notation = _notation(tokens, start)
    if notation == "logMAR" and num.value <= 3:
        return Reading(f"{sign}{told} logMAR", start, num.end), i + 1
    if notation == "decimal" and num.value <= 2:
        return Reading(f"{told} decimal", num.start, num.end), i + 1
    if num.decimal and num.value <= 2:
        shown = _text(num.value)
        return Reading(None, num.start, num.end, "value", choices=(f"{shown} logMAR", f"{shown} decimal")), i + 1
    digits = num.digits
    for head in ("6", "20"):
        rest = digits[len(head) :]
        if (
            digits.startswith(head)
            and rest
            and not num.decimal
            and float(rest) in _CHARTS[float(head)]
            and not rest.startswith("0")
        ):
            return Reading(f"{head}/{_text(float(rest))}", num.start, num.end, "heard"), i + 1
    return None


def _notation(tokens: Tokens, i: int) -> str:
    """The notation named in the sentence ("logMAR: right 0.1, left 0.3"; "R 0.1 L 0.2 logMAR"), or ""."""
    for way in (range(i - 1, max(-1, i - 40), -1), range(i + 1, min(len(tokens), i + 24))):
        for at in way:
            token = tokens[at]
            if token.kind == "break" or token.key in (";", "?"):
                break
            if token.key == "." and (at + 1 >= len(tokens) or tokens[at + 1].kind != "number"):
                break
            word = plain(token.text) if token.kind == "word" else ""
            if word in ("logmar", "mar"):
                return "logMAR"
            if word in _DECIMAL and _next_word(tokens, at + 1)[1] not in ("point", "place", "places"):
                return "decimal"
    return ""


# ---- near ------------------------------------------------------------------------------------


def near_prefix(tokens: Tokens, group: Group) -> tuple[int, str] | None:
    """(token, "N" or "J") if the group is told as a near print size ("N5", "J 2")."""
    before, word = _before(tokens, group.start)
    if before >= 0 and word in ("n", "j", "jaeger"):
        return before, "N" if word == "n" else "J"
    return None


def near_by_form(tokens: Tokens, group: Group) -> bool:
    """Whether the form alone tells a near print size: "N5", "J2", "0.4M"."""
    at, word = _next_word(tokens, group.end)
    metric = word == "m" and tokens[at].text == "M" and group.nums[0].decimal and at == group.end
    return metric or near_prefix(tokens, group) is not None


def near(tokens: Tokens, group: Group) -> list[Reading]:
    """Near acuities of a group: N5, J2, 0.4M, 20/25, logMAR."""
    prefix = near_prefix(tokens, group)
    nums = group.nums
    if prefix:
        start, letter = prefix
        shown = _text(nums[0].value)
        end = nums[0].end
        modifier = ""
        if letter == "N":
            modifier, _, end = _modifier(tokens, group.parts, 1, end)
        elif len(group.parts) > 1 and group.parts[1].sign == "+":
            modifier, end = "+", group.parts[1].end
        return [Reading(f"{letter}{shown}{modifier}", start, end)]
    at, word = _next_word(tokens, group.end)
    if word == "m" and tokens[at].text == "M" and len(nums) == 1:
        return [Reading(f"{_text(nums[0].value)}M", group.start, at + 1)]
    return [r for r in acuity(tokens, group) if r.value is not None]


# ---- scores and grades --------------------------------------------------------------------------


def score(tokens: Tokens, group: Group) -> list[Reading]:
    """Scores of a group: correct/shown, with all, all but and missed."""
    parts = group.parts
    out: list[Reading] = []
    before, word = _before(tokens, group.start)
    missed = word in ("missed", "missing", "misses", "but", "except", "dropped", "failed", "wrong", "miss")
    every = word == "all"
    i = 0
    while i < len(parts):
        first = parts[i].num
        if first is None:
            i += 1
            continue
        joined = i + 2 < len(parts) and parts[i + 1].sign in ("/", "of", "by") and parts[i + 2].num is not None
        second = parts[i + 2].num if joined else (parts[i + 1].num if i + 1 < len(parts) else None)
        if second is not None and first.value == int(first.value) and second.value == int(second.value):
            right, shown = int(first.value), int(second.value)
            if missed and not out:
                right = shown - right
            doubt = "range" if right > shown else ""
            out.append(Reading(f"{right}/{shown}", before if missed and not out else first.start, second.end, doubt))
            i += 3 if joined else 2
            continue
        if every and not out and first.value == int(first.value):
            n = int(first.value)
            out.append(Reading(f"{n}/{n}", before, first.end))
        elif first.value == int(first.value):
            count = () if missed else (str(int(first.value)),)
            out.append(Reading(None, first.start, first.end, "value", choices=count))
        else:
            return []
        i += 1
    return out


def mrc(tokens: Tokens, group: Group) -> list[Reading]:
    """Muscle power out of five: "4/5", "4-/5", "four plus by five", "5"."""
    parts = group.parts
    out: list[Reading] = []
    i = 0
    while i < len(parts):
        num = parts[i].num
        if num is None:
            i += 1
            continue
        if num.value > 5 or num.value != int(num.value):
            return out
        at = i + 1
        sign = ""
        if (
            at < len(parts)
            and parts[at].sign in ("+", "-")
            and (at + 1 >= len(parts) or parts[at + 1].sign in ("/", "of", "by"))
        ):
            sign = parts[at].sign
            at += 1
        five = parts[at + 1].num if at + 1 < len(parts) and parts[at].sign in ("/", "of", "by") else None
        if five is not None:
            if five.value != 5:
                return out
            out.append(Reading(f"{int(num.value)}{sign}/5", num.start, five.end))
            i = at + 2
            continue
        out.append(Reading(f"{int(num.value)}{sign}/5", num.start, parts[at - 1].end))
        i = at
    return out


def plus_grade(tokens: Tokens, group: Group) -> list[Reading]:
    """Grades told with pluses or in log units: "2+", "0.6 log", "grade 2"."""
    num = group.nums[0]
    at, word = _next_word(tokens, group.end)
    if word == "log" or _preceded_by_log(tokens, group.start):
        shown = f"{num.value:.1f}"
        return [Reading(f"{shown} log", group.start, at + 1 if word == "log" else group.end)]
    if group.signs == ("+",) or word in ("+", "plus"):
        return [
            Reading(f"{int(num.value)}+", group.start, max(group.end, at + 1 if word in ("+", "plus") else group.end))
        ]
    word = _before(tokens, group.start)[1]
    if word in ("grade", "graded", "gr") and num.value == int(num.value) and num.value <= 5:
        return [Reading(f"{int(num.value)}", group.start, group.end)]
    return []


def _preceded_by_log(tokens: Tokens, i: int) -> bool:
    return _before(tokens, i)[1] == "log"


def small_grade(tokens: Tokens, group: Group, highest: int) -> list[Reading]:
    """Whole grades from 0 to `highest`, ranges of them, or a percentage ("3-4", "25%")."""
    parts = group.parts
    at, word = _next_word(tokens, group.end)
    percent = word in ("%", "percent") or (word == "per" and _next_word(tokens, at + 1)[1] == "cent")
    nums = group.nums
    if percent:
        end = at + 1 if word != "per" else _next_word(tokens, at + 1)[0] + 1
        if len(nums) == 2 and group.signs and group.signs[0] in ("to", "-"):
            return [Reading(f"{_text(nums[0].value)}-{_text(nums[1].value)}%", group.start, end)]
        return [Reading(f"{_text(nums[-1].value)}%", nums[-1].start, end)]
    out: list[Reading] = []
    i = 0
    while i < len(parts):
        num = parts[i].num
        if num is None:
            i += 1
            continue
        doubt = "range" if num.value > highest or num.value != int(num.value) else ""
        second = parts[i + 2].num if i + 2 < len(parts) and parts[i + 1].sign in ("to", "-") else None
        if second is not None:
            if second.value > highest:
                doubt = "range"
            out.append(Reading(f"{_text(num.value)}-{_text(second.value)}", num.start, second.end, doubt))
            i += 3
            continue
        of_all = parts[i + 2].num if i + 2 < len(parts) and parts[i + 1].sign in ("/", "of") else None
        if of_all is not None and of_all.value == highest == 6 and not doubt:
            out.append(Reading(_text(num.value), num.start, of_all.end))
            i += 3
            continue
        if i + 1 < len(parts) and parts[i + 1].sign in ("+", "-") and parts[i + 1].glued and i + 2 >= len(parts):
            out.append(
                Reading(
                    _text(num.value) + ("+" if parts[i + 1].sign == "+" else ""), num.start, parts[i + 1].end, doubt
                )
            )
            i += 2
            continue
        out.append(Reading(_text(num.value), num.start, num.end, doubt))
        i += 1
    return out


# ---- quantities ------------------------------------------------------------------------------------


def quantity(tokens: Tokens, group: Group, item: Item, unit: str) -> list[Reading]:
    """Numbers of a quantity in the item's unit: one, a range [a, b], or two."""
    scale = _scale(item.unit, unit)
    if scale is None:
        return []
    low, high = item.possible or (0.0, float("inf"))

    def fits(value: float) -> bool:
        return low <= value * scale <= high

    parts = group.parts
    ratio = item.unit == "1"
    out: list[Reading] = []
    i = 0
    while i < len(parts):
        num = parts[i].num
        if num is None:
            i += 1
            continue
        joined = parts[i + 1].sign if i + 2 < len(parts) and parts[i + 2].num is not None else ""
        after = parts[i + 2].num if joined else None
        if ratio and joined in (":", "to", "/") and after is not None and after.value == 1 and num.value <= 1:
            out.append(Reading(number(num.value), num.start, after.end))
            i += 3
            continue
        if joined in ("to", "-", ">") and after is not None:
            a, b = num.value * scale, after.value * scale
            if a > b or joined == ">":
                if "light" in item.context:
                    out.append(Reading(number(a), num.start, num.end, light="dim"))
                    out.append(Reading(number(b), after.start, after.end, light="bright"))
                else:
                    out.append(Reading(number(a), num.start, num.end))
                    out.append(Reading(number(b), after.start, after.end))
            else:
                out.append(Reading([number(a), number(b)], num.start, after.end))
            i += 3
            continue
        run, used = _spoken_hundreds(parts, i, fits)
        if run is not None:
            out.append(Reading(number(run * scale), num.start, parts[used - 1].end))
            i = used
            continue
        value = num.value
        if ratio and unit == "%":
            value = value / 100
        out.append(Reading(number(value * (1 if ratio else scale)), num.start, num.end))
        i += 1
    return out


def possible_in(group: Group, item: Item, unit: str) -> bool:
    """Whether every number of a group, told in `unit`, can be a value of the item."""
    scale = _scale(item.unit, unit)
    low, high = item.possible or (float("-inf"), float("inf"))
    return scale is not None and all(low <= n.value * scale <= high for n in group.nums)


def _spoken_hundreds(parts: tuple[Part, ...], i: int, fits: object) -> tuple[float | None, int]:
    """ "five twelve", "two fifty six", "one two five": neighbours that are one number."""
    run = ""
    used = i
    best: tuple[float | None, int] = (None, i)
    assert callable(fits)
    first = parts[i].num
    if first is None or fits(first.value):
        return best
    while used < len(parts) and used - i < 4:
        num = parts[used].num
        if num is None or num.decimal or (used > i and parts[used].glued):
            break
        run += str(int(num.value)) if num.value < 1e6 else "9" * 9
        if run.startswith("0"):
            return best
        used += 1
        if used - i >= 2 and fits(float(run)):
            best = (float(run), used)
    return best


def _scale(unit: str, said: str) -> float | None:
    """The factor from the unit said to the item's unit; None if they do not fit."""
    if not said or said == unit:
        return 1.0
    factors = {
        ("cm", "mm"): 0.1,
        ("cm", "m"): 100.0,
        ("cm", "in"): 2.54,
        ("mm", "cm"): 10.0,
        ("mm", "um"): 0.001,
        ("um", "mm"): 1000.0,
        ("mm[Hg]", "mm"): 1.0,
        ("1", "%"): 1.0,
        ("[p'diop]", "diopter"): 1.0,
    }
    return factors.get((unit, said))


def duration(tokens: Tokens, group: Group) -> Reading | None:
    """An interval such as "2 weeks", "2/52", "6 months" from a group."""
    nums = group.nums
    if len(nums) >= 2 and group.signs[:1] == ("/",) and nums[1].value in _DURATION:
        return Reading(_interval(nums[0].value, _DURATION[nums[1].value]), nums[0].start, nums[1].end)
    at, word = _next_word(tokens, group.end)
    if word == "-":
        at, word = _next_word(tokens, at + 1)
    unit = _unit_of_time(word)
    if unit:
        if len(nums) == 2 and group.signs and group.signs[0] in ("to", "-"):
            return Reading(f"{_text(nums[0].value)}-{_text(nums[1].value)} {unit}", group.start, at + 1)
        return Reading(_interval(nums[-1].value, unit), nums[-1].start, at + 1)
    return None


def _unit_of_time(word: str) -> str:
    for unit, forms in (
        ("days", ("day", "days", "d")),
        ("weeks", ("week", "weeks", "wk", "wks", "w")),
        ("months", ("month", "months", "mo", "mth", "mths", "mos")),
        ("years", ("year", "years", "yr", "yrs", "y")),
    ):
        if word in forms:
            return unit
    return ""


def _interval(count: float, unit: str) -> str:
    return f"{_text(count)} {unit[:-1] if count == 1 else unit}"


def word_interval(tokens: Tokens, i: int) -> Reading | None:
    """ "a week", "next month" -> "1 week" from a unit-of-time word at token i."""
    if tokens[i].kind != "word":
        return None
    if plain(tokens[i].text) == "fortnight":
        return Reading("2 weeks", i, i + 1)
    unit = _unit_of_time(plain(tokens[i].text))
    if not unit or len(tokens[i].text) < 4 or tokens[i].text.lower().endswith("s"):
        return None
    before = i - 1
    while before > 0 and tokens[before].kind == "space":
        before -= 1
    if before >= 0 and plain(tokens[before].text) in ("a", "one", "per"):
        return Reading(f"1 {unit[:-1]}", before, i + 1)
    return None


def roman_grade(tokens: Tokens, i: int, highest: int) -> Reading | None:
    """A grade in roman numerals at token i ("grade II", "House-Brackmann V")."""
    value = ROMAN.get(tokens[i].text)
    if value is None or value > highest:
        return None
    return Reading(str(value), i, i + 1)
