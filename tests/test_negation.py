"""Negation: our own sentences, and the public sentence set of the NegEx paper where it is at hand.

The set (Chapman WW et al., J Biomed Inform 2001;34:301-310) is read in place and never copied
here. The paper's rule algorithm reached sensitivity 0.78 and specificity 0.94 (from memory).
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from pathlib import Path

import pytest

from dictate import modes, pipeline
from dictate.lexicon import Lexicon, default_folder, load, load_folders, phrase_keys
from dictate.marks import Mark
from dictate.note import Note
from dictate.rows import Emitter

SENTENCES = Path(__file__).parents[2] / "shared" / "negation" / "Annotations-1-120.txt"
SHARED_FILES = ("context", "corrections", "cues", "modes", "sides", "talk", "units", "values")
PUBLISHED = {"sensitivity": 0.78, "specificity": 0.94}
F1_FLOOR = 0.95


# ---- our own sentences ------------------------------------------------------------------------

Polarity = dict[str, str]

OWN: list[tuple[str, Polarity]] = [
    ("no lagging, redness or itching", {"lagging": "absent", "redness": "absent", "itching": "absent"}),
    ("no lagging, redness, and no itching", {"lagging": "absent", "redness": "absent", "itching": "absent"}),
    ("no lagging but redness", {"lagging": "absent", "redness": "present"}),
    ("no lagging, however there is redness", {"lagging": "absent", "redness": "present"}),
    ("no lagging apart from redness", {"lagging": "absent", "redness": "present"}),
    ("no lagging and she has redness", {"lagging": "absent", "redness": "present"}),
    ("no lagging, there is redness", {"lagging": "absent", "redness": "present"}),
    ("no lagging; redness", {"lagging": "absent", "redness": "present"}),
    ("no lagging. Redness.", {"lagging": "absent", "redness": "present"}),
    ("no lagging is seen", {"lagging": "absent"}),
    ("no lagging or redness can be seen", {"lagging": "absent", "redness": "absent"}),
    ("there is no evidence that there was lagging", {"lagging": "absent"}),
    ("I don't think there is lagging", {"lagging": "absent"}),
    ("without lagging or redness", {"lagging": "absent", "redness": "absent"}),
    ("neither lagging nor redness", {"lagging": "absent", "redness": "absent"}),
    ("negative for lagging, redness or itching", {"lagging": "absent", "redness": "absent", "itching": "absent"}),
    ("free of lagging", {"lagging": "absent"}),
    ("no swollen glands, lagging or redness", {"lagging": "absent", "redness": "absent"}),
    ("no lagging redness or itching", {"lagging": "absent", "redness": "absent", "itching": "absent"}),
    ("no lagging redness", {"lagging": "absent", "redness": "absent"}),
    ("no lagging she has redness", {"lagging": "absent", "redness": "present"}),
    ("denies lagging, redness, or itching", {"lagging": "absent", "redness": "absent", "itching": "absent"}),
    ("denied any lagging", {"lagging": "absent"}),
    ("not in keeping with lagging", {"lagging": "absent"}),
    ("the picture would not support lagging", {"lagging": "absent"}),
    ("lagging was ruled out", {"lagging": "absent"}),
    ("lagging and redness have been ruled out", {"lagging": "absent", "redness": "absent"}),
    ("lagging is unlikely", {"lagging": "absent"}),
    ("unlikely to be lagging", {"lagging": "absent"}),
    ("lagging has resolved", {"lagging": "absent"}),
    ("lagging, resolved", {"lagging": "absent"}),
    ("redness, but lagging was excluded", {"lagging": "absent", "redness": "present"}),
    # a negating word that does not deny what follows it
    ("no change in the lagging", {"lagging": "present"}),
    ("no increase in lagging", {"lagging": "present"}),
    ("no significant change in lagging", {"lagging": "present"}),
    ("not only lagging", {"lagging": "present"}),
    ("without change and lagging", {"lagging": "present"}),
    ("no cause for the lagging", {"lagging": "present"}),
    ("we do not know the cause of her lagging", {"lagging": "present"}),
    ("not due to lagging", {"lagging": "present"}),
    # a denial denied
    ("not without lagging", {"lagging": "present"}),
    ("no doubt about the lagging", {"lagging": "present"}),
    ("lagging cannot be denied", {"lagging": "present"}),
    ("by no means free of lagging", {"lagging": "present"}),
    ("I do not doubt that there is lagging", {"lagging": "present"}),
    ("it cannot be said that there is no lagging", {"lagging": "present"}),
    ("it would be wrong to say that there was not any lagging", {"lagging": "present"}),
    ("I would not hesitate to call it lagging", {"lagging": "present"}),
    # a denial by a verb of saying or by its sense
    ("it cannot be said that there is lagging", {"lagging": "absent"}),
    ("I can't agree that there is lagging", {"lagging": "absent"}),
    ("I could not persuade myself of any lagging", {"lagging": "absent"}),
    ("nor was there anything that was lagging", {"lagging": "absent"}),
    ("lagging has not been borne out", {"lagging": "absent"}),
    ("lagging is less likely", {"lagging": "absent"}),
    # doubt is no denial
    ("lagging has not been ruled out", {"lagging": "suspected"}),
    ("lagging cannot be dismissed", {"lagging": "suspected"}),
    ("cannot exclude lagging", {"lagging": "suspected"}),
    ("lagging cannot be excluded", {"lagging": "suspected"}),
    ("not sure if lagging", {"lagging": "suspected"}),
    ("no suspicion of lagging", {"lagging": "absent"}),
]


def invented(concepts: list[str], folder: Path) -> Lexicon:
    """A lexicon of the shared files alone with one finding item per concept."""
    for name in SHARED_FILES:
        source = default_folder() / f"{name}.toml"
        (folder / f"{name}.toml").write_bytes(source.read_bytes())
    parts = ['group = "invented"']
    seen: set[tuple[str, ...]] = set()
    for concept in concepts:
        words = " ".join(re.sub(r'[|?_^"\\]', " ", concept).split())
        keys = phrase_keys(words)
        if not keys or keys in seen:
            continue
        seen.add(keys)
        parts.append(
            f'[[item]]\nkey = "made.n{len(seen)}"\ntitle = "invented"\nkind = "finding"\nsides = "none"\n'
            f'[item.alone]\npresent = ["{words}"]'
        )
    (folder / "invented.toml").write_text("\n".join(parts), encoding="utf-8")
    return load_folders([folder])


def polarity(lexicon: Lexicon, sentence: str, span: tuple[int, int]) -> str | None:
    """present, absent or suspected of the finding at these characters; None if none was read.

    The stages run with every stretch taken as a finding of today, so that history and plans,
    which are no matter of negation, do not hide it.
    """
    reading = pipeline.Reading(Note(sentence), lexicon)
    pipeline.read_tokens(reading)
    pipeline.read_marks(reading)
    tokens = reading.tokens
    reading.marks.groups = []
    reading.modes = modes.Modes(["finding"] * len(tokens), [-1] * len(tokens))
    pipeline.build_scene(reading)
    pipeline.bind(reading)
    rows = Emitter(reading.scene, reading.bound).emit()

    def here(mark: Mark) -> bool:
        return tokens[mark.start].start < span[1] and span[0] < tokens[mark.end - 1].end

    found: list[tuple[int, str]] = []
    for mark in reading.marks.marks:
        items = {s.item for s in mark.of("alone")}
        if here(mark):
            found += [(abs(r.order - mark.start), str(r.value)) for r in rows if r.item in items]
    return min(found)[1] if found else None


@pytest.fixture(scope="module")
def own_lexicon(tmp_path_factory: pytest.TempPathFactory) -> Lexicon:
    return invented(["lagging", "redness", "itching"], tmp_path_factory.mktemp("own"))


@pytest.mark.parametrize(("sentence", "wanted"), OWN, ids=[s for s, _ in OWN])
def test_own_sentences(own_lexicon: Lexicon, sentence: str, wanted: Polarity) -> None:
    got = {}
    for word in wanted:
        start = sentence.casefold().index(word)
        got[word] = polarity(own_lexicon, sentence, (start, start + len(word)))
    assert got == wanted


def test_normal_words_are_not_denied_with_a_list_of_findings() -> None:
    record = pipeline.read("discs not swollen, pink", lexicon=load())
    assert {(e.item, e.value) for e in record.entries} == {("disc.swelling", "absent"), ("disc.pallor", "absent")}


def test_a_long_line_of_denials_is_read_in_good_time(own_lexicon: Lexicon) -> None:
    text = "no " * 3000 + "lagging " * 3000
    reading = pipeline.Reading(Note(text), own_lexicon)
    for stage in pipeline.STAGES[:-1]:
        stage(reading)
    assert len(reading.observations) == 1


# ---- the public set ---------------------------------------------------------------------------

Sentence = tuple[str, str, bool]


def public_set() -> list[Sentence]:
    """(concept, sentence, negated), the header left out."""
    with SENTENCES.open(newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file, delimiter="\t"))[1:]
    return [(concept, sentence, gold == "Negated") for _, concept, sentence, gold in rows]


def place(concept: str, sentence: str) -> tuple[int, int] | None:
    """Where a sentence holds the concept; the set writes it in capitals there."""
    pattern = r"\s+".join(re.escape(word) for word in concept.split())
    found = list(re.finditer(pattern, sentence, re.IGNORECASE))
    capitals = [m for m in found if m.group().isupper()]
    chosen = (capitals or found)[:1]
    return chosen[0].span() if chosen else None


def test_public_sentences(tmp_path: Path) -> None:
    if not SENTENCES.exists():
        pytest.skip("the public negation set (shared/negation) is not at hand")
    rows = public_set()
    lexicon = invented([concept for concept, _, _ in rows], tmp_path)
    counts: Counter[tuple[bool, bool]] = Counter()
    unread = 0
    faults = []
    for concept, sentence, negated in rows:
        span = place(concept, sentence)
        if span is None:  # the concept reaches over the end of its sentence
            continue
        value = polarity(lexicon, sentence, span)
        unread += value is None
        counts[negated, value == "absent"] += 1
        if negated != (value == "absent"):
            faults.append(f"{concept!r} read as {value}: {sentence[-200:]!r}")
    right, missed, needless = counts[True, True], counts[True, False], counts[False, True]
    precision = right / (right + needless)
    recall = right / (right + missed)
    f1 = 2 * precision * recall / (precision + recall)
    specificity = counts[False, False] / (counts[False, False] + needless)
    print(
        f"\nnegation over {sum(counts.values())} sentences: precision {precision:.3f}, recall {recall:.3f}, "
        f"F1 {f1:.3f}; sensitivity {recall:.3f} (published {PUBLISHED['sensitivity']}), "
        f"specificity {specificity:.3f} (published {PUBLISHED['specificity']})"
    )
    assert unread <= 10, f"{unread} concepts were not found in their sentence"
    assert f1 >= F1_FLOOR, "\n".join(faults)
