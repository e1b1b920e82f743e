"""What a finding is taken to be: normal, or not. Words such as "positive" decide nothing here; the norms do."""

from __future__ import annotations

from typing import Literal

from dictate.derived.acuity import best, convert
from dictate.derived.compute import compute
from dictate.derived.facts import clean, stated
from dictate.derived.judging import Judging
from dictate.lexicon import Lexicon
from dictate.norms import Norms
from dictate.norms import load as load_norms
from dictate.record import Entry, Record

Interpretation = Literal["N", "A"]
"""Codes of HL7 v3 ObservationInterpretation and of HL7 v2 table 0078: normal, abnormal."""


def interpretations(record: Record, lexicon: Lexicon) -> dict[str, Interpretation]:
    """Findings by the id of their entry; one that the norms do not judge is not in it."""
    norms = load_norms()
    entries = stated(record.entries, norms)
    judging = Judging(entries, compute(entries, norms), norms)
    outside = {one.entries[0] for one in record.derived if one.outside and len(one.entries) == 1}
    eyes = best(entries, norms)
    out: dict[str, Interpretation] = {}
    for entry in entries:
        item = lexicon.items.get(entry.item)
        if item is None or item.role != "finding":
            continue
        verdict = judging.verdict(entry) if _speaks(entry, eyes, norms) else "unclear"
        if verdict == "abnormal" or verdict != "normal" and entry.id in outside:
            out[entry.id] = "A"
        elif verdict == "normal":
            out[entry.id] = "N"
    return out


def _speaks(entry: Entry, eyes: dict[str, float], norms: Norms) -> bool:
    """Whether the verdict is on this entry: an eye is judged by the best of its acuities, not by the others."""
    if entry.item != norms.acuity.distance:
        return True
    own = convert(norms.acuity, str(entry.value))
    found = eyes.get(entry.side or "")
    return own is not None and found is not None and clean(own.logmar, 2) == clean(found, 2)
