"""The normal form of a word: one key for its case, spelling and common endings.

The note and the lexicon go through the same function, so "Discs", "disk" and "disc"
meet under one key, and so do "droops", "drooped" and "drooping".
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

# Endings that look like a plural, a participle or an adverb and are none.
_WHOLE = frozenset(
    """lens pus this his its yes was has does is us as gas bias plus minus less across always
    perhaps versus needs red bed need feed speed indeed being thing nothing something anything
    everything noted noting evening morning during king ring bring spring string sling early only family
    daily barely reply apply supply likely lies eyes series""".split()
)
_IRREGULAR = {
    "fundi": "fundus",
    "maculae": "macula",
    "irides": "iris",
    "corneae": "cornea",
    "foveae": "fovea",
    "sclerae": "sclera",
    "conjunctivae": "conjunctiva",
    "uvulae": "uvula",
    "eyes": "eye",
    "lenses": "lens",
    "feet": "foot",
    "dioptre": "diopter",
    "dioptres": "diopter",
    "dioptr": "diopter",
    "metre": "meter",
    "metres": "meter",
    "millimetre": "millimeter",
    "millimetres": "millimeter",
    "centimetre": "centimeter",
    "centimetres": "centimeter",
    "centre": "center",
    "central": "central",
    "grey": "gray",
    "fibre": "fiber",
    "fibres": "fiber",
    "catarrh": "catarrh",
    "halves": "half",
}
_SPELLING = (
    (re.compile(r"^oe"), "e"),
    (re.compile(r"oed"), "ed"),
    (re.compile(r"oesoph"), "esoph"),
    (re.compile(r"aem"), "em"),
    (re.compile(r"^haem"), "hem"),
    (re.compile(r"aes"), "es"),
    (re.compile(r"aed"), "ed"),
    (re.compile(r"colour"), "color"),
    (re.compile(r"tumour"), "tumor"),
    (re.compile(r"odour"), "odor"),
    (re.compile(r"favour"), "favor"),
    (re.compile(r"^disk"), "disc"),
    (re.compile(r"ys(e|ed|es|ing)$"), r"yz\1"),
    (re.compile(r"(?<=[a-z]{3})is(e|ed|es|ing|ation)$"), r"iz\1"),
)
_PLURAL_KEEP = ("ss", "us", "is", "os")


@lru_cache(maxsize=65536)
def plain(text: str) -> str:
    """Casefolded, compatibility-folded text without accents: "É½" -> "e1⁄2"."""
    if text.isascii():
        return text.lower()
    folded = unicodedata.normalize("NFKD", text).casefold()
    return "".join(c for c in folded if not unicodedata.combining(c)).replace("\u2019", "'")


def _undouble(stem: str) -> str:
    if len(stem) > 3 and stem[-1] == stem[-2] and stem[-1] not in "lsz":
        return stem[:-1]
    return stem


def _whole_stem(stem: str) -> str:
    """The stem left by an ending: "mov" is "move", "shrugg" is "shrug"."""
    single = _undouble(stem)
    return stem + "e" if single == stem and len(stem) == 3 and stem[-1] not in "wxy" and stem[-2] in "aeiou" else single


@lru_cache(maxsize=65536)
def key(word: str) -> str:
    """The normal form of one word; "Drooping" -> "droop", "oedema" -> "edema"."""
    word = plain(word)
    if not word.isalpha():
        return word
    if word in _IRREGULAR:
        return _IRREGULAR[word]
    if len(word) < 4 or word in _WHOLE:
        return word
    for pattern, into in _SPELLING:
        word = pattern.sub(into, word)
    return _stem(word)


def _stem(word: str) -> str:
    if word in _WHOLE or len(word) < 4:
        return word
    if word.endswith("ies") and len(word) > 4:
        word = word[:-3] + "y"
    elif word.endswith(("sses", "xes", "ches", "shes")):
        word = word[:-2]
    elif word.endswith("s") and not word.endswith(_PLURAL_KEEP):
        word = word[:-1]
    if word.endswith("ing") and len(word) >= 6:
        word = _whole_stem(word[:-3])
    elif word.endswith("ed") and len(word) >= 5 and not word.endswith("eed"):
        word = _whole_stem(word[:-2])
    elif word.endswith("ally") and len(word) > 6:
        word = word[:-2]
    elif word.endswith("lly") and len(word) > 4:
        word = word[:-1]
    elif word.endswith("ly") and len(word) >= 6:
        word = word[:-2]
    if word.endswith("e") and len(word) >= 5:
        word = word[:-1]
    return word


@lru_cache(maxsize=65536)
def is_plural(word: str) -> bool:
    """Whether a noun is written in the plural ("discs", "fundi", "pupils")."""
    word = plain(word)
    if word in ("fundi", "maculae", "irides", "corneae", "conjunctivae", "eyes", "lenses", "sclerae", "foveae"):
        return True
    return (
        len(word) > 3
        and word not in _WHOLE
        and word.endswith("s")
        and not word.endswith(_PLURAL_KEEP)
        and word.isalpha()
    )
