"""Stage 1b: words run together ("andclear", "rightpupil", "noptosis") as two tokens.

A word that is neither English nor of the lexicon is cut where both halves are known and only one
cut is possible. What a "no" or a side that came out of such a cut says is put to the clinician.
"""

from __future__ import annotations

from dataclasses import replace

from dictate import english
from dictate.lexicon import Lexicon
from dictate.note import Token, Tokens
from dictate.text import pieces

_TIED = frozenset({"no", "and", "right", "left"})  # words that recognisers and typists glue to the next
_ASKED = frozenset({"no", "right", "left"})
_SHORTEST = 4  # letters of a half that is a trade word


def split(tokens: Tokens, lexicon: Lexicon) -> Tokens:
    """The tokens with run-together words cut; `joined` holds those whose meaning is to be asked."""
    cuts = {t.i: cut for t in tokens.tokens if t.kind == "word" and (cut := _cut(t, lexicon))}
    if not cuts:
        return tokens
    out: list[Token] = []
    lines: list[int] = []
    asked: set[int] = set()
    for token in tokens.tokens:
        for start, end in _parts(token, cuts.get(token.i, 0)):
            text = token.text[start:end]
            one = replace(token, i=len(out), start=token.start + start, end=token.start + end, text=text)
            if token.i in cuts:
                word, skipped = pieces(text)[0]
                one = replace(one, key=word, skipped=skipped)
                if text.casefold() in _ASKED:
                    asked.add(one.i)
            out.append(one)
            lines.append(tokens.line_of[token.i])
    return replace(tokens, tokens=tuple(out), line_of=tuple(lines), joined=frozenset(asked))


def _parts(token: Token, cut: int) -> list[tuple[int, int]]:
    size = token.end - token.start
    return [(0, cut), (cut, size)] if cut else [(0, size)]


def _cut(token: Token, lexicon: Lexicon) -> int:
    """Where to cut a word; 0 if it is known, or if it cannot be cut in one way only."""
    text = token.text.casefold()
    if not 6 <= len(text) <= 24 or not text.isascii() or not text.isalpha() or (token.key,) in lexicon.phrases:
        return 0
    if token.key in lexicon.vocabulary() or english.rank(text) < english.WORDS:
        return 0
    found = [n for n in range(2, len(text) - 1) if _both_known(text[:n], text[n:], lexicon)]
    return found[0] if len(found) == 1 else 0


def _both_known(head: str, tail: str, lexicon: Lexicon) -> bool:
    if head in _TIED:
        return _trade(tail, lexicon) or head == "and" and tail in _TIED
    return tail in _TIED and _trade(head, lexicon) or _trade(head, lexicon) and _trade(tail, lexicon)


def _trade(text: str, lexicon: Lexicon) -> bool:
    """Whether a word is a phrase of the lexicon by itself."""
    if len(text) < _SHORTEST:
        return False
    every = pieces(text)
    return len(every) == 1 and (every[0][0],) in lexicon.phrases
