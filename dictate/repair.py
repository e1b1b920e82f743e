"""Stage 3b: words that exact matching left over, read as trade terms by spelling and sound.

Two kinds of repair. A plain typing slip (one letter wrong, missing or doubled, two exchanged) in a
word that is no English word is read as stated. A stretch that sounds and looks like a trade term is
read as that term and marked `heard`, so that every row resting on it is put to the clinician.
The English words come from the frequency list of the package `wordninja`.
"""

from __future__ import annotations

import gzip
import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import metadata
from typing import NamedTuple

from rapidfuzz import process
from rapidfuzz.distance import OSA, Levenshtein

from dictate.lexicon import Lexicon, Sense
from dictate.marks import Mark
from dictate.note import Token, Tokens
from dictate.wording import is_plural, key, plain

_Phrase = tuple[str, ...]
_What = frozenset[tuple[str, str, str]]

_ENGLISH_WORDS = 60_000  # beyond this rank the frequency list holds misspellings too
_TARGETS = frozenset({"name", "alone", "word", "topic"})
_NOT_TARGETS = frozenset({"generic", "side", "unit", "direction", "context", "complete"})
_CONSUMABLE = frozenset({"generic", "unit", "mask", "hint", "context"})
_TITLES = frozenset({"mr", "mrs", "ms", "miss", "dr", "doctor", "prof", "professor", "sister", "nurse", "mister"})
_NUMBERS = frozenset(
    """zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen
    seventeen eighteen nineteen twenty thirty forty fifty sixty seventy eighty ninety hundred half quarter point
    nought first second third fourth fifth sixth seventh eighth ninth tenth over plus minus""".split()
)
_WINDOW = 5  # most words, small ones included, that one term is looked for in
_GAP = 3  # most words that stand for one word of a phrase


# -- sound

# Spelling -> sound, in order: silent letters, Greek and Latin groups, soft and hard consonants.
_SOUND = tuple(
    (re.compile(pattern), into)
    for pattern, into in (
        (r"^ps", "s"), (r"^p(?=[nt])|^[kg](?=n)|^w(?=r)|^m(?=n)", ""), (r"^x", "s"),
        (r"sch", "sk"), (r"ph", "f"), (r"rh+", "r"), (r"th", "T"), (r"sh|tch", "S"),
        (r"ch(?=[lr])|ch(?=or|oi|ia|y|ii|oa)", "k"), (r"ch", "S"),
        (r"igh", "i"), (r"^gh", "g"), (r"gh", ""),
        (r"[cst]ion", "Sn"), (r"(?:t|sc|c)ious", "SAs"), (r"[ct]ia(?=[^s])", "SA"), (r"ture?$", "SA"),
        (r"cc(?=[eiy])", "ks"), (r"s?c(?=[eiy])|(?<=[nu])c$", "s"), (r"ck|cqu|c", "k"), (r"qu?", "kw"), (r"x", "ks"),
        (r"dge?(?=[eiy]|$)|g(?=[iey])|(?<=r)g$", "j"), (r"gn$", "n"), (r"[gm]m$|mb$|mn$", "m"), (r"bt$", "t"),
        (r"z", "s"), (r"h", ""), (r"(?<=[a-zA-Z])y(?![aeiou])", "i"), (r"(?<=[^aeiouy])e$", ""), (r"(?<=[aeiou])w(?![aeiou])", "u"),
        (r"(?<=[aeiouA])r(?![aeiouyr])", ""),
        (r"oe|ae|ee|ea|ie|ei|ey|ay|ai|[ei]|y(?![aeiou])", "I"), (r"oo|ou|oa|oi|oy|au|aw|o", "O"), (r"[au]", "A"),
    )
)
_TWICE = re.compile(r"(.)\1+")
_VOWELS = re.compile(r"(?<=[AIO])[AIO]+(?=[AIO])")
# Sounds that are confused -> one sign; vowels go.
_CLASS = str.maketrans("bpfvtdTkgsSjcmnlr", "PPPPTTTKKSSSSNNLR", "AIOwyh")
_LETTERS = dict(
    zip(
        "abcdefghijklmnopqrstuvwxyz",
        "A bI sI dI I If jI IS I jI kI Il Im In O pI kyO A Is tI yO vI dAblyO Iks wI sId".split(),
        strict=True,
    )
)


@lru_cache(maxsize=65536)
def _word_sound(word: str) -> str:
    if len(word) == 1:
        return _LETTERS.get(word, "")
    linking = word.endswith("r")
    for pattern, into in _SOUND:
        word = pattern.sub(into, word)
    return word + "*" if linking else word


def sound(words: Iterable[str]) -> str:
    """The words run together as they sound: three vowel classes, no silent letters, no doubles."""
    run = "".join(map(_word_sound, words))
    if "*" in run:
        run = re.sub(r"\*(?=[AIO])", "r", run).replace("*", "")
    return _TWICE.sub(r"\1", _VOWELS.sub("", run))


def skeleton(heard: str) -> str:
    """The consonants of a `sound`, with those that are easily confused made one."""
    first = heard[:1]
    lead = "A" if first in ("A", "I", "O") else "P" if first == "w" else "S" if first == "y" else ""
    return lead + heard.translate(_CLASS)


# -- English


@lru_cache(maxsize=1)
def _english() -> dict[str, int]:
    """Everyday English words -> rank by frequency, 0 the most frequent."""
    path = metadata.distribution("wordninja").locate_file("wordninja/wordninja_words.txt.gz")
    ranks: dict[str, int] = {}
    with gzip.open(str(path), "rt", encoding="utf-8") as lines:
        for rank, line in enumerate(lines):
            if rank >= _ENGLISH_WORDS:
                break
            ranks[line.strip()] = rank
    return ranks


def _rank(word: str) -> int:
    """How common a word is; _ENGLISH_WORDS if it is no English word."""
    english = _english()
    rank = english.get(word)
    if rank is None and len(word) > 4:
        for end, into in (("s", ""), ("ed", ""), ("ed", "e"), ("ing", ""), ("ing", "e"), ("ly", ""), ("er", "")):
            if word.endswith(end) and (rank := english.get(word[: -len(end)] + into)) is not None:
                break
    return _ENGLISH_WORDS if rank is None else rank


# -- what the lexicon offers


@dataclass(frozen=True, slots=True)
class _Term:
    phrase: _Phrase
    heard: str
    bones: str
    letters: str
    what: _What
    topics: frozenset[str]


@dataclass
class _Index:
    vocabulary: frozenset[str]
    by_length: dict[int, tuple[list[str], list[_Term]]]
    bones: dict[str, list[_Term]]
    gaps: dict[tuple[_Phrase, _Phrase], list[tuple[str, _Phrase]]]
    deletions: dict[str, set[str]]
    pools: dict[int, tuple[list[str], list[_Term]]]


def _without_one(word: str) -> Iterator[str]:
    for i in range(len(word)):
        yield word[:i] + word[i + 1 :]


def _what(senses: Sequence[Sense]) -> _What:
    return frozenset((s.item or s.topic, s.value, str(s.context) if s.role != "name" else "") for s in senses)


def _topics(senses: Sequence[Sense], lexicon: Lexicon) -> frozenset[str]:
    found = set()
    for sense in senses:
        if sense.topic:
            found.add(sense.topic)
        group = lexicon.item_group.get(sense.item)
        if group:
            found.add("group " + group)
    return frozenset(found)


def _usable(senses: Sequence[Sense]) -> bool:
    roles = {s.role for s in senses}
    return bool(roles & _TARGETS) and not roles & _NOT_TARGETS and not all(s.cased for s in senses)


def _odd(word: str) -> bool:
    return word.isalpha() and len(word) > 3 and min(_rank(word), _rank(word + "e")) >= _ENGLISH_WORDS


def _index(lexicon: Lexicon) -> _Index:
    known = lexicon.cache.get("repair")
    if known is None:
        known = lexicon.cache["repair"] = _build(lexicon)
    index: _Index = known
    return index


def _build(lexicon: Lexicon) -> _Index:
    vocabulary = frozenset(w for table in (lexicon.phrases, lexicon.cues) for p in table for w in p)
    index = _Index(vocabulary, {}, {}, {}, {}, {})
    single = {p[0] for p in lexicon.phrases if len(p) == 1}
    trivial = {p[0] for p, senses in lexicon.phrases.items() if len(p) == 1 and not _usable(senses)} | _NUMBERS
    trivial |= {p[0] for p in lexicon.cues if len(p) == 1}
    for phrase, senses in lexicon.phrases.items():
        size = len(phrase)
        if size > 5 or not _usable(senses):
            continue
        if size == 1 or size <= 3 and any(w not in single and w not in trivial and _odd(w) for w in phrase):
            letters = "".join(phrase)
            if len(letters) < 5 or not letters.isalpha() or any(w in trivial for w in phrase):
                continue
            heard = sound(phrase)
            term = _Term(phrase, heard, skeleton(heard), letters, _what(senses), _topics(senses, lexicon))
            names, terms = index.by_length.setdefault(len(heard), ([], []))
            names.append(heard)
            terms.append(term)
            for bones in {term.bones, *_without_one(term.bones)}:
                index.bones.setdefault(bones, []).append(term)
        if size > 1:
            for i, word in enumerate(phrase):
                if len(word) > 2 and word not in trivial:
                    index.gaps.setdefault((phrase[:i], phrase[i + 1 :]), []).append((word, phrase))
    for word in vocabulary:
        if len(word) >= 4 and word.isalpha():
            index.deletions.setdefault(word, set()).add(word)
            for shorter in _without_one(word):
                index.deletions.setdefault(shorter, set()).add(word)
    return index
