"""Stage 8: checks that ask. Ranges, disagreements, and rows that repeat or amend each other."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise

from dictate.asking import unit_of
from dictate.lexicon import Item, Lexicon
from dictate.marks import Mark
from dictate.note import Tokens
from dictate.rows import Observation
from dictate.segments import Segments

_BREATH = 12  # tokens between a word and the grade that it stands for
_MOST_WORDS = 12  # places kept of a value that a note says again and again


def check_ranges(rows: list[Observation], lexicon: Lexicon) -> None:
    """Put values outside the plausible range to the clinician."""
    for row in rows:
        item = lexicon.items[row.item]
        numbers = [
            v for v in (row.value if isinstance(row.value, list) else [row.value]) if isinstance(v, (int, float))
        ]
        if item.plausible:
            low, high = item.plausible
            if any(not low <= v <= high for v in numbers):
                row.doubt("range", f"{low:g} to {high:g} {unit_of(item)}".strip())
        if item.allowed and any(v not in item.allowed for v in numbers):
            row.doubt("range", "")


def mark_later(rows: list[Observation], cues: list[Mark], tokens: Tokens, segments: Segments) -> None:
    """Rows told with "now", "rechecked", "amended": they replace an earlier value."""
    found: dict[int, list[Mark]] = {}
    for cue in cues:
        if any(s.data == "later" for s in cue.of("correction")):
            found.setdefault(segments.sentence_of[cue.start], []).append(cue)
    wrong: dict[int, list[Mark]] = {}
    for cue in cues:
        if any(s.data == "wrong_side" for s in cue.of("correction")):
            wrong.setdefault(segments.sentence_of[cue.start], []).append(cue)
    for row in rows:
        start, end = row.spans[0]
        for cue in found.get(segments.sentence_of[start], ()):
            if (
                tokens[cue.start].key != "now"
                or 0 <= start - cue.end <= 2
                or 0 <= cue.start - end <= 2
                or start <= cue.start < end
            ):
                row.later = True
    for row in rows:
        sentence = segments.sentence_of[row.order]
        row.wrong_side = any(c.start < row.order for n in (sentence - 1, sentence) for c in wrong.get(n, ()))
    added = min((c.start for c in cues if any(s.data == "addendum" for s in c.of("correction"))), default=len(tokens))
    for row in rows:
        row.addendum = row.order > added


def _misheard(row: Observation) -> bool:
    return bool(row.doubts) and all(reason == "heard" for reason, _ in row.doubts)


def _hear_again(same: Observation, row: Observation, segments: Segments) -> None:
    """A misheard row said clearly elsewhere is sure; a clear one misheard in the same breath is not."""
    if segments.sentence_of[same.order] != segments.sentence_of[row.order]:
        if not row.doubts and _misheard(same):
            same.doubts.clear()
    elif not same.doubts and _misheard(row):
        same.doubts += row.doubts


def settle(rows: list[Observation], lexicon: Lexicon, tokens: Tokens, segments: Segments) -> list[Observation]:
    """Merge repeats, let later values replace earlier ones, and mark conflicts."""
    rows = _without_wrong_sides(rows)
    kept: list[Observation] = []
    by_identity: dict[tuple[object, ...], list[Observation]] = {}
    for row in rows:
        known = by_identity.setdefault(row.identity(), [])
        same = next(
            (k for k in known if k.value == row.value and k.context.get("certainty") == row.context.get("certainty")),
            None,
        )
        if row.many and known and "certainty" not in row.context:
            same = next((k for k in known if k.context.get("urgency") == row.context.get("urgency")), None)
        if same is not None:
            if row.later:
                for old in [k for k in known if k is not same]:
                    kept.remove(old)
                    known.remove(old)
            if len(same.spans) < _MOST_WORDS:
                same.spans += [s for s in row.spans if s not in same.spans]
            _hear_again(same, row, segments)
            continue
        if known and row.later:
            for old in known:
                kept.remove(old)
            known.clear()
        known.append(row)
        kept.append(row)
    for row in [r for r in kept if r.many and "certainty" in r.context and r.side is None]:
        if any(o is not row and o.item == row.item and o.value == row.value and o.side for o in kept):
            kept.remove(row)
    for row in [r for r in kept if r.value == "not_done"]:
        for other in [
            o
            for o in kept
            if o.item == row.item
            and o.value != "not_done"
            and row.side in (None, o.side)
            and 0 <= o.order - row.order < 10
            and segments.sentence_of[o.order] == segments.sentence_of[row.order]  # told apart they are two statements
        ]:
            kept.remove(other)
    _done_after_all(kept, lexicon)
    _specific(kept, lexicon)
    _differences(kept, lexicon)
    _implied(kept, lexicon)
    for known in by_identity.values():
        vague = [
            r
            for r in known
            if r in kept and r.value in lexicon.items[r.item].vague and _in_one_breath(r, known, lexicon)
        ]
        if len({str(r.value) for r in known if r in kept} - {str(r.value) for r in vague} - {"absent"}) and vague:
            for row in vague:
                kept.remove(row)
        live = [r for r in known if r in kept]
        if len(live) > 1 and not _repeated(live, lexicon, tokens):
            for row in live:
                if any(_disagree(row, other, lexicon.items[row.item]) for other in live if other is not row):
                    row.doubt("conflict", "said two ways")
    _across_sides(kept, lexicon)
    _done_and_not_done(kept)
    return kept


def _without_wrong_sides(rows: list[Observation]) -> list[Observation]:
    """ "Wrong eye above, it is the left": the same finding told before of the other side goes."""
    amended = [r for r in rows if r.wrong_side and r.side in ("right", "left") and not r.doubts]
    wrong = {
        id(row)
        for row in rows
        for new in amended
        if not row.wrong_side
        and row.order < new.order
        and row.item == new.item
        and row.value == new.value
        and row.side in ("right", "left")
        and row.side != new.side
    }
    return [r for r in rows if id(r) not in wrong]


def _in_one_breath(row: Observation, known: list[Observation], lexicon: Lexicon) -> bool:
    """A word and the grade it stands for ("weak, 4 out of 5", "full, 5/5"); told apart they are two statements."""
    item = lexicon.items[row.item]
    if item.kind != "grade":
        return True
    grades = "5" if is_normal(item, row.value) else "01234"
    return any(o is not row and abs(o.order - row.order) <= _BREATH and str(o.value)[:1] in grades for o in known)


def _done_after_all(rows: list[Observation], lexicon: Lexicon) -> None:
    """ "Fundi not done", and an addendum that tells what they showed."""
    for row in [r for r in rows if r.value == "not_done"]:
        test = row.item.split(".")[0]
        if any(
            o.order > row.order
            and o.value != "not_done"
            and (o.later or o.addendum)
            and (o.item == row.item or o.item.split(".")[0] == test and not lexicon.items[o.item].lead)
            and row.side in (None, o.side)
            for o in rows
        ):
            rows.remove(row)


def _disagree(row: Observation, other: Observation, item: Item) -> bool:
    """Whether two values of one item cannot both hold."""
    if row.size_of and other.size_of and row.size_of != other.size_of:
        return False
    if not item.exclusive:
        return True
    return any(row.value in group and other.value in group for group in item.exclusive)


def _done_and_not_done(rows: list[Observation]) -> None:
    """A test that was not done, no side told, beside a value of the same test and circumstances."""
    for item_rows in _by_item(rows).values():
        for row in item_rows:
            if row.value != "not_done" or row.side is not None:
                continue
            for other in item_rows:
                shared = all(other.context.get(k, v) == v for k, v in row.context.items())
                if other.value not in ("not_done", None) and shared:
                    row.doubt("conflict", "said two ways")
                    other.doubt("conflict", "said two ways")


def _by_item(rows: Iterable[Observation]) -> dict[str, list[Observation]]:
    out: dict[str, list[Observation]] = {}
    for row in rows:
        out.setdefault(row.item, []).append(row)
    return out


def _across_sides(rows: list[Observation], lexicon: Lexicon) -> None:
    """ "palate lifts symmetrically" beside "the right half lags"; a squint told of either eye."""
    of_item = _by_item(rows)
    for row in rows:
        item = lexicon.items[row.item]
        if row.value in ("not_done", None) or item.kind not in ("category", "finding") or row.many:
            continue
        for other in of_item[row.item]:
            if other is row or other.value in ("not_done", None):
                continue
            shared = all(other.context.get(k, v) == v for k, v in row.context.items())
            if not shared:
                continue
            if item.one_side and {row.side, other.side} == {"right", "left"} and row.value == other.value:
                row.doubt("conflict", "said two ways")
            elif (
                item.side_optional
                and row.side is None
                and other.side
                and is_normal(item, row.value) != is_normal(item, other.value)
                and is_normal(item, row.value)
                | (row.value in item.generic.values() and row.value == item.generic.get("equal"))
            ):
                row.doubt("conflict", "said two ways")
                other.doubt("conflict", "said two ways")


_TURNS = frozenset("first second third fourth fifth 1st 2nd 3rd 4th 5th then".split())
_TURN = 4  # tokens between the word that counts a repeat and its value


def _in_turn(row: Observation, tokens: Tokens) -> bool:
    """ "Second go 26": a word right before the value counts the repeats."""
    before = tokens.tokens[max(0, row.order - _TURN) : row.order]
    return any(t.text.casefold() in _TURNS for t in before) or (
        len(before) > 1 and before[-1].text in ("st", "nd", "rd", "th")
    )


def _repeated(rows: list[Observation], lexicon: Lexicon, tokens: Tokens) -> bool:
    """ "9, 11 and 14": repeats of one measurement told in a row are no conflict."""
    item = lexicon.items[rows[0].item]
    if item.kind != "quantity":
        return False
    if len({r.group for r in rows}) == 1 and rows[0].group >= 0:
        return True
    places = sorted(r.order for r in rows)
    if all(_in_turn(r, tokens) for r in rows):
        return True
    return len(rows) > 2 and all(b - a <= 4 for a, b in pairwise(places))


def _specific(rows: list[Observation], lexicon: Lexicon) -> None:
    """A row with no detail that only repeats a more detailed one of the same words goes."""
    del lexicon
    detailed = _by_item(row for row in rows if row.context)
    for row in list(rows):
        if row.context:
            continue
        for other in detailed.get(row.item, ()):
            if other.side != row.side or other.value != row.value:
                continue
            if set(other.spans) & set(row.spans) or abs(other.order - row.order) <= 9:
                rows.remove(row)
                break


def _differences(rows: list[Observation], lexicon: Lexicon) -> None:
    """A difference told in figures stands for the plain statement of inequality beside it."""
    for topic in lexicon.topics.values():
        if not (topic.difference and topic.unequal):
            continue
        told = [r for r in rows if r.item == topic.difference]
        for row in [r for r in rows if r.item == topic.unequal and r.value == "present"]:
            if any(abs(t.order - row.order) < 14 for t in told):
                rows.remove(row)


def _implied(rows: list[Observation], lexicon: Lexicon) -> None:
    """A size tells that the finding it measures is there ("ptosis R 1, L 3")."""
    for row in list(rows):
        implied = lexicon.items[row.item].implies
        if not implied or row.value in ("not_done", None, 0):
            continue
        same = [r for r in rows if r.item == implied]
        if any(r.side == row.side and r.value != "not_done" for r in same):
            unsided = []
        else:
            unsided = [r for r in same if r.side is None and r.group == row.group]
            rows.append(
                replace(
                    row,
                    item=implied,
                    value="present",
                    context={},
                    spans=list(row.spans),
                    doubts=list(row.doubts),
                    why=[*row.why, "a size tells that it is there"],
                )
            )
        for lone in [
            r for r in same if r.side is None and any(r2.side and abs(r2.order - r.order) < 12 for r2 in [*same, row])
        ]:
            if lone in rows and any(reason == "side" for reason, _ in lone.doubts):
                rows.remove(lone)
        del unsided


def is_normal(item: Item, value: object) -> bool:
    """Whether a value is what the item's normal word gives."""
    return value == item.generic.get("normal") or item.kind == "finding" and value == "absent"
