"""Plate counts against the rule of the edition that the total shown stands for."""

from __future__ import annotations

import re
from collections.abc import Iterable

from dictate.derived.facts import Computed
from dictate.norms import Edition, Norms
from dictate.record import Derived, Entry

_SCORE = re.compile(r"(\d+)/(\d+)")


def scored_range(edition: Edition, correct: int, total: int) -> tuple[int, int]:
    """Fewest and most of the scored plates that can have been right.

    A total above the scored plates may hold the missed ones anywhere; of a total below them
    the rest of the scored plates was not told.
    """
    told = min(edition.scored, total)
    fewest = max(0, correct - (total - told))
    return fewest, min(told, correct) + edition.scored - told


def verdict(edition: Edition, correct: int, total: int) -> str:
    """ "normal", "deficient", "between", or "" where the count allows more than one."""
    fewest, most = scored_range(edition, correct, total)
    if fewest >= edition.normal_min:
        return "normal"
    if most <= edition.deficient_max:
        return "deficient"
    if fewest > edition.deficient_max and most < edition.normal_min:
        return "between"
    return ""


def plates(entries: Iterable[Entry], norms: Norms) -> list[Computed]:
    """The verdict of every plate count whose total stands for one edition, or for several that agree."""
    rules = norms.plates
    out: list[Computed] = []
    for entry in entries:
        match = _SCORE.fullmatch(str(entry.value)) if entry.item == rules.item else None
        if match is None or int(match[1]) > int(match[2]):
            continue
        correct, total = int(match[1]), int(match[2])
        editions = [e for e in rules.edition if total in e.shown]
        verdicts = {verdict(e, correct, total) for e in editions}
        value = verdicts.pop() if len(verdicts) == 1 else ""
        if not value:
            continue
        form = {"normal": rules.normal, "deficient": rules.deficient, "between": rules.between}[value]
        said = "; ".join(
            rules.rule.format(name=e.name, normal=e.normal_min, deficient=e.deficient_max, scored=e.scored)
            for e in editions
        )
        source = norms.cite([key for e in editions for key in e.source])
        text = form.format(said=entry.value, rules=said)
        derived = Derived(rules.key, entry.side, value, "", text, (entry.id,), source, value != "normal")
        out.append(Computed(rules.key, derived, entry.context))
    return out
