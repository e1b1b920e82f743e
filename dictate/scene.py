"""Stage 5c: marks and numbers -> the scene: names, sides, values and circumstances on offer."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from dataclasses import replace

from dictate import subject, values
from dictate.answers import unit_after
from dictate.lexicon import Lexicon, Sense
from dictate.marks import Mark, Marks
from dictate.modes import SILENT, Modes
from dictate.note import Tokens
from dictate.numbers import ROMAN, Group, Num, Part
from dictate.offers import Atom, AtomSort, Head, Scene, Side, SideValue
from dictate.segments import Segments
from dictate.wording import plain

_VALUE_ROLES = ("alone", "word", "generic", "direction", "complete")
_GROUP_LINKS = frozenset({"and", "&", "+", "or", "/", ",", "nor"})
_PREPOSITIONS = frozenset({"on", "in", "of", "over", "from", "for", "to", "at", "with"})
_ARTICLES = frozenset({"a", "an", "the", "any", "his", "her", "their", "its"})
_NOT_FINDINGS = ("history", "other", "quoted", "purpose", "warning")


def build(tokens: Tokens, lexicon: Lexicon, marks: Marks, segments: Segments, modes: Modes) -> Scene:
    """Sort what was found into roles. Silent stretches offer no values and no names."""
    scene = Scene(tokens, lexicon, segments, modes)
    scene.marks = marks.marks
    scene.groups = marks.groups
    numbered = {i for group in marks.groups for i in range(group.start, group.end)}
    scene.known = {i for m in marks.marks if not _only_degree(m) for i in range(m.start, m.end)} | numbered
    scene.named = {m.start for m in marks.marks if m.has("name", "topic", "alone") and not m.has("side")}
    for mark in marks.marks:
        for sense in mark.of("unit"):
            scene.units[mark.start] = (sense.value, mark.end)
    scene_groups = []
    marks.marks = _no_clock_hours(marks)
    covering = {m.start: m.end for m in marks.marks if m.has("word", "alone") and not m.has("context")}
    marks.groups = [g for g in marks.groups if covering.get(g.start, 0) <= g.end]
    numbered = {i for group in marks.groups for i in range(group.start, group.end)}
    claimed = {i for m in marks.marks if m.has("context", "name", "alone", "complete") for i in range(m.start, m.end)}
    inner = {i for m in marks.marks for i in range(m.start + 1, m.end)}
    for group in marks.groups:
        if group.start not in claimed or group.start not in inner:
            scene_groups.append(group)
    marks.groups = scene_groups
    for group in marks.groups:
        prefix = values.near_prefix(tokens, group)
        if prefix:
            numbered.add(prefix[0])
    marks.groups = sorted([*marks.groups, *_roman_grades(scene, marks)], key=lambda g: g.start)
    numbered |= {i for group in marks.groups for i in range(group.start, group.end)}
    timed = {i for start, end, _ in marks.times for i in range(start, end)}
    for mark in marks.marks:
        mode = modes.mode[mark.start]
        if mark.start in timed:
            continue
        if mark.has("context") and mode == "talk" and _aimed_at(tokens, mark):
            mark = replace(mark, senses=tuple(s for s in mark.senses if s.role != "context"))
        if mark.has("cue"):
            scene.cues.append(mark)
        if mark.has("context") and mode not in ("history", "other", "quoted"):
            scene.contexts.append(mark)
        if mode in _NOT_FINDINGS or mode == "plan":
            continue
        if mark.has("side") and mode != "talk" and not (mark.has("name") and _names_here(scene, marks.marks, mark)):
            _add_side(scene, mark)
        names = tuple(s for s in mark.of("name", "topic") if not s.item or lexicon.items[s.item].role == "finding")
        talk = mode in ("talk", "question")
        if names:
            also = tuple(s for s in mark.of("alone") if s.data == "finding")
            also += tuple(
                Sense("name", s.source, s.item, s.topic, context=s.context, data="circumstance")
                for s in mark.of("context")
                if s.item and s.topic
            )
            scene.heads.append(
                Head(
                    mark.start, mark.end, names + also, segments.sentence_of[mark.start], mark.plural, mark.heard, talk
                )
            )
        elif _label(scene, mark):
            scene.labels.add(mark.start)
            named = tuple(
                Sense("name", s.source, s.item, s.topic)
                for s in mark.of("alone", "word")
                if s.item and s.data == "finding"
            )
            scene.heads.append(
                Head(mark.start, mark.end, named, segments.sentence_of[mark.start], mark.plural, mark.heard, talk)
            )
            continue
        else:
            soft = tuple(
                Sense("name" if s.item else "topic", s.source, s.item, s.topic)
                for s in mark.of("context", "hint")
                if s.topic and (not s.item or s.item in lexicon.items)
            )
            if soft:
                scene.heads.append(
                    Head(
                        mark.start, mark.end, soft, segments.sentence_of[mark.start], False, mark.heard, talk, soft=True
                    )
                )
        findings = tuple(s for s in mark.of("alone") if s.data == "finding")
        if findings and not _concludes(mark, mode) or mark.has("complete"):
            if not names:
                measured = _measured_with(lexicon, mark)
                scene.heads.append(
                    Head(
                        mark.start,
                        mark.end,
                        findings + measured,
                        segments.sentence_of[mark.start],
                        mark.plural or bool(measured),
                        mark.heard,
                        talk,
                        finding=True,
                    )
                )
    _sides_in_phrases(scene, marks.marks)
    answers = _answers(scene)
    looked_for = _looked_for(scene)
    for mark in marks.marks:
        mode = modes.mode[mark.start]
        answer = answers.get(segments.sentence_of[mark.start]) if mode == "question" else None
        if mode in SILENT and answer is None or mode == "plan" or mark.start in timed:
            continue
        if answer is not None:
            if not (mark.has("alone") or mark.has("word") and not mark.has("generic", "name")):
                continue
            scene.answered[mark.start] = answer
        if mark.start in looked_for and mark.has("alone", "complete"):
            scene.answered[mark.start] = (False, looked_for[mark.start])
        _add_atom(scene, mark, mode, numbered)
    _other_way(scene)

    _cells_alone(scene)
    _same_as(scene)
    _count_samples(scene)
    _bare_samples(scene, marks)
    _measured_elsewhere(scene, marks)
    _number_circumstances(scene, marks)
    _totals(scene, marks)
    for group in marks.groups:
        if group.start in scene.told or group.start in scene.elsewhere or group.start in scene.worded:
            continue
        if group.start in scene.totals or _reference(scene, group):
            continue
        if modes.mode[group.start] in SILENT or modes.mode[group.start] == "plan" or group.start in timed:
            continue
        scene.atoms.append(
            Atom(
                group.start,
                group.end,
                "number",
                None,
                group,
                segments.sentence_of[group.start],
                segments.cell_of[group.start],
            )
        )
    _stray_directions(scene)
    _label_numbers(scene)
    _bare_cells(scene)
    _bare_doubts(scene)
    _distances(scene)
    _qualified_words(scene)
    _bare_directions(scene)
    _denied_names(scene)
    _discourse(scene)
    scene.atoms.sort(key=lambda a: (a.start, a.end))
    scene.heads.sort(key=lambda h: h.start)
    denials = {c.end for c in scene.cues if scene.tokens[c.start].key == "not" and c.end - c.start == 1}
    denials |= {
        t.i + 1
        for t in tokens.tokens
        if t.kind == "word"
        and t.key in ("replac", "supersed")
        or t.key == "of"
        and t.i > 1
        and tokens[t.i - 2].key in ("instead", "place")
    }
    denials |= (
        {i + 2 for i in denials if i + 1 < len(tokens) and tokens[i + 1].key in ("the", "that")}
        | {i + 2 for i in denials if i < len(tokens) and tokens[i].key == "the"}
        | {i + 1 for i in denials if i < len(tokens) and tokens[i].key == "the"}
    )
    scene.atoms = [
        a
        for a in scene.atoms
        if a.sort != "number"
        or a.start not in denials
        and not (a.start - 1 in denials and tokens[a.start - 1].kind == "space")
    ]
    _adjectives(scene)
    _either(scene)
    _merge_pairs(scene)
    _resolve_sides(scene)
    _denied_sides(scene)
    _mark_blocks(scene)
    _group_heads(scene)
    _same_named(scene)
    scene.unknown_eye = subject.unknown_eye(scene, marks.marks)
    return scene


_AIMED = frozenset({"at", "into", "onto", "shin", "shine", "watch", "follow", "see"})


def _only_degree(mark: Mark) -> bool:
    """Whether a mark is but an adverb of degree ("barely"), which tells nothing of the subject."""
    return all(s.data in ("hardly", "degree", "unsure", "opinion") for s in mark.senses)


def _aimed_at(tokens: Tokens, mark: Mark) -> bool:
    """ "Look at the light": a thing the patient is to look at is no circumstance."""
    i = mark.start - 1
    while i >= 0 and (tokens[i].kind == "space" or tokens[i].skipped):
        i -= 1
    return i >= 0 and tokens[i].key in _AIMED


_NEXT = frozenset({"next", "another", "new", "fresh", "different"})


def _other_way(scene: Scene) -> None:
    """ "Head to the right ..., to the left ...": the movement just named, made the other way."""
    turned = [h for h in scene.heads if h.senses and all(s.side in ("right", "left") for s in h.senses)]
    for side in list(scene.sides) if turned else []:
        told = {t.key for t in scene.tokens.tokens[max(0, side.start - 4) : side.start]}
        if side.value not in ("right", "left") or "to" not in told:
            continue
        earlier = [h for h in turned if h.end <= side.start and side.sentence - h.sentence <= 2]
        if not earlier or any(
            earlier[-1].end <= h.start < side.start and not h.soft and not h.talk for h in scene.heads
        ):
            continue
        named = {s for h in earlier[-1:] for s in _sides_inside(scene, h)}
        if side.value in named or len(named) != 1:
            continue
        senses = tuple(
            replace(s, side="left" if s.side == "right" else "right") if s.side in ("right", "left") else s
            for s in earlier[-1].senses
        )
        scene.heads.append(Head(side.start, side.end, senses, side.sentence, False, earlier[-1].heard, False))
        scene.sides.remove(side)
    scene.heads.sort(key=lambda h: h.start)


def _sides_inside(scene: Scene, head: Head) -> set[str]:
    """The sides that the words of a name tell."""
    words = {t.key for t in scene.tokens.tokens[head.start : head.end]}
    return words & {"right", "left"}


def _count_samples(scene: Scene) -> None:
    """ "What's this one?", "same pot", "next pot": samples told without a number are counted."""
    last: dict[str, int] = {}
    for head in sorted(scene.heads, key=lambda h: h.start):
        senses = []
        for sense in head.senses:
            item = scene.lexicon.items.get(sense.item)
            if item is None or item.kind != "text" or "sample" not in item.context or sense.role != "name":
                senses.append(sense)
                continue
            number = dict(sense.context).get("sample")
            if number is None:
                words = {t.key for t in scene.tokens.tokens[head.start : head.end]}
                number = last.get(sense.topic, 0) + bool(words & _NEXT) or 1
                sense = replace(sense, context=(*sense.context, ("sample", number)))
            last[sense.topic] = int(number)
            senses.append(sense)
        head.senses = tuple(senses)


def _no_clock_hours(marks: Marks) -> list[Mark]:
    """ "at 6/10": the first number of a fraction is no clock hour."""
    fractions = {g.start: g.end for g in marks.groups if "/" in g.signs}
    return [
        m
        for m in marks.marks
        if not (
            m.has("context")
            and not m.has("name", "topic", "alone", "word")
            and any(fractions.get(i, 0) > m.end for i in range(m.start + 1, m.end))
        )
    ]


def _cells_alone(scene: Scene) -> None:
    """Cells of a side's column that hold a lone "no", or only the place of the finding that heads their row."""
    labelled = {scene.segments.sentence_of[i] for i in scene.labels}
    for mark in [*scene.cues, *scene.contexts]:
        denial = any(s.data == "negation" for s in mark.of("cue"))
        place = [s for s in mark.of("context") if any(k in ("sector", "region") for k, _ in s.context)]
        sentence = scene.segments.sentence_of[mark.start]
        if mark.start not in scene.segments.cell_side or not (denial or place and sentence in labelled):
            continue
        if not _fills_cell(scene, mark):
            continue
        if denial:
            scene.cues.remove(mark)
            sense = Sense("generic", mark.of("cue")[0].source, data="absent")
        else:
            sense = Sense(
                "generic", place[0].source, data="present", context=tuple(c for s in place for c in s.context)
            )
        cell = scene.segments.cell_of[mark.start]
        scene.atoms = [a for a in scene.atoms if a.start != mark.start]
        scene.atoms.append(
            Atom(mark.start, mark.end, "word", Mark(mark.start, mark.end, (sense,)), None, sentence, cell)
        )


def _fills_cell(scene: Scene, mark: Mark) -> bool:
    """Whether nothing but the mark stands between two separators of a table line."""
    sentence = scene.segments.sentences[scene.segments.sentence_of[mark.start]]
    cell = scene.segments.cell_of[mark.start]
    return all(
        mark.start <= i < mark.end
        or scene.segments.cell_of[i] != cell
        or scene.tokens[i].kind in ("space", "break")
        or scene.tokens[i].key == "|"
        for i in range(sentence.start, sentence.end)
    )


def _measured_with(lexicon: Lexicon, mark: Mark) -> tuple[Sense, ...]:
    """The subjects of a phrase complete by itself, for a measurement told right behind it ("PERRLA 4 mm")."""
    keys = [r.item for s in mark.of("complete") for r in lexicon.bundles[int(s.data)].rows]
    topics = dict.fromkeys(lexicon.items[k].topic for k in keys)
    source = mark.senses[0].source
    return tuple(Sense("measures", source, topic=t) for t in topics if t and lexicon.topics[t].numbers)


def _bare_samples(scene: Scene, marks: Marks) -> None:
    """ "Two." after "Vial one": the next sample, told by its number alone."""
    sampled = [h for h in scene.heads if any(dict(s.context).get("sample") for s in h.senses)]
    if not sampled:
        return
    rest = []
    for group in marks.groups:
        number = scene.segments.sentence_of[group.start]
        sentence = scene.segments.sentences[number]
        words = [
            t
            for t in scene.tokens.tokens[sentence.start : sentence.end]
            if t.kind in ("word", "number") and not t.skipped
        ]
        value = group.nums[0].value
        earlier = [h for h in sampled if h.start < group.start and number - h.sentence <= 6]
        if len(words) > 2 or len(group.parts) != 1 or not earlier or value not in range(1, 13):
            rest.append(group)
            continue
        last = earlier[-1]
        senses = tuple(
            replace(s, context=tuple((k, int(value) if k == "sample" else v) for k, v in s.context))
            for s in last.senses
        )
        scene.heads.append(Head(group.start, group.end, senses, number, False, False, False))
        sampled.append(scene.heads[-1])
    marks.groups = rest


def _subjects_without_items(lexicon: Lexicon) -> set[str]:
    """Topics that take a subject away from the examination: nothing in the dictionary is theirs."""
    used = {item.topic for item in lexicon.items.values()}
    return {k for k, t in lexicon.topics.items() if not t.default and not t.numbers and k not in used}


def _measured_elsewhere(scene: Scene, marks: Marks) -> None:
    """Numbers of a measure that the dictionary lacks ("pulse 64"), and sizes of a finding ("2 mm hypopyon")."""
    strange = _subjects_without_items(scene.lexicon)
    heads = sorted((h for h in scene.heads if not h.soft), key=lambda h: h.start)
    starts = [h.start for h in heads]
    links = {i for m in scene.marks if m.has("side", "unit") for i in range(m.start, m.end)}
    last_end = -1
    for group in marks.groups:
        at = bisect_left(starts, group.start) - 1
        head = heads[at] if at >= 0 else None
        here = scene.segments.sentence_of[group.start]
        unit, end = unit_after(scene, group)
        own = head is not None and head.sentence == here and {s.topic for s in head.senses} <= strange
        if own and head is not None:
            since = max(head.end, last_end)
            between = [i for i in range(since, group.start) if scene.tokens[i].kind not in ("space", "break")]
            first = last_end <= head.end
            if first or all(i in links or scene.tokens[i].key in _GROUP_LINKS for i in between):
                scene.elsewhere[group.start] = (head.start, end)
                last_end = end
                continue
        if unit == "mm" and (
            _size_of_finding(scene, heads, at, group, unit, end)
            or last_end >= 0
            and _between(scene, last_end, group.start) in (["x"], ["by"], ["×"])
        ):
            scene.elsewhere[group.start] = (group.start, end)
            last_end = end


def _size_of_finding(scene: Scene, heads: list[Head], at: int, group: Group, unit: str, end: int) -> bool:
    """Whether a length touches a finding that no length of the dictionary belongs to."""
    for head in heads[max(at, 0) : at + 2]:
        gap = (head.end, group.start) if head.start < group.start else (end, head.start)
        if not head.finding or _between(scene, *gap):
            continue
        topics = {s.topic for s in head.senses}
        if not any(
            item.kind == "quantity" and item.topic in topics and values.possible_in(group, item, unit)
            for item in scene.lexicon.items.values()
        ):
            return True
    return False


def _reference(scene: Scene, group: Group) -> bool:
    """ "(norm 10-21)": a bracket that opens with a word for normal quotes what is normal."""
    before = _between(scene, max(0, group.start - 4), group.start)
    return len(before) > 1 and before[-2] in ("(", "[") and before[-1] in ("norm", "normal", "nl", "ref", "refer")


def _totals(scene: Scene, marks: Marks) -> None:
    """ "Fifteen plates shown", "of 15 plates": how many there were, no result of its own."""
    scored = {k for k, item in scene.lexicon.items.items() if item.kind == "score"}
    topics = {scene.lexicon.items[k].topic for k in scored}
    named = {
        h.sentence for h in scene.heads if any(s.item in scored or not s.item and s.topic in topics for s in h.senses)
    }
    shown = {c.start for c in scene.cues if any(s.data == "total" for s in c.of("cue"))}
    nouns = {i for h in scene.heads for i in range(h.start, h.end)}
    for group in marks.groups:
        sentence = scene.segments.sentence_of[group.start]
        if sentence not in named or len(group.parts) != 1 or group.nums[0].value not in range(2, 41):
            continue
        after = [t for t in scene.tokens.tokens[group.end : group.end + 8] if t.kind != "space" and not t.skipped]
        of_all = _between(scene, max(0, group.start - 3), group.start)[-1:] == ["of"]
        counted = next((n for n, t in enumerate(after) if t.i not in nouns), len(after))
        near = {t.i for t in after[: max(counted, 1) + 1]}
        if near & shown or of_all and counted:
            scene.totals[group.start] = (sentence, int(group.nums[0].value))
    zeros = [i for number in dict(scene.totals.values()) for i in _missed_none(scene, number)]
    scene.atoms = [a for a in scene.atoms if a.start not in zeros]
    zero = [Group(i, i + 1, (Part(Num(i, i + 1, 0.0, ""), "", i, i + 1, False),)) for i in zeros]
    marks.groups = sorted([*marks.groups, *zero], key=lambda g: g.start)


def _missed_none(scene: Scene, number: int) -> list[int]:
    """ "He missed none": the places in a sentence where no miss is counted."""
    sentence = scene.segments.sentences[number]
    return [
        i
        for i in range(sentence.start + 2, sentence.end)
        if scene.tokens[i].key in ("none", "nothing", "nil") and values.missed_at(scene.tokens, i)
    ]


def _number_circumstances(scene: Scene, marks: Marks) -> None:
    """Numbers that are circumstances of other items ("with the 512 fork"), kept as such."""
    for item in scene.lexicon.items.values():
        if not item.circumstance:
            continue
        names = {m.start for m in marks.marks if any(s.item == item.key for s in m.of("name"))}
        ends = {m.end for m in marks.marks if any(s.item == item.key for s in m.of("name"))}
        takers = {
            m.start
            for m in marks.marks
            for s in m.senses
            if s.item and item.circumstance in scene.lexicon.items[s.item].context
        }
        by_sentence = {scene.segments.sentence_of[i] for i in takers}
        for group in marks.groups:
            if scene.modes.mode[group.start] in (*_NOT_FINDINGS, "plan") or group.start in scene.elsewhere:
                continue
            readings = values.quantity(scene.tokens, group, item, unit_after(scene, group)[0])
            numbers = [(r, r.value) for r in readings if isinstance(r.value, (int, float))]
            if not numbers or len(numbers) != len(readings):
                continue
            sure = all(value in item.allowed for _, value in numbers)
            unit, end = unit_after(scene, group)
            after = end
            while after < len(scene.tokens) and (scene.tokens[after].kind == "space" or scene.tokens[after].skipped):
                after += 1
            before = group.start
            while before > 0 and (scene.tokens[before - 1].kind == "space" or scene.tokens[before - 1].skipped):
                before -= 1
            named = after in names or before in ends or unit == item.unit
            low, high = item.possible or (0.0, 0.0)
            near = scene.segments.sentence_of[group.start] in by_sentence and all(
                max(low, 100) <= value <= high for _, value in numbers
            )
            if not (named or sure or near):
                continue
            scene.told[group.start] = (item.key, group)
            for r, value in numbers:
                sense = Sense("context", item.key, context=((item.circumstance, int(value)),), data=item.circumstance)
                scene.contexts.append(Mark(r.start, r.end, (sense,), heard=value not in item.allowed))
    scene.contexts.sort(key=lambda m: m.start)


def _roman_grades(scene: Scene, marks: Marks) -> list[Group]:
    """Roman numerals that are grades: after "grade", or after the name of a graded item."""
    out: list[Group] = []
    graded: dict[int, int] = {}
    for mark in marks.marks:
        for sense in mark.of("name", "topic"):
            keys = [sense.item] if sense.item else scene.lexicon.topics[sense.topic].numbers
            if any(scene.lexicon.items[k].scale in ("1-6", "0-4") for k in keys):
                graded[scene.segments.sentence_of[mark.start]] = mark.end
    for sentence, start in graded.items():
        bounds = scene.segments.sentences[sentence]
        for i in range(bounds.start, bounds.end):
            token = scene.tokens[i]
            if token.text not in ROMAN or ROMAN[token.text] > 6:
                continue
            if i > 1 and scene.tokens[i - 1].key == "/" and scene.tokens[i - 2].text in ROMAN:
                continue  # "IV/VI": of how many
            word = plain(scene.tokens[i - 1].text) if i else ""
            if word == "i" or not (word in ("grade", "gr", "hb") or i >= start):
                continue
            if i + 1 < len(scene.tokens) and scene.tokens[i + 1].key == "'":
                continue
            num = Num(i, i + 1, float(ROMAN[token.text]), token.text)
            out.append(Group(i, i + 1, (Part(num, "", i, i + 1, False),)))
    return out


def _concludes(mark: Mark, mode: str) -> bool:
    """Whether a phrase stands for the condition and not for the finding, in a summary."""
    return mode == "impression" and any(s.data == "impression" for s in mark.of("alone"))


_BARE = frozenset(
    {"to", "go", "goe", "goes", "went", "from", "into", "on", "toward", "in", "com", "come", "came", "heard", "hear"}
)


def _side_follows(scene: Scene, mark: Mark) -> bool:
    """Whether a side comes right after a small word of direction ("to the left")."""
    starts = {s.start for s in scene.sides} | {m.start for m in scene.marks if m.has("side")}
    steps = 0
    i = mark.end
    while i < len(scene.tokens) and steps < 3:
        if i in starts:
            return True
        token = scene.tokens[i]
        if token.kind == "punct" or token.kind == "break":
            return False
        steps += token.kind == "word" and not token.skipped
        i += 1
    return False


_AFTER_SAME = frozenset(
    {"on", "in", "both", "for", "each", "either", "all", "side", "again", "and", "with", "at", "to", "as", "throughout"}
)


def _mere_same(scene: Scene, mark: Mark) -> bool:
    """ "the same fork": "same" before a noun says nothing of a finding."""
    if scene.tokens[mark.end - 1].key != "same":
        return False
    i = mark.end
    while i < len(scene.tokens) and scene.tokens[i].kind == "space":
        i += 1
    return i < len(scene.tokens) and scene.tokens[i].kind == "word" and scene.tokens[i].key not in _AFTER_SAME


def _names_here(scene: Scene, marks: list[Mark], mark: Mark) -> bool:
    """ "LT V1-3": an abbreviation of a test that is also one of a side, before what is tested."""
    following = [m for m in marks if mark.end <= m.start <= mark.end + 3]
    return bool(following) and following[0].has("context", "generic")


def _label(scene: Scene, mark: Mark) -> bool:
    """A finding's name that heads its line ("DH:   nil R"): what follows is its value."""
    if not any(
        s.item and s.data == "finding" and scene.lexicon.items[s.item].kind == "finding"
        for s in mark.of("alone", "word")
    ):
        return False
    sentence = scene.segments.sentences[scene.segments.sentence_of[mark.start]]
    sided = scene.segments.cell_side
    if mark.start not in sided and any(i in sided for i in range(mark.end, sentence.end)):
        return True
    first = sentence.start
    while first < mark.start and scene.tokens[first].kind in ("space", "break"):
        first += 1
    if first != mark.start or not sentence.line_start or mark.end >= sentence.end:
        return False
    after = scene.tokens[mark.end]
    return after.key in (":", "|") or after.kind == "space" and (len(after.text) >= 2 or "\t" in after.text)


def _answers(scene: Scene) -> dict[int, tuple[bool, Mark]]:
    """Questions answered with yes or no at the head of the next sentence."""
    out: dict[int, tuple[bool, Mark]] = {}
    replies: dict[int, list[Mark]] = {}
    for cue in scene.cues:
        if any(s.data in ("negation_of_answer", "affirmation") for s in cue.of("cue")):
            replies.setdefault(scene.segments.sentence_of[cue.start], []).append(cue)
    for number, sentence in enumerate(scene.segments.sentences):
        if scene.modes.mode[sentence.start] != "question" or not _polar(scene, sentence.start, sentence.end):
            continue
        for cue in replies.get(number + 1, []):
            before = [t for t in scene.tokens.tokens[sentence.end : cue.start] if t.kind == "word" and not t.skipped]
            if len(before) > 3:
                continue
            yes = not any(s.data == "negation_of_answer" for s in cue.of("cue"))
            out[number] = (yes, cue)
            break
    return out


def _looked_for(scene: Scene) -> dict[int, Mark]:
    """Tokens of what was looked for and not found -> the words that say so."""
    out: dict[int, Mark] = {}
    for cue in scene.cues:
        if scene.modes.mode[cue.start] == "found_none" and cue.has("cue"):
            out.update((i, cue) for i in range(scene.modes.cue[cue.start], cue.start))
    return out


_POLAR = frozenset(
    {"any", "is", "do", "doe", "does", "can", "see", "are", "have", "did", "seeing", "still", "get", "no", "anything"}
)


def _polar(scene: Scene, start: int, end: int) -> bool:
    """Whether a question asks for yes or no."""
    words = [t for t in scene.tokens.tokens[start:end] if t.kind == "word"]
    keys = {plain(t.text) for t in words[:4]}
    return bool(keys & _POLAR) and not keys & {"what", "which", "where", "how", "who"}


def _same_as(scene: Scene) -> None:
    """ "same on the left", "ditto left": what was last said of the other side holds here too."""
    sides_of: dict[int, list[Side]] = {}
    for one in scene.sides:
        sides_of.setdefault(one.sentence, []).append(one)
    for cue in scene.cues:
        if not any(s.data in ("same_as", "reversed") for s in cue.of("cue")) or (
            scene.tokens[cue.start].key in ("so", "as")
        ):
            continue
        for side in list(sides_of.get(scene.segments.sentence_of[cue.start], ())):
            value = (
                _other_than(earlier[-1])
                if str(side.value) == "other" and (earlier := _lone(scene, side))
                else side.value
            )
            if value not in ("right", "left"):
                continue
            if side.start >= cue.end:
                gap, near = _between(scene, cue.end, side.start), side.start - cue.end
            else:
                gap, near = _between(scene, side.end, cue.start), cue.start - side.end
            if not 0 <= near <= 6 or len(gap) > 3 or any(g not in _SAME_LINKS for g in gap):
                continue
            if side.end <= cue.start and (_listed_side(scene, side, sides_of[side.sentence]) or _mere_same(scene, cue)):
                continue
            if cue.end <= side.start and scene.tokens[cue.end - 1].key == "as" or "as" in gap:
                continue
            whole = Mark(min(cue.start, side.start), max(cue.end, side.end), cue.senses)
            scene.same.append((whole, str(value), ()))
            scene.sides.remove(side)
            scene.atoms = [a for a in scene.atoms if not (cue.start <= a.start < cue.end)]
            break


_SAME_LINKS = frozenset(
    {
        "on",
        "in",
        "for",
        "with",
        "of",
        ":",
        "at",
        "to",
        "is",
        "was",
        "'",
        "’",
        "s",
        "exactly",
        "exact",
        "just",
        "much",
        "there",
        "it",
    }
)


def _lone(scene: Scene, side: Side) -> list[Side]:
    """The sides told shortly before "the other one"."""
    return [
        s
        for s in scene.sides
        if s.end <= side.start and side.sentence - s.sentence <= 1 and s.value in ("right", "left")
    ]


def _listed_side(scene: Scene, side: Side, sides: list[Side]) -> bool:
    """ "Right and left the same": a side in a list is compared, and takes nothing over."""
    before = [s for s in sides if s.end <= side.start]
    if not before:
        return False
    gap = _between(scene, before[-1].end, side.start)
    return len(gap) <= 1 and all(g in ("and", "&", "/", "=", "+") for g in gap)


def _same_named(scene: Scene) -> None:
    """ "Left eye ... macula the same", "cornea same as the right": one test takes over what was
    found on the other side."""
    taken = {i for mark, *_ in scene.same for i in range(mark.start, mark.end)}
    sides_of: dict[int, list[Side]] = {}
    for one in scene.sides:
        sides_of.setdefault(one.sentence, []).append(one)
    for cue in scene.cues:
        if not any(s.data == "same_as" for s in cue.of("cue")) or cue.start in taken:
            continue
        if "same" not in {t.key for t in scene.tokens.tokens[cue.start : cue.end]}:
            continue
        number = scene.segments.sentence_of[cue.start]
        here = sides_of.get(number, [])
        source = next((s for s in here if 0 <= s.start - cue.end <= 5 and _compared(scene, cue, s)), None)
        if source is None and not _ends_clause(scene, cue.end):
            continue
        target = _other_than(source) if source is not None else _side_in_hand(scene, sides_of, number, cue.start)
        heads = _names_before(scene, cue, number)
        if target not in ("right", "left") or source is None and not heads or _comparable(scene, heads):
            continue
        start = min([cue.start, *(h.start for h in heads)])
        end = source.end if source is not None else cue.end
        scene.same.append((Mark(start, end, cue.senses), target, tuple(heads)))
        scene.atoms = [a for a in scene.atoms if not cue.start <= a.start < cue.end]
        if source is not None:
            scene.sides.remove(source)
            here.remove(source)


def _compared(scene: Scene, cue: Mark, side: Side) -> bool:
    """Whether a side is the one compared with ("same as the right", "same as on the right")."""
    words = [t.key for t in scene.tokens.tokens[cue.start : side.start] if t.kind != "space" and not t.skipped]
    return (
        side.value in ("right", "left")
        and "as" in words
        and all(w in ("same", "as", "on", "in", "for", "of", "exactly", "with") for w in words)
    )


def _other_than(side: Side) -> str:
    return "left" if side.value == "right" else "right"


def _ends_clause(scene: Scene, i: int) -> bool:
    """Whether nothing of the clause follows ("macula the same.")."""
    while i < len(scene.tokens) and (
        scene.tokens[i].kind == "space" or scene.tokens[i].skipped or scene.tokens[i].key in ("again", "too", "here")
    ):
        i += 1
    return i >= len(scene.tokens) or scene.tokens[i].kind in ("punct", "break") or scene.tokens[i].key == "and"


def _side_in_hand(scene: Scene, sides_of: dict[int, list[Side]], number: int, place: int) -> str:
    """The side turned to before a place: in its sentence, or as a block in one shortly before."""
    before = [s for s in sides_of.get(number, []) if s.end <= place]
    if before:
        return str(before[-1].value)
    for at in range(number - 1, max(-1, number - 8), -1):
        if sides_of.get(at):
            last = sides_of[at][-1]
            return str(last.value) if last.block else ""
    return ""


def _names_before(scene: Scene, cue: Mark, number: int) -> list[Head]:
    """The name right before a cue, with those listed with it."""
    heads = [h for h in scene.heads if h.sentence == number and h.end <= cue.start and not h.soft and not h.talk]
    if not heads or any(g not in _SAME_LINKS for g in _between(scene, heads[-1].end, cue.start)):
        return []
    return list(heads[-1].group) or [heads[-1]]


def _comparable(scene: Scene, heads: list[Head]) -> bool:
    """Whether "the same" is itself a result of the test: both sides felt alike."""
    return any("equal" in scene.lexicon.items[s.item].generic for h in heads for s in h.senses if s.item)


def _power_in_figures(scene: Scene, mark: Mark) -> bool:
    """ "Masseters 5/5": a score that is a value word of the name before it. Its number is told with it."""
    if not any(g.start == mark.start and g.end == mark.end for g in scene.groups):
        return False
    sentence = scene.segments.sentence_of[mark.start]
    before = [h for h in scene.heads if h.sentence == sentence and h.end <= mark.start and not h.soft]
    if not before:
        return False
    nearest = max(before, key=lambda h: h.end)
    topics = {s.topic for s in nearest.senses}
    if not any(s.topic in topics for s in mark.of("word")):
        return False
    scene.worded.add(mark.start)
    return True


def _add_atom(scene: Scene, mark: Mark, mode: str, numbered: set[int]) -> None:
    lexicon = scene.lexicon
    senses = tuple(s for s in mark.senses if not (s.role == "word" and lexicon.items[s.item].role != "finding"))
    if senses != mark.senses:
        mark = replace(mark, senses=senses)
    roles = [s.role for s in mark.senses]
    sort: AtomSort | None = None
    findings = [s for s in mark.of("alone") if s.data == "finding"]
    if mark.has("complete"):
        sort = "complete"
    elif findings and not _concludes(mark, mode):
        sort = "alone"
    elif mark.has("direction") and not mark.has("word", "generic"):
        sort = "direction"
    elif any(r in ("word", "generic", "direction") for r in roles):
        sort = "word"
    if sort == "direction" and scene.tokens[mark.start].key in _BARE and not _side_follows(scene, mark):
        return
    if not sort or sort == "word" and _mere_same(scene, mark):
        return
    within = mark.start in numbered and (sort != "alone" or mark.end - 1 in numbered)
    if within and not _power_in_figures(scene, mark):
        return
    if mark.has("side") and any(
        a.mark is not None
        and not a.mark.has("side")
        and a.mark.has("word", "generic")
        and 0 < mark.start - a.start <= 4
        for a in scene.atoms[-3:]
    ):
        return
    scene.atoms.append(
        Atom(
            mark.start,
            mark.end,
            sort,
            mark,
            None,
            scene.segments.sentence_of[mark.start],
            scene.segments.cell_of[mark.start],
        )
    )


def _qualified_words(scene: Scene) -> None:
    """ "fasciculation -ve": a finding's word right before a general word is its name."""
    generics = {
        a.start
        for a in scene.atoms
        if a.mark is not None
        and any(s.data in ("absent", "present", "negative", "positive", "unseen") for s in a.mark.of("generic"))
    }
    known = {h.start for h in scene.heads}
    topics: dict[int, set[str]] = {}
    for head in scene.heads:
        topics.setdefault(head.sentence, set()).update(s.topic for s in head.senses if s.topic)
    for atom in scene.atoms:
        if atom.sort != "word" or atom.mark is None or atom.start in known:
            continue
        after = atom.end
        while after < len(scene.tokens) and (scene.tokens[after].kind == "space" or scene.tokens[after].skipped):
            after += 1
        if after not in generics:
            continue
        in_hand = set().union(*(topics.get(n, set()) for n in range(max(0, atom.sentence - 2), atom.sentence + 1)))
        senses = tuple(
            Sense("alone", s.source, s.item, s.topic, s.value, s.context, "finding")
            for s in atom.mark.of("word")
            if scene.lexicon.items[s.item].kind == "finding" and s.value == "present" and s.topic in in_hand
        )
        if senses:
            scene.heads.append(
                Head(atom.start, atom.end, senses, atom.sentence, False, atom.mark.heard, False, finding=True)
            )
    scene.heads.sort(key=lambda h: h.start)


def _stray_directions(scene: Scene) -> None:
    """Small words of direction count only where something that deviates was just named."""
    named: dict[int, set[str]] = {}
    for head in scene.heads:
        named.setdefault(head.sentence, set()).update(s.topic for s in head.senses if s.topic)
    kept = []
    for atom in scene.atoms:
        if atom.sort == "direction" and atom.mark is not None:
            topics = {s.topic for s in atom.mark.of("direction")}
            near = set().union(*(named.get(n, set()) for n in range(max(0, atom.sentence - 1), atom.sentence + 1)))
            if not topics & near:
                continue
        kept.append(atom)
    scene.atoms = kept


_OUT_OF = frozenset({"/", "of", "(", "out"})


def _label_numbers(scene: Scene) -> None:
    """A number in the name of a table's row is no result; "Plates /17" tells how many were shown."""
    cell_side, cell_of = scene.segments.cell_side, scene.segments.cell_of
    first: dict[int, int] = {}
    for atom in scene.atoms:
        if atom.start in cell_side:
            first.setdefault(atom.sentence, atom.start)
    kept: list[Atom] = []
    for atom in scene.atoms:
        value = first.get(atom.sentence, -1)
        if atom.group is None or not atom.start < value or atom.start in cell_side:
            kept.append(atom)
            continue
        if cell_of[atom.start] == cell_of[value]:
            kept.append(atom)
            continue
        before = atom.start - 1
        while before > 0 and scene.tokens[before].kind == "space":
            before -= 1
        if scene.tokens[before].key in _OUT_OF and len(atom.group.nums) == 1:
            scene.shown[atom.sentence] = int(atom.group.nums[0].value)
    scene.atoms = kept


def _bare_cells(scene: Scene) -> None:
    """A cell under a finding's name with no word of its own kind: "no", "?", "trace", "?mild"."""
    labelled = {scene.segments.sentence_of[i] for i in scene.labels}
    done: set[tuple[int, int]] = set()
    for i in sorted(scene.segments.cell_side):
        sentence, cell = scene.segments.sentence_of[i], scene.segments.cell_of[i]
        if sentence not in labelled or (sentence, cell) in done or scene.tokens[i].kind == "space":
            continue
        done.add((sentence, cell))
        end = i
        while end in scene.segments.cell_side and scene.segments.cell_of[end] == cell:
            end += 1
        inside = [a for a in scene.atoms if i <= a.start < end]
        topics = {s.topic for h in scene.heads if h.sentence == sentence for s in h.senses}
        if any(not _foreign(a, topics) for a in inside):
            continue
        words = [t for t in scene.tokens.tokens[i:end] if t.kind != "space" and not t.skipped]
        cues = [c for c in scene.cues if i <= c.start < end]
        degree = [c for c in cues if any(s.data == "degree" for s in c.of("cue"))]
        denied = [c for c in cues if any(s.data == "negation" for s in c.of("cue"))]
        doubted = [c for c in cues if any(s.data in ("suspected", "unsure") for s in c.of("cue"))]
        told = {k for c in cues for k in range(c.start, c.end)}
        if not words or any(t.i not in told for t in words):
            continue
        lead = (degree or denied or doubted)[:1]
        if not lead:
            continue
        scene.atoms = [a for a in scene.atoms if not i <= a.start < end]
        _add_generic(scene, lead[0], "present" if degree or not denied else "absent")
        scene.cues = [c for c in scene.cues if c not in denied]


def _foreign(atom: Atom, topics: set[str]) -> bool:
    """Whether a word is a value of other tests only than those in hand."""
    return (
        atom.mark is not None
        and atom.sort == "word"
        and topics.isdisjoint({s.topic for s in atom.mark.senses if s.role != "generic"})
        and not atom.mark.has("generic")
    )


def _bare_doubts(scene: Scene) -> None:
    """ "SVP absent R, not sure L": a side told with nothing but doubt says that the finding is suspected."""
    sides = {s.start: s for s in scene.sides}
    for cue in list(scene.cues):
        if not any(s.data == "unsure" for s in cue.of("cue")) or cue.start in scene.segments.cell_side:
            continue
        chunk = scene.segments.chunk_of[cue.start]
        low, high = cue.start, cue.end
        while low > 0 and scene.segments.chunk_of[low - 1] == chunk and scene.tokens[low - 1].kind != "break":
            low -= 1
        while high < len(scene.tokens) and scene.segments.chunk_of[high] == chunk:
            high += 1
        here = [s for i, s in sides.items() if low <= i < high]
        told = {k for s in here for k in range(s.start, s.end)} | set(range(cue.start, cue.end))
        rest = [t.key for t in scene.tokens.tokens[low:high] if t.kind == "word" and not t.skipped and t.i not in told]
        inside = [a for a in scene.atoms if low <= a.start < high]
        if len(here) != 1 or set(rest) - _DOUBT_LINKS:
            continue
        topics = {s.topic for h in scene.heads if h.sentence == here[0].sentence for s in h.senses}
        if all(_foreign(a, topics) for a in inside):
            scene.atoms = [a for a in scene.atoms if not low <= a.start < high]
            _add_generic(scene, cue, "present")


_DOUBT_LINKS = frozenset({"on", "in", "of", "about", "and", "there", "but", "for", "is", "at"})


def _add_generic(scene: Scene, mark: Mark, data: str) -> None:
    sense = Sense("generic", mark.of("cue")[0].source, data=data)
    scene.atoms.append(
        Atom(
            mark.start,
            mark.end,
            "word",
            Mark(mark.start, mark.end, (sense,)),
            None,
            scene.segments.sentence_of[mark.start],
            scene.segments.cell_of[mark.start],
        )
    )
    scene.atoms.sort(key=lambda a: a.start)


_ADJECTIVES = frozenset({"clear", "fin", "fine", "good", "nice", "great", "lov", "lovely", "fair", "proper"})


def _adjectives(scene: Scene) -> None:
    """ "a fine nystagmus", "a clear catch-up": an adjective of the finding, no value of its own."""
    kept: list[Atom] = []
    for n, atom in enumerate(scene.atoms):
        following = scene.atoms[n + 1] if n + 1 < len(scene.atoms) else None
        if (
            atom.sort == "word"
            and atom.end - atom.start == 1
            and scene.tokens[atom.start].key in _ADJECTIVES
            and following is not None
            and following.sort in ("alone", "word")
            and following.mark is not None
            and following.mark.has("alone", "word")
            and not _between(scene, atom.end, following.start)
            and following.cell == atom.cell
            and following.sentence == atom.sentence
        ):
            continue
        if (
            kept
            and atom.sort == "word"
            and scene.tokens[atom.start].text in ("√", "✓", "✔")
            and kept[-1].mark is not None
            and kept[-1].sentence == atom.sentence
            and not _between(scene, kept[-1].end, atom.start)
        ):
            continue
        kept.append(atom)
    scene.atoms = kept


def _discourse(scene: Scene) -> None:
    """ "Right, ..." at the head of a spoken sentence is no side when the note is talk."""
    counts = Counter(s.sentence for s in scene.sides)
    valued = {a.sentence for a in scene.atoms}
    spoken = sum(1 for s in scene.segments.sentences if scene.modes.mode[s.start] in ("talk", "question"))
    if spoken < 3:
        return
    for side in list(scene.sides):
        first = scene.segments.sentences[side.sentence].start
        while first < side.start and scene.tokens[first].kind in ("space", "break"):
            first += 1
        others = counts[side.sentence] > 1
        values_here = side.sentence in valued
        if values_here and not others:
            continue
        if (
            first == side.start
            and side.end - side.start == 1
            and scene.tokens[min(side.end, len(scene.tokens) - 1)].key == ","
        ):
            scene.sides.remove(side)


def _distances(scene: Scene) -> None:
    """ "CF at 1 m": an acuity told as what is seen takes the distance that follows it."""
    by_start = {a.start: a for a in scene.atoms if a.sort == "number"}
    for atom in scene.atoms:
        if atom.mark is None or not any(
            s.role in ("word", "alone") and s.item and scene.lexicon.items[s.item].kind == "acuity"
            for s in atom.mark.senses
        ):
            continue
        for i in range(atom.end, min(atom.end + 6, len(scene.tokens))):
            number = by_start.get(i)
            if number is None:
                token = scene.tokens[i]
                if (
                    token.kind == "space"
                    or token.skipped
                    or token.key in ("at", "@", "from", "/", ",", "about", "to", "-")
                ):
                    continue
                break
            assert number.group is not None
            unit, end = unit_after(scene, number.group)
            if unit not in ("m", "cm", "ft", "in") and scene.tokens[min(end, len(scene.tokens) - 1)].key == "'":
                unit, end = "ft", end + 1
            if unit in ("m", "cm", "ft", "in") and len(number.group.nums) == 1:
                amount = values.number(number.group.nums[0].value)
                scene.distances[atom.start] = f"{amount} {unit}"
                atom.end = end
                scene.atoms.remove(number)
            break


def _bare_directions(scene: Scene) -> None:
    """ "Weber R", "uvula to the left": a side right after the name of a direction item."""
    by_sentence: dict[int, list[Head]] = {}
    for head in scene.heads:
        by_sentence.setdefault(head.sentence, []).append(head)
    taken = sorted(a.start for a in scene.atoms)
    for side in scene.sides:
        if side.value not in ("right", "left"):
            continue
        for head in by_sentence.get(side.sentence, ()):
            if not 0 <= side.start - head.end <= 6 or head.finding:
                continue
            senses = [s for s in head.senses if s.item and scene.lexicon.items[s.item].direction]
            gap = _between(scene, head.end, side.start)
            if not senses or len(gap) > 3 or any(g in (",", ";", ".", "and", "but", "from") for g in gap):
                continue
            at = bisect_left(taken, head.end)
            if at < len(taken) and taken[at] <= side.start:
                continue
            sense = replace(senses[0], role="direction", value="")
            mark = Mark(side.start, side.end, (sense,))
            scene.atoms.append(
                Atom(side.start, side.end, "direction", mark, None, side.sentence, scene.segments.cell_of[side.start])
            )
            break


def _denied_names(scene: Scene) -> None:
    """ "No gag": a denied name with no value of its own says that it is absent."""
    starts = {a.start for a in scene.atoms}
    denials = {c.end: c for c in scene.cues if any(s.data == "negation" for s in c.of("cue"))}
    for head in scene.heads:
        if head.finding or head.soft or head.talk or head.start in starts:
            continue
        senses = [s for s in head.senses if s.item and "absent" in scene.lexicon.items[s.item].generic]
        if not senses:
            continue
        for cue in [denials[i] for i in range(head.start - 2, head.start + 1) if i in denials]:
            if _between(scene, cue.end, head.start) or starts & set(range(head.end, head.end + 4)):
                continue
            generic = Sense("generic", cue.of("cue")[0].source, data="absent")
            mark = Mark(cue.start, cue.end, (generic,))
            scene.atoms.append(
                Atom(cue.start, cue.end, "word", mark, None, head.sentence, scene.segments.cell_of[cue.start])
            )


def _sides_in_phrases(scene: Scene, marks: list[Mark]) -> None:
    """ "The right eye does not elevate and ...": a phrase that tells its side is said of that side,
    and so is what follows it."""
    starts = {s.start for s in scene.sides}
    for mark in marks:
        findings = [s for s in mark.of("alone") if s.data == "finding"]
        told = {s.side for s in findings}
        if len(told) != 1 or not told & {"right", "left"} or mark.start in starts:
            continue
        if scene.modes.mode[mark.start] != "finding" or not told <= _sides_of_words(scene, mark):
            continue
        scene.sides.append(
            Side(mark.start, mark.end, next(iter(told)), scene.segments.sentence_of[mark.start], False, False)  # type: ignore[arg-type]
        )
    scene.sides.sort(key=lambda s: s.start)


def _sides_of_words(scene: Scene, mark: Mark) -> set[str]:
    words = {t.key for t in scene.tokens.tokens[mark.start : mark.end]}
    return words & {"right", "left"}


def _add_side(scene: Scene, mark: Mark) -> None:
    value = mark.of("side")[0].value
    if (
        mark.start
        and scene.tokens[mark.start - 1].key == "'"
        and scene.tokens[mark.start - 1].end == scene.tokens[mark.start].start
    ):
        return
    if (
        value == "both_open"
        and scene.tokens[mark.start].key == "together"
        and not any(
            scene.tokens[i].kind == "number" or scene.tokens[i].key in (",", ":")
            for i in range(mark.end, min(mark.end + 2, len(scene.tokens)))
        )
    ):
        return
    before = mark.start - 1
    while before >= 0 and (scene.tokens[before].kind == "space" or scene.tokens[before].skipped):
        before -= 1
    if before >= 0 and scene.tokens[before].key == "than":
        return  # "1 mm larger than the right": the side compared with
    if _denies_two(scene, mark, before):
        return
    prepositional = before >= 0 and scene.tokens[before].key in _PREPOSITIONS
    if prepositional and scene.tokens[before].key in ("of", "with") and _attributive(scene, mark):
        prepositional = False
    scene.sides.append(
        Side(mark.start, mark.end, value, scene.segments.sentence_of[mark.start], False, prepositional, mark.heard)  # type: ignore[arg-type]
    )


_NOR = 12  # tokens from "neither" to its "nor"


def _denies_two(scene: Scene, mark: Mark, before: int) -> bool:
    """Whether a "neither" has its "nor" and denies two things, so that it is no word for both sides.

    It does right behind a side ("the left eye neither elevates nor abducts"), and where no verb stands between ("neither
    wasting nor fasciculation", but "neither disc was pale nor swollen"). `before` is the last word before it.
    """
    if mark.end - mark.start != 1 or scene.tokens[mark.start].key != "neither":
        return False
    behind = scene.tokens.tokens[mark.end : mark.end + _NOR]
    nor = next((n for n, t in enumerate(behind) if t.key == "nor"), -1)
    if nor < 0:
        return False
    if any(
        0 <= before + 1 - s.end <= 1 and (s.end > before or scene.tokens[before].key == ":") for s in scene.sides[-1:]
    ):
        return True
    words = [t for t in behind[:nor] if t.kind != "space" and t.text.casefold() not in _ARTICLES]
    return 0 < len(words) <= 4 and all(t.kind == "word" and not t.skipped for t in words)


def _attributive(scene: Scene, mark: Mark) -> bool:
    """ "of left hypotropia": a side that belongs to the name right behind it."""
    after = mark.end
    while after < len(scene.tokens) and scene.tokens[after].kind == "space":
        after += 1
    return after in scene.named


def _between(scene: Scene, a: int, b: int) -> list[str]:
    return [t.key for t in scene.tokens.tokens[a:b] if t.kind != "space" and not t.skipped]


def _either(scene: Scene) -> None:
    """ "either disc", "neither pupil": the name behind it is told of both sides."""
    names = {h.start: h for h in scene.heads if not h.soft}
    told = {s.start for s in scene.sides}
    for token in scene.tokens.tokens:
        if token.key != "either" or token.i in told:
            continue
        after = token.i + 1
        while after < len(scene.tokens) and scene.tokens[after].kind == "space":
            after += 1
        head = names.get(after)
        if head is not None and any(s.item == "" or scene.lexicon.items[s.item].sided for s in head.senses):
            scene.sides.append(Side(token.i, token.i + 1, "both", head.sentence, False, False))
    scene.sides.sort(key=lambda s: s.start)


def _merge_pairs(scene: Scene) -> None:
    """ "right and left", "R + L", "OD/OS": one side that names both, in that order."""
    out: list[Side] = []
    for side in scene.sides:
        if out and side.sentence == out[-1].sentence and {out[-1].value, side.value} == {"right", "left"}:
            gap = _between(scene, out[-1].end, side.start)
            if (
                len(gap) == 1
                and gap[0] in ("and", "&", "+", "/", "=", "or")
                or not gap
                and scene.tokens.words(out[-1].start, side.end).replace(" ", "") in ("RL", "OD/OS", "R/L")
            ):
                order: SideValue = "right_left" if side.value == "left" else "left_right"
                prepositional = out[-1].prepositional
                out[-1] = Side(out[-1].start, side.end, order, side.sentence, False, prepositional)
                continue
        out.append(side)
    scene.sides = out


def _resolve_sides(scene: Scene) -> None:
    """ "the other eye", "that side" -> right or left, from the side spoken of before."""
    _occluded(scene)
    last = ""
    out: list[Side] = []
    for side in scene.sides:
        value = str(side.value)
        if value in ("affected", "unaffected"):
            value = subject.affected(scene, side)
        elif value in ("same", "other"):
            if last in ("right", "left"):
                value = last if value == "same" else ("left" if last == "right" else "right")
            elif value == "other":
                value = "unclear"
            else:
                continue
        if value in ("right", "left"):
            last = value
        out.append(replace_side(side, value))
    scene.sides = out


_SHUT = frozenset({"block", "close", "clos", "shut", "cover", "occlud", "press", "pinch", "hold", "plug", "mask"})


def _occluded(scene: Scene) -> None:
    """ "Block off the left nostril": the other one is tested from here on."""
    for mark in scene.marks:
        if not mark.has("side") or scene.modes.mode[mark.start] not in ("talk", "finding"):
            continue
        value = mark.of("side")[0].value
        words = {t.key for t in scene.tokens.tokens[mark.start : mark.end]}
        if value not in ("right", "left") or not words & {"nostril", "ear", "eye", "one", "side"}:
            continue
        near = {t.key for t in scene.tokens.tokens[max(0, mark.start - 6) : mark.end + 10]}
        before = {t.key for t in scene.tokens.tokens[max(0, mark.start - 6) : mark.start]}
        if before & _SHUT and (
            words & {"nostril", "ear"}
            or near & {"nose", "nostril", "ear", "smell", "sniff"}
            or scene.modes.mode[mark.start] == "talk"
        ):
            scene.sides = [s for s in scene.sides if s.start != mark.start]
            other = "left" if value == "right" else "right"
            scene.sides.append(Side(mark.start, mark.end, other, scene.segments.sentence_of[mark.start], True, False))  # type: ignore[arg-type]
    scene.sides.sort(key=lambda s: s.start)


def _denied_sides(scene: Scene) -> None:
    """ "The left disc, not the right, is swollen": a side that is only set against the other takes no value."""
    denials = {c.end: c for c in scene.cues if any(s.data == "negation" for s in c.of("cue"))}
    values_of: dict[int, set[str]] = {}
    for side in scene.sides:
        values_of.setdefault(side.sentence, set()).add(str(side.value))
    for side in list(scene.sides):
        cue = next((denials[i] for i in range(side.start, max(-1, side.start - 5), -1) if i in denials), None)
        if cue is None or scene.tokens[cue.start].key != "not" or not {"right", "left"} <= values_of[side.sentence]:
            continue
        if side.value not in ("right", "left"):
            continue
        gap = _between(scene, cue.end, side.start)
        after = _between(scene, side.end, side.end + 3)[:1]
        if all(g in _PREPOSITIONS for g in gap) and after in ([","], [")"]):
            scene.sides.remove(side)
            scene.set_against.append((cue, side))


def replace_side(side: Side, value: str) -> Side:
    """The same side event with another value."""
    return Side(side.start, side.end, value, side.sentence, side.block, side.prepositional, side.heard, side.virtual)  # type: ignore[arg-type]


def _mark_blocks(scene: Scene) -> None:
    """A side that opens a sentence or line and is set off from it holds for what follows."""
    tokens = scene.tokens
    valued = {a.sentence for a in scene.atoms}
    named = {h.sentence for h in scene.heads if not h.soft and not all("sample" in dict(s.context) for s in h.senses)}
    ends = {h.start: h.end for h in scene.heads if not h.soft}
    for side in scene.sides:
        sentence = scene.segments.sentences[side.sentence]
        i = side.start - 1
        only_starters = True
        while i >= sentence.start:
            token = tokens[i]
            if (
                token.kind in ("space", "break", "punct")
                or token.skipped
                or token.key
                in (
                    "on",
                    "in",
                    "now",
                    "and",
                    "then",
                    "for",
                    "first",
                    "next",
                    "so",
                    "ok",
                    "okay",
                    "eye",
                    "with",
                    "to",
                    "of",
                    "start",
                )
            ):
                i -= 1
                continue
            only_starters = False
            break
        j = side.start - 1
        while j > sentence.start and (scene.tokens[j].kind == "space" or scene.tokens[j].skipped):
            j -= 1
        if sentence.run_on and j >= sentence.start and scene.tokens[j].key in ("now", "then", "next"):
            side.block = True
            continue
        if side.sentence not in valued and side.sentence not in named and _alone_in_sentence(scene, side):
            side.block = True
            continue
        if _asked_of(scene, side):
            side.block = True
            continue
        if not only_starters:
            continue
        after = side.end
        while after < len(tokens) and tokens[after].kind == "space":
            after += 1
        over_name = after in ends
        after = ends.get(after, after)
        while after < len(tokens) and tokens[after].kind == "space":
            after += 1
        if over_name and (after >= len(tokens) or tokens[after].key != ":"):
            continue
        ending = tokens[after].key if after < sentence.end and after < len(tokens) else ""
        set_off = ending in (":", "-", ",") or tokens[after].kind == "break" if after < len(tokens) else False
        if set_off or side.prepositional:
            side.block = True
    for side in scene.sides:
        side.block = side.block or subject.turns_to(scene, side)


def _asked_of(scene: Scene, side: Side) -> bool:
    """ "Same pot, other nostril?": a question that ends with a side is answered for that side."""
    sentence = scene.segments.sentences[side.sentence]
    if not sentence.question or scene.modes.mode[side.start] != "question":
        return False
    return not any(t.kind in ("word", "number") for t in scene.tokens.tokens[side.end : sentence.end])


def _alone_in_sentence(scene: Scene, side: Side) -> bool:
    """ "Now the left.": a sentence that does nothing but turn to a side."""
    sentence = scene.segments.sentences[side.sentence]
    words = [t for t in scene.tokens.tokens[sentence.start : sentence.end] if t.kind == "word" and not t.skipped]
    return len(words) <= 6 and side.value in ("right", "left")


def _group_heads(scene: Scene) -> None:
    """Names joined by "and", commas or a slash with no value between share what follows."""
    atoms_at = sorted({a.start for a in scene.atoms} - {h.start for h in scene.heads})
    side_starts = sorted(s.start for s in scene.sides)
    heads = [h for h in scene.heads if not h.finding and not h.soft]
    run: list[Head] = []

    def close() -> None:
        if len(run) > 1 and _coordinated(scene, run, atoms_at):
            group = tuple(run)
            for member in run:
                member.group = group
        run.clear()

    for head in heads:
        if run:
            last = run[-1]
            gap = [t.key for t in scene.tokens.tokens[last.end : head.start] if t.kind != "space" and not t.skipped]
            sides = _within(side_starts, last.end, head.start)
            fits = (
                head.sentence == last.sentence
                and head.talk == last.talk
                and 1 <= len(gap) <= 3
                and all(k in _GROUP_LINKS or k in ("no", "of", "in") for k in gap)
                and any(k in _GROUP_LINKS for k in gap)
                and not sides
                and not _within(atoms_at, last.end, head.start)
            )
            if not fits:
                close()
        run.append(head)
    close()


def _within(places: list[int], a: int, b: int) -> bool:
    at = bisect_left(places, a)
    return at < len(places) and places[at] < b


def _coordinated(scene: Scene, run: list[Head], atoms_at: list[int]) -> bool:
    """Whether names in a row are a list that shares one value: joined by "and", or of one topic."""
    words = {t.key for t in scene.tokens.tokens[run[0].start : run[-1].end]}
    topics = [{s.topic for s in h.senses} for h in run]
    if not words & {"and", "&", "+", "or", "nor", "/"} and not set.intersection(*topics) and not _one_scale(scene, run):
        return False
    for start in atoms_at[bisect_left(atoms_at, run[0].start - 7) : bisect_left(atoms_at, run[0].start)]:
        gap = _between(scene, start, run[0].start)
        if (
            not any(g in (",", ".", ":", ";", "and", "but", "-") for g in gap)
            and scene.segments.sentence_of[start] == run[0].sentence
        ):
            return len(gap) == 1 and _no_value_behind(scene, run[-1], atoms_at)
    return True


def _no_value_behind(scene: Scene, last: Head, atoms_at: list[int]) -> bool:
    """Whether a list of names ends its clause, so that what stands before it is all that is said of it."""
    at = bisect_left(atoms_at, last.end)
    if at >= len(atoms_at) or scene.segments.sentence_of[atoms_at[at]] != last.sentence:
        return True
    return any(g in (",", ":", ";", "but", "with") for g in _between(scene, last.end, atoms_at[at]))


def _one_scale(scene: Scene, run: list[Head]) -> bool:
    """Whether all names of a list are graded on one scale ("SCM, trapezius 5/5")."""
    scales = set()
    for head in run:
        found = {scene.lexicon.items[s.item].scale for s in head.senses if s.item}
        scales.add(next(iter(found)) if len(found) == 1 else "")
    return len(scales) == 1 and "" not in scales


def struck_senses(mark: Mark) -> Mark:
    """The mark without senses that are only circumstances."""
    return replace(mark, senses=tuple(s for s in mark.senses if s.role != "context"))
