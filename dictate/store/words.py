"""Text on its way into the store: what every database can hold, and what a search compares."""

from __future__ import annotations

import json
import re
import unicodedata
from hashlib import sha256
from typing import Any

_SURROGATE = re.compile("[\ud800-\udfff]")


def plain(text: str) -> str:
    """The text with split surrogate pairs joined; lone halves stay as they are."""
    if not _SURROGATE.search(text):
        return text
    return text.encode("utf-16", "surrogatepass").decode("utf-16", "surrogatepass")


def line(text: str) -> str:
    """One line without control characters, for names, initials and references."""
    kept = "".join(" " if unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") else c for c in text)
    return " ".join(kept.split())


def written(value: Any) -> str:
    """Compact JSON that holds any text: a NUL and half a surrogate pair are written as escapes."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    return _SURROGATE.sub(lambda half: f"\\u{ord(half.group()):04x}", text)


def folded(text: str) -> str:
    """The text as a search sees it: no case, no accents."""
    apart = unicodedata.normalize("NFKD", text)
    return "".join(c for c in apart if not unicodedata.combining(c)).casefold()


def digest(text: str) -> str:
    """SHA-256 of a note's text in hexadecimal, as a record's `note.sha256` has it."""
    return sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
