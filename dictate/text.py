"""Stage 1: text -> tokens. spaCy's blank English tokenizer, with rules that lose no character
and split wherever letters, digits and signs meet ("R6/9-2" is R 6 / 9 - 2)."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Any

from dictate.note import Note, Token, Tokens
from dictate.wording import key, plain

# A boundary between two neighbouring characters of different sort, or around any sign.
_SPLIT = re.compile(
    r"(?<=[^\W\d_])(?=\d)|(?<=\d)(?=[^\W\d_])|(?<=[a-z])(?=[A-Z]{2})|[^\w\s\u0300-\u036f]|_|(?<=[½⅓¼¾⅔²³])(?=\w)|(?<=\w)(?=[½⅓¼¾⅔²³])"
)
# spaCy asks an infix only after the first character, so leading signs are prefixes; a long run
# of signs stays one token, since peeling it sign by sign would take quadratic time.
_LEADING = re.compile(r"^(?:[^\w\s]{40,}|[^\w\s]|_)")
_SURROGATE = re.compile("[\ud800-\udfff]")
_SKIPPED = frozenset(
    """a an the his her hers their its my our your is are was were be been being am
    very quite really slight fairly just mild mildly slightly marked markedly
    um umm er erm uh hmm extremely somewhat mostly completely entirely perfectly
    pretty nicely clearly definitely moderate moderately gross grossly both's""".split()
)
_SKIPPED_AFTER_A = frozenset({"bit", "touch", "little", "shade", "tad", "trifle"})
_SPOKEN = {
    ("full", "stop"): ".",
    ("new", "line"): "\n",
    ("new", "paragraph"): "\n",
    ("next", "line"): "\n",
    ("comma",): ",",
    ("colon",): ":",
    ("semicolon",): ";",
    ("semi", "colon"): ";",
    ("question", "mark"): "?",
    ("exclamation", "mark"): ".",
    ("open", "bracket"): "(",
    ("close", "bracket"): ")",
    ("open", "brackets"): "(",
    ("close", "brackets"): ")",
    ("open", "parenthesis"): "(",
    ("close", "parenthesis"): ")",
    ("dash",): "-",
    ("period",): ".",
}
_SPOKEN_SURE = frozenset({("full", "stop"), ("new", "line"), ("new", "paragraph"), ("comma",), ("period",)})


@lru_cache(maxsize=1)
def _tokenizer() -> Any:
    """spaCy's tokenizer with the splitting rules above; the words need no attributes of a language."""
    from spacy.tokenizer import Tokenizer
    from spacy.vocab import Vocab

    return Tokenizer(Vocab(), rules={}, prefix_search=_LEADING.search, infix_finditer=_SPLIT.finditer)


def _kind(text: str) -> str:
    if "\n" in text or "\r" in text:
        return "break"
    if text.isspace() or text in ("\ufeff", "\u200b"):
        return "space"
    if text[0].isdigit() or text in "½⅓¼¾⅔":
        return "number"
    if text[0].isalnum():
        return "word"
    return "punct"


_PIECES = re.compile(r"[^\W\d_]+|\d+|->|[^\w\s]")


@lru_cache(maxsize=16384)
def pieces(phrase: str) -> tuple[tuple[str, bool], ...]:
    """(key, skipped) of each word of a lexicon phrase, by the rules of the note's words."""
    words = phrase.split()
    if phrase.isascii() and all(w.isalpha() for w in words) and not {"a", "A"} & set(words):
        return tuple((key(w), w.casefold() in _SKIPPED) for w in words)  # the common case, fast
    out = []
    found = _PIECES.findall(plain_keep(phrase))
    for n, text in enumerate(found):
        if text == "'":
            continue
        if text == "-" and 0 < n < len(found) - 1 and found[n - 1].isalpha() and found[n + 1].isalpha():
            continue
        if text == "s" and n and found[n - 1] == "'":
            continue
        if text == "'":
            continue
        if (
            text in ("A", "a")
            and n + 1 < len(found)
            and found[n + 1] in ("&", "/")
            and plain_keep(phrase).casefold().find("a" + found[n + 1]) >= 0
        ):
            out.append((key(text), False))
            continue
        after_a = n > 0 and found[n - 1].casefold() == "a" and plain(text) in _SKIPPED_AFTER_A
        word, skipped = _piece(text)
        out.append((word, skipped or after_a))
    return tuple(out)


@lru_cache(maxsize=16384)
def _piece(text: str) -> tuple[str, bool]:
    return key(text), plain(text) in _SKIPPED


def plain_keep(text: str) -> str:
    """The text with curly quotes and dashes made straight; lengths may change."""
    return text.translate(_STRAIGHT)


_STRAIGHT = str.maketrans(
    {
        "\u2019": "'",
        "\u2018": "'",
        "\u201c": '"',
        "\u201d": '"',
        "\u2013": "-",
        "\u2014": "-",
        "\u2212": "-",
        "\u2010": "-",
        "\u2011": "-",
    }
)
_SIGN_KEYS = {
    "–": "-",
    "—": "-",
    "−": "-",
    "‐": "-",
    "‑": "-",
    "’": "'",
    "‘": "'",
    "“": '"',
    "”": '"',
    "›": ">",
    "→": "->",
    "×": "x",
    "⁄": "/",
    "∕": "/",
    "Δ": "^",
    "∆": "^",
    "△": "^",
}


def tokenize(note: Note) -> Tokens:
    """Split the note into tokens; every character is in a token or in the blank after one."""
    text = note.text
    # Half a surrogate pair cannot be encoded; one character stands in for it, so offsets hold.
    doc = _tokenizer()(_SURROGATE.sub("\ufffd", text))
    raw: list[tuple[int, int, str, str]] = []
    for token in doc:
        word = token.text
        start = token.idx
        kind = _kind(word)
        raw.append((start, start + len(word), word, kind))
    letters = sum(1 for _, _, w, k in raw if k == "word" and len(w) > 2)
    uppers = sum(1 for _, _, w, k in raw if k == "word" and len(w) > 2 and w.isupper())
    starts_upper = sum(1 for _, _, w, k in raw if k == "word" and w[0].isupper())
    mixed = bool(letters) and uppers < 0.8 * letters and starts_upper > 0.01 * len(raw)
    spoken = _spoken_signs(raw)
    tokens: list[Token] = []
    line = 0
    lines: list[int] = []
    for i, (start, end, word, kind) in enumerate(raw):
        sign = spoken.get(i, "")
        form = _SIGN_KEYS.get(word, word) if kind == "punct" else word
        skipped = False
        if kind == "word":
            low = plain(word)
            skipped = (
                low in _SKIPPED
                and not (word == "ER" and mixed)
                and not (word == "BE" and not _infinitive(raw, i))
                and not (len(word) == 1 and word.isupper() and mixed and i and word != "A")
            )
            before, after = raw[i - 1] if i else None, raw[i + 1] if i + 1 < len(raw) else None
            if low == "a" and after is not None and after[0] == end and after[2] in ("&", "/"):
                skipped = False
            if low in _SKIPPED_AFTER_A and before and plain(raw[i - 1][2]) == "a":
                skipped = True
            if low == "s" and before and before[2] in "'’" and before[1] == start:
                skipped = True
            form = key(word)
        elif kind == "punct":
            before, after = raw[i - 1] if i else None, raw[i + 1] if i + 1 < len(raw) else None
            if (
                form in ("'", '"')
                or form == "-"
                and before
                and after
                and before[3] == after[3] == "word"
                and before[1] == start
                and after[0] == end
            ):
                skipped = True
        elif kind == "space":
            skipped = True
        if sign:
            skipped = sign == "skip"
            kind = "break" if sign == "\n" else "punct"
            form = sign
        tokens.append(Token(i, start, end, text[start:end], form, kind, skipped, sign))
        lines.append(line)
        if kind == "break" and not sign:
            line += word.count("\n") or 1
    return Tokens(note, tuple(tokens), mixed, bool(spoken), tuple(lines))


def _infinitive(raw: list[tuple[int, int, str, str]], i: int) -> bool:
    """Whether "BE" in capitals is the verb: after TO, MAY, WILL ..."""
    return i > 0 and plain(raw[i - 1][2]) in (
        "to",
        "may",
        "will",
        "can",
        "could",
        "should",
        "would",
        "must",
        "might",
        "cannot",
        "not",
    )


def _hyphened(raw: list[tuple[int, int, str, str]], words: list[str], i: int) -> list[str]:
    """The two words of "full-stop"."""
    if i + 2 < len(raw) and raw[i + 1][2] == "-" and raw[i][1] == raw[i + 1][0] and raw[i + 1][1] == raw[i + 2][0]:
        return [words[i], words[i + 2]]
    return []


def _spoken_signs(raw: list[tuple[int, int, str, str]]) -> dict[int, str]:
    """Spoken punctuation, if the note is dictated with it: token index -> sign or "skip"."""
    words = [plain(w) if k == "word" else "" for _, _, w, k in raw]
    found: dict[int, str] = {}
    sure = 0
    for i, word in enumerate(words):
        if not word or i in found:
            continue
        for run, length in ((words[i : i + 2], 2), (_hyphened(raw, words, i), 3), (words[i : i + 1], 1)):
            sign = _SPOKEN.get(tuple(run))
            if sign is not None:
                found[i] = sign
                for extra in range(1, length):
                    found[i + extra] = "skip"
                sure += tuple(run) in _SPOKEN_SURE
                break
    return found if sure >= 2 else {}
