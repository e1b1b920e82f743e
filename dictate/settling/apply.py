"""Decisions applied, in their order, to what a note was read as."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

from dictate import derive
from dictate.lexicon import Lexicon
from dictate.record import Entry, Evidence, Flag, Record
from dictate.settling.model import Anchor, Decision, Origin, Row, Settled, SettledEntry, Target
from dictate.settling.moves import carry

OTHER = {"right": "left", "left": "right"}
KEEP_ALL = {"keep": "all"}


@dataclass(eq=False)
class _Live:
    """An entry on its way to the settled record."""

    entry: Entry
    place: float
    origin: Origin = "read"
    was: list[Row] = field(default_factory=list)
    decision: str = ""

    @property
    def row(self) -> Row:
        return Row.of(self.entry)

    def put(self, row: Row, origin: Origin, decision: str, unit: str) -> None:
        """State another row; what stood before is kept."""
        if row != self.row:
            self.was.append(self.row)
        self.entry = replace(
            self.entry, item=row.item, side=row.side, value=row.value, context=dict(row.context), unit=unit
        )
        self.origin = "own" if "own" in (origin, self.origin) else origin
        self.decision = decision


@dataclass(eq=False)
class _Asked:
    """An open question with the live entries it is about."""

    flag: Flag
    about: list[_Live]
    two_ways: bool = False  # one item and side were told two values
    touched: bool = False  # a decision was taken on one of its entries


def settle(
    record: Record, text: str, decisions: Sequence[Decision], texts: Mapping[str, str], lexicon: Lexicon
) -> Settled:
    """The record after decisions.

    `record` is the reading of `text`; `texts` are the notes that decisions were taken on, by their
    SHA-256. A decision counts only where its words and what was read in them still stand; otherwise
    it lapses, in whole or for the part that is gone. Computed values, what is not documented and
    contradictions are worked out again from what stands.
    """
    return _Desk(record, text, texts, lexicon).settle(decisions)


class _Desk:
    def __init__(self, record: Record, text: str, texts: Mapping[str, str], lexicon: Lexicon) -> None:
        self.record = record
        self.lexicon = lexicon
        self.live = [_Live(entry, n) for n, entry in enumerate(record.entries)]
        by_id = {one.entry.id: one for one in self.live}
        self.asked = [_asked(flag, [by_id[e] for e in flag.entries]) for flag in record.flags]
        self.held: list[frozenset[str]] = []  # sets of rows that the clinician said all stand

        @cache
        def moves(sha256: str) -> Callable[[Anchor], Anchor | None]:
            if sha256 == record.sha256:
                return lambda anchor: anchor
            return carry(texts[sha256], text) if sha256 in texts else lambda anchor: None

        self.moves = moves

    def settle(self, decisions: Sequence[Decision]) -> Settled:
        applied: list[Decision] = []
        lapsed: list[Decision] = []
        for decision in decisions:
            gone = [t for t in decision.targets if not self._apply(decision, t)]
            if decision.kind == "add":
                self._add(decision)
            if gone:
                lapsed.append(replace(decision, targets=tuple(gone)))
            if len(gone) < len(decision.targets) or not decision.targets:
                applied.append(decision)
        self._follow()
        return self._settled(applied, lapsed)

    # ---- finding what a decision is about ------------------------------------------------

    def _spans(self, decision: Decision, target: Target) -> set[tuple[int, int]] | None:
        moved = [self.moves(decision.note)(a) for a in target.anchors]
        if any(a is None for a in moved):
            return None
        return {(a.start, a.end) for a in moved if a is not None}

    def _question(self, decision: Decision, target: Target) -> _Asked | None:
        spans = self._spans(decision, target)
        found = self._find(target, spans)
        if found is None and spans is not None and target.reason == "conflict":
            self._follow()  # it may be one that earlier decisions raised
            found = self._find(target, spans)
        return found

    def _find(self, target: Target, spans: set[tuple[int, int]] | None) -> _Asked | None:
        for one in self.asked:
            if one.flag.reason != target.reason or _spans(one.flag.evidence) != spans:
                continue
            if _same_rows([e.row for e in one.about], target.rows):
                return one
        return None

    def _entry(self, decision: Decision, target: Target) -> _Live | None:
        spans = self._spans(decision, target)
        for one in self.live:
            if one.decision == target.made_by and (one.row,) == target.rows and _spans(one.entry.evidence) == spans:
                return one
        return None

    # ---- one decision --------------------------------------------------------------------

    def _apply(self, decision: Decision, target: Target) -> bool:
        if not target.reason:
            entry = self._entry(decision, target)
            if entry is None:
                return False
            if decision.kind == "change":
                self._put(entry, decision.rows[0], "own", decision.id)
                self._answered(entry)
            else:
                self._take_out(entry)
            return True
        question = self._question(decision, target)
        if question is None:
            return False
        self.asked.remove(question)
        if decision.kind == "drop" or decision.choice == {"accept": False}:
            for entry in question.about:
                self._take_out(entry)
        elif decision.kind == "rows":
            self._replace(question, decision)
        else:
            self._choose(question, decision)
        return True

    def _put(self, entry: _Live, row: Row, origin: Origin, decision: str) -> None:
        item = self.lexicon.items[row.item]
        unit = item.unit if item.kind == "quantity" and row.value != "not_done" else ""
        entry.put(row, origin, decision, unit)

    def _take_out(self, entry: _Live) -> None:
        if entry in self.live:
            self.live.remove(entry)
        self._answered(entry)

    def _answered(self, entry: _Live) -> None:
        """No question is about this entry any more; one that is left with nothing to ask is closed."""
        for one in list(self.asked):
            if entry in one.about:
                one.about.remove(entry)
                one.touched = True
                if not one.about or (one.flag.reason in ("conflict", "order") and len(one.about) < 2):
                    self.asked.remove(one)

    def _choose(self, question: _Asked, decision: Decision) -> None:
        choice = decision.choice
        if choice == KEEP_ALL:
            self.held.append(frozenset(_identity(e.row) for e in question.about))
            for entry in question.about:
                self._put(entry, entry.row, "chosen", decision.id)
        elif question.flag.reason == "conflict" and "item" in choice:
            self._one_holds(question, decision)
        else:
            for entry in question.about:
                rows = self._patched(entry.row, choice)
                self._put(entry, rows[0], "chosen", decision.id)
                for row in rows[1:]:
                    self._insert(row, entry.entry.evidence, entry.place, "chosen", decision.id, [*entry.was])

    def _patched(self, row: Row, choice: Mapping[str, Any]) -> list[Row]:
        if choice.get("order") == "left_right":
            return [replace(row, side=OTHER.get(row.side or "", row.side))]
        if "item" in choice:
            item = self.lexicon.items[str(choice["item"])]
            side = row.side if item.sided else None
            context = {k: v for k, v in row.context.items() if k in (*item.context, *item.soft_context)}
            return [Row(item.key, choice.get("side", side), choice.get("value", row.value), context)]
        if "value" in choice:
            return [replace(row, value=choice["value"])]
        side = choice.get("side")
        if side == "both" and not self.lexicon.items[row.item].both_eyes:
            return [replace(row, side="right"), replace(row, side="left")]
        return [replace(row, side=side) if side else row]

    def _one_holds(self, question: _Asked, decision: Decision) -> None:
        """Of rows that disagree one holds; those that do not disagree with it stay.

        The other side's stay where something else disagrees with the chosen one; else it is the sides that disagree.
        """
        choice = decision.choice
        held = [e for e in question.about if _is(e.row, choice)]
        item, side = choice["item"], choice["side"]
        rivals = [e for e in question.about if e not in held and (e.row.item != item or e.row.side == side)]
        for entry in question.about:
            if entry in held or (rivals and entry.row.item == item and {entry.row.side, side} == {"right", "left"}):
                self._put(entry, entry.row, "chosen", decision.id)
            else:
                self._take_out(entry)

    def _replace(self, question: _Asked, decision: Decision) -> None:
        was = [e.row for e in question.about]
        place = min((e.place for e in question.about), default=float(len(self.record.entries)))
        evidence = question.flag.evidence
        for entry in question.about:
            self._take_out(entry)
        for row in decision.rows:
            self._insert(row, evidence, place, "own", decision.id, was)

    def _add(self, decision: Decision) -> None:
        for row in decision.rows:
            self._insert(row, (), float(len(self.record.entries)), "own", decision.id, [])

    def _insert(
        self, row: Row, words: tuple[Evidence, ...], place: float, origin: Origin, decision: str, was: list[Row]
    ) -> None:
        item = self.lexicon.items[row.item]
        unit = item.unit if item.kind == "quantity" and row.value != "not_done" else ""
        entry = Entry("", row.item, row.side, row.value, unit, dict(row.context), "stated", words)
        self.live.append(_Live(entry, place, origin, was, decision))

    # ---- what follows --------------------------------------------------------------------

    def _follow(self) -> None:
        """What decisions bring about: entries that are now one, contradictions ended or raised."""
        self._merge()
        self._contradictions()

    def _contradictions(self) -> None:
        """Questions that decisions have made idle are closed; what decisions contradict is asked."""
        found = self._computed()
        for one in [a for a in self.asked if a.flag.reason == "conflict"]:
            if not one.touched and not any(e.decision for e in one.about):
                continue
            if one.two_ways:
                idle = not _said_two_ways(one.about)
            else:
                idle = self._was_computed(one) and not any(_within(one.about, about) for _, about in found)
            if idle:
                self.asked.remove(one)
        for say, about in [*found, *self._told_anew()]:
            rows = frozenset(_identity(e.row) for e in about)
            if any(rows <= held for held in self.held) or not any(e.decision for e in about):
                continue
            if all(e.origin == "own" for e in about):
                continue
            if any(_within(about, one.about) or _within(one.about, about) for one in self.asked):
                continue
            words = tuple(dict.fromkeys(e for one in about for e in one.entry.evidence))
            choices = tuple({"item": e.row.item, "side": e.row.side, "value": e.row.value} for e in about)
            self.asked.append(_asked(Flag("", "conflict", say, (), words, choices), about))

    def _computed(self) -> list[tuple[str, list[_Live]]]:
        entries = tuple(replace(one.entry, id=f"e{n}", flags=()) for n, one in enumerate(self.live))
        return [(say, [self.live[int(i[1:])] for i in ids]) for say, ids in derive.computed_conflicts(entries)]

    def _was_computed(self, one: _Asked) -> bool:
        ids = set(one.flag.entries)
        return any(ids == set(about) for _, about in derive.computed_conflicts(self.record.entries))

    def _told_anew(self) -> list[tuple[str, list[_Live]]]:
        """Entries that a decision made disagree with what stands."""
        alike: dict[tuple[object, ...], list[_Live]] = {}
        for one in self.live:
            if self.lexicon.items[one.row.item].role == "finding":
                alike.setdefault(_about(self.lexicon, one.row), []).append(one)
        out = []
        for about in alike.values():
            values = list(dict.fromkeys(str(e.row.value) for e in about))
            if len(values) > 1 and any(e.was for e in about):
                title = self.lexicon.items[about[0].row.item].title
                side = f", {about[0].row.side}" if about[0].row.side else ""
                out.append((f"{title}{side}: the record says {' and '.join(values)}. Which holds?", about))
        return out

    def _merge(self) -> None:
        """Entries that state the same are one, with the words of all."""
        kept: dict[str, _Live] = {}
        for one in list(self.live):
            first = kept.setdefault(_identity(one.row), one)
            if first is one or not (first.decision or one.decision):
                continue
            words = (*first.entry.evidence, *(e for e in one.entry.evidence if e not in first.entry.evidence))
            first.entry = replace(first.entry, evidence=words)
            self._take_out(one)

    def _settled(self, applied: list[Decision], lapsed: list[Decision]) -> Settled:
        self.live.sort(key=lambda one: one.place)
        ids = {id(one): f"e{n}" for n, one in enumerate(self.live, 1)}
        self.asked.sort(key=lambda one: min((e.start for e in one.flag.evidence), default=0))
        flags: list[Flag] = []
        flagged: dict[int, list[str]] = {}
        for n, one in enumerate(self.asked, 1):
            flags.append(replace(one.flag, id=f"f{n}", entries=tuple(ids[id(e)] for e in one.about)))
            for live in one.about:
                flagged.setdefault(id(live), []).append(f"f{n}")
        out: list[SettledEntry] = []
        for live in self.live:
            own = tuple(flagged.get(id(live), ()))
            entry = replace(live.entry, id=ids[id(live)], flags=own, state="confirm" if own else "stated")
            out.append(SettledEntry(entry, live.origin, tuple(live.was), live.decision))
        entries = tuple(one.entry for one in out)
        record = replace(
            self.record,
            entries=entries,
            flags=tuple(flags),
            derived=derive.derive(entries, self.lexicon),
            not_documented=derive.not_documented(entries, self.lexicon),
        )
        return Settled(record, tuple(out), tuple(applied), tuple(lapsed))


def _spans(evidence: Sequence[Evidence]) -> set[tuple[int, int]]:
    return {(e.start, e.end) for e in evidence}


def _identity(row: Row) -> str:
    return repr((row.item, row.side, row.value, sorted((k, str(v)) for k, v in row.context.items())))


def _same_rows(one: Sequence[Row], other: Sequence[Row]) -> bool:
    return sorted(map(_identity, one)) == sorted(map(_identity, other))


def _is(row: Row, choice: Mapping[str, Any]) -> bool:
    same = (row.item, row.side, row.value) == (choice["item"], choice.get("side"), choice.get("value"))
    return same and ("context" not in choice or dict(row.context) == dict(choice["context"]))


def _within(some: Sequence[_Live], others: Sequence[_Live]) -> bool:
    return all(one in others for one in some)


def _asked(flag: Flag, about: list[_Live]) -> _Asked:
    return _Asked(flag, about, flag.reason == "conflict" and _said_two_ways(about))


def _about(lexicon: Lexicon, row: Row) -> tuple[object, ...]:
    """What a row tells, the value aside."""
    soft = lexicon.items[row.item].soft_context
    return (row.item, row.side, tuple(sorted((k, str(v)) for k, v in row.context.items() if k not in soft)))


def _said_two_ways(about: Sequence[_Live]) -> bool:
    """Whether entries still give one item and side more than one value."""
    values: dict[tuple[object, ...], set[str]] = {}
    for one in about:
        row = one.row
        key = (row.item, row.side, tuple(sorted((k, str(v)) for k, v in row.context.items())))
        values.setdefault(key, set()).add(str(row.value))
    return any(len(v) > 1 for v in values.values())
