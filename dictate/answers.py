"""What a stretch of the note would say under one name: numbers and words read as an item's value."""

from __future__ import annotations

from dictate import values
from dictate.costs import COST
from dictate.lexicon import Item, Sense
from dictate.note import Tokens
from dictate.numbers import Group
from dictate.offers import Atom, Scene, Target
from dictate.values import Reading

# Units that no print size has: "N 6Δ" is a deviation for near.
_NO_PRINT = frozenset({"[p'diop]", "diopter", "mm", "mm[Hg]", "cm", "Hz", "um", "%"})


def unit_after(scene: Scene, group: Group) -> tuple[str, int]:
    """(unit, end) said right after a group, or ("", group end)."""
    i = group.end
    while i < len(scene.tokens) and (
        scene.tokens[i].kind == "space" or scene.tokens[i].key == "-" or scene.tokens[i].skipped
    ):
        i += 1
    unit = scene.units.get(i)
    return unit if unit else ("", group.end)


def read_number(scene: Scene, group: Group, item: Item, *, named: bool = False) -> list[Reading]:
    """What a group says for one item; empty if it cannot be its value.

    `named`: the item's own name stands there, so a value that cannot be is told (and asked).
    """
    tokens = scene.tokens
    if group.nums[0].digits.startswith("+") and item.scale != "plus":
        return []
    unit, unit_end = unit_after(scene, group)
    if unit == "_foreign" and item.kind != "text":
        return []
    if (
        len(group.parts) == 1
        and group.nums[0].pronoun
        and group.nums[0].value == 1
        and not unit
        and item.kind == "quantity"
    ):
        return []
    if unit in _NO_PRINT and item.kind == "near":
        return []
    prefixed = values.near_prefix(tokens, group) if unit not in _NO_PRINT else None
    if item.kind != "near" and prefixed and not group.nums[0].decimal:
        return []
    if item.scale == "percent":
        if len(group.nums) != 1 or unit != "%" and (unit or not _percent_told(tokens, group)):
            return []
        return [Reading("absent" if group.nums[0].value >= 100 else "present", group.start, unit_end)]
    if item.kind == "acuity":
        if unit == "letter" and not chart_fraction(group):
            return []
        return [] if unit in ("mm", "cm", "mm[Hg]", "Hz", "%") else values.acuity(tokens, group)
    if item.kind == "near":
        return values.near(tokens, group)
    if item.kind == "score":
        return values.score(tokens, group)
    if item.kind == "grade" or item.scale:
        if item.scale == "mrc":
            return values.mrc(tokens, group)
        if item.scale == "plus":
            return values.plus_grade(tokens, group)
        return [] if unit not in ("", "%") else values.small_grade(tokens, group, 6 if item.scale == "1-6" else 4)
    if item.kind == "quantity":
        if _lens_power(tokens, group):
            return []
        if "time" in item.soft_context and _clock_like(group):
            return []
        readings = values.quantity(tokens, group, item, unit)
        if item.unit == "1" and not named and not unit and _whole(group):
            return []
        if unit and readings:
            last = readings[-1]
            readings[-1] = Reading(
                last.value, last.start, max(last.end, unit_end), last.doubt, last.light, last.choices
            )
        low, high = item.possible or (float("-inf"), float("inf"))
        if (
            readings
            and (not unit or unit != item.unit)
            and not named
            and any(
                not low <= v <= high
                for r in readings
                for v in (r.value if isinstance(r.value, list) else [r.value])
                if isinstance(v, (int, float))
            )
        ):
            return []
        return readings
    return []


def _whole(group: Group) -> bool:
    """A whole number standing alone: it counts, and is no ratio unless the ratio is named."""
    return len(group.parts) == 1 and not group.nums[0].decimal


def _percent_told(tokens: Tokens, group: Group) -> bool:
    """Whether the other number of a pair has the percent sign that this one lacks ("R 100, L 40%")."""
    if not 0 <= group.nums[0].value <= 100:
        return False
    for i in range(group.end, min(len(tokens), group.end + 14)):
        if tokens[i].kind == "break":
            return False
        if tokens[i].text in ("%", "percent"):
            return True
    return False


def _lens_power(tokens: Tokens, group: Group) -> bool:
    """ "+5.25", "-2.00": the power of a lens and no measurement of the examination."""
    _whole, _, part = group.nums[0].digits.partition(".")
    before = tokens[group.start - 1] if group.start else None
    return (
        len(part) == 2 and before is not None and before.key in ("+", "-") and before.end == tokens[group.start].start
    )


def _clock_like(group: Group) -> bool:
    """Two decimals that could be minutes ("14.35"): a time and no pressure."""
    digits = group.nums[0].digits
    whole, _, part = digits.partition(".")
    return len(group.nums) == 1 and len(part) == 2 and part < "60" and whole.isdecimal() and 7 <= int(whole) <= 23


# ---- what an atom would say under a head --------------------------------------------------------


def _generic_value(item: Item, data: str) -> str:
    if data in item.generic:
        return item.generic[data]
    if data == "unseen":
        return _generic_value(item, "absent")
    if item.kind == "finding" and data in ("present", "absent"):
        return data
    if item.kind == "finding" and data in ("positive", "negative"):
        return "present" if data == "positive" else "absent"
    return ""


def _topic_numbers(scene: Scene, topic: str, group: Group, prefix: str) -> list[tuple[str, list[Reading]]]:
    keys = list(scene.lexicon.topics[topic].numbers) if topic in scene.lexicon.topics else []
    if keys and not prefix and scene.lexicon.topics[topic].numbers_need_unit and not unit_after(scene, group)[0]:
        return []
    if prefix:
        keys.sort(key=lambda k: not k.startswith(prefix))
    out = []
    for key in keys:
        readings = read_number(scene, group, scene.lexicon.items[key])
        if readings:
            out.append((key, readings))
    return out


def targets_under(scene: Scene, atom: Atom, sense: Sense) -> list[tuple[float, list[Target]]]:
    """What an atom says if it answers the name of one sense; (cost, targets) for each way."""
    lexicon = scene.lexicon
    out: list[tuple[float, list[Target]]] = []
    if sense.role == "measures" and atom.sort != "number":
        return out
    named = sense.item if sense.role in ("name", "alone") else ""
    fixed: dict[str, str | int] = dict(sense.context) if sense.role == "name" else {}
    if atom.sort == "number":
        assert atom.group is not None
        if named and sense.role == "name":
            readings = read_number(scene, atom.group, lexicon.items[named])
            if not readings and lexicon.items[named].kind == "quantity":
                readings = read_number(scene, atom.group, lexicon.items[named], named=True)
                if readings:
                    return [(1.1, [Target(named, r.value, dict(fixed), r, sense.source, sense.side) for r in readings])]
            if readings:
                if lexicon.items[named].kind == "quantity" and chart_fraction(atom.group):
                    return [(1.0, [Target(named, r.value, dict(fixed), r, sense.source) for r in readings])]
                return [(0.0, [Target(named, r.value, dict(fixed), r, sense.source, sense.side) for r in readings])]
        prefix = named
        for rank, (key, readings) in enumerate(_topic_numbers(scene, sense.topic, atom.group, prefix)):
            cost = 0.0 if sense.role == "topic" or key.startswith(prefix) and prefix else 0.5
            if lexicon.items[key].kind == "quantity" and chart_fraction(atom.group):
                cost += 1.2
            context = {
                k: v
                for k, v in fixed.items()
                if k in lexicon.items[key].context or k in lexicon.items[key].soft_context
            }
            out.append((cost + 0.4 * rank, [Target(key, r.value, dict(context), r, sense.source) for r in readings]))
        return out[:2]
    assert atom.mark is not None
    for one in atom.mark.senses:
        if one.role in ("word", "direction") and one.topic == sense.topic and one.topic:
            item = lexicon.items[one.item]
            if item.kind == "text" and "sample" in item.context and "sample" not in fixed:
                continue
            if named == one.item:
                cost = 0.0
            elif sense.role == "topic":
                cost = COST["topic"]
            else:
                cost = COST["sibling"]
                if one.item == lexicon.topics[one.topic].default:
                    cost += 0.2
            context = (
                {k: v for k, v in fixed.items() if k in item.context or k in item.soft_context}
                if named == one.item or one.item != named
                else {}
            )
            if one.context:
                if any(k in context and context[k] != v for k, v in one.context):
                    cost += COST["other_detail"]
                context.update(dict(one.context))
            side = one.side or (sense.side if named == one.item else "")
            out.append((cost, [Target(one.item, one.value, context, None, one.source, side)]))
        elif one.role == "generic":
            if named and sense.role == "name":
                value = _generic_value(lexicon.items[named], one.data)
                if value:
                    told = {k: v for k, v in one.context if k in lexicon.items[named].context}
                    out.append((0.05, [Target(named, value, {**fixed, **told}, None, one.source, sense.side)]))
            elif sense.role == "alone":
                value = _generic_value(lexicon.items[named], one.data) if lexicon.items[named].kind == "finding" else ""
                if value:
                    out.append((0.1, [Target(named, value, dict(sense.context), None, one.source)]))
            elif sense.topic in lexicon.topics:
                default = lexicon.topics[sense.topic].default
                value = _generic_value(lexicon.items[default], one.data) if default else ""
                if value:
                    out.append((0.05 + COST["topic"], [Target(default, value, {}, None, one.source)]))
    return out


def chart_fraction(group: Group) -> bool:
    """Whether a group is written as a Snellen fraction ("6/5", "20/40")."""
    first = group.nums[0]
    if group.signs[:1] != ("/",) and not (len(group.parts) == 2 and values.on_chart(group)):
        return False
    return first.value in (6.0, 20.0) and not first.decimal


# ---- options -----------------------------------------------------------------------------------------
