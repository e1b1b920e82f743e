"""What was clicked or typed on the page -> decisions on the record as it stands."""

from __future__ import annotations

from collections.abc import Mapping

from dictate.desk.live import Standing
from dictate.desk.names import entry_names, flag_names, question_name
from dictate.errors import DictateError
from dictate.lexicon import Lexicon
from dictate.settling import (
    Decision,
    Question,
    Row,
    SettledEntry,
    SettleError,
    add,
    answer,
    answer_rows,
    change,
    drop,
    form,
    parse,
    remove,
)

PER_SIDE = ("right", "left", "both", "none")
"""The fields for a value: value.right, value.left, value.both, and value.none where there is no side."""


class Gone(DictateError):  # noqa: N818
    """What the page speaks of is no longer there."""


def question(standing: Standing, name: str) -> Question:
    """The open question of that name. Raises Gone."""
    flags = flag_names(standing.settled)
    for one in standing.questions:
        if question_name(one, flags) == name:
            return one
    raise Gone("That question is not open any more: nothing was changed; look at the questions as they are now.")


def entry(standing: Standing, name: str) -> SettledEntry:
    """The entry of that name. Raises Gone."""
    names = entry_names(standing.settled)
    for one in standing.settled.entries:
        if names[one.entry.id] == name:
            return one
    raise Gone("That value has changed in the meantime: nothing was changed; look at the record as it is now.")


def pick(standing: Standing, name: str, key: str, by: str) -> Decision:
    """A numbered choice of a question, or "0": not said."""
    asked = question(standing, name)
    if key == "0":
        return drop(standing.settled, asked.flags, by)
    for choice in asked.choices:
        if choice.key == key:
            return answer(standing.settled, asked.flags, choice.sets, by)
    raise Gone(f"The question has no choice {key}: nothing was changed.")


def pick_line(standing: Standing, name: str, line: str, key: str, by: str) -> Decision:
    """The same for one line of a gathered question; `line` is its place, from 0."""
    asked = question(standing, name)
    if not line.isdecimal() or int(line) >= len(asked.lines):
        raise Gone("That line is not there any more: nothing was changed.")
    flags = (asked.lines[int(line)].flag,)
    if key == "0":
        return drop(standing.settled, flags, by)
    for choice in asked.choices:
        if choice.key == key:
            return answer(standing.settled, flags, choice.sets, by)
    raise Gone(f"The question has no choice {key}: nothing was changed.")


def instead(standing: Standing, name: str, fields: Mapping[str, str], lexicon: Lexicon, by: str) -> Decision:
    """Something else: rows typed in take the place of what was asked about."""
    asked = question(standing, name)
    return answer_rows(standing.settled, asked.flags, typed(fields, lexicon), by)


def by_hand(standing: Standing, name: str, fields: Mapping[str, str], lexicon: Lexicon, by: str) -> list[Decision]:
    """A row added (no name), or the entry of that name changed; what is typed for another side is a row of its own."""
    rows = typed(fields, lexicon)
    settled = standing.settled
    if not name:
        return [add(settled, row, by) for row in rows]
    old = entry(standing, name).entry
    same = next((row for row in rows if row.side == old.side), rows[0])
    others = [row for row in rows if row is not same]
    changed = [] if same == Row.of(old) else [change(settled, old.id, same, by)]
    return [*changed, *(add(settled, row, by) for row in others)]


def take_out(standing: Standing, name: str, by: str) -> Decision:
    """The entry of that name goes."""
    return remove(standing.settled, entry(standing, name).entry.id, by)


def typed(fields: Mapping[str, str], lexicon: Lexicon) -> list[Row]:
    """The rows that a form's fields stand for, one for each side with a value. Raises SettleError."""
    item = fields.get("item", "")
    about = {key.removeprefix("about."): value for key, value in fields.items() if key.startswith("about.")}
    given = {side: fields.get(f"value.{side}", "").strip() for side in PER_SIDE}
    rows = [
        parse(item, {**about, "value": value, "side": "" if side == "none" else side}, lexicon)
        for side, value in given.items()
        if value
    ]
    if not rows:
        raise SettleError(f"{form(item, lexicon).title}: the value is missing.")
    return rows


def overtaken(standing: Standing, decision: Decision) -> list[str]:
    """Ids of lapsed answers that this decision answers anew: about the same items, for the same reason."""
    about = _about(decision)
    return [one.id for one in standing.settled.lapsed if about and _about(one) == about]


def _about(decision: Decision) -> frozenset[tuple[str, str]]:
    return frozenset((target.reason, row.item) for target in decision.targets for row in target.rows)
