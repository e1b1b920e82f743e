"""Bytes of notes: what is read, as what, and what is refused with which words."""

from __future__ import annotations

import io
import os
import sys
import time
from pathlib import Path

import pytest

import dictate
from dictate.errors import NoteError
from dictate.files import MAX_BYTES, decode, read_file

NOTE = "Pupils 3½ mm, equal. Café owner’s own glasses – right 6/9."


def test_utf8_is_read_as_it_is() -> None:
    note = decode(NOTE.encode(), "n.txt")
    assert (note.text, note.encoding, note.usual) == (NOTE, "utf-8", True)


def test_a_byte_order_mark_and_line_ends_stay() -> None:
    note = decode(b"\xef\xbb\xbfVA R 6/9\r\nL 6/6\r\n", "n.txt")
    assert note.text == "\ufeffVA R 6/9\r\nL 6/6\r\n"
    for entry in dictate.read(note.text).entries:
        for evidence in entry.evidence:
            assert note.text[evidence.start : evidence.end] == evidence.text


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-32"])
def test_wide_encodings_are_read_and_named(encoding: str) -> None:
    note = decode(NOTE.encode(encoding), "n.txt")
    assert note.text == NOTE
    assert note.encoding_name in ("UTF-16", "UTF-32")


@pytest.mark.parametrize(
    ("text", "encoding", "name"),
    [
        ("The patient’s pupils 3½ mm", "cp1252", "Windows-1252"),
        ("café owner, pupils 3½ mm – brisk", "cp1252", "Windows-1252"),
        ("“No double vision”, he said", "cp1252", "Windows-1252"),
        ("café owner, pupils 4 mm", "mac_roman", "Mac Roman"),
    ],
)
def test_an_older_encoding_is_read_where_only_one_fits(text: str, encoding: str, name: str) -> None:
    note = decode(text.encode(encoding), "n.txt")
    assert (note.text, note.encoding_name) == (text, name)


REFUSED = [
    (b"\xe9tat", "may be Windows-1252 or Mac Roman"),
    (b"pupils \xff\xfa 4", "not UTF-8"),
    ("café, clich".encode() + b"\xc3", "UTF-8 with damage at byte 13"),
    (b"\xff\xfeP", "UTF-16 and is damaged"),
    (b"%PDF-1.7 ...", "a PDF document"),
    (b"PK\x03\x04....", "a word processor file or an archive"),
    (b"{\\rtf1 Pupils}", "an RTF document"),
    (b"\x89PNG\r\n", "a picture"),
    (b"Pupils\x00\x01\x02\x00equal", "a binary file"),
    (bytes(range(256)) * 4, "a binary file"),
    (bytes([1, 2, 3, 4, 5, 6, 7, 8]) * 9, "a binary file"),
    (os.urandom(0) + bytes((n * 89 + 7) % 251 + 1 for n in range(5000)), "binary file or of an unknown encoding"),
    (b"a" * (MAX_BYTES + 1), "at most"),
]


@pytest.mark.parametrize(("data", "reason"), REFUSED, ids=[r for _, r in REFUSED])
def test_anything_else_is_refused_by_name_and_reason(data: bytes, reason: str) -> None:
    with pytest.raises(NoteError) as error:
        decode(data, "n.txt")
    message = str(error.value)
    assert message.startswith("n.txt: ")
    assert reason in message
    assert "\n" not in message


def test_every_encoding_gives_a_note_or_one_sentence() -> None:
    encodings = [
        "utf-7",
        "latin-1",
        "cp1250",
        "cp1251",
        "cp437",
        "shift_jis",
        "gb18030",
        "utf-8-sig",
        "cp037",
        "koi8-r",
    ]
    for encoding in encodings:
        data = NOTE.encode(encoding, "replace")
        try:
            assert decode(data, "n.txt").text
        except NoteError as error:
            assert "\n" not in str(error)


def test_a_file_is_named_by_its_last_part(tmp_path: Path) -> None:
    place = tmp_path / "monday" / "n07.txt"
    place.parent.mkdir()
    place.write_bytes(b"Pupils equal.\r\n")
    note = read_file(str(place))
    assert (note.name, note.text) == ("n07.txt", "Pupils equal.\r\n")


def test_missing_files_and_folders(tmp_path: Path) -> None:
    with pytest.raises(NoteError, match="there is no such file"):
        read_file(str(tmp_path / "none.txt"))
    with pytest.raises(NoteError, match="this is a folder"):
        read_file(str(tmp_path))
    with pytest.raises(NoteError):
        read_file("a\0b")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    place = tmp_path / "n.txt"
    place.write_text("Pupils equal.")
    place.chmod(0)
    with pytest.raises(NoteError, match="permission denied"):
        read_file(str(place))


def test_a_large_file_is_refused_quickly(tmp_path: Path) -> None:
    place = tmp_path / "big.txt"
    place.write_bytes(b"Pupils equal. " * 750_000)
    start = time.perf_counter()
    with pytest.raises(NoteError, match=r"2 MB at most, and this has 10\.5 MB"):
        read_file(str(place))
    assert time.perf_counter() - start < 2


def test_an_endless_file_is_refused() -> None:
    if not Path("/dev/zero").exists():
        pytest.skip("no endless file on this system")
    with pytest.raises(NoteError, match="at most"):
        read_file("/dev/zero")


def test_standard_input(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(b"Pupils equal.")))
    assert read_file("-").text == "Pupils equal."
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(b"x" * (MAX_BYTES + 5))))
    with pytest.raises(NoteError, match=r"standard input: .* more"):
        read_file("-")


EMPTY = {
    "nothing": "",
    "a blank": " ",
    "a byte-order mark": "\ufeff",
    "line ends": "\r\n\r\n\n",
    "signs": "?!. , ;; -- ... /// ((( ))) %% ½",
    "fillers": "um er uh well",
    "nothing but a letter": "x",
}


@pytest.mark.parametrize("text", EMPTY.values(), ids=EMPTY.keys())
def test_nothing_said_gives_an_empty_record(text: str) -> None:
    record = dictate.read(text)
    assert record.entries == ()


@pytest.mark.parametrize(
    "line",
    ["a" * 60_000, "7" * 20_000, "no " * 8_000, "(" * 20_000, "right left " * 4_000, "6/9 " * 4_000, "-" * 30_000],
    ids=["letters", "digits", "no", "brackets", "sides", "acuities", "dashes"],
)
def test_one_endless_line_is_read_in_time(line: str) -> None:
    start = time.perf_counter()
    record = dictate.read(line)
    assert record.characters == len(line)
    assert time.perf_counter() - start < 20


@pytest.mark.slow
def test_a_note_of_a_megabyte_is_read() -> None:
    sentence = "Right pupil 4 mm and left 5 mm. It had been a long and wet day outside. "
    text = sentence * (1_000_000 // len(sentence))
    start = time.perf_counter()
    record = dictate.read(text)
    assert record.characters == len(text)
    assert record.entries
    assert time.perf_counter() - start < 240
