"""What must hold of any text: no error, evidence at its place, one record for one note."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import dictate
from dictate.lexicon import load
from dictate.pipeline import read
from dictate.record import Record

ROOT = Path(__file__).parents[1]
REASONS = {"side", "order", "heard", "range", "conflict", "item", "value"}
SETTINGS = settings(
    max_examples=120,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


@cache
def words() -> list[str]:
    """Phrases of the lexicon, as the matcher keys them, in a fixed order."""
    lexicon = load()
    phrases = sorted({" ".join(p) for p in (*lexicon.phrases, *lexicon.cues)})
    return phrases[:: max(1, len(phrases) // 4000)]


NUMBERS = st.one_of(
    st.integers(0, 2000).map(str),
    st.decimals(0, 99, places=1, allow_nan=False).map(str),
    st.sampled_from(
        [
            "6/9",
            "6/6-2",
            "20/40",
            "N5",
            "0.3:1",
            "½",
            "3½",
            "4+",
            "++",
            "13/15",
            "16/22",
            "-2",
            "5>3",
            "5 -> 3",
            "30 %",
            "six nine",
            "twenty forty",
            "nought point three",
            "a half",
            "five to three",
            "14:20",
            "II-XII",
            "two to twelve",
            "oh",
            "point",
            "over",
            "minus two",
        ]
    ),
)
GLUE = st.sampled_from(
    [
        " ",
        " ",
        " ",
        ", ",
        ". ",
        "\n",
        "\r\n",
        "\t",
        " | ",
        ": ",
        " - ",
        "/",
        "; ",
        "? ",
        " (",
        ") ",
        "   ",
        "",
        "\n\n",
        " and ",
        " or ",
        " no ",
        " but ",
        " = ",
        " full stop ",
        " new line ",
        " sorry ",
        " scratch that ",
        "\u00a0",
        "\ufeff",
    ]
)
SIDES = st.sampled_from(
    [
        "right",
        "left",
        "R",
        "L",
        "OD",
        "OS",
        "RE",
        "LE",
        "both",
        "each eye",
        "the other eye",
        "OU",
        "same on the left",
    ]
)
NAMES = st.sampled_from(["no", "pupils", "disc", "pressure", "Weber", "VA"])


def soup() -> st.SearchStrategy[str]:
    """Words of the trade, numbers and sides in no order."""
    piece = st.one_of(st.sampled_from(words()), NUMBERS, SIDES)
    return st.lists(st.tuples(piece, GLUE), max_size=30).map(lambda parts: "".join(a + b for a, b in parts))


def said(record: Record) -> str:
    """The printed form."""
    return json.dumps(record.to_dict(), ensure_ascii=False)


def check(text: str) -> None:
    """All that must hold of the record of one text."""
    record = read(text, lexicon=load())
    printed: dict[str, Any] = record.to_dict()
    assert printed["note"]["characters"] == len(text)
    entries, flags = printed["entries"], printed["flags"]
    ids = [e["id"] for e in entries] + [f["id"] for f in flags]
    assert len(ids) == len(set(ids))
    known = {e["id"]: e for e in entries}
    named: dict[str, set[str]] = {}
    for flag in flags:
        assert flag["reason"] in REASONS and flag["question"] and flag["evidence"]
        assert set(flag["entries"]) <= set(known), flag
        for one in flag["entries"]:
            named.setdefault(one, set()).add(flag["id"])
    for entry in entries:
        assert (entry["state"] == "confirm") == (entry["id"] in named), entry
        assert set(entry.get("flags", [])) == named.get(entry["id"], set()), entry
        assert entry["evidence"], entry
        assert entry["value"] is not None or entry["state"] == "confirm", entry
        assert entry["side"] in (None, "right", "left", "both"), entry
        item = load().items[entry["item"]]
        assert set(entry["context"]) <= {*item.context, *item.soft_context}, entry
        if item.kind == "finding":
            assert entry["value"] in (None, "present", "absent", "suspected", "not_done"), entry
        if item.kind == "category":
            assert entry["value"] in (None, *item.values, "not_done"), entry
        if not item.sided and not item.side_optional:
            assert entry["side"] is None, entry
    for one in [*entries, *flags]:
        for evidence in one["evidence"]:
            assert text[evidence["start"] : evidence["end"]] == evidence["text"], one
    for derived in printed["derived"]:
        assert set(derived.get("entries", [])) <= set(known), derived
    for evidence in [*printed["unplaced"], *printed["left_out"]]:
        assert text[evidence["start"] : evidence["end"]] == evidence["text"], evidence
    assert json.loads(said(record)) == printed
    assert read(text, lexicon=load()) == record


@SETTINGS
@given(st.text(max_size=300))
def test_any_text(text: str) -> None:
    check(text)


@SETTINGS
@given(st.text(alphabet="0123456789./:-+%½¼³² \t\noOxX×>→≥NJRL", max_size=200))
def test_any_digits(text: str) -> None:
    check(text)


@SETTINGS
@given(soup())
def test_word_soup(text: str) -> None:
    check(text)


@SETTINGS
@given(soup().map(str.upper))
def test_word_soup_in_capitals(text: str) -> None:
    check(text)


@SETTINGS
@given(st.lists(st.one_of(st.text(max_size=8), NUMBERS, SIDES, NAMES), max_size=40))
def test_words_among_strange_characters(parts: list[str]) -> None:
    check(" ".join(parts))


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "\n\n\n",
        "...",
        "\ufeff",
        "\r",
        "\x00",
        "🙂 pupils 4 🙂",
        "a\u0301pupil\u0301s 4",
        "((((((",
        "no no no",
        "right left right left",
        "\u200b\u200b",
        "½",
        "/" * 50,
        "\ud800 pupils 4",
        "pupils\u20284\u2029mm",
    ],
)
def test_odd_texts(text: str) -> None:
    check(text)


def _notes() -> list[Path]:
    return sorted([*(ROOT / "tests" / "notes").glob("*.txt"), *(ROOT / "demo_notes").glob("*.txt")])


def test_every_note() -> None:
    for path in _notes():
        check(path.read_bytes().decode("utf-8"))


_ALL = """
import json, sys
from pathlib import Path
from dictate import read
for path in sys.argv[1:]:
    print(json.dumps(read(Path(path).read_bytes().decode("utf-8"), name="note").to_dict()))
"""


def test_the_hash_seed_changes_nothing() -> None:
    """The same records in two processes with other orders of sets and other string hashes."""
    outputs = []
    for seed in ("1", "4242"):
        env = {**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(Path(dictate.__file__).parents[1])}
        run = subprocess.run(
            [sys.executable, "-c", _ALL, *map(str, _notes())], capture_output=True, text=True, env=env, check=True
        )
        outputs.append(run.stdout.splitlines())
    assert len(outputs[0]) == len(_notes())
    for path, one, two in zip(_notes(), *outputs, strict=True):
        assert one == two, path.name
