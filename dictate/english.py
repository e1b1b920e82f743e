"""How common a word is in English, by the frequency list of the package `wordninja`."""

from __future__ import annotations

import gzip
from functools import lru_cache
from importlib import metadata

UNKNOWN = 1_000_000  # the rank of what the list lacks
WORDS = 60_000  # beyond this rank the list holds misspellings too
_ENDINGS = (("s", ""), ("ed", ""), ("ed", "e"), ("ing", ""), ("ing", "e"), ("ly", ""), ("er", ""))


@lru_cache(maxsize=1)
def words() -> dict[str, int]:
    """Everyday English words -> rank by frequency, 0 the most frequent."""
    path = metadata.distribution("wordninja").locate_file("wordninja/wordninja_words.txt.gz")
    with gzip.open(str(path), "rt", encoding="utf-8") as lines:
        return {word: rank for rank, word in enumerate(lines.read().split())}


@lru_cache(maxsize=65536)
def rank(word: str) -> int:
    """How common a word in small letters is, 0 the commonest; UNKNOWN if it is no English word."""
    known = words().get(word)
    if known is None and len(word) > 4:
        for end, into in _ENDINGS:
            if word.endswith(end) and (known := words().get(word[: -len(end)] + into)) is not None:
                break
    return UNKNOWN if known is None else known
