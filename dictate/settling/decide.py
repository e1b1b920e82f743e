"""A decision made out of an answer, on the record as it stands."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

from dictate.record import Flag
from dictate.settling.model import Anchor, Decision, Kind, Row, Settled, Target


def answer(settled: Settled, flags: Iterable[str], choice: Mapping[str, Any], by: str) -> Decision:
    """One of a question's choices, for the flags of these ids (f1, f2 ...) together.

    Raises KeyError for a flag that is not open.
    """
    return _decision(settled, "choose", by, _flag_targets(settled, flags), choice=choice)


def answer_rows(settled: Settled, flags: Iterable[str], rows: Sequence[Row], by: str) -> Decision:
    """Rows of the clinician's own take the place of what was asked about."""
    return _decision(settled, "rows", by, _flag_targets(settled, flags), rows=rows)


def drop(settled: Settled, flags: Iterable[str], by: str) -> Decision:
    """What was asked about was not said: its rows go."""
    return _decision(settled, "drop", by, _flag_targets(settled, flags))


def change(settled: Settled, entry: str, row: Row, by: str) -> Decision:
    """The entry of that id states `row` from now on. Raises KeyError for an id that is not there."""
    return _decision(settled, "change", by, (_entry_target(settled, entry),), rows=(row,))


def remove(settled: Settled, entry: str, by: str) -> Decision:
    """The entry of that id goes."""
    return _decision(settled, "remove", by, (_entry_target(settled, entry),))


def add(settled: Settled, row: Row, by: str) -> Decision:
    """A row without words of the note."""
    return _decision(settled, "add", by, rows=(row,))


def _decision(
    settled: Settled,
    kind: Kind,
    by: str,
    targets: tuple[Target, ...] = (),
    *,
    rows: Sequence[Row] = (),
    choice: Mapping[str, Any] | None = None,
) -> Decision:
    now = datetime.now(UTC).isoformat(timespec="milliseconds")
    return Decision(uuid4().hex, kind, settled.record.sha256, by, now, targets, tuple(rows), dict(choice or {}))


def _flag_targets(settled: Settled, flags: Iterable[str]) -> tuple[Target, ...]:
    by_id = {flag.id: flag for flag in settled.record.flags}
    return tuple(_flag_target(settled, by_id[flag]) for flag in flags)


def _flag_target(settled: Settled, flag: Flag) -> Target:
    rows = tuple(Row.of(settled.record.entry(e)) for e in flag.entries)
    return Target(flag.reason, rows, tuple(Anchor.of(e) for e in flag.evidence))


def _entry_target(settled: Settled, entry_id: str) -> Target:
    one = settled.settled_entry(entry_id)
    anchors = tuple(Anchor.of(e) for e in one.entry.evidence)
    return Target("", (Row.of(one.entry),), anchors, one.decision)
