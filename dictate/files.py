"""A note's bytes -> its text, exactly as written, or one plain sentence why not.

UTF-8 and marked UTF-16 or UTF-32 are read as such. Anything else is read only if exactly one
of the older encodings makes sense of every character that is not ASCII where it stands ("½"
after a digit, "’" inside a word); otherwise the note is refused and the encoding in question is named.
Line ends and a byte-order mark of UTF-8 stay in the text, so that offsets hold for the file.
"""

from __future__ import annotations

import sys
import unicodedata
from dataclasses import dataclass, replace
from pathlib import Path

from dictate.errors import NoteError

MAX_BYTES = 2_000_000
STDIN = "-"

_MARKS = (
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
)
_DOCUMENTS = (
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a word processor file or an archive"),
    (b"\xd0\xcf\x11\xe0", "a word processor file"),
    (b"{\\rtf", "an RTF document"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"GIF8", "a picture"),
    (b"RIFF", "a sound or picture file"),
    (b"ID3", "a sound file"),
    (b"OggS", "a sound file"),
    (b"fLaC", "a sound file"),
)
_OLDER = {"cp1252": "Windows-1252", "mac_roman": "Mac Roman"}
_NAMES = {"utf-8": "UTF-8", "utf-16": "UTF-16", "utf-32": "UTF-32", **_OLDER}
_CONTROL = frozenset(range(32)) - frozenset(b"\t\n\v\f\r\x1a\x1b")
_SAVE = "save it as plain text in UTF-8 and try again"


@dataclass(frozen=True)
class NoteFile:
    """A note as it came: a name to print, its text, and the encoding it was read in."""

    name: str
    text: str
    encoding: str = "utf-8"

    @property
    def usual(self) -> bool:
        """Whether the encoding is the expected one and needs no mention."""
        return self.encoding == "utf-8"

    @property
    def encoding_name(self) -> str:
        """The encoding as people call it: "Windows-1252"."""
        return _NAMES[self.encoding]


def size(count: int) -> str:
    """A number of bytes in words: "10 MB"."""
    return f"{count / 1_000_000:.3g} MB" if count >= 100_000 else f"{count} bytes"


def _too_large(name: str, found: str) -> NoteError:
    return NoteError(f"{name}: a note can have {size(MAX_BYTES)} at most, and this has {found}")


def decode(data: bytes, name: str) -> NoteFile:
    """The text of a note's bytes. Raises NoteError: too large, binary, or of no certain encoding."""
    if len(data) > MAX_BYTES:
        raise _too_large(name, f"{size(len(data))}")
    for start, what in _DOCUMENTS:
        if data.startswith(start):
            raise NoteError(f"{name}: this is {what}, not a note in plain text; {_SAVE}")
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            try:
                return NoteFile(name, data.decode(encoding), encoding)
            except UnicodeDecodeError:
                raise NoteError(f"{name}: begins as {_NAMES[encoding]} and is damaged; {_SAVE}") from None
    if b"\x00" in data:
        return _unmarked(data, name)
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        return _older(data, name, error)
    if sum(b in _CONTROL for b in data) > len(data) // 100:
        raise NoteError(f"{name}: this is a binary file, not a note; {_SAVE}")
    return NoteFile(name, text)


def _unmarked(data: bytes, name: str) -> NoteFile:
    """UTF-16 without its mark: nearly every other byte is zero. Any other zero byte is binary."""
    for encoding, zeros in (("utf-16-le", data[1::2]), ("utf-16-be", data[0::2])):
        if len(data) % 2 == 0 and zeros.count(0) > 0.8 * len(zeros):
            try:
                text = data.decode(encoding)
            except UnicodeDecodeError:
                continue
            if all(c.isprintable() or c.isspace() for c in text):
                return NoteFile(name, text, "utf-16")
    raise NoteError(f"{name}: this is a binary file, not a note; {_SAVE}")


def _older(data: bytes, name: str, error: UnicodeDecodeError) -> NoteFile:
    """The one older encoding in which every character stands where it belongs."""
    foreign = [b for b in data if b >= 0x80]
    if sum(b in _CONTROL for b in data) > len(data) // 100 or len(foreign) > len(data) // 3:
        raise NoteError(f"{name}: this is a binary file or of an unknown encoding, not a note; {_SAVE}") from None
    fitting = []
    for encoding in _OLDER:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if all(c.isascii() or _fits(text, i) for i, c in enumerate(text)):
            fitting.append(NoteFile(name, text, encoding))
    if len({one.text for one in fitting}) == 1:
        return fitting[0]
    if fitting:
        possible = " or ".join(f.encoding_name for f in fitting)
        raise NoteError(f"{name}: not UTF-8; it may be {possible}; {_SAVE}") from None
    if data.decode("utf-8", "ignore").isascii():
        raise NoteError(f"{name}: not UTF-8, and the encoding is not known for certain; {_SAVE}") from None
    raise NoteError(f"{name}: UTF-8 with damage at byte {error.start + 1}; {_SAVE}") from None


def _fits(text: str, i: int) -> bool:
    """Whether a character that is not ASCII stands where it belongs in English prose or figures."""
    char = text[i]
    before, after = text[i - 1 : i], text[i + 1 : i + 2]
    if char == "\u00a0":
        return True
    if unicodedata.name(char, "").startswith("LATIN") and char.isalpha():
        return _letter(char, before, after)
    if char in "½¼¾":
        return not before.isalpha() and not after.isalnum()
    if char in "°²³":
        return before.isdigit() or before.isalpha() or before.isspace() and after in ("C", "F")
    if char in "±×÷·":
        return not before.isalpha() and (after.isdigit() or after.isspace())
    if char == "µ":
        return not before.isalpha() and after in ("m", "l", "g")
    if char == "’":
        return before.isalnum()
    if char in "‘“":
        return not before.isalnum() and after.isalnum()
    if char == "”":
        return not before.isspace() and not after.isalnum()
    if char in "–—":
        return before.isspace() and after.isspace() or before.isalnum() and after.isalnum()
    if char == "•":
        return not before.strip() and not after.isalnum()
    return char == "…" and not after.isalnum()


def _letter(char: str, before: str, after: str) -> bool:
    """An accented letter beside other letters, of their case, and no quotation mark misread."""
    quotation = {"í": after in ("s", "t", "d"), "ì": not before.isalpha(), "î": not after.isalpha()}
    if quotation.get(char, False):
        return False
    if not (before.isascii() and before.isalpha() or after.isascii() and after.isalpha()):
        return False
    return char.islower() or not before.islower()


def read_file(path: str) -> NoteFile:
    """Read one note; "-" is standard input. Raises NoteError with the file's name and the reason."""
    if path == STDIN:
        data = sys.stdin.buffer.read(MAX_BYTES + 1)
        if len(data) > MAX_BYTES:
            raise _too_large("standard input", "more")
        return decode(data, "standard input")
    place = Path(path)
    try:
        if place.is_dir():
            raise NoteError(f"{path}: this is a folder; name the notes in it")
        with place.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
            whole = place.stat().st_size
    except FileNotFoundError:
        raise NoteError(f"{path}: there is no such file") from None
    except PermissionError:
        raise NoteError(f"{path}: this file may not be read (permission denied)") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise NoteError(f"{path}: {reason.lower()}") from None
    if len(data) > MAX_BYTES:
        raise _too_large(path, size(whole) if whole > MAX_BYTES else "more")
    return replace(decode(data, path), name=place.name)
