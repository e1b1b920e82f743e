"""Whether an entry is normal, by the norms: for the nerves and for contradictions."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from dictate.derived.acuity import best
from dictate.derived.facts import OTHER, Computed, clean, span
from dictate.norms import Attribute, Judge, Norms
from dictate.record import Entry

Verdict = Literal["normal", "abnormal", "unclear", "neutral"]


def turned(entry: Entry, turn: str, norms: Norms) -> bool:
    """Whether a restricted movement is the outward or inward one of that eye."""
    table = norms.turns.outward if turn == "outward" else norms.turns.inward
    return bool(entry.side) and entry.context.get(norms.turns.item_context) == table.get(entry.side or "")


class Judging:
    """Judges the stated entries of one record."""

    def __init__(self, entries: Iterable[Entry], computed: Iterable[Computed], norms: Norms) -> None:
        self.norms = norms
        self.entries = list(entries)
        self.best = best(self.entries, norms)
        keys = {norms.plates.key} | {limit.key for limit in norms.limit}
        self.outside: dict[str, bool] = {
            c.derived.entries[0]: c.derived.outside
            for c in computed
            if c.base in keys and c.derived.value != "straddles"
        }

    def verdict(self, entry: Entry) -> Verdict:
        """ "normal", "abnormal", "unclear" (not judged) or "neutral" (no normal value exists)."""
        if entry.item == self.norms.acuity.distance:
            return self._acuity(entry)
        rule = self.norms.judge_of(entry.item)
        if rule is None:
            rule = self.norms.finding
        if rule.by:
            found = self.outside.get(entry.id)
            return "unclear" if found is None else "abnormal" if found else "normal"
        if rule.above is not None:
            pair = span(entry.value)
            return "unclear" if pair is None else "abnormal" if pair[1] > rule.above else "normal"
        return self._listed(entry, rule)

    def _listed(self, entry: Entry, rule: Judge) -> Verdict:
        value = str(entry.value)
        if value in rule.normal:
            return "normal"
        if value in rule.unclear:
            return "unclear"
        if value in rule.abnormal or rule.others == "abnormal":
            return "unclear" if rule.one_sided and self._alike(entry) else "abnormal"
        return rule.others or "unclear"

    def _alike(self, entry: Entry) -> bool:
        """Whether the other side is the same, or no side was said."""
        if entry.side not in OTHER:
            return True
        other = OTHER[entry.side]
        return any((e.item, e.side, e.value) == (entry.item, other, entry.value) for e in self.entries)

    def _acuity(self, entry: Entry) -> Verdict:
        found = self.best.get(entry.side or "")
        if found is None:
            return "unclear"
        found = clean(found, 2)  # 6/12 is 0.301 and stands for the 0.3 line
        if found <= self.norms.acuity.usual_logmar:
            return "normal"
        return "abnormal" if found > self.norms.acuity.reduced_logmar else "unclear"

    def bears_on(self, entry: Entry, nerves: list[str]) -> list[str]:
        """The nerves an entry speaks of, out of those its item lists."""
        judge = self.norms.judge_of(entry.item)
        return [n for n in nerves if n in judge.nerves] if judge is not None and judge.nerves else nerves

    def blamed(self, entry: Entry, nerves: list[str]) -> list[str]:
        """The nerves whose muscle a restricted movement is told of; all where no rule says."""
        for rule in self.norms.attribute:
            if rule.item == entry.item and self._applies(rule, entry):
                return [n for n in nerves if n in rule.nerves]
        return nerves

    def _applies(self, rule: Attribute, entry: Entry) -> bool:
        if rule.turn:
            return turned(entry, rule.turn, self.norms)
        return str(entry.context.get(self.norms.turns.item_context, "")) in rule.gaze
