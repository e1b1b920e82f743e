"""The corpus tables: short utterances and exactly the rows they give, file by file.

Floors: the share of utterances that must be read exactly as written down, in each file and over
all of them. The utterances that are not are listed when a floor is broken.
"""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import scoring

from dictate.lexicon import load
from dictate.pipeline import read

CORPUS = Path(__file__).parent / "corpus"
FILES = sorted(CORPUS.glob("*.toml"))
FILE_FLOOR = 0.88
FLOOR = 0.945
REASONS = {"side", "order", "heard", "range", "conflict", "item", "value"}

Wanted = list[Any]


@cache
def _cases(name: str) -> list[dict[str, Any]]:
    cases: list[dict[str, Any]] = tomllib.loads((CORPUS / name).read_text(encoding="utf-8"))["case"]
    return cases


def _row(wanted: Wanted, state: str) -> tuple[Any, ...]:
    item, side, value, *rest = wanted
    context = next((r for r in rest if isinstance(r, dict)), {})
    row = {"item": item, "side": side or None, "value": None if value == "" else value, "context": context}
    return (state, *scoring.identity(row, load()))


def expected(case: dict[str, Any]) -> set[tuple[Any, ...]]:
    """The rows of a case, each with its state."""
    rows = {_row(w, "stated") for w in case.get("rows", [])}
    return rows | {_row(w, "confirm") for w in case.get("ask", [])}


def fault(case: dict[str, Any], say: str) -> str:
    """What is wrong with the reading of one utterance; empty if nothing is."""
    record = read(say, lexicon=load()).to_dict()
    got = {(e["state"], *scoring.identity(e, load())) for e in record["entries"]}
    wanted = expected(case)
    if got != wanted:
        return f"missing {sorted(wanted - got, key=str)}, too much {sorted(got - wanted, key=str)}"
    reasons = {f["reason"] for f in record["flags"] if f["entries"]}
    asked = {w[3] for w in case.get("ask", [])}
    return "" if reasons == asked else f"asked because of {sorted(reasons)}, not {sorted(asked)}"


@cache
def faults(name: str) -> tuple[int, list[str]]:
    """How many utterances a file holds, and those not read as written down."""
    said = [(case, say) for case in _cases(name) for say in case["say"]]
    return len(said), [f"{say!r}: {what}" for case, say in said if (what := fault(case, say))]


@pytest.mark.parametrize("name", [f.name for f in FILES])
def test_wordings(name: str) -> None:
    said, wrong = faults(name)
    share = 1 - len(wrong) / said
    assert share >= FILE_FLOOR, "\n".join([f"{name}: {share:.3f} of {said} utterances, floor {FILE_FLOOR}", *wrong])


def test_all_wordings() -> None:
    found = {f.name: faults(f.name) for f in FILES}
    said = sum(n for n, _ in found.values())
    wrong = sum(len(w) for _, w in found.values())
    share = 1 - wrong / said
    print(f"\ncorpus: {said - wrong} of {said} utterances read as written down ({share:.3f})")
    assert share >= FLOOR, "\n".join(f"{name}: {len(w)} of {n} wrong" for name, (n, w) in found.items())


@pytest.mark.parametrize("name", [f.name for f in FILES])
def test_tables_fit_the_dictionary(name: str) -> None:
    """Items, sides, values and reasons of the tables exist."""
    items = load().items
    for case in _cases(name):
        assert case["say"], case
        for wanted in [*case.get("rows", []), *case.get("ask", [])]:
            item = items[wanted[0]]
            assert wanted[1] in ("", "right", "left", "both"), wanted
            allowed = item.values if item.kind == "category" else ["present", "absent", "suspected"]
            if item.kind in ("category", "finding"):
                assert wanted[2] in [*allowed, "not_done", ""], wanted
            for context in [w for w in wanted[3:] if isinstance(w, dict)]:
                assert set(context) <= {*item.context, *item.soft_context}, wanted
        for wanted in case.get("ask", []):
            assert wanted[3] in REASONS, wanted
