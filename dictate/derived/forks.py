"""Rinne and Weber read together, one fork at a time."""

from __future__ import annotations

from collections.abc import Iterable

from dictate.derived.facts import OTHER, Computed, Context
from dictate.norms import ForkNorms, ForkPattern, Norms
from dictate.record import Derived, Entry


def _at(entries: list[Entry], fork: str, key: str) -> list[Entry]:
    """The results got with a fork; those with no fork said where there are none."""
    here = [e for e in entries if str(e.context.get(key, "")) == fork]
    return here or [e for e in entries if key not in e.context]


def _one(entries: list[Entry]) -> Entry | None:
    return entries[0] if len({str(e.value) for e in entries}) == 1 else None


def _sign(entry: Entry, rules: ForkNorms) -> str:
    value = str(entry.value)
    if value in rules.positive:
        return "positive"
    return "negative" if value in rules.negative or value in rules.equal else ""


def rinne_weber(entries: Iterable[Entry], norms: Norms) -> list[Computed]:
    """The joint reading at every fork for which Weber and the Rinne of both ears are told once."""
    rules = norms.forks
    every = list(entries)
    rinne = [e for e in every if e.item == rules.rinne]
    weber = [e for e in every if e.item == rules.weber]
    out: list[Computed] = []
    for fork in dict.fromkeys(str(e.context.get(rules.at, "")) for e in [*weber, *rinne]):
        if not fork and any(rules.at in e.context for e in [*weber, *rinne]):
            continue  # taken with the fork that was said
        lone = _one(_at(weber, fork, rules.at))
        right = _one([e for e in _at(rinne, fork, rules.at) if e.side == "right"])
        left = _one([e for e in _at(rinne, fork, rules.at) if e.side == "left"])
        if lone and right and left:
            out += _reading(lone, {"right": right, "left": left}, fork, norms)
    return out


def _reading(weber: Entry, rinne: dict[str, Entry], fork: str, norms: Norms) -> list[Computed]:
    rules = norms.forks
    signs = {side: _sign(entry, rules) for side, entry in rinne.items()}
    lateral = str(weber.value) in OTHER
    ear = str(weber.value) if lateral else "left" if signs["left"] == "negative" else "right"
    other = OTHER[ear]
    pattern: ForkPattern | None = next(
        (
            p
            for p in rules.pattern
            if (p.weber == "lateral") == lateral
            and (lateral or weber.value == rules.central)
            and p.ear == signs[ear]
            and p.other == signs[other]
        ),
        None,
    )
    if pattern is None:
        return []
    equal = any(str(e.value) in rules.equal for e in rinne.values())
    start = rules.prefix.format(fork=fork) if fork else rules.unsaid_prefix
    text = start + pattern.text.format(ear=ear, other=other) + (rules.equal_note if equal else "")
    source = norms.cite(rules.source + (rules.equal_source if equal else []))
    side = {"ear": ear, "other": other, "": None}[pattern.side]
    value = pattern.value.format(ear=ear, other=other)
    context: Context = {rules.at: fork} if fork else {}
    ids = (rinne["right"].id, rinne["left"].id, weber.id)
    key = f"{rules.key}.{fork}" if fork else rules.key
    return [Computed(rules.key, Derived(key, side, value, "", text, ids, source, pattern.outside), context)]
