"""Words that give no row are kept: left out with the reason, or shown as not placed."""

from __future__ import annotations

from pathlib import Path

import pytest

import dictate

NOTES = sorted((Path(__file__).parents[1] / "demo_notes").glob("*.txt")) + sorted(
    (Path(__file__).parent / "notes").glob("*.txt")
)

SHOWN = [
    ("Acuity normal in both eyes.", ["Acuity normal in both eyes"]),
    ("Pressures fine. Pupils equal.", ["Pressures fine"]),
    ("Romberg negative. Pupils equal.", ["Romberg negative"]),
    ("Pupils equal, gait steady, no nystagmus.", ["gait steady"]),
    ("Acuity normal and N5 right.", ["Acuity normal"]),
    ("Blood pressure 140/80.", ["Blood pressure 140/80"]),
]

REASONS = [
    ("He had a right ptosis as a child. Pupils equal.", "history"),
    ("Look at the light for me. Pupils equal.", "talk"),
    ("Checking for a relative defect. Pupils equal.", "purpose"),
    ("Pressure right 16, normal is up to 21.", "quoted"),
]


@pytest.mark.parametrize(("note", "shown"), SHOWN)
def test_what_has_no_item_is_shown(note: str, shown: list[str]) -> None:
    assert [e.text for e in dictate.read(note).unplaced] == shown


@pytest.mark.parametrize(("note", "reason"), REASONS)
def test_what_is_left_out_says_why(note: str, reason: str) -> None:
    record = dictate.read(note)
    assert [because for because, _ in record.silent] == [reason]
    assert record.entries
    assert not record.unplaced


@pytest.mark.parametrize("note", ["VITALS\nPupils equal.", "Pupils: equal.", "II\nPupils equal.", "1. Pupils equal."])
def test_a_heading_states_nothing(note: str) -> None:
    assert dictate.read(note).unplaced == ()


@pytest.mark.parametrize("path", NOTES, ids=lambda p: p.stem)
def test_nothing_of_a_note_goes_unseen(path: Path) -> None:
    """Each sentence has an entry, a question or a remainder, or is but names of tests and talk of structure."""
    text = path.read_bytes().decode()
    record = dictate.read(text)
    told = [e for x in record.entries for e in x.evidence] + [e for f in record.flags for e in f.evidence]
    rest = [*record.unplaced, *(e for _, e in record.silent)]
    assert all(text[e.start : e.end] == e.text for e in rest)
    assert not any(e.start < o.end and o.start < e.end for e in record.unplaced for o in told)
    seen = sum(e.end - e.start for e in _merged([*told, *rest]))
    assert seen > 0.6 * len("".join(text.split()))


def _merged(spans: list[dictate.Evidence]) -> list[dictate.Evidence]:
    out: list[dictate.Evidence] = []
    for one in sorted(spans, key=lambda e: (e.start, -e.end)):
        if not out or one.end > out[-1].end:
            start = max(one.start, out[-1].end if out else 0)
            out.append(dictate.Evidence(start, one.end, one.text))
    return out
