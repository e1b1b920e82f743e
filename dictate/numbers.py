"""Stage 2: written and spoken numbers -> groups that keep every reading open.

A group is a run of numbers with the signs and words that join them ("six nine", "13 out of
15", "3-4", "17/23", "five twelve"). What a group means depends on the item that claims it, so
a group only holds its parts; `dictate.values` reads them for one item.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from dataclasses import dataclass

from dictate.note import Token, Tokens
from dictate.wording import plain

UNITS = {
    w: n
    for n, w in enumerate(
        "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen "
        "sixteen seventeen eighteen nineteen".split()
    )
}
TENS = {w: 10 * n for n, w in enumerate("twenty thirty forty fifty sixty seventy eighty ninety".split(), 2)}
TENS["fourty"] = 40
ZERO = frozenset({"nought", "naught", "zero", "oh", "o", "no", "nil", "aught", "nort"})
# "the right one", "this one", "no one": a pronoun, no number.
_PRONOUN_AFTER = frozenset(
    """right left this that other the each which every only any no first second last next same good bad
    better worse another either neither not""".split()
)
# "near point 8": a point of the eye, no decimal point.
_NO_DECIMAL_AFTER = frozenset(
    {
        "near",
        "break",
        "recovery",
        "end",
        "far",
        "this",
        "that",
        "view",
        "some",
        "the",
        "null",
        "pressure",
        "blur",
        "every",
        "which",
    }
)
# A number after these counts or labels something and is no measurement.
_NO_VALUE_AFTER = frozenset(
    {
        "figure",
        "fig",
        "table",
        "day",
        "case",
        "aged",
        "age",
        "bed",
        "room",
        "page",
        "ward",
        "theatre",
        "bay",
        "reference",
        "base",
        "bar",
    }
)
_LABELS = frozenset("abdefghikmopqtuwxyz")
FRACTIONS = {"½": 0.5, "¼": 0.25, "¾": 0.75, "⅓": 1 / 3, "⅔": 2 / 3}
POINT = frozenset({"point", "decimal", "dot"})
# Every word that a number told in words can begin with.
_SINGLE_UNITS = frozenset({"millimetre", "millimeter", "mm"})  # "a millimetre" is a measurement
_STARTS = frozenset({*UNITS, *TENS, *ZERO, *POINT, "half", "a"})
# "right one hundred", "left one sixty", "right one point two": here "one" is a number.
_AFTER_ONE = (
    POINT
    | frozenset(TENS)
    | frozenset(UNITS)
    | {"hundred", "thousand", "over", "out", "millimetre", "millimeter", "mm"}
)
ROMAN = {r: n for n, r in enumerate("I II III IV V VI VII VIII IX X XI XII".split(), 1)}
ORDINALS = {
    w: n
    for n, w in enumerate(
        "first second third fourth fifth sixth seventh eighth ninth tenth eleventh twelfth".split(), 1
    )
}
# Words and signs that may stand between two numbers of one group.
JOINS = {
    "/": "/",
    "over": "/",
    "'": "/",
    "by": "by",
    "upon": "/",
    "to": "to",
    "-": "-",
    ":": ":",
    ">": ">",
    "->": ">",
    "out of": "of",
    "of": "of",
    "from": "of",
    "+": "+",
    "plus": "+",
    "minus": "-",
    "less": "-",
}


@dataclass(frozen=True, slots=True)
class Num:
    """One number: its value, the tokens it covers, and how it was told."""

    start: int
    end: int
    value: float
    digits: str  # its digits as written, "" if spoken
    pronoun: bool = False  # a bare "one" that may be no number at all
    decimal: bool = False


@dataclass(frozen=True, slots=True)
class Part:
    """A number or a joining sign inside a group."""

    num: Num | None
    sign: str
    start: int
    end: int
    glued: bool  # no blank between this part and the one before


@dataclass(frozen=True, slots=True)
class Group:
    """A run of numbers that may belong together."""

    start: int
    end: int
    parts: tuple[Part, ...]

    @property
    def nums(self) -> tuple[Num, ...]:
        """Its numbers in order."""
        return tuple(p.num for p in self.parts if p.num)

    @property
    def signs(self) -> tuple[str, ...]:
        """Its joining signs in order."""
        return tuple(p.sign for p in self.parts if not p.num)


class _Reader:
    def __init__(self, tokens: Tokens, blocked: frozenset[int]) -> None:
        self.tokens = tokens
        self.size = len(tokens)
        self.blocked = blocked
        self.plain = [plain(t.text) if t.kind == "word" and not t.spoken else "" for t in tokens.tokens]

    def word(self, i: int) -> str:
        return self.plain[i]

    def glued(self, i: int) -> bool:
        """Whether token i touches token i-1."""
        return 0 < i < self.size and self.tokens[i - 1].end == self.tokens[i].start

    def next(self, i: int) -> int:
        """The next token that is no blank and no skipped word; never over a line end."""
        i += 1
        while i < self.size and (
            self.tokens[i].kind == "space"
            and len(self.tokens[i].text) < 3
            and "\t" not in self.tokens[i].text
            or self.tokens[i].skipped
            and self.tokens[i].kind != "space"
        ):
            i += 1
        return i

    def before(self, i: int) -> int:
        """The token before token i that is no blank."""
        i -= 1
        while i > 0 and self.tokens[i].kind == "space":
            i -= 1
        return max(i, 0)

    def digits(self, i: int) -> Num | None:
        """A number written in digits from token i: 12, 12.5, .3, 3½, ½."""
        token = self.tokens[i]
        if token.kind == "number" and token.text in FRACTIONS:
            return Num(i, i + 1, FRACTIONS[token.text], token.text, decimal=True)
        if token.text in (".", "·") and i + 1 < self.size and self.glued(i + 1) and self.tokens[i + 1].text.isdecimal():
            if self.glued(i) and (self.tokens[i - 1].kind == "word" and not self.tokens[i - 1].text.isupper()):
                return None
            return Num(
                i, i + 2, float("0." + self.tokens[i + 1].text), token.text + self.tokens[i + 1].text, decimal=True
            )
        if token.kind != "number" or not token.text.isdecimal() or len(token.text) > 9:
            return None
        if len(token.text) > 2 and token.text.startswith("0"):
            return None  # a reference number
        if i + 1 < self.size and self.glued(i + 1) and self.word(i + 1) in ("st", "nd", "rd", "th"):
            return None
        text, end = token.text, i + 1
        decimal = False
        if (
            end + 1 < self.size
            and self.tokens[end].text in (".", "·")
            and self.glued(end)
            and self.glued(end + 1)
            and self.tokens[end + 1].text.isdecimal()
            or (
                text == "0"
                and end + 1 < self.size
                and self.tokens[end].text == ","
                and self.glued(end)
                and self.glued(end + 1)
                and self.tokens[end + 1].text.isdecimal()
            )
        ):
            text += "." + self.tokens[end + 1].text
            end += 2
            decimal = True
        value = float(text)
        if (
            end < self.size
            and self.tokens[end].text in FRACTIONS
            and (self.glued(end) or self.tokens[end - 1].end + 1 == self.tokens[end].start)
        ):
            return Num(i, end + 1, value + FRACTIONS[self.tokens[end].text], text, decimal=True)
        if not decimal:
            after = self.next(end - 1)
            if after < self.size and self.word(after) in POINT:
                point = self.point(after)
                if point:
                    return Num(i, point.end, value + point.value, text, decimal=True)
            half = self.and_half(end)
            if half:
                return Num(i, half, value + 0.5, text, decimal=True)
        return Num(i, end, value, text, decimal=decimal)

    def and_half(self, i: int) -> int:
        """The end of "and a half" starting at or after token i, else 0."""
        at = i if i < self.size and not self.tokens[i].skipped and self.tokens[i].kind != "space" else self.next(i - 1)
        if at < self.size and self.word(at) == "and":
            at = self.next(at)
            if at < self.size and self.word(at) == "half" and self.word(at - 1) in ("a", "one"):
                return at + 1
        return 0

    def point(self, i: int) -> Num | None:
        """Decimals after "point": "point three five", "point 35", "point oh five"."""
        at = self.next(i)
        text, end = "", i + 1
        while at < self.size and len(text) < 4:
            word = self.word(at)
            if self.tokens[at].kind == "number" and self.tokens[at].text.isdecimal() and not text:
                return Num(i, at + 1, float("0." + self.tokens[at].text), "." + self.tokens[at].text, decimal=True)
            if word in TENS and not text:
                value = TENS[word]
                follow = self.next(at)
                if follow < self.size and 1 <= UNITS.get(self.word(follow), 0) <= 9:
                    return Num(i, follow + 1, float(f"0.{value + UNITS[self.word(follow)]}"), "", decimal=True)
                return Num(i, at + 1, float(f"0.{value}"), "", decimal=True)
            if word in UNITS and UNITS[word] < 10:
                text += str(UNITS[word])
            elif word in UNITS and not text:
                return Num(i, at + 1, float(f"0.{UNITS[word]}"), "", decimal=True)
            elif word in ("oh", "o", "nought", "naught", "zero"):
                text += "0"
            else:
                break
            end = at + 1
            at = self.next(at)
            if len(text) == 2:
                break
        if not text:
            return None
        return Num(i, end, float("0." + text), "", decimal=True)

    def words(self, i: int) -> Num | None:
        """A number told in words from token i."""
        word = self.word(i)
        if not word:
            return None
        if word in POINT:
            return None if i and self.word(self.before(i)) in _NO_DECIMAL_AFTER else self.point(i)
        if word in ZERO:
            after = self.next(i)
            if after < self.size and self.word(after) in POINT:
                point = self.point(after)
                return Num(i, point.end, point.value, "", decimal=True) if point else None
            if word in ("nought", "naught", "zero"):
                return Num(i, i + 1, 0.0, "")
            return None
        if word == "half":
            before = self.word(i - 1) if i else ""
            if before in ("a", "one") or (i and self.tokens[i - 1].kind == "number"):
                return Num(i, i + 1, 0.5, "", pronoun=True, decimal=True)
            return None
        follow = self.next(i)
        if word == "a" and follow < self.size and self.word(follow) in _SINGLE_UNITS:
            return None if i and self.word(self.before(i)) == "half" else Num(i, i + 1, 1.0, "")
        if (
            word == "one"
            and i
            and self.word(self.before(i)) in _PRONOUN_AFTER
            and not (follow < self.size and self._counted_on(i, follow))
        ):
            return None
        whole = self.cardinal(i)
        if whole is None:
            return None
        value, end = whole
        after = self.next(end - 1)
        if after < self.size and self.word(after) in POINT:
            point = self.point(after)
            if point:
                return Num(i, point.end, value + point.value, "", decimal=True)
        half = self.and_half(end)
        if half:
            return Num(i, half, value + 0.5, "", decimal=True)
        return Num(i, end, float(value), "", pronoun=word == "one" and end == i + 1)

    def _counted_on(self, i: int, follow: int) -> bool:
        """Whether what follows "one" goes on counting ("one over two"); "the other one is four" does not."""
        if any(t.kind == "word" for t in self.tokens.tokens[i + 1 : follow]):
            return False
        if self.word(self.before(i)) in ("other", "this", "that"):
            return self.word(follow) in POINT or self.word(follow) in ("over", "out")
        return self.word(follow) in _AFTER_ONE or self.tokens[follow].kind == "number"

    def cardinal(self, i: int) -> tuple[int, int] | None:
        """(value, end) of a whole number in words: "two hundred and fifty-six"."""
        word = self.word(i)
        end = i + 1
        if word in ("a", "one") and self.next(i) < self.size and self.word(self.next(i)) == "hundred":
            value, end = 1, i + 1
        elif word in TENS:
            value = TENS[word]
            at = self.hyphen_next(i)
            if at and 1 <= UNITS.get(self.word(at), 0) <= 9:
                value += UNITS[self.word(at)]
                end = at + 1
        elif word in UNITS:
            value = UNITS[word]
        else:
            return None
        at = self.next(end - 1)
        if (
            at < self.size
            and self.word(at) in ("hundred", "thousand")
            and not (self.word(at - 1) == "a" and at - 1 > i)
        ):
            scale = 100 if self.word(at) == "hundred" else 1000
            value *= scale
            end = at + 1
            at = self.next(at)
            if at < self.size and self.word(at) == "and":
                follow = self.next(at)
                rest = self.cardinal(follow) if follow < self.size and self.word(follow) not in ("a",) else None
                if rest and rest[0] < scale:
                    return value + rest[0], rest[1]
                return value, end
            rest = self.cardinal(at) if at < self.size and self.word(at) != "a" else None
            if rest and rest[0] < scale:
                return value + rest[0], rest[1]
        return value, end

    def hyphen_next(self, i: int) -> int:
        """The word after token i, directly or over a hyphen."""
        at = self.next(i)
        if at < self.size and self.tokens[at].key == "-" and self.glued(at):
            at = self.next(at)
        return at if at < self.size else 0

    def number(self, i: int) -> Num | None:
        """The number that starts at token i, if any."""
        if i >= self.size or i in self.blocked:
            return None
        token = self.tokens[i]
        if token.kind == "word" and self.plain[i] not in _STARTS:
            return None
        if i and self.word(self.before(i)) in _NO_VALUE_AFTER:
            return None
        if token.kind == "number" and self.glued(i) and self.tokens[i - 1].text in _LABELS:
            return None
        if token.kind == "number" or token.kind == "punct":
            return self.digits(i)
        return self.words(i)

    def join(self, i: int) -> tuple[str, int] | None:
        """(sign, end) of a joining word or sign at token i."""
        token = self.tokens[i]
        if i in self.blocked or token.spoken:
            return None
        if token.kind == "punct":
            if token.key == "'" and self.glued(i) and i + 1 < self.size and self.tokens[i + 1].kind == "number":
                return "/", i + 1
            if token.key == "-" and i + 1 < self.size and self.tokens[i + 1].key == ">":
                return ">", i + 2
            sign = JOINS.get(token.key)
            if (
                sign
                and i + 1 < self.size
                and self.tokens[i + 1].kind == "punct"
                and self.tokens[i + 1].key == sign == "+"
            ):
                return None
            return (sign, i + 1) if sign else None
        word = self.word(i)
        if word == "out":
            at = self.next(i)
            if at < self.size and self.word(at) == "of":
                return "of", at + 1
            return None
        sign = JOINS.get(word)
        return (sign, i + 1) if sign else None


def read_groups(tokens: Tokens, blocked: frozenset[int] = frozenset()) -> list[Group]:
    """All groups of the note in order; `blocked` tokens (struck words) belong to none."""
    reader = _Reader(tokens, blocked)
    groups: list[Group] = []
    i = 0
    while i < len(tokens):
        num = _number_at(reader, i)
        if num is not None and _clock_hour(reader, num.end):
            i = num.end
            continue
        if num is None:
            pluses = _pluses(tokens, i)
            if pluses:
                end = i + pluses
                one = Num(i, end, float(pluses), "+" * pluses)
                groups.append(Group(i, end, (Part(one, "", i, end, False), Part(None, "+", end - 1, end, True))))
                i = end
                continue
            i += 1
            continue
        parts = [Part(num, "", num.start, num.end, False)]
        end = num.end
        while len(parts) < 40:
            at = reader.next(end - 1)
            if at >= reader.size or reader.tokens[at].kind == "space":
                break
            follow = _number_at(reader, at)
            if follow is not None and not follow.pronoun:
                glued = reader.glued(at) and reader.tokens[at - 1].key != "-"  # "two-fifty-six" is told in parts
                parts.append(Part(follow, "", at, follow.end, glued))
                end = follow.end
                continue
            join = reader.join(at)
            if join is None:
                break
            sign, join_end = join
            glued = reader.glued(at)
            beyond = reader.next(join_end - 1)
            if beyond < reader.size:
                second = reader.join(beyond)
                follow = _number_at(reader, beyond)
                if follow is not None:
                    if sign == "-" and not glued and reader.tokens[at].kind == "punct" and not reader.glued(beyond):
                        if num.value > follow.value or follow.value > 30 and num.value < 12:
                            break  # a dash between statements
                    parts.append(Part(None, sign, at, join_end, glued))
                    parts.append(Part(follow, "", beyond, follow.end, reader.glued(beyond)))
                    end = follow.end
                    continue
                if second and sign in ("+", "-") and second[0] in ("/", "of", "by"):
                    after = reader.next(second[1] - 1)
                    follow = _number_at(reader, after) if after < reader.size else None
                    if follow is not None:
                        parts.append(Part(None, sign, at, join_end, glued))
                        parts.append(Part(None, second[0], beyond, second[1], reader.glued(beyond)))
                        parts.append(Part(follow, "", after, follow.end, reader.glued(after)))
                        end = follow.end
                        continue
            if sign in ("+", "-") and glued and not _starts_word(reader.tokens, join_end):
                parts.append(Part(None, sign, at, join_end, True))
                end = join_end
                continue
            break
        hours = _clock_hour(reader, end) and all(p.num is None or 1 <= p.num.value <= 12 for p in parts)
        if not hours:
            groups.append(Group(num.start, end, tuple(parts)))
        i = end
    return groups


# Sphere, cylinder and axis as cards write them, in quarter dioptres: "+1.25/-0.50x90", "-2.00 DS".
_LENS = re.compile(
    r"(?<![\d.])(?:[+-]\s?\d{1,2}\.(?:00|25|50|75)|pl(?:ano)?\b)"
    r"(?:\s?DS\b)?(?:\s?/?\s?[+-]\s?\d{1,2}\.(?:00|25|50|75)(?:\s?DC\b)?)?"
    r"(?:\s?(?:[x×*@]|axis)\s?\d{1,3}\b°?)?",
    re.IGNORECASE,
)


def lens_powers(tokens: Tokens) -> frozenset[int]:
    """The tokens that tell the power of a lens: they measure no finding."""
    out: set[int] = set()
    starts = [t.start for t in tokens.tokens]
    for found in _LENS.finditer(tokens.note.text):
        if "logmar" in tokens.note.text[max(0, found.start() - 40) : found.start()].casefold():
            continue
        out.update(range(bisect_left(starts, found.start()), bisect_left(starts, found.end())))
    return frozenset(out)


def _clock_hour(reader: _Reader, i: int) -> bool:
    """Whether "o'clock" follows: an hour or a place on the dial."""
    at = reader.next(i - 1)
    return (
        at + 2 < reader.size
        and reader.word(at) == "o"
        and any(reader.word(j) == "clock" for j in range(at + 1, min(at + 3, reader.size)))
    )


def _pluses(tokens: Tokens, i: int) -> int:
    """How many plus signs stand together from token i on; 0 unless two to four."""
    if i and tokens[i - 1].key == "+" or tokens[i].key != "+":
        return 0
    count = 1
    while (
        i + count < len(tokens)
        and tokens[i + count].key == "+"
        and tokens[i + count].start == tokens[i + count - 1].end
    ):
        count += 1
    following = tokens[i + count] if i + count < len(tokens) else None
    if following is not None and following.kind in ("word", "number") and following.start == tokens[i + count - 1].end:
        return 0
    return count if 2 <= count <= 4 else 0


def _starts_word(tokens: Tokens, i: int) -> bool:
    return i < len(tokens) and tokens[i].kind == "word" and tokens[i - 1].end == tokens[i].start


def _number_at(reader: _Reader, i: int) -> Num | None:
    return reader.number(i)


def roman(token: Token) -> int | None:
    """The value of an upper-case roman numeral I to XII, else None."""
    return ROMAN.get(token.text)
